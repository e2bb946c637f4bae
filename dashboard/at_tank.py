"""Readings typed at the tank: one tank at a time, the kit's own steps to tap, each tap answered at once."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape

import polars as pl
import streamlit as st

from dashboard import enter_desk as desk
from dashboard import look
from dashboard.papers_desk import stamp
from pipeline import trial
from pipeline.intake.ladders import KitRow
from pipeline.papers import water_today
from pipeline.papers.report_facts import next_visit, open_tanks
from pipeline.papers.visit_sheets import UNITS, expected
from pipeline.week import Week
from pipeline.wording import day, interval, number, with_unit
from schemas.words import CHANGE_KINDS, FISH_LOOK, PARAMETER_TITLES

MAIN = ("ammonia", "nitrite", "nitrate", "ph", "kh")  # asked for at every visit
MOST_DROPS = 99  # of one count: more is a slip
MORE = ("gh", "phosphate", "oxygen", "flow_l_h")  # folded away
TAKEN = {"before": "before the change", "after": "after", "none": "no change"}
NO_KIT = "no kit, a meter"
NONE, OTHER = "none", "other"
APART = 10  # per cent between the changes that can be tapped; any other can be typed
NOT_KNOWN = "not known yet"


@dataclass
class Entered:
    """What was entered of a visit: the row of the sheet so far, and what is wrong with it."""

    row: dict[str, str] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)

    @property
    def anything(self) -> bool:
        return any(self.row.get(name) for name in self.row if name not in ("taken", "kit")) or bool(self.wrong)


def route(week: Week, when: dt.date) -> list[tuple[str, str]]:
    """(site, tank) in the order of the round: the sites of the day, then those of the days after it."""
    before = when - dt.timedelta(days=1)
    sites = week.table("site").sort("file", "line").to_dicts()
    sites.sort(key=lambda site: next_visit(site, before) or dt.date.max)
    return [(site["site"], tank["tank"]) for site in sites for tank in open_tanks(week, site["site"], when)]


def read_on(week: Week, when: dt.date) -> dict[str, str]:
    """Tanks that have a visit on a day already -> its time, or blank."""
    rows = week.table("visit").filter(pl.col("day") == when).sort("at")
    return {tank: f"{at:%H:%M}" if at.time() != dt.time() else "" for tank, at in rows.select("tank", "at").iter_rows()}


def start(week: Week, when: dt.date, order: Sequence[tuple[str, str]]) -> str:
    """The first tank of the route that has no visit on the day yet; blank where no tank runs."""
    done = read_on(week, when)
    return next((tank for _, tank in order if tank not in done), order[0][1] if order else "")


def kits_here(week: Week, tank: str, when: dt.date) -> tuple[list[str], str]:
    """Kits that may be used on a day, the one used here last first; and the one to begin with."""
    rows = week.of("reading", tank).filter(pl.col("kit").is_not_null()).sort("at", "line")
    last = rows["kit"][-1] if rows.height else ""
    books = trial.ladders(week)
    left = {kit for kit, n in week.table("kit").select("kit", "tests_left").iter_rows() if n is None or n > 0}
    good = {kit for (kit, _), row in books.items() if row.good_until is None or row.good_until >= when} & left
    known = list(dict.fromkeys(kit for kit, _ in books))
    kits = [kit for kit in known if kit in good or kit == last]
    return kits, last if last in kits else kits[0] if kits else NO_KIT


def hoped(week: Week, tank: str, when: dt.date) -> dict[str, str]:
    """Parameter -> the range to expect; nitrate only as far as the forecast reaches."""
    told = expected(week, tank, when)
    if (when - week.as_of).days > week.assumed["forecast_days"]:
        told.pop("nitrate", None)
    return told


def last_read(week: Week, tank: str) -> dict[str, str]:
    """Parameter -> its last reading that was not taken after a change."""
    rows = week.of("reading", tank).filter(pl.col("taken") != "after").sort("at", "line")
    return {
        row["parameter"]: "0" if row["matched"] == 0 else interval(row["low"], row["high"], 3)
        for row in rows.iter_rows(named=True)
    }


def beside(parameter: str, hopes: Mapping[str, str], last: Mapping[str, str]) -> str:
    """`expect 34–48 · last 38–58`."""
    told = f"expect {hopes[parameter]}" if parameter in hopes else "no expectation yet"
    return f"{told} · last {last[parameter]}" if parameter in last else f"{told} · never read"


def shares(planned: float | None) -> list[int]:
    """Per cents to tap: the planned one to the nearest 5, and one a step under and over it."""
    middle = 5 * round(20 * planned) if planned else 0
    return [share for share in (middle - APART, middle, middle + APART) if 0 < share <= 100] if middle else []


# -- the questions ---------------------------------------------------------------------------------------


def _steps(entered: Entered, key: str, name: str, parameter: str, kit: KitRow, week: Week, after: str) -> None:
    """One parameter by the steps of kit `name`; each kit keeps its own taps, as its steps are others."""
    unit = UNITS[parameter]
    if kit.basis not in ("", "dKH", "dGH"):  # by weight of what is named
        unit = kit.basis if "/" in kit.basis else f"mg/L {kit.basis}"
    desk.title(PARAMETER_TITLES[parameter], after, unit)
    steps = [f"{step:g}" for step in kit.steps]
    chosen = desk.pills(PARAMETER_TITLES[parameter], steps, f"{key} {name} {parameter}", many=True) or []
    text, wrong = trial.tapped(steps, list(chosen))
    answer = trial.Answer(False, wrong) if wrong else trial.reading(parameter, text, kit, week.assumed)
    desk.echo(answer)
    entered.row[parameter] = text
    if not answer.good:
        entered.wrong.append(f"{PARAMETER_TITLES[parameter]}: {answer.says}")


def _drops(entered: Entered, key: str, name: str, parameter: str, kit: KitRow, week: Week, after: str) -> None:
    """One parameter by the drops of kit `name` that were counted until the colour turned."""
    worth = f"{number(kit.per_drop)} {kit.basis or UNITS[parameter]}" if kit.per_drop else ""
    desk.title(PARAMETER_TITLES[parameter], after, f"drops of {worth}")
    count = st.number_input(
        PARAMETER_TITLES[parameter], value=None, min_value=1, max_value=MOST_DROPS, step=1, placeholder="not tested",
        key=f"{key} {name} {parameter}", label_visibility="collapsed", persist_state="session",
    )  # fmt: skip
    text = "" if count is None else f"{count:.0f} drops"
    desk.echo(trial.reading(parameter, text, kit, week.assumed))
    entered.row[parameter] = text


def _typed(entered: Entered, key: str, parameter: str, week: Week, after: str) -> None:
    """One parameter typed, where no kit has steps for it."""
    desk.title(PARAMETER_TITLES[parameter], after, UNITS[parameter])
    text = st.text_input(
        PARAMETER_TITLES[parameter], key=f"{key} typed {parameter}", max_chars=desk.LONGEST_VALUE,
        placeholder="not tested", label_visibility="collapsed", persist_state="session",
    ) or ""  # fmt: skip
    answer = trial.reading(parameter, text, None, week.assumed)
    desk.echo(answer)
    entered.row[parameter] = text.strip()
    if not answer.good:
        entered.wrong.append(f"{PARAMETER_TITLES[parameter]}: {answer.says}")


def _temperature(entered: Entered, key: str, week: Week, after: str) -> None:
    desk.title("Temperature", after, "°C")
    value = st.number_input(
        "Temperature", value=None, step=0.5, format="%.1f", placeholder="not tested", key=f"{key} temperature",
        label_visibility="collapsed", persist_state="session",
    )  # fmt: skip
    text = "" if value is None else f"{value:.1f}"
    answer = trial.reading("temperature", text, None, week.assumed)
    desk.echo(answer)
    entered.row["temperature"] = text
    if not answer.good:
        entered.wrong.append(f"Temperature: {answer.says}")


@st.cache_data(max_entries=64, show_spinner=False)
def _plan(mark: str, tank: str, when: dt.date, _week: Week) -> water_today.Change:
    """The change planned; asked once a tank, as every tap asks again."""
    return water_today.change(_week, tank, when)


def _change(entered: Entered, key: str, week: Week, tank: str, when: dt.date) -> None:
    """The water change: per cents of the net volume with their litres, or any other amount."""
    net, _ = water_today.net_of(week, tank)
    plan = _plan(stamp(), tank, when, week)
    container = week.round.van.get("container_l")
    if plan.fraction is None:
        planned = ""
    elif net is None:
        planned = f"planned {with_unit(f'{100 * plan.fraction:.0f}', '%')}; net volume not known"
    else:
        planned = f"planned {water_today.amount(plan.fraction, net, container)}"
    desk.title("Water changed", planned)
    words = {NONE: "none"}
    for share in shares(plan.fraction):
        words[f"{share}%"] = trial.amount(share / 100, None if net is None else share / 100 * net)
    words[OTHER] = "other"
    begun = st.session_state.get(f"{key} change")
    if begun and begun not in words:  # tapped before the plan said otherwise
        st.session_state[f"{key} change"], st.session_state[f"{key} change other"] = OTHER, begun
    chosen = desk.pills("Water changed", words, f"{key} change")
    text = "" if chosen in (None, OTHER) else str(chosen)
    if chosen == OTHER:
        text = st.text_input(
            "Water changed, other", key=f"{key} change other", max_chars=desk.LONGEST_VALUE,
            placeholder="with its unit, such as 45 L or 35%", label_visibility="collapsed", persist_state="session",
        ) or ""  # fmt: skip
    answer = trial.change(text, net, week.assumed, week.round.gallon)
    desk.echo(answer)
    if not answer.good:
        entered.wrong.append(f"Water changed: {answer.says}")
    entered.row["water_changed"] = text.strip()
    if not text or text == NONE:
        return
    kind = desk.pills("Kind of change", CHANGE_KINDS, f"{key} kind", default=CHANGE_KINDS[0], shown=True)
    entered.row["change_kind"] = "" if kind == CHANGE_KINDS[0] else str(kind)
    of_ro = f"{100 * water_today.ro_share(week, tank):.0f}"
    if of_ro != "0":
        usual = f"ro {of_ro}%"
        waters = {usual: f"{with_unit(of_ro, '%')} RO, as last time", "": "no RO", "ro": "all RO"}
        water = desk.pills("New water", waters, f"{key} water", default=usual, shown=True)
        entered.row["new_water"] = str(water or "")


def _fish(entered: Entered, key: str, week: Week, tank: str) -> None:
    seen = week.of("visit", tank).filter(pl.col("fish_seen").is_not_null()).sort("at")
    desk.title("Fish", f"last {number(seen['fish_seen'][-1], 4)} on {day(seen['day'][-1])}" if seen.height else "")
    count = st.number_input(
        "Fish seen", value=None, min_value=0, step=1, placeholder="not counted", key=f"{key} fish",
        label_visibility="collapsed", persist_state="session",
    )  # fmt: skip
    looks = desk.pills("How they look", FISH_LOOK, f"{key} look")
    entered.row |= {"fish_seen": "" if count is None else f"{count:.0f}", "fish_look": str(looks or "")}


def questions(week: Week, tank: str, when: dt.date, key: str) -> Entered:
    """Everything that is asked at a tank."""
    entered = Entered()
    hopes, last = hoped(week, tank, when), last_read(week, tank)
    kits, first = kits_here(week, tank, when)
    if kits:
        desk.title("Kit")
        kit = desk.pills("Kit", [*kits, NO_KIT], f"{key} kit", default=first) or first
    else:
        kit = NO_KIT
    ladders = {
        parameter: row
        for (name, parameter), row in trial.ladders(week).items()
        if name == kit and (row.steps or row.per_drop)
    }
    ends = [row.good_until for row in ladders.values() if row.good_until is not None]
    if ends and min(ends) < when:
        ended = day(min(ends), year=True, weekday=False)
        look.html(f'<p class="echo hand">Kit {escape(kit)} is past its day, {ended}: its readings are marked.</p>')
    desk.title("When")
    taken = desk.pills("When", TAKEN, f"{key} taken", default="before")
    entered.row |= {"taken": str(taken or ""), "kit": "" if kit == NO_KIT else kit}
    for parameter in MAIN:
        if parameter in ladders:
            by = _steps if ladders[parameter].steps else _drops
            by(entered, key, kit, parameter, ladders[parameter], week, beside(parameter, hopes, last))
        elif not ladders:
            _typed(entered, key, parameter, week, beside(parameter, hopes, last))
    _temperature(entered, key, week, beside("temperature", hopes, last))
    _change(entered, key, week, tank, when)
    _fish(entered, key, week, tank)
    with st.expander("More tests, and a note"):
        for parameter in [*(p for p in MAIN if ladders and p not in ladders), *MORE]:
            if parameter in ladders:
                by = _steps if ladders[parameter].steps else _drops
                by(entered, key, kit, parameter, ladders[parameter], week, beside(parameter, hopes, last))
            else:
                _typed(entered, key, parameter, week, beside(parameter, hopes, last))
        desk.title("Note", "never on a report unless ticked")
        entered.row["note"] = (
            st.text_input(
                "Note", key=f"{key} note", max_chars=desk.LONGEST_WHY, label_visibility="collapsed",
                placeholder="no names of people", persist_state="session",
            ) or ""
        ).strip()  # fmt: skip
    return entered
