"""What the page Papers keeps and builds: rounds as of other days, reports with their pages, and papers on a click.

Every cache is keyed by the warehouse's stamp, so that a new load is seen and nothing is built twice for the same data.
"""

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from html import escape
from pathlib import Path

import polars as pl
import streamlit as st

from dashboard import data
from pipeline import store, weekly
from pipeline.papers import issued, proposals, site_report, visit_sheets
from pipeline.papers.calendar import calendar
from pipeline.papers.export import export_zip
from pipeline.papers.history import histories_zip, history_page
from pipeline.papers.issued import Issued
from pipeline.papers.labels import labels
from pipeline.papers.phone_form import form_name, phone_form
from pipeline.papers.plain_words import Suggestion
from pipeline.papers.proposals import Proposal
from pipeline.papers.site_report import Sheet, SiteReport, period_words
from pipeline.papers.van_list import load_html, van_list
from pipeline.papers.week_pdf import week_pdf
from pipeline.papers.writing import safe_name, zipped
from pipeline.week import Week
from pipeline.wording import day, full_day, sentence

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


# --- rounds and reports ---------------------------------------------------------------------------------------------


def stamp() -> str:
    """Changes with the folder shown and with every load of it."""
    folder, db = data.places()
    return f"{folder} {store.stamp(weekly.warehouse_of(folder, db))}"


@st.cache_resource(max_entries=6, show_spinner="Calculation that day")
def _as_of(folder: str, db: str, mark: str, last: dt.date) -> Week:
    return weekly.open_week(Path(folder), as_of=last, db=Path(db) if db else None)


def week_of(week: Week, last: dt.date) -> Week:
    """The round as of the last day of a report, whose state it must tell."""
    if last == week.as_of:
        return week
    folder, db = data.places()
    return _as_of(str(folder), str(db or ""), stamp(), last)


@st.cache_data(max_entries=64, show_spinner=False)
def period(mark: str, site: str, first: dt.date, last: dt.date, _week: Week) -> str:
    """What a report of these days would hold, in a sentence."""
    return period_words(_week, site, first, last)


@st.cache_data(max_entries=64, show_spinner=False)
def report(
    mark: str,
    site: str,
    first: dt.date,
    last: dt.date,
    ticked: Notes,
    _week: Week,
    proposed: Ticked = (),
    causes: Causes = (),
) -> SiteReport:
    """The report with the ticked notes and proposals."""
    taken: dict[str, list[Suggestion]] = {}
    for tank, suggestion in proposed:
        taken.setdefault(tank, []).append(suggestion)
    return site_report.site_report(_week, site, first, last, ticked, proposals=taken, causes=causes)


def proposals_of(week: Week, site: str) -> tuple[list[Proposal], list[str]]:
    """The open proposals of a site's tanks, newest first; what can't be read, in sentences."""
    return proposals.open_of(week.folder, week.table("tank").filter(pl.col("site") == site)["tank"].to_list())


def not_printed(shown: SiteReport, proposed: Ticked) -> list[str]:
    """Ticked proposals that found no room, or no sheet, in a report."""
    printed = {(sheet.tank, item["text"], item["cost"]) for sheet in shown.sheets for item in sheet.suggest}
    return [said.text for tank, said in proposed if (tank, said.text, said.cost) not in printed]


@st.cache_data(max_entries=256, show_spinner="Drawing the chart")
def _chart(mark: str, site: str, first: dt.date, last: dt.date, tank: str, weeks: int, _sheet: Sheet) -> str | None:
    return site_report.chart_svg(_sheet, last, weeks)


def chart(mark: str, shown: SiteReport, n: int) -> str | None:
    """The chart of a sheet, which no note changes."""
    sheet = shown.sheets[n]
    return _chart(mark, shown.site, shown.first, shown.last, sheet.tank, shown.weeks, sheet)


def charts(mark: str, shown: SiteReport) -> list[str | None]:
    """All charts of a report, as issuing it needs them."""
    return [chart(mark, shown, n) for n in range(len(shown.sheets))]


@st.cache_data(max_entries=64, show_spinner="Setting the page")
def _picture(content_mark: str, issue_line: str, n: int | None, _report: SiteReport, _svg: str | None) -> bytes:
    drawn = [_svg if place == n else None for place in range(len(_report.sheets))]
    return site_report.report_pictures(_report, drawn)[0 if n is None else n + 1]


def picture(mark: str, shown: SiteReport, n: int | None) -> bytes:
    """A sheet as a picture, with its own chart only, or the cover (None): the content's hash and the issue line are all
    that changes it."""
    svg = None if n is None else chart(mark, shown, n)
    return _picture(issued.content_hash(shown), shown.issue, n, shown, svg)


def alt_of(sheet: Sheet, n: int, of: int) -> str:
    """The sheet in a few words, for those who do not see its picture."""
    return f"Sheet {n} of {of}: {sheet.title}. {sheet.state}. {' '.join(sheet.lead)} Next visit: {sheet.next_visit}"


def words_html(sheet: Sheet) -> str:
    """The words of a sheet, to read where its picture is too small."""

    def part(title: str, lines: Sequence[str]) -> str:
        inner = "".join(f"<li>{escape(line)}</li>" for line in lines)
        return f"<p><strong>{escape(title)}</strong></p><ul>{inner}</ul>" if lines else ""

    offers = [f"{item['text']} {item['cost']}" for item in sheet.suggest]
    tests = [f"{cell['name']}: {cell['value']}" for cell in sheet.tests]
    return "".join(
        [
            f"<p><strong>{escape(sheet.title)}</strong><br><small>{escape(sheet.visits)}. {escape(sheet.gaps)}</small></p>",
            f'<p class="serif"><strong>{escape(sheet.state)}.</strong> {escape(" ".join(sheet.lead))}</p>',
            part("What was done", sheet.did),
            part(sheet.why_title, sheet.why),
            part("What we suggest", offers),
            part("Please do", sheet.do),
            part("Please don’t", sheet.dont),
            part("Notes from the visits", sheet.notes),
            part(sheet.test_title, tests),
            f"<p>Next visit: {escape(sheet.next_visit)}</p>",
        ]
    )


# --- issues ---------------------------------------------------------------------------------------------------------


def standing(last_issue: Issued | None, mark: str) -> str:
    """How the report shown stands to what was issued of the same days."""
    if last_issue is None:
        return "Not issued yet."
    named = f"issue {last_issue.number} of {day(last_issue.on, year=True, weekday=False)}"
    if last_issue.state != "whole":
        return f"{sentence(named)} is {last_issue.state}. Issued again, this becomes the next issue."
    if last_issue.content_hash == mark:
        return f"Issued: {named} says just this."
    return f"This differs from {named}. Issued, it becomes the next issue; the earlier one stays as it is."


def same(last_issue: Issued | None, mark: str) -> bool:
    return last_issue is not None and last_issue.state == "whole" and last_issue.content_hash == mark


def under_issue(shown: SiteReport, one: Issued | None) -> SiteReport:
    """The report under the line of the issue that says the same."""
    return shown if one is None else replace(shown, issue=issued.issue_line(one.number, one.on))


def issue_files(one: Issued) -> list[File]:
    """An issue as it was handed over; read when somebody asks for it."""
    name = f"report-{safe_name(one.site)}-{one.first}-{one.last}-issue-{one.number}"
    return [File("PDF", f"{name}.pdf", PDF, one.pdf), File("HTML", f"{name}.html", HTML, one.html)]


def issue_it(week: Week, shown: SiteReport) -> tuple[Issued, str]:
    """Freezes the report; what to say of it."""
    one = issued.issue(week.folder, shown, dt.date.today(), charts(stamp(), shown))
    named = f"issue {one.number} of {day(one.on, year=True, weekday=False)}"
    if one.new:
        return one, f"Frozen as {named}, under {issued.FOLDER}/ in the log folder."
    return one, f"It was issued already, as {named}: nothing has changed since."


# --- further papers -------------------------------------------------------------------------------------------------


def next_day(week: Week) -> dt.date:
    """The day of the next visit on the round."""
    sites = visit_sheets.sites_on(week, None)
    return min((visit_sheets.day_of(week, site) for site in sites), default=week.as_of)


def forms_zip(week: Week, sites: Sequence[str], when: dt.date) -> bytes:
    """The phone forms of some sites."""
    return zipped((f"{form_name(site, when)}.html", phone_form(week, site, when).encode()) for site in sites)


def day_papers(week: Week, sites: Sequence[str], when: dt.date) -> list[tuple[str, str, list[File]]]:
    """Papers for the visits of a day: title, what it holds, its files."""
    chosen = tuple(sites)
    sheets, load = f"visit-sheets-{when}", f"van-list-{when}"
    return [
        (
            "Visit sheets",
            "last readings, what to expect, jobs in order, litres to change, boxes for a pencil",
            [
                File("PDF", f"{sheets}.pdf", PDF, partial(visit_sheets.visit_sheets, week, chosen, when)),
                File("HTML", f"{sheets}.html", HTML, partial(visit_sheets.sheets_html, week, chosen, when)),
            ],
        ),
        (
            "Phone forms",
            "a page a site to type the visit at the tank without a network; it saves one CSV to send home",
            [File("ZIP", f"phone-forms-{when}.zip", ZIP, partial(forms_zip, week, chosen, when))],
        ),
        (
            "Van list",
            f"pads, media, carbon, water and tests to take on {full_day(when)}",
            [
                File("PDF", f"{load}.pdf", PDF, partial(van_list, week, chosen, when)),
                File("HTML", f"{load}.html", HTML, partial(load_html, week, chosen, when)),
            ],
        ),
        (
            "Histories",
            "a page a tank to read on the phone, without the dashboard",
            [File("ZIP", "histories.zip", ZIP, partial(histories_zip, week, chosen))],
        ),
        (
            "Labels",
            "the id in large type, to cut out",
            [File("PDF", "labels.pdf", PDF, partial(labels, week, chosen))],
        ),
    ]


def round_papers(week: Week) -> list[tuple[str, str, list[File]]]:
    """Papers of the whole round."""
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
    """The history page of one tank."""
    return File("HTML", f"history-{safe_name(tank)}.html", HTML, partial(history_page, week, tank))
