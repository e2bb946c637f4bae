"""Held rows: what is not used, why, and how it is put right; below it, what was put right before."""

from __future__ import annotations

import datetime as dt
from html import escape

import polars as pl
import streamlit as st

from dashboard import enter_desk as desk
from dashboard import held_desk as held
from dashboard import look
from pipeline import logbook, trial
from pipeline.intake.corrections import REJECT
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import counted

SHOWN = 25  # items before “show more”
LOG_SHOWN = 20
OPEN = "held_open"


@st.cache_data(max_entries=64, show_spinner="Checking it by the same rules")
def _answer(stamp: str, rows: list[dict[str, str]], _folder: trial.Folder, _held: pl.DataFrame) -> trial.Answer:
    return trial.correction(_folder, _held, rows)


def keep(week: Week, row: held.Row, typed: list[dict[str, str]], said: str) -> None:
    """Writes the correction, loads the round anew and says what became of it."""
    try:
        logbook.add_corrections(week.folder, typed)
    except Problem as problem:
        desk.tell([str(problem)], hand=True)
        return
    st.session_state.pop(OPEN, None)
    what = f"{row['title'] or row['file']}, {held.column_title(row['column'])}"
    desk.tell([f"{what}: {said}"])  # a second tap would break off the load
    after = desk.week()
    waiting = after.table("held").filter(
        (pl.col("file") == row["file"])
        & (pl.col("line") == row["line"])
        & pl.col("column").eq_missing(pl.lit(row["column"], pl.String))
    )
    left = after.table("held").height
    still = f"{counted(left, 'item is', 'items are')} still held." if left else "Nothing is held now."
    if waiting.height:
        desk.tell([f"{what}: written down, but still held. {waiting['reason'][0]}", still], hand=True)
    else:
        desk.tell([f"{what}: {said}", still])


def panel(week: Week, folder: trial.Folder, row: held.Row) -> None:
    """What to do about the chosen item: choose, see the answer, say who and why, keep."""
    told = held.choices(row)
    key = row["id"]
    with st.container(key="held_panel"):
        if row["column"] is None:
            look.html(
                "<p>A whole row can only be rejected here, or put right in the file itself:"
                f" {escape(held.where(row))}. Once the file is put right, load again.</p>"
            )
        choice = next(iter(told))
        if len(told) > 1:
            choice = st.pills(
                "What to do", list(told), format_func=lambda c: look.label(told[c]), default=choice,
                key=f"do {key}", required=True,
            ) or choice  # fmt: skip
        value = ""
        if choice == held.VALUE:
            value = st.text_input(
                "Value", key=f"value {key}", max_chars=desk.LONGEST_VALUE, placeholder="what it should read"
            ) or ""  # fmt: skip
        typed = trial.with_repeats(folder, held.correction(folder, row, choice, value, dt.date.today()))
        answer = None
        if typed[0]["now"]:
            answer = _answer(trial.stamp(folder.path), typed, folder, week.table("held"))
            desk.echo(answer)
        by = st.text_input(desk.WHO, key="held_by", max_chars=desk.LONGEST_WHO, persist_state="session") or ""
        why = st.text_input(
            "Why", key="held_why", max_chars=desk.LONGEST_WHY, persist_state="session",
            placeholder="for example: looked up on the wet sheet",
        ) or ""  # fmt: skip
        typed = [{**one, "by": by.strip(), "why": why.strip()} for one in typed]
        with st.container(horizontal=True):
            go = st.button(held.DO[choice], type="primary", key="held_keep")
            if st.button("Not now", key="held_leave"):
                st.session_state.pop(OPEN, None)
                st.rerun()
        if go:
            missing = (
                "Type the value first." if answer is None
                else "Nothing was written: see above why." if not answer.good
                else "Say who puts it right: a role or initials." if not by.strip()
                else "Say why: whoever reads the log later will ask." if not why.strip()
                else ""
            )  # fmt: skip
            if missing or answer is None:
                look.html(f'<p class="hand" role="alert">{escape(missing)}</p>')
                return
            keep(week, row, typed, answer.says)
            st.rerun()


def choose(key: str) -> None:
    st.session_state[OPEN] = key


def show(week: Week, folder: trial.Folder, rows: list[held.Row], may_write: bool) -> None:
    """The list of items, each with its button; the chosen one with its questions under it."""
    most = st.session_state.get("held_most", SHOWN)
    chosen = st.session_state.get(OPEN)
    for n, row in enumerate(rows[:most]):
        is_open = may_write and chosen == row["id"]
        with st.container(horizontal=True, vertical_alignment="top", key=f"held_row {n}"):
            st.html(f'<div class="tr">{held.item_html(week, row)}</div>', width="stretch")
            if may_write and not is_open and held.choices(row):
                st.button("Put right", key=f"open {row['id']}", on_click=choose, args=(row["id"],))
        if is_open:
            panel(week, folder, row)
    if len(rows) > most and st.button(f"Show {min(SHOWN, len(rows) - most)} more of {len(rows)}", key="held_more"):
        st.session_state["held_most"] = most + SHOWN
        st.rerun()


def log(week: Week, folder: trial.Folder) -> None:
    """What was put right before, newest first."""
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
    look.html(held.log_html(folder, rows[:LOG_SHOWN]))
    if len(rows) > LOG_SHOWN:
        with st.expander(f"{counted(len(rows) - LOG_SHOWN, 'earlier one')}"):
            look.html(held.log_html(folder, rows[LOG_SHOWN:]))


def page() -> None:
    st.html(desk.STYLE)
    st.title("Held rows")
    week = desk.week()
    folder = desk.folder_now()
    desk.became()
    rows = held.items(week, folder)
    by_hand = week.table("correction").filter((pl.col("now") == REJECT) & (pl.col("state") == "applied")).height
    shut = logbook.closed(week.folder)
    if not rows:
        but = ", but for what was left out by hand" if by_hand else ""
        look.html(f'<p class="counts">Nothing is held: every row that was typed is in use{but}.</p>')
    else:
        look.html(f'<p class="counts">{escape(held.sentence(week, rows))}</p>')
        look.html(
            '<p class="small">Nothing of it is used until it is put right, and nothing else waits for it. First whole'
            " visits, then what can harm fish, then what the nitrate fit waits for; the longest held first.</p>"
        )
    if shut:
        look.html(f'<p class="hand">{escape(shut)}</p>')
    with st.container(key="held"):
        show(week, folder, rows, may_write=not shut)
    log(week, folder)
    look.foot(week)


page()
