"""What the page Papers keeps and builds: rounds as of other days, reports with their pages, and papers on a click."""

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import streamlit as st

from dashboard import data
from pipeline import weekly
from pipeline.papers import issued, site_report, visit_sheets
from pipeline.papers.calendar import calendar
from pipeline.papers.export import export_zip
from pipeline.papers.history import histories_zip, history_page
from pipeline.papers.issued import Issued
from pipeline.papers.labels import labels
from pipeline.papers.phone_form import form_name, phone_form
from pipeline.papers.plain_text import Suggestion
from pipeline.papers.site_report import SiteReport
from pipeline.papers.van_list import load_html, van_list
from pipeline.papers.week_pdf import week_pdf
from pipeline.papers.writing import safe_name, zipped
from pipeline.week import Week
from pipeline.wording import full_day, sentence

PDF, HTML, ZIP, ICS = "application/pdf", "text/html", "application/zip", "text/calendar"
Notes = tuple[tuple[str, int], ...]
Causes = tuple[tuple[str, str], ...]
Ticked = tuple[tuple[str, Suggestion], ...]  # (tank, what is proposed) of ticked proposals


@dataclass(frozen=True)
class File:
    """A file that is built when somebody asks for it."""

    label: str
    name: str
    mime: str
    build: Callable[[], bytes | str]


@st.cache_resource(max_entries=6, show_spinner="Calculation that day")
def _as_of(mark: str, last: dt.date) -> Week:
    folder, db = data.places()
    return weekly.open_week(folder, as_of=last, db=db)


def week_of(week: Week, last: dt.date) -> Week:
    """The round as of the last day of a report, whose state it must tell."""
    return week if last == week.as_of else _as_of(data.stamp(), last)


def report(
    week: Week, site: str, first: dt.date, last: dt.date, ticked: Notes = (), proposed: Ticked = (), causes: Causes = ()
) -> SiteReport:
    """The report with the ticked notes and proposals."""
    asked = (site, first, last, ticked, proposed, causes)
    return week.kept(("report", *asked), lambda: site_report.site_report(week, *asked))


def standing(last_issue: Issued | None, mark: str) -> str:
    """How the report shown stands to what was issued of the same days."""
    if last_issue is None:
        return "Not issued yet."
    named = last_issue.named
    if last_issue.state != "whole":
        return f"{sentence(named)} is {last_issue.state}. Issued again, this becomes the next issue."
    if last_issue.content_hash == mark:
        return f"Issued: {named} says just this."
    return f"This differs from {named}. Issued, it becomes the next issue; the earlier one stays as it is."


def issue_files(one: Issued) -> list[File]:
    """An issue as it was handed over; read when somebody asks for it."""
    name = f"report-{safe_name(one.site)}-{one.first}-{one.last}-issue-{one.number}"
    return [File("PDF", f"{name}.pdf", PDF, one.pdf), File("HTML", f"{name}.html", HTML, one.html)]


def issue_it(week: Week, shown: SiteReport) -> tuple[Issued, str]:
    """Freezes the report; what to say of it."""
    one = issued.issue(week.folder, shown, dt.date.today())
    if one.new:
        return one, f"Frozen as {one.named}, under {issued.FOLDER}/ in the log folder."
    return one, f"It was issued already, as {one.named}: nothing has changed since."


def next_day(week: Week) -> dt.date:
    sites = visit_sheets.sites_on(week, None)
    return min((visit_sheets.day_of(week, site) for site in sites), default=week.as_of)


def day_papers(week: Week, sites: Sequence[str], when: dt.date) -> list[tuple[str, str, list[File]]]:
    """Papers for the visits of a day: title, what it holds, its files."""
    on = (week, tuple(sites), when)

    def forms() -> bytes:
        return zipped((f"{form_name(site, when)}.html", phone_form(week, site, when).encode()) for site in sites)

    sheets, load = f"visit-sheets-{when}", f"van-list-{when}"
    return [
        ("Visit sheets", "last readings, what to expect, jobs in order, litres to change, boxes for a pencil",
         [File("PDF", f"{sheets}.pdf", PDF, partial(visit_sheets.visit_sheets, *on)),
          File("HTML", f"{sheets}.html", HTML, partial(visit_sheets.sheets_html, *on))]),
        ("Phone forms", "a page a site to type the visit at the tank without a network; it saves one CSV to send home",
         [File("ZIP", f"phone-forms-{when}.zip", ZIP, forms)]),
        ("Van list", f"pads, media, carbon, water and tests to take on {full_day(when)}",
         [File("PDF", f"{load}.pdf", PDF, partial(van_list, *on)),
          File("HTML", f"{load}.html", HTML, partial(load_html, *on))]),
        ("Histories", "a page a tank to read on the phone, without the dashboard",
         [File("ZIP", "histories.zip", ZIP, partial(histories_zip, week, on[1]))]),
        ("Labels", "the id in large type, to cut out",
         [File("PDF", "labels.pdf", PDF, partial(labels, week, on[1]))]),
    ]  # fmt: skip


def round_papers(week: Week) -> list[tuple[str, str, list[File]]]:
    tables = f"tables-{week.as_of}"
    return [
        ("Weekly review", "every tank a line, in ranking order",
         [File("PDF", f"weekly-review-{week.as_of}.pdf", PDF, partial(week_pdf, week))]),
        ("Calendar", "visits and what falls due, for any calendar",
         [File("ICS", "tankround.ics", ICS, partial(calendar, week))]),
        ("All tables", "checked records and calculation, with a description of every column",
         [File("CSV", f"{tables}-csv.zip", ZIP, partial(export_zip, week, "csv")),
          File("Workbook", f"{tables}-xlsx.zip", ZIP, partial(export_zip, week, "xlsx")),
          File("Parquet", f"{tables}-parquet.zip", ZIP, partial(export_zip, week, "parquet"))]),
    ]  # fmt: skip


def history_file(week: Week, tank: str) -> File:
    return File("HTML", f"history-{safe_name(tank)}.html", HTML, partial(history_page, week, tank))
