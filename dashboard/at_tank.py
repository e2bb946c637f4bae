"""Readings typed at the tank: one tank at a time, the kit's own steps to tap, each tap answered at once."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape

import polars as pl
import streamlit as st

from dashboard import data, look
from dashboard import enter_desk as desk
from dashboard.papers_desk import stamp
from pipeline import logbook, trial
from pipeline.intake.ladders import KitRow
from pipeline.papers import water_today
from pipeline.papers.expected import expected
from pipeline.papers.report_facts import next_visit
from pipeline.papers.visit_sheets import UNITS, open_tanks
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import counted, day, interval, number, with_unit
from schemas.words import CHANGE_KINDS, FISH_LOOK, PARAMETER_TITLES

MAIN = ("ammonia", "nitrite", "nitrate", "ph", "kh")  # asked for at every visit
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
    rows = week.table("reading").filter((pl.col("tank") == tank) & pl.col("kit").is_not_null()).sort("at", "line")
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
    rows = week.table("reading").filter((pl.col("tank") == tank) & (pl.col("taken") != "after")).sort("at", "line")
    return {
        row["parameter"]: "0" if row["matched"] == 0 else interval(row["low"], row["high"], 3)
        for row in rows.iter_rows(named=True)
    }


def beside(parameter: str, hopes: Mapping[str, str], last: Mapping[str, str]) -> str:
    """`expect 34–48 · last 38–58`."""
    told = f"expect {hopes[parameter]}" if parameter in hopes else f"expect {NOT_KNOWN}"
    return f"{told} · last {last[parameter]}" if parameter in last else f"{told} · never read"


def shares(planned: float | None) -> list[int]:
    """Per cents to tap: the planned one to the nearest 5, and one a step under and over it."""
    middle = 5 * round(20 * planned) if planned else 0
    return [share for share in (middle - APART, middle, middle + APART) if 0 < share <= 100] if middle else []


# -- the questions ---------------------------------------------------------------------------------------


def _steps(entered: Entered, key: str, name: str, parameter: str, kit: KitRow, week: Week, after: str) -> None:
    """One parameter by the steps of kit `name`; each kit keeps its own taps, as its steps are others."""
    unit = kit.basis if kit.basis not in ("", "dKH", "dGH") else UNITS[parameter]
    unit = f"mg/L {unit}" if kit.basis and unit == kit.basis and "/" not in unit else unit
    desk.title(PARAMETER_TITLES[parameter], after, unit)
    steps = [f"{step:g}" for step in kit.steps]
    chosen = st.pills(
        PARAMETER_TITLES[parameter], steps, selection_mode="multi", key=f"{key} {name} {parameter}",
        format_func=look.label, label_visibility="collapsed", persist_state="session",
    ) or []  # fmt: skip
    text, wrong = trial.tapped(steps, list(chosen))
    answer = trial.Answer(False, wrong) if wrong else trial.reading(parameter, text, kit, week.assumed)
    desk.echo(answer)
    entered.row[parameter] = text
    if not answer.good:
        entered.wrong.append(f"{PARAMETER_TITLES[parameter]}: {answer.says}")


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
    chosen = st.pills(
        "Water changed", list(words), format_func=lambda c: look.label(words[c]), key=f"{key} change",
        label_visibility="collapsed", persist_state="session",
    )  # fmt: skip
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
    kind = st.pills(
        "Kind of change", CHANGE_KINDS, default=CHANGE_KINDS[0], key=f"{key} kind", required=True,
        persist_state="session",
    )  # fmt: skip
    entered.row["change_kind"] = "" if kind == CHANGE_KINDS[0] else str(kind)
    of_ro = f"{100 * water_today.ro_share(week, tank):.0f}"
    if of_ro != "0":
        usual = f"ro {of_ro}%"
        waters = {usual: f"{with_unit(of_ro, '%')} RO, as last time", "": "no RO", "ro": "all RO"}
        water = st.pills(
            "New water", list(waters), default=usual, format_func=lambda c: look.label(waters[c]),
            key=f"{key} water", required=True, persist_state="session",
        )  # fmt: skip
        entered.row["new_water"] = str(water or "")


def _fish(entered: Entered, key: str, week: Week, tank: str) -> None:
    seen = week.table("visit").filter((pl.col("tank") == tank) & pl.col("fish_seen").is_not_null()).sort("at")
    desk.title("Fish", f"last {number(seen['fish_seen'][-1], 4)} on {day(seen['day'][-1])}" if seen.height else "")
    count = st.number_input(
        "Fish seen", value=None, min_value=0, step=1, placeholder="not counted", key=f"{key} fish",
        label_visibility="collapsed", persist_state="session",
    )  # fmt: skip
    looks = st.pills(
        "How they look", FISH_LOOK, key=f"{key} look", label_visibility="collapsed", persist_state="session"
    )
    entered.row |= {"fish_seen": "" if count is None else f"{count:.0f}", "fish_look": str(looks or "")}


def questions(week: Week, tank: str, when: dt.date, key: str) -> Entered:
    """Everything that is asked at a tank."""
    entered = Entered()
    hopes, last = hoped(week, tank, when), last_read(week, tank)
    kits, first = kits_here(week, tank, when)
    if kits:
        desk.title("Kit")
        kit = st.pills(
            "Kit", [*kits, NO_KIT], default=first, format_func=look.label, key=f"{key} kit", required=True,
            label_visibility="collapsed", persist_state="session",
        ) or first  # fmt: skip
    else:
        kit = NO_KIT
    ladders = {parameter: row for (name, parameter), row in trial.ladders(week).items() if name == kit and row.steps}
    ends = [row.good_until for row in ladders.values() if row.good_until is not None]
    if ends and min(ends) < when:
        ended = day(min(ends), year=True, weekday=False)
        look.html(f'<p class="echo hand">Kit {escape(kit)} is past its day, {ended}: its readings are marked.</p>')
    desk.title("When")
    taken = st.pills(
        "When", list(TAKEN), default="before", format_func=TAKEN.__getitem__, key=f"{key} taken", required=True,
        label_visibility="collapsed", persist_state="session",
    )  # fmt: skip
    entered.row |= {"taken": str(taken or ""), "kit": "" if kit == NO_KIT else kit}
    for parameter in MAIN:
        if parameter in ladders:
            _steps(entered, key, kit, parameter, ladders[parameter], week, beside(parameter, hopes, last))
        elif not ladders:
            _typed(entered, key, parameter, week, beside(parameter, hopes, last))
    _temperature(entered, key, week, beside("temperature", hopes, last))
    _change(entered, key, week, tank, when)
    _fish(entered, key, week, tank)
    with st.expander("More tests, and a note"):
        for parameter in [*(p for p in MAIN if ladders and p not in ladders), *MORE]:
            if parameter in ladders:
                _steps(entered, key, kit, parameter, ladders[parameter], week, beside(parameter, hopes, last))
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


# -- keeping ---------------------------------------------------------------------------------------------


def _row(entered: Entered, week: Week, tank: str, when: dt.date, by: str) -> dict[str, str]:
    """The row of the visits sheet: with the time where it is entered on the day itself."""
    now = dt.datetime.now()
    site = week.table("tank").filter(pl.col("tank") == tank)["site"][0]
    return {
        **{name: text for name, text in entered.row.items() if text},
        "date": when.isoformat(),
        "time": f"{now:%H:%M}" if when == now.date() else "",
        "site": site,
        "tank": tank,
        "by": by.strip(),
    }


def _would_be_held(week: Week, row: dict[str, str]) -> list[str]:
    """What would be held of a visit, beside another of the same tank and day."""
    content = logbook.visits_csv([row]).encode()
    told = trial.files(desk.folder_now(), week.table("held"), {"visits/entered-now.csv": content})
    return [f"{r['column'] or 'Row'} “{r['text']}”: {r['reason']}" for r in [*told.held, *told.elsewhere]]


def keep(week: Week, tank: str, when: dt.date, entered: Entered, by: str, after: str) -> None:
    """Keeps the visit as a new file, moves on, loads the round anew and says what became of it."""
    name = data.tank_titles(week)[tank]
    if entered.wrong:
        desk.tell([f"{name} is not kept yet.", *entered.wrong], hand=True)
        return
    row = _row(entered, week, tank, when, by)
    if tank in read_on(week, when) and (bad := _would_be_held(week, row)):
        desk.tell([f"{name} is not kept: it stands against what was entered for {day(when)} before.", *bad], hand=True)
        return
    try:
        path = logbook.save_visits(week.folder, [row], dt.date.today())
    except Problem as problem:
        desk.tell([str(problem)], hand=True)
        return
    # It is kept: all that follows from it is settled before the load, which a second tap on the button would break off.
    times = st.session_state.get("enter_times", {})
    st.session_state["enter_times"] = {**times, (tank, when): times.get((tank, when), 0) + 1}
    st.session_state["enter_next"] = after
    desk.tell([f"Kept: {name}, {day(when)}."])
    mine = pl.col("file") == path.relative_to(week.folder).as_posix()
    loaded = desk.week()
    held = loaded.table("held").filter(mine)
    marked = loaded.table("remark").filter(mine & (pl.col("outcome") == "warned"))
    read = loaded.table("reading").filter(mine)
    told = [f"Kept: {name}, {day(when)}, {counted(read.height, 'reading')}."]
    told += [f"Look again: {says}" for says in marked["says"].unique(maintain_order=True)]
    told += [f"Held: {reason}" for reason in held["reason"]]
    desk.tell(told, hand=bool(held.height or marked.height))


def choose(week: Week, when: dt.date) -> str:
    """The tank: the next on the route after one was kept, the one in the address, or any that is chosen."""
    order = route(week, when)
    tanks = [tank for _, tank in order]
    titles = data.tank_titles(week)
    asked = st.session_state.pop("enter_next", None)
    if asked is None and st.session_state.get("enter_asked") != (where := (st.query_params.get("tank", ""), when)):
        st.session_state["enter_asked"] = where
        asked = where[0] if where[0] in tanks else start(week, when, order)
    if not tanks:
        return ""
    if asked in tanks or st.session_state.get("enter_tank") not in tanks:
        st.session_state["enter_tank"] = asked if asked in tanks else tanks[0]
    done = read_on(week, when)
    chosen: str = st.selectbox(
        "Tank", tanks, format_func=lambda t: titles[t] + (", entered" if t in done else ""), key="enter_tank",
        persist_state="session", width=360,
    )  # fmt: skip
    return chosen


def page(week: Week, when: dt.date, tank: str) -> None:
    """One tank, its questions, and the button to the next."""
    if not tank:
        look.say(f"No tank runs on {day(when, year=True)}: choose another day.")
        return
    order = route(week, when)
    tanks, done = [t for _, t in order], read_on(week, when)
    site = {t: s for s, t in order}[tank]
    here = [t for s, t in order if s == site]
    names = dict(week.table("tank").select("tank", "name").iter_rows())
    sites = dict(week.table("site").select("site", "name").iter_rows())
    look.html(
        f'<p class="counts">{escape(sites.get(site) or site)}, tank {here.index(tank) + 1} of {len(here)}:'
        f" {escape(names.get(tank) or tank)}.</p>"
        '<p class="small">Tap the step you matched; tap two if it lies between. Nothing tapped means not tested.'
        + (f" Entered already for this day{', at ' + done[tank] if done[tank] else ''}." if tank in done else "")
        + "</p>"
    )
    times = st.session_state.get("enter_times", {})
    key = f"at {tank} {when} {times.get((tank, when), 0)}"
    entered = questions(week, tank, when, key)
    by = st.text_input(desk.WHO, key="enter_by", max_chars=desk.LONGEST_WHO, persist_state="session") or ""
    after = tanks[tanks.index(tank) + 1] if tank != tanks[-1] else None
    to = f"go to {look.label(names.get(after) or after)}" if after else "end the round"
    with st.container(key="keep"):
        word = f"Keep and {to}" if entered.anything else f"Nothing entered: {to}"
        # The key names the tank: a second tap on the same button cannot pass over the next one.
        if st.button(word, type="primary", width="stretch", key=f"keep {key}"):
            if entered.anything:
                keep(week, tank, when, entered, by, after or tank)
            else:
                st.session_state["enter_next"] = after or tank
            st.rerun()
