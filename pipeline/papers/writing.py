"""Papers into files. Names of files are made safe from ids of users."""

import datetime as dt
import hashlib
import io
import re
import zipfile
from collections.abc import Collection, Iterable, Sequence
from pathlib import Path

from pipeline import safe_write
from pipeline.problems import Problem
from pipeline.week import Week
from schemas.words import CAUSES


def safe_name(text: str) -> str:
    """A file name for an id: letters, digits, - and _; where anything else was lost, a short hash keeps it apart."""
    kept = re.sub(r"[^A-Za-z0-9_-]+", "-", text).strip("-")[:60]
    if kept and kept == text:
        return kept
    mark = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:6]
    return f"{kept}-{mark}" if kept else mark


def write_bytes(path: Path, content: bytes | str) -> Path:
    """Writes a file whole or not at all; an old one of that name is replaced."""
    safe_write.write(path, content.encode() if isinstance(content, str) else content, replace=True)
    return path


def zipped(files: Iterable[tuple[str, bytes]]) -> bytes:
    """Files in one zip; no clock in it, so that the same files give the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as book:
        for name, content in files:
            book.writestr(zipfile.ZipInfo(name), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def ticked_note(text: str) -> tuple[str, int]:
    """`visits/2026-05.csv:12` as (file, line); a text that is none gets a sentence."""
    file, _, line = text.rpartition(":")
    if not file or not line.isdigit():
        raise Problem(f"“{text}” does not name a note; expected FILE:LINE, as visits/2026-05.csv:12.")
    return file, int(line)


def ticked_cause(text: str) -> tuple[str, str]:
    """`T07:overfeeding` as (tank, cause); a text that is none gets a sentence."""
    tank, _, cause = text.partition(":")
    if not tank or cause.strip() not in CAUSES:
        raise Problem(f"“{text}” does not name a cause; expected TANK:CAUSE, as T07:{CAUSES[0]}.")
    return tank, cause.strip()


def write_site_report(
    week: Week, site: str, first: dt.date, last: dt.date, out: Path, notes: Collection[str] = (),
    causes: Collection[str] = (), issue: bool = False,
) -> list[Path]:  # fmt: skip
    """The manager's page of a site as PDF and HTML; issued first where asked, so that the copies carry its number."""
    from pipeline.papers import issued
    from pipeline.papers.site_report import report_html, report_pdf, site_report

    ticked = set(map(ticked_note, notes)), (), set(map(ticked_cause, causes))
    report = site_report(week, site, first, last, *ticked)
    name = f"report-{safe_name(site)}-{first}-{last}"
    if issue:
        frozen = issued.issue(week.folder, report, dt.date.today())
        name, pdf, html = f"{name}-issue-{frozen.number}", frozen.pdf(), frozen.html()
    else:
        pdf, html = report_pdf(report), report_html(report)
    return [write_bytes(out / f"{name}.pdf", pdf), write_bytes(out / f"{name}.html", html)]


def write_sheets(
    week: Week, sites: Sequence[str], out: Path, day: dt.date | None = None, html: bool = False, labels: bool = False,
    form: bool = False,
) -> list[Path]:  # fmt: skip
    """Visit sheets of the sites and a van list for each day they fall on; with `html` the history pages of their
    tanks, with `labels` their labels, with `form` a page each to type the visit on a phone."""
    from pipeline.papers import visit_sheets
    from pipeline.papers.history import history_page
    from pipeline.papers.labels import labels as label_sheet
    from pipeline.papers.phone_form import form_name, phone_form
    from pipeline.papers.report_facts import open_tanks
    from pipeline.papers.van_list import van_list

    chosen = visit_sheets.sites_on(week, day, sites)
    if not chosen:
        when = f"on {day}" if day else "on this round"
        raise Problem(f"There is no visit {when}. Give --site, or a visit_day or next_visit in sites.csv.")
    written, by_day = [], dict[dt.date, list[str]]()
    for site in chosen:
        when_ = day or visit_sheets.day_of(week, site)
        by_day.setdefault(when_, []).append(site)
        name = f"visit-{when_}-{safe_name(site)}.pdf"
        written.append(write_bytes(out / name, visit_sheets.visit_sheets(week, [site], when_)))
        if form:
            written.append(write_bytes(out / f"{form_name(site, when_)}.html", phone_form(week, site, when_)))
    for when_, group in sorted(by_day.items()):
        written.append(write_bytes(out / f"van-list-{when_}.pdf", van_list(week, group, when_)))
    if labels:
        written.append(write_bytes(out / "labels.pdf", label_sheet(week, chosen)))
    if html:
        for site in chosen:
            for tank in open_tanks(week, site, week.as_of):
                path = out / f"history-{safe_name(tank['tank'])}.html"
                written.append(write_bytes(path, history_page(week, tank["tank"])))
    return written
