"""At the tank: at the tank, as a grid, as a form for anything else, or as a file."""

import datetime as dt

import streamlit as st

from dashboard import at_tank, data, enter_sheets, look
from dashboard import enter_forms as forms
from pipeline import logbook
from pipeline.week import Week
from pipeline.wording import day

WAYS = ("at the tank", "as a grid", "as a file", "another record")


def _day() -> dt.date:
    """The day of the visits: today, or the one in the address."""
    today = dt.date.today()
    try:  # a link may ask for another day than the one before
        st.session_state["enter_day"] = min(dt.date.fromisoformat(st.query_params.get("day", "")), today)
    except ValueError:
        st.session_state.setdefault("enter_day", min(data.as_of(), today))
    when = st.date_input(
        "Day of the visit", key="enter_day", max_value=today, format="YYYY-MM-DD", persist_state="session", width=180,
        on_change=lambda: st.query_params.clear(),
    )  # fmt: skip
    when = when if isinstance(when, dt.date) else today
    if st.query_params.get("day") != when.isoformat():
        st.query_params["day"] = when.isoformat()  # a reload comes back to it
    return when


def choose(week: Week, when: dt.date) -> str:
    """The tank: the next on the route after one was kept, the one in the address, or any that is chosen."""
    order = at_tank.route(week, when)
    tanks = [tank for _, tank in order]
    if not tanks:
        return ""
    titles, done = data.tank_titles(week), at_tank.read_on(week, when)
    begun = [tank for date, tank in logbook.drafts(week.folder) if date == when and tank in tanks]
    asked = st.session_state.pop("enter_next", None) or st.query_params.get("tank", "")
    if asked not in tanks:
        asked = begun[0] if begun else at_tank.start(week, when, order)
    st.query_params["tank"] = asked  # a reload comes back to it
    entered = {tank: titles[tank] + (", entered" if tank in done else "") for tank in tanks}
    return look.chosen_of("tank", "Tank", entered, "enter_tank", width=360)


def the_tank(week: Week, when: dt.date, tank: str) -> None:
    """One tank, its questions, and the button to the next; its name and the button stay in sight."""
    if not tank:
        look.say(f"No tank runs on {day(when, year=True)}: choose another day.")
        return
    order = at_tank.route(week, when)
    tanks, done = [t for _, t in order], at_tank.read_on(week, when)
    site = {t: s for s, t in order}[tank]
    here = [t for s, t in order if s == site]
    names = data.tank_names(week)
    with st.container(key="here"):
        place = f"{data.site_titles(week).get(site, site)}, tank {here.index(tank) + 1} of {len(here)}: {names[tank]}."
        look.counts(place)
    drafts = [(date, t) for date, t in logbook.drafts(week.folder) if t in names and (date, t) != (when, tank)]
    look.show("here.html", entered=done.get(tank), drafts=drafts, names=names, address=look.address)
    times = st.session_state.get("enter_times", {})
    key = f"at {tank} {when} {times.get((tank, when), 0)}"
    at_tank.restore_draft(week, tank, when, key)
    entered = at_tank.questions(week, tank, when, key)
    at_tank.save_draft(week, tank, when, key, entered)
    by = forms.who("enter_by")
    after = tanks[tanks.index(tank) + 1] if tank != tanks[-1] else None
    to = f"go to {look.label(names[after])}" if after else "end the round"
    with st.container(key="bar"):
        forms.show_message()
        sure = st.session_state.get("enter_sure") == entered.row
        word = f"{'Keep as it is' if sure else 'Keep'} and {to}" if entered.anything else f"Nothing entered: {to}"
        # The key names the tank: a second tap on the same button cannot pass over the next one.
        if st.button(word, type="primary", width="stretch", key=f"keep {key}"):
            if entered.anything:
                at_tank.keep(week, tank, when, entered, by, after or tank, sure)
            else:
                st.session_state["enter_next"] = after or tank
            st.rerun()
    at_tank.kept_on_day(week, when)
    look.begin_at_the_top(f"{tank} {when}")


def page() -> None:
    st.title("At the tank")
    week = forms.week()
    shut = logbook.closed(week.folder)
    if shut:
        look.wrong(shut)
        return
    if (form := st.query_params.get("record")) in enter_sheets.FORMS:  # a link to one of the forms
        st.session_state["enter_way"], st.session_state["form_kind"] = WAYS[3], form
        del st.query_params["record"]
    with st.container(key="how"):
        way = st.pills(
            "How", WAYS, default=WAYS[0], key="enter_way", required=True, label_visibility="collapsed",
            persist_state="session",
        )  # fmt: skip
    if way in (None, WAYS[0]):
        with st.container(key="desk"):
            with st.container(horizontal=True):
                when = _day()
                tank = choose(week, when)
            the_tank(week, when, tank)
        return
    with st.container(key="sheets"):
        if way == WAYS[2]:
            enter_sheets.upload(week)
        elif way == WAYS[3]:
            enter_sheets.form(week, _day())
        else:
            with st.container(horizontal=True):
                when = _day()
                sites = enter_sheets.sites_of(week, when)
            enter_sheets.grid(week, when, sites)
        forms.show_message()


page()
