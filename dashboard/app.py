"""The router: one page a question."""

from __future__ import annotations

import streamlit as st

from dashboard.look import CSS

st.set_page_config(page_title="tankround", layout="wide", initial_sidebar_state="collapsed")
st.html(CSS)
st.navigation(
    [
        st.Page("views/this_week.py", title="This week", default=True),
        st.Page("views/one_tank.py", title="One tank", url_path="one_tank"),
        st.Page("views/capacity_and_nitrate.py", title="Capacity and nitrate", url_path="capacity_and_nitrate"),
        st.Page("views/filter_book.py", title="Filter book", url_path="filter_book"),
        st.Page("views/plan.py", title="Plan", url_path="plan"),
        st.Page("views/at_the_tank.py", title="At the tank", url_path="at_the_tank"),
        st.Page("views/held_rows.py", title="Held rows", url_path="held_rows"),
        st.Page("views/papers.py", title="Papers", url_path="papers"),
        st.Page("views/assumptions.py", title="Assumptions", url_path="assumptions"),
    ],
    position="top",
).run()
