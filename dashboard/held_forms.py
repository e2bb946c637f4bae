"""What the page Held rows shows of each item and of the log: order, words, and the row that puts one right."""

import datetime as dt
from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

import polars as pl
import streamlit as st

from dashboard import data, look
from dashboard import enter_forms as forms
from dashboard.data import Row
from pipeline import logbook, trial
from pipeline.intake.corrections import ACCEPT, REJECT
from pipeline.week import Week
from pipeline.wording import counted, first_few

NAMED = 6  # tanks named in the sentence
OPEN = "held_open"  # the item whose panel is open
VALUE, REJECT_ROW = "value", "reject the row"  # besides accept and reject
# What is held, worst first: a whole visit hides everything; then what kills; then what the fit waits for.
HARM = {
    column: n
    for n, columns in enumerate((
        (None, "tank", "date"), ("ammonia", "nitrite"), ("temperature", "ph"),
        ("nitrate", "water_changed", "taken", "value"), ("kh", "oxygen", "fish_look", "fish_seen"),
    ))
    for column in columns
}  # fmt: skip


def items(week: Week, folder: trial.Folder) -> list[Row]:
    """Held items, worst and oldest first, each with `since`, `title` of its tank and `id`."""
    held = week.table("held")
    titles = data.tank_titles(week)
    since = pl.Series("since", trial.held_since(folder, held), dtype=pl.Date)
    harm = pl.col("column").replace_strict(HARM, default=len(HARM), return_dtype=pl.Int64)
    rows = held.with_columns(since).sort(harm, "since", "file", "line", nulls_last=True, maintain_order=True).to_dicts()
    for row in rows:
        row["title"] = titles.get(row["tank"] or "", row["tank"] or "")
        row["id"] = f"{row['file']}|{row['line']}|{row['column'] or ''}"
    return rows


def waiting(week: Week, rows: Sequence[Row]) -> list[str]:
    """The tanks that wait for held rows; those beyond the most that a sentence names are counted."""
    names = data.tank_names(week)
    tanks = [names.get(tank, tank) for tank in dict.fromkeys(row["tank"] for row in rows if row["tank"])]
    return tanks if len(tanks) <= NAMED + 1 else first_few(tanks, NAMED, lambda more: f"{more} more")


def where(row: Row) -> str:
    """`visits/x.csv, line 5, column nitrate`."""
    line = f", line {row['line']}" if row["line"] else ", the whole file"
    return f"{row['file']}{line}" + (f", column {row['column']}" if row["column"] else "")


# The button that does it -> its words.
DO = {ACCEPT: "Take it", VALUE: "Put it right", REJECT: "Leave it out", REJECT_ROW: "Leave the row out"}


def choices(row: Row) -> dict[str, str]:
    """What can be done about an item -> its words. A whole row can only be rejected here, a whole file not even that."""
    if not row["line"]:
        return {}
    if row["column"] is None:
        return {REJECT_ROW: "leave the row out"}
    options = {ACCEPT: f"take {row['suggestion']}"} if row["suggestion"] else {}
    options[VALUE] = "type another value" if row["suggestion"] else "type a value"
    whole = trial.waits_for(row["file"], row["column"])
    return options | ({REJECT_ROW: "leave the row out"} if whole else {REJECT: "leave it out"})


def correction(folder: trial.Folder, row: Row, choice: str, value: str, today: dt.date) -> dict[str, str]:
    """The row of corrections.csv for a choice, but for who and why: `was` is what the file itself reads now."""
    column = "" if choice == REJECT_ROW else row["column"] or ""
    return {
        "file": row["file"],
        "line": str(row["line"]),
        "column": column,
        "was": trial.cell_now(folder, row["file"], row["line"], column) or "",
        "now": {ACCEPT: ACCEPT, REJECT: REJECT, REJECT_ROW: REJECT}.get(choice, value.strip()),
        "on": today.isoformat(),
        "suggestion": row["suggestion"] or "",
    }


def keep(week: Week, row: Row, typed: list[dict[str, str]], answer: str) -> None:
    """Writes the correction, loads the round anew and shows the outcome."""
    with forms.show_errors():
        logbook.add_corrections(week.folder, typed)
    st.session_state.pop(OPEN, None)
    what = f"{row['title'] or row['file']}, {forms.column_title(row['column'])}"
    forms.set_message([f"{what}: {answer}"])  # a second tap would break off the load
    after = forms.week()
    column = pl.col("column").eq_missing(pl.lit(row["column"], pl.String))
    waiting = after.table("held").filter(column, file=row["file"], line=row["line"])
    left = after.table("held").height
    still = f"{counted(left, 'item is', 'items are')} still held." if left else "Nothing is held now."
    if waiting.height:
        answer = f"written down, but still held. {waiting['reason'][0]}"
    forms.set_message([f"{what}: {answer}", still], hand=bool(waiting.height))


def panel(week: Week, folder: trial.Folder, row: Row) -> None:
    """What to do about the chosen item: choose, see the answer, say who and why, keep."""
    options = choices(row)
    key = row["id"]
    with st.container(key="held_panel"):
        if row["column"] is None:
            look.html(
                "<p>A whole row can only be rejected here, or put right in the file itself: {}. Once the file is put"
                " right, load again.</p>",
                where(row),
            )
        choice = next(iter(options))
        if len(options) > 1:
            choice = st.pills(
                "What to do", list(options), format_func=lambda c: look.label(options[c]), default=choice,
                key=f"do {key}", required=True,
            ) or choice  # fmt: skip
        value = ""
        if choice == VALUE:
            value = st.text_input(
                "Value", key=f"value {key}", max_chars=forms.LONGEST_VALUE, placeholder="what it should read"
            ) or ""  # fmt: skip
        typed = trial.with_repeats(folder, correction(folder, row, choice, value, dt.date.today()))
        answer = None
        if typed[0]["now"]:
            answer = data.slowly(
                week, ("correction", trial.stamp(folder.path), repr(typed)), "Checking it by the same rules",
                lambda: trial.correction(folder, week.table("held"), typed),
            )  # fmt: skip
            forms.echo(answer)
        by = forms.who("held_by")
        why = forms.typed("Why", "held_why", forms.LONGEST_WHY, "for example: looked up on the wet sheet", shown=True)
        typed = [{**one, "by": by, "why": why} for one in typed]
        with st.container(horizontal=True):
            go = st.button(DO[choice], type="primary", key="held_keep")
            if st.button("Not now", key="held_leave"):
                st.session_state.pop(OPEN, None)
                st.rerun()
        if go:
            missing = (
                "Type the value first." if answer is None
                else "Nothing was written: see above why." if not answer.good
                else "Say who puts it right: a role or initials." if not by
                else "Say why: whoever reads the log later will ask." if not why
                else ""
            )  # fmt: skip
            if answer is not None and not missing:
                keep(week, row, typed, answer.says)
                st.rerun()
            look.html('<p class="hand" role="alert">{}</p>', missing)


def state_text(folder: trial.Folder, row: Mapping[str, Any]) -> str:
    """The state of a correction; a stale one says what its cell reads now."""
    if row["state"] == "applied":
        return "applied"
    if row["state"] != "stale":
        return f"{row['state']}: its line is no number"
    reads = trial.cell_now(folder, row["of_file"], row["of_line"], row["of_column"] or "")
    what = "cell" if row["of_column"] else "row"
    if not reads:
        return f"stale: the file has no such {what} now" if reads is None else f"stale: the {what} is blank now"
    if reads.strip() == (row["now"] or "").strip():
        return "stale, and no longer needed: the file itself reads so now"
    if reads.strip() == (row["was"] or "").strip():
        return "stale: another correction of the same cell or row counts"
    return f"stale: the {what} reads “{reads[:200]}” now"


def log(folder: trial.Folder, rows: Sequence[Row]) -> None:
    """The corrections as a table, newest first as handed over."""
    now = {ACCEPT: "the suggestion taken", REJECT: "not used"}
    look.show(
        "corrections.html", rows=rows, now=now, column_title=forms.column_title, state_text=partial(state_text, folder)
    )
