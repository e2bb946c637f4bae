"""What was entered at a tank: kept, kept as a draft meanwhile, listed for its day and put right."""

import datetime as dt
from collections.abc import Mapping
from html import escape

import polars as pl
import streamlit as st

from dashboard import at_tank, data, held_desk, look
from dashboard import enter_desk as desk
from pipeline import logbook, trial
from pipeline.intake import corrections
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import counted, day

OPEN, SHOWN = held_desk.OPEN, 40


def keep(week: Week, tank: str, when: dt.date, entered: at_tank.Entered, by: str, after: str, sure: bool) -> None:
    """Keeps the visit as a new file, moves on, loads the round anew and says what became of it.

    What would be held is not kept; what is in doubt is told first, and kept once it is said again (`sure`).
    """
    name = data.tank_titles(week)[tank]
    if entered.wrong:
        desk.tell([f"{name} is not kept yet.", *entered.wrong], hand=True)
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
    would = trial.files(desk.folder_now(), week.table("held"), new)
    bad = [f"{r['column'] or 'Row'} “{r['text']}”: {r['reason']}" for r in [*would.held, *would.elsewhere]]
    # of what is entered, or of other visits beside it
    warned = (r["says"] for r in would.remarks if r["outcome"] == "warned" and r["column"] != "kit")
    doubts = list(dict.fromkeys(warned))
    if bad:
        desk.tell([f"{name} is not kept: it stands against what was entered for {day(when)} before.", *bad], hand=True)
        return
    if doubts and not sure:
        st.session_state["enter_sure"] = entered.row
        desk.tell([f"{name} is not kept yet. Look again: {doubts[0]}", *doubts[1:]], hand=True)
        return
    with desk.or_told():
        path = logbook.save_visits(week.folder, [row], dt.date.today())
    # It is kept: all that follows from it is settled before the load, which a second tap on the button would break off.
    times = st.session_state.get("enter_times", {})
    st.session_state["enter_times"] = {**times, (tank, when): times.get((tank, when), 0) + 1}
    st.session_state["enter_next"] = after
    logbook.keep_draft(week.folder, tank, when, {})
    desk.tell([f"Kept: {name}, {day(when)}."])
    mine = pl.col("file") == path.relative_to(week.folder).as_posix()
    loaded = desk.week()
    held, read = (loaded.table(name).filter(mine) for name in ("held", "reading"))
    told = [f"Kept: {name}, {day(when)}, {counted(read.height, 'reading')}."]
    desk.tell([*told, *(f"Held: {reason}" for reason in held["reason"])], hand=bool(held.height))


def take_up(week: Week, tank: str, when: dt.date, key: str) -> None:
    """Puts what was typed here and not kept back into its boxes, once a session."""
    if f"draft {key}" not in st.session_state:
        st.session_state[f"draft {key}"] = found = logbook.draft(week.folder, tank, when)
        for name, value in found.items():
            st.session_state.setdefault(f"{key} {name}", value)


def lay_down(week: Week, tank: str, when: dt.date, key: str, entered: at_tank.Entered) -> None:
    """Writes what is typed so far beside the logs: a reload, or an empty battery, loses nothing."""
    mine = {str(name): value for name, value in st.session_state.items() if str(name).startswith(f"{key} ")}
    typed = {name.removeprefix(f"{key} "): value for name, value in mine.items() if value not in (None, "", [])}
    typed = typed if entered.anything else {}
    if typed == st.session_state[f"draft {key}"]:
        return
    try:
        logbook.keep_draft(week.folder, tank, when, typed)
    except Problem as problem:
        look.html(f'<p class="echo hand" role="status">A reload would lose this: {escape(str(problem))}</p>')
    else:
        st.session_state[f"draft {key}"] = typed


# -- what was kept of a day ------------------------------------------------------------------------------

RECORDS = {"visit": "day", "service": "date", "event": "date", "tap": "date"}  # and the column of their day
SILENT = ("date", "site", "tank", "water_supply")  # told beside the cells


def records(week: Week, when: dt.date) -> list[tuple[data.Row, dict[str, str]]]:
    """Every row that was kept of a day, the last first: where it is, and its cells as they read with all corrections."""
    titles = data.tank_titles(week)
    frames = week.kept("corrected", lambda: corrections.apply(desk.folder_now().sheets)[0]).frames
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


def of_the_day(week: Week, when: dt.date) -> None:
    """What was kept of a day, each with its button; the chosen one with the cell to put right under it."""
    found = records(week, when)
    if not found:
        return
    look.section(f"Kept of {day(when)}", "each edit is a correction: what was typed first stays in its file")
    for where, cells in found[:SHOWN]:
        at = f"{where['file']}|{where['line']}"
        with st.container(horizontal=True, vertical_alignment="center", key=f"held_row {at}"):
            said = ", ".join(  # `09:45, nitrate 27, kit R2`
                text if name == "time" else f"{desk.column_title(name).lower()} {text}"
                for name, text in cells.items()
                if text and name not in SILENT and not name.startswith("unit of ")
            )
            look.html(f"<p><strong>{escape(where['title'])}</strong> {escape(said)}</p>", width="stretch")
            if st.button("Put right", key=f"edit {at}"):
                st.session_state[OPEN] = None if st.session_state.get(OPEN) == at else at
        if st.session_state.get(OPEN) == at:
            _edit(week, where, cells, at)
    if len(found) > SHOWN:
        look.small(f"{counted(len(found) - SHOWN, 'more')}, in the history of each tank.")


def _edit(week: Week, where: data.Row, cells: Mapping[str, str], at: str) -> None:
    """The cell to put right: what was typed first, then what was left blank."""
    of_row = [name for name in cells if not name.startswith("unit of ")]
    order = sorted(of_row, key=lambda name: (not cells[name], name in (*SILENT, "time", "taken")))
    names = {name: f"{desk.column_title(name)}: {cells[name] or 'blank'}" for name in order}
    chosen = st.selectbox(
        "What to put right", [*names, ""], format_func=lambda name: names.get(name, "the whole row was a mistake"),
        key=f"cell {at}",
    )  # fmt: skip
    row = {**where, "column": chosen or None, "text": cells.get(chosen or "", ""), "id": f"{at}|{chosen}"}
    held_desk.panel(week, desk.folder_now(), row)
