"""Held rows: what is not used, why, and how it is put right; below it, what was put right before."""

import polars as pl
import streamlit as st

from dashboard import data, look
from dashboard import enter_forms as forms
from dashboard import held_forms as held
from pipeline import logbook, trial
from pipeline.intake.corrections import REJECT
from pipeline.week import Week
from pipeline.wording import counted

SHOWN = 25  # items before “show more”
LOG_SHOWN = 20


def show(week: Week, folder: trial.Folder, rows: list[data.Row], may_write: bool) -> None:
    """The list of items, each with its button; the chosen one with its questions under it."""
    most = look.shown("held_most", SHOWN)
    chosen = st.session_state.get(held.OPEN)
    for n, row in enumerate(rows[:most]):
        is_open = may_write and chosen == row["id"]
        with st.container(horizontal=True, vertical_alignment="top", key=f"held_row {n}"):
            what = forms.column_title(row["column"]) if row["line"] else "Whole file"
            item = look.filled("held.html", row=row, as_of=week.as_of, what=what, where=held.where(row))
            look.html(item, width="stretch")
            if may_write and not is_open and held.choices(row):
                this = {held.OPEN: row["id"]}
                st.button("Put right", key=f"open {row['id']}", on_click=st.session_state.update, args=(this,))
        if is_open:
            held.panel(week, folder, row)
    look.more("held_most", len(rows), SHOWN)


def log(week: Week, folder: trial.Folder) -> None:
    rows = week.table("correction").sort("line", descending=True).to_dicts()
    look.section("Put right so far", "corrections.csv, newest first")
    if not rows:
        look.html("<p>Nothing was put right yet.</p>")
        return
    stale = sum(row["state"] == "stale" for row in rows)
    if stale:
        look.say(
            f"{counted(stale, 'correction is', 'corrections are')} stale: the cell no longer reads what it read then."
        )
    held.log(folder, rows[:LOG_SHOWN])
    if len(rows) > LOG_SHOWN:
        with st.expander(f"{counted(len(rows) - LOG_SHOWN, 'earlier one')}"):
            held.log(folder, rows[LOG_SHOWN:])


def page() -> None:
    st.title("Held rows")
    week = forms.week()
    folder = forms.folder_now()
    forms.show_message()
    rows = held.items(week, folder)
    by_hand = week.table("correction").filter((pl.col("now") == REJECT) & (pl.col("state") == "applied")).height
    shut = logbook.closed(week.folder)
    look.show("held_counts.html", rows=rows, waiting=held.waiting(week, rows), by_hand=by_hand)
    if rows:
        look.html(
            '<p class="small">Nothing of it is used until it is put right, and nothing else waits for it. First whole'
            " visits, then what can harm fish, then what the nitrate fit waits for; the longest held first.</p>"
        )
    if shut:
        look.wrong(shut)
    with st.container(key="held"):
        show(week, folder, rows, may_write=not shut)
    log(week, folder)


page()
