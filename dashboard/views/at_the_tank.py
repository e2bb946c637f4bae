"""At the tank: at the tank, as a grid, as a form for anything else, or as a file."""

from __future__ import annotations

import datetime as dt
from html import escape

import streamlit as st

from dashboard import at_tank, data, enter_forms, enter_sheets, look
from dashboard import enter_desk as desk
from pipeline import logbook

WAYS = ("at the tank", "as a grid", "as a file", "another record")


def _day() -> dt.date:
    """The day of the visits: today, or the one in the address."""
    today = dt.date.today()
    if "enter_day" not in st.session_state:
        try:
            asked = dt.date.fromisoformat(st.query_params.get("day", ""))
        except ValueError:
            asked = data.as_of()
        st.session_state["enter_day"] = min(asked, today)
    when = st.date_input(
        "Day of the visit", key="enter_day", max_value=today, format="YYYY-MM-DD", persist_state="session", width=180
    )
    return when if isinstance(when, dt.date) else today


def page() -> None:
    st.html(desk.STYLE)
    st.title("At the tank")
    week = desk.week()
    desk.became()
    if not week.table("tank").height:
        look.say(
            "No tanks are on this round yet. Fill in sites.csv and tanks.csv, then their readings can be entered here."
        )
        look.foot(week)
        return
    shut = logbook.closed(week.folder)
    if shut:
        look.html(f'<p class="hand">{escape(shut)}</p>')
        look.foot(week)
        return
    with st.container(key="how"):
        way = st.pills(
            "How", WAYS, default=WAYS[0], key="enter_way", required=True, label_visibility="collapsed",
            persist_state="session",
        )  # fmt: skip
    if way == WAYS[2]:
        with st.container(key="sheets"):
            enter_sheets.upload(week)
    elif way == WAYS[3]:
        with st.container(key="sheets"):
            enter_forms.page(week, _day())
    elif way == WAYS[1]:
        with st.container(key="sheets"):
            with st.container(horizontal=True):
                when = _day()
                sites = enter_sheets.sites_of(week, when)
            enter_sheets.grid(week, when, sites)
    else:
        with st.container(key="desk"):
            with st.container(horizontal=True):
                when = _day()
                tank = at_tank.choose(week, when)
            at_tank.page(week, when, tank)
    look.foot(week)


page()
