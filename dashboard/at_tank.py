"""Readings typed at the tank: one tank at a time, the kit's own steps to tap, each tap answered at once; what was kept of
a day, and put right."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl
import streamlit as st

from dashboard import data, held_forms, look
from dashboard import enter_forms as forms
from pipeline import logbook, trial
from pipeline.intake import corrections
from pipeline.intake.amounts import KitRow
from pipeline.papers import water_today
from pipeline.papers.report_facts import next_visit, open_tanks
from pipeline.papers.visit_sheets import UNITS, expected, value_text
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import counted, day, number, with_unit
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
        return any(text for name, text in self.row.items() if name not in ("taken", "kit")) or bool(self.wrong)

    def take(self, name: str, title: str, text: str, answer: trial.Answer) -> None:
        """A cell as it was entered; what it would be taken for is shown at once."""
        forms.echo(answer)
        self.row[name] = text
        if not answer.good:
            self.wrong.append(f"{title}: {answer.says}")


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


def expected_ranges(week: Week, tank: str, when: dt.date) -> dict[str, str]:
    """Parameter -> the range to expect; nitrate only as far as the forecast reaches."""
    ranges = expected(week, tank, when)
    if (when - week.as_of).days > week.assumed["forecast_days"]:
        ranges.pop("nitrate", None)
    return ranges


def last_read(week: Week, tank: str) -> dict[str, str]:
    """Parameter -> its last reading that was not taken after a change."""
    rows = week.of("reading", tank).filter(pl.col("taken") != "after").sort("at", "line")
    return {row["parameter"]: value_text(row) for row in rows.iter_rows(named=True)}


def expected_text(parameter: str, ranges: Mapping[str, str], last: Mapping[str, str]) -> str:
    """`expect 34–48 · last 38–58`."""
    text = f"expect {ranges[parameter]}" if parameter in ranges else "no expectation yet"
    return f"{text} · last {last[parameter]}" if parameter in last else f"{text} · never read"


def shares(planned: float) -> list[int]:
    """Per cents to tap: the planned one to the nearest 5, and one a step under and over it."""
    middle = 5 * round(20 * planned)
    return [share for share in (middle - APART, middle, middle + APART) if 0 < share <= 100] if middle else []


def _test(entered: Entered, key: str, name: str, parameter: str, kit: KitRow | None, week: Week, after: str) -> None:
    """One parameter: by the steps or the drops of kit `name`, each kit keeping its own taps, or else typed."""
    title, unit, wrong = PARAMETER_TITLES[parameter], UNITS[parameter], ""
    if kit is not None and kit.steps:
        if kit.basis not in ("", "dKH", "dGH"):  # by weight of what is named
            unit = kit.basis if "/" in kit.basis else f"mg/L {kit.basis}"
        forms.title(title, after, unit)
        steps = [f"{step:g}" for step in kit.steps]
        text, wrong = trial.tapped(steps, forms.pills(title, steps, f"{key} {name} {parameter}", many=True) or [])
    elif kit is not None:
        worth = f"{number(kit.per_drop)} {kit.basis or unit}" if kit.per_drop else ""
        forms.title(title, after, f"drops of {worth}")
        text = forms.number_box(title, f"{key} {name} {parameter}", "not tested", "{:.0f} drops", min_value=1,
                                max_value=MOST_DROPS, step=1)  # fmt: skip
    elif parameter == "temperature":
        forms.title(title, after, unit)
        text = forms.number_box(title, f"{key} {parameter}", "not tested", "{:.1f}", step=0.5, format="%.1f")
    else:
        forms.title(title, after, unit)
        text = forms.typed(title, f"{key} typed {parameter}", forms.LONGEST_VALUE, "not tested")
    answer = trial.Answer(False, wrong) if wrong else trial.reading(parameter, text, kit, week.assumed)
    entered.take(parameter, title, text, answer)


def _change(entered: Entered, key: str, week: Week, tank: str, when: dt.date) -> None:
    """The water change: per cents of the net volume with their litres, or any other amount."""
    net, _ = water_today.net_of(week, tank)
    plan = week.kept(("change", tank, when), lambda: water_today.change(week, tank, when))  # every tap runs this again
    container = week.round.van.get("container_l")
    if net is None:
        planned = f"planned {with_unit(f'{100 * plan.fraction:.0f}', '%')}; net volume not known"
    else:
        planned = f"planned {water_today.amount(plan.fraction, net, container)}"
    forms.title("Water changed", planned)
    options = {NONE: "none"}
    for share in shares(plan.fraction):
        options[f"{share}%"] = trial.amount(share / 100, None if net is None else share / 100 * net)
    options[OTHER] = "other"
    begun = st.session_state.get(f"{key} change")
    if begun and begun not in options:  # tapped before the plan said otherwise
        st.session_state[f"{key} change"], st.session_state[f"{key} change other"] = OTHER, begun
    chosen = forms.pills("Water changed", options, f"{key} change")
    text = "" if chosen in (None, OTHER) else str(chosen)
    if chosen == OTHER:
        text = forms.typed("Water changed, other", f"{key} change other", forms.LONGEST_VALUE,
                          "with its unit, such as 45 L or 35%")  # fmt: skip
    entered.take("water_changed", "Water changed", text, trial.change(text, net, week.assumed, week.round.gallon))
    if not text or text == NONE:
        return
    kind = forms.pills("Kind of change", CHANGE_KINDS, f"{key} kind", default=CHANGE_KINDS[0], shown=True)
    entered.row["change_kind"] = "" if kind == CHANGE_KINDS[0] else str(kind)
    of_ro = f"{100 * water_today.ro_share(week, tank):.0f}"
    if of_ro != "0":
        usual = f"ro {of_ro}%"
        waters = {usual: f"{with_unit(of_ro, '%')} RO, as last time", "": "no RO", "ro": "all RO"}
        water = forms.pills("New water", waters, f"{key} water", default=usual, shown=True)
        entered.row["new_water"] = str(water or "")


def questions(week: Week, tank: str, when: dt.date, key: str) -> Entered:
    entered = Entered()
    ranges, last = expected_ranges(week, tank, when), last_read(week, tank)
    kits, first = kits_here(week, tank, when)
    if kits:
        forms.title("Kit")
        kit = forms.pills("Kit", [*kits, NO_KIT], f"{key} kit", default=first) or first
    else:
        kit = NO_KIT
    mine = {parameter: row for (name, parameter), row in trial.ladders(week).items() if name == kit}
    ladders = {parameter: row for parameter, row in mine.items() if row.steps or row.per_drop}
    ends = [row.good_until for row in ladders.values() if row.good_until is not None]
    if ends and min(ends) < when:
        ended = day(min(ends), year=True, weekday=False)
        look.html('<p class="echo hand">Kit {} is past its day, {}: its readings are marked.</p>', kit, ended)
    forms.title("When")
    taken = forms.pills("When", TAKEN, f"{key} taken", default="before")
    entered.row |= {"taken": str(taken or ""), "kit": "" if kit == NO_KIT else kit}

    def request(*parameters: str) -> None:
        for one in parameters:
            _test(entered, key, kit, one, ladders.get(one), week, expected_text(one, ranges, last))

    request(*(parameter for parameter in MAIN if parameter in ladders or not ladders), "temperature")
    _change(entered, key, week, tank, when)
    seen = week.of("visit", tank).filter(pl.col("fish_seen").is_not_null()).sort("at")
    forms.title("Fish", f"last {number(seen['fish_seen'][-1], 4)} on {day(seen['day'][-1])}" if seen.height else "")
    entered.row["fish_seen"] = forms.number_box(
        "Fish seen", f"{key} fish", "not counted", "{:.0f}", min_value=0, step=1
    )
    entered.row["fish_look"] = str(forms.pills("How they look", FISH_LOOK, f"{key} look") or "")
    with st.expander("More tests, and a note"):
        request(*(parameter for parameter in MAIN if ladders and parameter not in ladders), *MORE)
        forms.title("Note", "never on a report unless ticked")
        entered.row["note"] = forms.typed("Note", f"{key} note", forms.LONGEST_WHY, "no names of people")
    return entered


# -- what was entered: kept, kept as a draft meanwhile, listed for its day and put right -------------------

SHOWN = 40


def keep(week: Week, tank: str, when: dt.date, entered: Entered, by: str, after: str, sure: bool) -> None:
    """Keeps the visit as a new file, moves on, loads the round anew and shows the outcome.

    What would be held is not kept; what is in doubt is shown first, and kept once it is confirmed (`sure`).
    """
    name = data.tank_titles(week)[tank]
    if entered.wrong:
        forms.set_message([f"{name} is not kept yet.", *entered.wrong], hand=True)
        return
    now = dt.datetime.now()
    row = {
        **{name: text for name, text in entered.row.items() if text},
        "date": when.isoformat(),
        "time": f"{now:%H:%M}" if when == now.date() else "",  # where it is entered on the day itself
        "site": week.table("tank").filter(pl.col("tank") == tank)["site"][0],
        "tank": tank,
        "by": by,
    }
    new = {"visits/entered-now.csv": logbook.visits_csv([row]).encode()}
    would = trial.files(forms.folder_now(), week.table("held"), new)
    bad = [f"{r['column'] or 'Row'} “{r['text']}”: {r['reason']}" for r in [*would.held, *would.elsewhere]]
    # of what is entered, or of other visits beside it
    warned = (r["says"] for r in would.remarks if r["outcome"] == "warned" and r["column"] != "kit")
    doubts = list(dict.fromkeys(warned))
    if bad:
        against = f"{name} is not kept: it stands against what was entered for {day(when)} before."
        forms.set_message([against, *bad], hand=True)
        return
    if doubts and not sure:
        st.session_state["enter_sure"] = entered.row
        forms.set_message([f"{name} is not kept yet. Look again: {doubts[0]}", *doubts[1:]], hand=True)
        return
    with forms.show_errors():
        path = logbook.save_visits(week.folder, [row], dt.date.today())
    # It is kept: all that follows from it is settled before the load, which a second tap on the button would break off.
    times = st.session_state.get("enter_times", {})
    st.session_state["enter_times"] = {**times, (tank, when): times.get((tank, when), 0) + 1}
    st.session_state["enter_next"] = after
    logbook.keep_draft(week.folder, tank, when, {})
    forms.set_message([f"Kept: {name}, {day(when)}."])
    mine = pl.col("file") == path.relative_to(week.folder).as_posix()
    loaded = forms.week()
    held, read = (loaded.table(name).filter(mine) for name in ("held", "reading"))
    messages = [f"Kept: {name}, {day(when)}, {counted(read.height, 'reading')}."]
    forms.set_message([*messages, *(f"Held: {reason}" for reason in held["reason"])], hand=bool(held.height))


def restore_draft(week: Week, tank: str, when: dt.date, key: str) -> None:
    """Puts what was typed here and not kept back into its boxes, once a session."""
    if f"draft {key}" not in st.session_state:
        st.session_state[f"draft {key}"] = found = logbook.draft(week.folder, tank, when)
        for name, value in found.items():
            st.session_state.setdefault(f"{key} {name}", value)


def save_draft(week: Week, tank: str, when: dt.date, key: str, entered: Entered) -> None:
    """Writes what is typed so far beside the logs: a reload, or an empty battery, loses nothing."""
    mine = {str(name): value for name, value in st.session_state.items() if str(name).startswith(f"{key} ")}
    typed = {name.removeprefix(f"{key} "): value for name, value in mine.items() if value not in (None, "", [])}
    typed = typed if entered.anything else {}
    if typed == st.session_state[f"draft {key}"]:
        return
    try:
        logbook.keep_draft(week.folder, tank, when, typed)
    except Problem as problem:
        look.html('<p class="echo hand" role="status">A reload would lose this: {}</p>', problem)
    else:
        st.session_state[f"draft {key}"] = typed


# -- what was kept of a day ------------------------------------------------------------------------------

RECORDS = {"visit": "day", "service": "date", "event": "date", "tap": "date"}  # and the column of their day
SILENT = ("date", "site", "tank", "water_supply")  # shown beside the cells


def records(week: Week, when: dt.date) -> list[tuple[data.Row, dict[str, str]]]:
    """Every row that was kept of a day, the last first: where it is, and its cells as they read with all corrections."""
    titles = data.tank_titles(week)
    frames = week.kept("corrected", lambda: corrections.apply(forms.folder_now().sheets)[0]).frames
    found = []
    for name, column in RECORDS.items():
        mine = week.table(name).filter(pl.col(column) == when).select("file", "line").unique()
        for family in (name, "visit_long") if name == "visit" else (name,):
            sheet = frames.get(family)
            for row in [] if sheet is None else sheet.join(mine, on=["file", "line"], how="semi").iter_rows(named=True):
                whose = row.get("tank") or row.get("water_supply") or ""
                at = {"file": row.pop("file"), "line": row.pop("line")}
                where = {"title": titles.get(whose, whose), "suggestion": None, **at}
                found.append((where, {cell: text or "" for cell, text in row.items()}))
    return found[::-1]


def kept_on_day(week: Week, when: dt.date) -> None:
    """What was kept of a day, each with its button; the chosen one with the cell to put right under it."""
    found = records(week, when)
    if not found:
        return
    look.section(f"Kept of {day(when)}", "each edit is a correction: what was typed first stays in its file")
    for where, cells in found[:SHOWN]:
        at = f"{where['file']}|{where['line']}"
        with st.container(horizontal=True, vertical_alignment="center", key=f"held_row {at}"):
            line = ", ".join(  # `09:45, nitrate 27, kit R2`
                text if name == "time" else f"{forms.column_title(name).lower()} {text}"
                for name, text in cells.items()
                if text and name not in SILENT and not name.startswith("unit of ")
            )
            look.html("<p><strong>{}</strong> {}</p>", where["title"], line, width="stretch")
            if st.button("Put right", key=f"edit {at}"):
                st.session_state[held_forms.OPEN] = None if st.session_state.get(held_forms.OPEN) == at else at
        if st.session_state.get(held_forms.OPEN) == at:
            _edit(week, where, cells, at)
    if len(found) > SHOWN:
        look.small(f"{counted(len(found) - SHOWN, 'more')}, in the history of each tank.")


def _edit(week: Week, where: data.Row, cells: Mapping[str, str], at: str) -> None:
    """The cell to put right: what was typed first, then what was left blank."""
    of_row = [name for name in cells if not name.startswith("unit of ")]
    order = sorted(of_row, key=lambda name: (not cells[name], name in (*SILENT, "time", "taken")))
    names = {name: f"{forms.column_title(name)}: {cells[name] or 'blank'}" for name in order}
    chosen = st.selectbox(
        "What to put right", [*names, ""], format_func=lambda name: names.get(name, "the whole row was a mistake"),
        key=f"cell {at}",
    )  # fmt: skip
    row = {**where, "column": chosen or None, "text": cells.get(chosen or "", ""), "id": f"{at}|{chosen}"}
    held_forms.panel(week, forms.folder_now(), row)
