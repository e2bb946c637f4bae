"""Held rows: what is not used, where it stands, why, and what is suggested."""

from __future__ import annotations

import streamlit as st

from dashboard import data, look
from pipeline.telling import counted
from pipeline.tellings import held_rows


def page() -> None:
    week = data.week()
    st.title("Held rows")
    rows = held_rows(week)
    if not rows:
        look.say("Nothing is held: every row that was typed is in use.")
    else:
        look.say(
            f"{counted(len(rows), 'item')} held. Nothing of it is used until it is put right, and nothing else waits for it."
        )
        st.dataframe(rows, hide_index=True, alt=f"{len(rows)} held items", row_height=60)
        st.write(
            "To put one right, add a row to corrections.csv: file, line, column, was (as typed), now (a value, `accept` or"
            " `reject`), by, on, why; then load again."
        )
    look.foot(week)


page()
