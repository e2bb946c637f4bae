"""Papers: the site report looked at, issued and kept; and every other paper, built when somebody asks for it."""

import datetime as dt
from collections.abc import Iterable, Sequence
from contextlib import nullcontext, suppress
from dataclasses import replace
from typing import TypeVar

import polars as pl
import streamlit as st

from dashboard import data, look
from dashboard import papers_forms as forms
from pipeline.papers import issued, plain_text, proposals
from pipeline.papers.issued import Issued
from pipeline.papers.layout import filled
from pipeline.papers.report_facts import offered
from pipeline.papers.site_report import SiteReport, causes_of, period_text, report_picture
from pipeline.papers.visit_sheets import sites_on
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import counted, dates, day

T = TypeVar("T")
SPAN = dt.timedelta(days=27)  # the last four weeks, both end days in them
OPEN_NOTES = 10  # more than these fold away
SHOWN_ISSUES = 6
REMINDER = (
    "The cover names who came, as the records do: a role or initials. No name of a resident, pupil, patient or member of"
    " staff goes on a report, and nothing about anybody's health. Read a note before you tick it."
)


def choose(week: Week, sites: dict[str, str]) -> tuple[str, dt.date, dt.date]:
    """Site and days, kept in the address by id and by date; what is wrong in the address is passed over."""
    keys, state = {"site": "paper_site", "from": "paper_from", "to": "paper_to"}, st.session_state
    asked = st.query_params.get("site", "")
    if asked in sites:
        state["paper_site"] = asked
    elif state.get("paper_site") not in sites:
        state["paper_site"] = next(iter(sites))
    for name, otherwise in (("from", week.as_of - SPAN), ("to", week.as_of)):
        wanted = state.get(keys[name]) or otherwise
        with suppress(ValueError):
            wanted = dt.date.fromisoformat(st.query_params.get(name, ""))
        state[keys[name]] = min(wanted, week.loaded_on)

    def write() -> None:
        st.query_params.update({name: str(state[key]) for name, key in keys.items()})

    with st.container(horizontal=True):
        st.selectbox("Site", list(sites), format_func=sites.__getitem__, key="paper_site", on_change=write,
                     persist_state="session", width=340)  # fmt: skip
        for name in ("from", "to"):
            st.date_input(name.capitalize(), key=keys[name], max_value=week.loaded_on, format="YYYY-MM-DD", on_change=write,
                          persist_state="session", width=160)  # fmt: skip
    return state["paper_site"], state["paper_from"], state["paper_to"]


def ticked(place: str, found: Iterable[tuple[str, str, T]], fold: str = "") -> tuple[T, ...]:
    """Of what is offered as (words, key, what), that which is ticked."""
    with st.container(key=place), st.expander(fold) if fold else nullcontext():
        return tuple(one for text, key, one in found if st.checkbox(look.label(text), key=key))


def notes(week: Week, site: str, first: dt.date, last: dt.date) -> forms.Notes:
    """The notes of the days, each with a tick; those that are ticked."""
    rows = offered(week, site, first, last).to_dicts()
    look.section("Notes of these days", "printed only where ticked")
    if not rows:
        look.html("<p>No note was written in these days.</p>")
        return ()
    look.small(REMINDER)
    names = data.tank_names(week)
    found = [(f"{day(row['day'])}, {names.get(row['tank'], 'the site')}: {row['text']}",
              f"note {row['kind']} {row['file']} {row['line']}", (row["file"], row["line"])) for row in rows]  # fmt: skip
    return ticked("notes", found, counted(len(rows), "note") if len(rows) > OPEN_NOTES else "")


def causes(week: Week, site: str) -> forms.Causes:
    """The possible causes of the site's tanks, each with a tick; those that are ticked may be printed."""
    tanks = week.table("tank").filter(pl.col("site") == site)
    found = [(f"{name or tank}: {plain_text.cause(cause)}", f"cause {tank} {cause}", (tank, cause))
             for tank, name in tanks.select("tank", "name").iter_rows() for cause in causes_of(week, tank)]  # fmt: skip
    if not found:
        return ()
    look.section("Possible causes", "printed only where ticked: a cause can be read as blame")
    return ticked("causes", found)


def proposed(week: Week, site: str) -> forms.Ticked:
    """The open proposals of the site, each with a tick; those that are ticked, as the report will say them."""
    tanks = week.table("tank").filter(pl.col("site") == site)["tank"].to_list()
    found, lost = proposals.open_of(week.folder, tanks)
    if not found and not lost:
        return ()
    look.section("Proposals", "kept on Plan; printed only where ticked")
    for sentence in lost:
        look.wrong(sentence)
    names = data.tank_names(week)
    options = [(f"{names.get(one.tank, one.tank)}, {day(one.on)}: {one.words} ({one.cost_text()})", f"proposal {one.name}", one)
            for one in found]  # fmt: skip
    return tuple((one.tank, one.suggestion()) for one in ticked("proposals", options))


def give(files: Sequence[forms.File], key: str, quiet: bool = False, off: bool = False) -> None:
    for file in files:
        st.download_button(
            file.label, file.build, file.name, file.mime, key=f"{key} {file.name}", on_click="ignore",
            type="tertiary" if quiet else "secondary", disabled=off,
        )  # fmt: skip


def issue(week: Week, shown: SiteReport) -> Issued | None:
    """The button that freezes the report; the issue that says just what is shown, where there is one."""
    mark = issued.content_hash(shown)
    look.section("Issue it", "frozen, numbered and kept in the log folder")
    before = next(reversed(issued.issues_of(week.folder, shown)), None)
    status = forms.standing(before, mark)
    if st.button("Issue it", type="primary", key="issue_it"):
        try:
            before, status = forms.issue_it(week, shown)
        except Problem as problem:
            status = ""
            look.html('<p class="hand" role="alert">Not issued: {}</p>', problem)
    if status:
        look.html('<p role="status">{}</p>', status)
    if before is None or (before.state, before.content_hash) != ("whole", mark):
        return None
    with st.container(horizontal=True, vertical_alignment="center"):
        give(forms.issue_files(before), "now")
    return before


def past(week: Week, site: str) -> None:
    found, lost = issued.all_issued(week.folder, site), issued.lost(week.folder, site)
    if not found and not lost:
        return
    look.section("Issued so far", "each with the start of its SHA-256")
    for sentence in lost:
        look.wrong(sentence)

    def rows(issues: Sequence[Issued]) -> None:
        for one in issues:
            key = f"{one.first} {one.last} {one.number}"
            with st.container(horizontal=True, wrap=False, vertical_alignment="center", key=f"paper_row {key}"):
                span = f"{dates([one.first], year=one.first.year != one.last.year)} to {dates([one.last])}"
                look.html(look.filled("issue.html", one=one, span=span), width="stretch")
                if one.state == "whole":
                    give(forms.issue_files(one), f"past {key}", quiet=True)

    rows(found[:SHOWN_ISSUES])
    if len(found) > SHOWN_ISSUES:
        with st.expander(f"{counted(len(found) - SHOWN_ISSUES, 'earlier issue')}"):
            rows(found[SHOWN_ISSUES:])


def preview(week: Week, shown: SiteReport) -> None:
    names = {"": "Cover"} | {sheet["tank"]: look.label(sheet["title"].rsplit(", ", 1)[0]) for sheet in shown.sheets}
    tanks = list(names)[1:]
    if st.session_state.get("paper_sheet") not in names:
        st.session_state["paper_sheet"] = tanks[0]
    chosen = st.pills("Sheet", list(names), format_func=names.__getitem__, key="paper_sheet", required=True, wrap=True)
    n, alt = tanks.index(chosen) if chosen else None, f"Cover: {shown.cover['summary']}"
    if n is not None:
        sheet = shown.sheets[n]
        alt = f"Sheet {n + 1} of {len(tanks)}: {sheet['title']}. {sheet['state']}. {' '.join(sheet['lead'])} Next visit: {sheet['next_visit']}"
    picture = data.slowly(week, (issued.content_hash(shown), shown.issue, n), "Setting the page",
                          lambda: report_picture(shown, n))  # fmt: skip
    with st.container(key="sheet"):
        st.image(picture, width="stretch", alt=alt)
    if n is not None:
        with st.expander("The words of this sheet"):
            look.html(filled("sheet_words.html", sheet=shown.sheets[n]))


def site_report(week: Week, sites: dict[str, str]) -> None:
    site, first, last = choose(week, sites)
    if last < first:
        look.say(f"The report would begin on {day(first, year=True)}, after its end: choose an earlier first day.")
        return
    try:
        then = forms.week_of(week, last)
        summary = then.kept(("period", site, first), lambda: period_text(then, site, first, last))
        look.counts(summary)
        forms.report(then, site, first, last)  # says what is wrong before anything is drawn
    except Problem as problem:
        look.say(str(problem))
        return
    left, right = st.columns([7, 5], gap="large")
    with right:
        ticked_notes = notes(then, site, first, last)
        ticked_causes = causes(then, site)
        ticked_proposals = proposed(then, site)
        shown = forms.report(then, site, first, last, ticked_notes, ticked_proposals, ticked_causes)
        # Ticked proposals that found no room, or no sheet.
        printed = {(sheet["tank"], item["text"], item["cost"]) for sheet in shown.sheets for item in sheet["suggest"]}
        left_out = [one.text for tank, one in ticked_proposals if (tank, one.text, one.cost) not in printed]
        if left_out:
            look.html(
                '<p class="hand" role="alert">{} found no room on its sheet: “{}” Untick another, or issue a second'
                " report.</p>", counted(len(left_out), "ticked proposal"), left_out[0]
            )  # fmt: skip
        frozen = issue(then, shown)
        past(then, site)
    with left:
        # Under the line of the issue that says the same.
        line = None if frozen is None else issued.issue_line(frozen.number, frozen.on)
        preview(then, shown if line is None else replace(shown, issue=line))


def rows_of(papers: Sequence[tuple[str, str, list[forms.File]]], key: str, off: bool = False) -> None:
    for title, about, files in papers:
        with st.container(horizontal=True, wrap=False, vertical_alignment="center", key=f"paper_row {key} {title}"):
            look.html("<p><strong>{}</strong><br><small>{}</small></p>", title, about, width="stretch")
            give(files, f"{key} {title}", off=off)


def others(week: Week, sites: dict[str, str]) -> None:
    left, right = st.columns(2, gap="large")
    with left:
        look.section("For a day of visits")
        st.session_state.setdefault("paper_day", forms.next_day(week))
        with st.container(horizontal=True):
            when = st.date_input("Day", key="paper_day", format="YYYY-MM-DD", persist_state="session", width=160)
            chosen = st.multiselect(
                "Sites", list(sites), default=sites_on(week, when), format_func=sites.__getitem__,
                key=f"paper_sites {when}", placeholder="choose sites", width=360,
            )  # fmt: skip
        if not chosen:
            look.html("<p>No visit falls on {}: choose sites, or another day.</p>", day(when, year=True))
        rows_of(forms.day_papers(week, chosen, when), "day", off=not chosen)
    with right:
        look.section("For the whole round")
        rows_of(forms.round_papers(week), "round")
        titles = data.tank_titles(week)
        if titles:
            look.section("For one tank")
            tank = st.selectbox("Tank", list(titles), format_func=titles.__getitem__, key="paper_tank")
            about = "class, findings, readings, services and events on one page to read without the dashboard"
            rows_of([("History", about, [forms.history_file(week, tank)])], "tank")


def page() -> None:
    week = data.week()
    st.title("Papers")
    sites = data.sites_in_order(week)
    site_report(week, sites)
    others(week, sites)


page()
