"""Issued reports are frozen: LOGS/issued/<site>/<first>_<last>/issue-N holds the PDF, the HTML and what they say. A
correction is the next issue; the same content issued again is the issue it was."""

import datetime as dt
import hashlib
import json
import os
import shutil
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipeline import safe_write
from pipeline.papers.site_report import SiteReport, report_html, report_pdf
from pipeline.papers.writing import safe_name, write_bytes
from pipeline.problems import Problem
from pipeline.wording import day, day_month

FOLDER = "issued"
RECORD, PDF, HTML = "report.json", "report.pdf", "report.html"


@dataclass(frozen=True)
class Issued:
    """One issue as it lies on disk. `state`: whole; changed since it was issued; or not complete."""

    site: str
    title: str
    first: dt.date
    last: dt.date
    number: int
    on: dt.date
    content_hash: str
    folder: Path
    state: str
    new: bool = False  # made by this very call

    @property
    def named(self) -> str:
        return f"issue {self.number} of {day(self.on, year=True, weekday=False)}"

    def pdf(self) -> bytes:
        return (self.folder / PDF).read_bytes()

    def html(self) -> str:
        return (self.folder / HTML).read_text(encoding="utf-8")


def content_hash(report: SiteReport) -> str:
    """SHA-256 of what the report says; the issue number and the day of issue are not part of it."""
    text = json.dumps(report.content(), ensure_ascii=True, sort_keys=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def issue_line(number: int, on: dt.date) -> str:
    """`Aquarium report, issue 2 of 3 June 2026, replaces issue 1`."""
    line = f"Aquarium report, issue {number} of {day_month(on)} {on.year}"
    return line if number == 1 else f"{line}, replaces issue {number - 1}"


def _place(logs: Path, report: SiteReport) -> Path:
    return logs / FOLDER / safe_name(report.site) / f"{report.first}_{report.last}"


def _state(folder: Path, record: dict[str, Any]) -> str:
    """Whether the files of an issue are still those that were issued."""
    for name, mark in ((PDF, record["pdf_sha256"]), (HTML, record["html_sha256"])):
        path = folder / name
        if not path.is_file():
            return "not complete"
        if hashlib.sha256(path.read_bytes()).hexdigest() != mark:
            return "changed since it was issued"
    return "whole"


def _read(folder: Path) -> Issued | None:
    """An issue from its folder; None where that holds no record that can be read."""
    try:
        record: dict[str, Any] = json.loads((folder / RECORD).read_text(encoding="utf-8"))
        first, last, on = (dt.date.fromisoformat(record[name]) for name in ("first", "last", "on"))
        return Issued(record["site"], record["title"], first, last, int(record["issue"]), on, record["content_sha256"],
                      folder, _state(folder, record))  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError):
        return None


def issues_of(logs: Path, report: SiteReport) -> list[Issued]:
    """The issues there are of this site and period, oldest first."""
    return _issues_in(_place(logs, report))


def _issues_in(place: Path) -> list[Issued]:
    found = [_read(folder) for folder in place.glob("issue-*")]
    return sorted((one for one in found if one is not None), key=lambda one: one.number)


def _numbers(place: Path) -> set[int]:
    return {int(folder.name[6:]) for folder in place.glob("issue-*") if folder.name[6:].isdigit()}


def all_issued(logs: Path, site: str | None = None) -> list[Issued]:
    """All issued reports of a log folder, newest first; of one site where asked."""
    places = sorted((logs / FOLDER).glob(f"{'*' if site is None else safe_name(site)}/*_*"))
    found = [one for place in places for one in _issues_in(place) if site is None or one.site == site]
    return sorted(found, key=lambda one: (one.on, one.last, one.site, one.number), reverse=True)


def lost(logs: Path, site: str) -> list[str]:
    """What is no longer there, or can't be read, of the issues of a site, each in a sentence. Silence would pass for
    a paper that was never issued."""
    sentences = []
    for place in sorted((logs / FOLDER / safe_name(site)).glob("*_*")):
        numbers = _numbers(place)
        readable = numbers & {one.number for one in _issues_in(place)}
        for number in sorted({*range(1, max(numbers, default=0) + 1)} - readable):
            why = f"can't be read: its {RECORD} is missing or damaged"
            why = why if number in numbers else f"is missing from the folder {FOLDER}"
            span = place.name.replace("_", " to ")
            sentences.append(f"Issue {number} of {span} {why}. Bring it back from a copy.")
    return sentences


def issue(logs: Path, report: SiteReport, on: dt.date) -> Issued:
    """Freezes a report as the next issue of its site and period, unless the last issue says just the same."""
    place, mark = _place(logs, report), content_hash(report)
    while True:
        earlier = _issues_in(place)
        if earlier and earlier[-1].content_hash == mark and earlier[-1].state == "whole":
            return earlier[-1]
        number = max(_numbers(place), default=0) + 1
        named = replace(report, issue=issue_line(number, on))
        made = _build(place, named, mark, number, on, report_pdf(named), report_html(named))
        try:
            os.rename(made, place / f"issue-{number}")  # fails where another issue took the number meanwhile
        except OSError as error:
            shutil.rmtree(made, ignore_errors=True)
            if not (place / f"issue-{number}").exists():
                raise Problem(f"{place} could not be written ({error.strerror}). Check the folder's rights.") from error
            continue
        safe_write.sync_folder(place)
        found = _read(place / f"issue-{number}")
        if found is None:  # pragma: no cover - somebody removed it in this very moment
            raise Problem(f"{place / f'issue-{number}'} vanished while it was written. Issue the report again.")
        return replace(found, new=True)


def _build(place: Path, report: SiteReport, mark: str, number: int, on: dt.date, pdf: bytes, html: str) -> Path:
    """The files of an issue in a folder beside its place, forced to disk."""
    content = report.content()
    record = {"issue": number, "on": on.isoformat()}
    record |= {name: content[name] for name in ("site", "title", "first", "last")}
    record |= {"content_sha256": mark, "pdf_sha256": hashlib.sha256(pdf).hexdigest()}
    record |= {"html_sha256": hashlib.sha256(html.encode()).hexdigest(), "content": content}
    start, end = safe_write.beside(place)
    try:
        place.mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(prefix=start, suffix=end, dir=place))
    except OSError as error:
        raise safe_write.explained(error, place) from error
    try:
        write_bytes(made / PDF, pdf)
        write_bytes(made / HTML, html)
        write_bytes(made / RECORD, json.dumps(record, ensure_ascii=False, indent=1))
    except Problem:
        shutil.rmtree(made, ignore_errors=True)
        raise
    made.chmod(0o755)
    return made
