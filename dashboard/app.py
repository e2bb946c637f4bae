"""The router: one page a question. What fails unexpectedly goes to the log file, and the page names it."""

from contextlib import suppress
from html import escape
from pathlib import Path

import streamlit as st

from dashboard import access_code, data, first_tank, look
from dashboard import enter_forms as forms
from pipeline import log
from pipeline.problems import Problem

ICON = Path(__file__).with_name("icon.svg")
PAGES = (
    "this_week", "one_tank", "capacity_and_nitrate", "filter_book", "plan", "at_the_tank", "held_rows", "papers",
    "assumptions",
)  # fmt: skip
EMPTY_TOO = ("Filter book", "Held rows", "Assumptions")  # pages that say something without a tank
st.set_page_config(page_icon=str(ICON), layout="wide", initial_sidebar_state="collapsed")
st.html(look.CSS)
access_code.request()
pages = [
    st.Page(f"views/{name}.py", title=name.replace("_", " ").capitalize(), url_path=name, default=name == "this_week")
    for name in PAGES
]


@st.fragment(run_every=60)
def newer() -> None:
    """A button where a load has run since this page was drawn."""
    with suppress(Problem, OSError):
        if st.session_state["drawn"] != data.stamp() and st.button("Newer data is here: show it"):
            st.rerun()


page = st.navigation(pages, position="top")
with suppress(Problem, OSError):  # what is wrong is shown by the page
    st.session_state["drawn"] = data.stamp()
    newer()
try:
    if page.title in EMPTY_TOO or any(read().table("tank").height for read in (data.week, forms.week)):
        page.run()
    else:
        st.title(page.title)
        first_tank.offer(data.week())
    look.foot(data.week())
except Exception as error:
    folder, _ = data.places()
    log.start(folder).exception("unexpected error on the page %s", page.title)
    st.html(
        f'<div class="tr"><p class="hand">Something went wrong that should not: {escape(type(error).__name__)}. Nothing was'
        f" changed in the log folder. The log file {escape(str(log.log_file(folder)))} says more: please keep it for whoever"
        " looks after tankround.</p></div>"
    )
