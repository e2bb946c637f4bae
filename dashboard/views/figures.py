"""Figures: every constant with value, unit and basis, and what this folder sets itself."""

from __future__ import annotations

import streamlit as st

from dashboard import data, look
from pipeline.tellings import figures_rows


def page() -> None:
    week = data.week()
    st.title("Figures")
    # A range or an override that is not stated is a dash, never "None".
    rows = [{k: "–" if v is None else str(v) for k, v in row.items()} for row in figures_rows(week.figures)]
    own = sum(f.built_in is not None for f in week.figures.records())
    look.say(
        f"{len(rows)} figures stand behind every number here; this round sets {own or 'none'} of them itself, in round.toml."
    )
    st.dataframe(rows, hide_index=True, alt=f"{len(rows)} figures with unit and basis")
    look.foot(week)


page()
