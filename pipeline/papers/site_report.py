"""The manager's page: what we did, found and suggest at a site, in plain words: a cover, then one A4 sheet a tank."""

import datetime as dt
from collections.abc import Collection, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from markupsafe import Markup

from pipeline.papers import plain_text, report_text
from pipeline.papers.charts import Bar, caption, description, for_screen, svg
from pipeline.papers.layout import filled, pdf, pictures
from pipeline.papers.plain_text import Suggestion
from pipeline.papers.report_facts import Facts, Row, findings_of, gather, open_tanks, site_of
from pipeline.papers.site_cover import cover
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import MANY_DATES, counted_word, dates, first_few, listed, short


@dataclass(frozen=True)
class SiteReport:
    """What the page says, complete: the same report gives the same PDF, HTML and content hash."""

    site: str
    title: str
    first: dt.date
    last: dt.date
    limits: str
    cover: Row
    sheets: tuple[Row, ...]  # a tank each, as `_sheet` says it
    weeks: int  # that the charts look back
    issue: str = "Aquarium report, not yet issued"

    def content(self) -> dict[str, Any]:
        """Everything but the issue line, as JSON has it: what the content hash is taken of."""
        data = asdict(self)
        del data["issue"]
        return {**data, "first": self.first.isoformat(), "last": self.last.isoformat()}


def _findings(week: Week, tank: str, class_: str) -> list[Row]:
    """The findings a manager reads, the class of the tank first; those noted as known are left out."""
    rows = [row for row in findings_of(week, tank) if not row["quiet"]]
    return sorted(rows, key=lambda row: row["class"] != class_)  # the sort keeps the order of equals


def causes_of(week: Week, tank: str) -> list[str]:
    """The possible causes of the tank's first finding that have plain words: printed only where somebody ticks them."""
    review = week.row("review", tank)
    findings = _findings(week, tank, review["class"]) if review else []
    if not findings:
        return []
    causes = week.now("finding_cause").filter(tank=tank, rule=findings[0]["rule"]).sort("place")
    return [name for name in causes["cause"] if plain_text.cause(name)]


def _why(week: Week, tank: str, findings: Sequence[Row], ticked: Collection[str]) -> tuple[str, list[str]]:
    """The ticked causes of the first finding, then what else was found, in words of its own or not at all."""
    title, lines = "What else we found", []
    if findings and ticked:
        lines = [plain_text.cause(name) or name for name in causes_of(week, tank) if name in ticked]
        if lines:
            title = plain_text.of_finding(findings[0]["rule"], findings[0]["class"]).why
    seen = {plain_text.of_finding(row["rule"], row["class"]).found for row in findings[:1]}
    for row in findings[1:]:
        if row["rule"] not in plain_text.TEXTS["rule"]:
            continue
        text = plain_text.of_finding(row["rule"], row["class"]).found
        if text not in seen and len(lines) < report_text.MOST_LINES:
            seen.add(text)
            lines.append(f"Also: {text[0].lower()}{text[1:]}" if title != "What else we found" else text)
    return title, lines


def _sheet(
    week: Week, facts: Facts, proposals: Collection[tuple[str, Suggestion]], causes: Collection[tuple[str, str]]
) -> Row:
    """The page of one tank, as text and chart data: `bars` are day, low, high, in the period, a guide only."""
    tank, always = facts.tank["tank"], plain_text.TEXTS["always"]
    review = week.row("review", tank)
    class_ = review["class"] if review else "can't say"
    findings = _findings(week, tank, class_)
    first = findings[0] if findings else {"rule": "", "class": class_}
    plain = plain_text.of_finding(first["rule"], first["class"])
    why_title, why = _why(week, tank, findings, [cause for of, cause in causes if of == tank])
    proposed = [proposal for of, proposal in proposals if of == tank]
    offered = report_text.with_proposals(report_text.suggestions(week, tank, plain), proposed, first["class"])
    weeks, phone = int(week.assumed["lay_chart_weeks"]), week.round.business.get("phone")
    house_do = always["do"] if facts.tank["temperature_c"] is not None else always["do_no_heater"]
    if any("feed" in line.lower() for line in plain.do):
        house_do = [line for line in house_do if "feed" not in line.lower()]
    none = f"There is no chart: no nitrate test of this tank in {weeks} weeks."
    title, cells = report_text.tests(facts, week.as_of)
    return {
        "tank": tank,
        "title": f"{facts.title}, {short(facts.site['name'])}",
        "visits": report_text.visits(facts),
        "state": plain_text.state(class_, first["rule"]),
        "lead": [report_text.lead(week, facts, plain)],
        "gaps": report_text.gaps(facts),
        "caption": caption(facts.bars, weeks, changes=bool(facts.bar_changes)) if facts.bars else none,
        "alt": description(facts.bars, facts.ceiling, weeks, len(facts.bar_changes)),
        "did": report_text.done(facts),
        "why_title": why_title,
        "why": why,
        "suggest": [
            {"text": item.text, "cost": item.cost, "choice": item.cost not in report_text.NO_CHOICE}
            for item in offered[: report_text.MOST_LINES]
        ],
        "do": [*plain.do, *house_do],
        "dont": [*plain.dont, *always["dont"]],
        "notes": report_text.notes(facts),
        "ring": f"{always['ring']} Our number: {phone}." if phone else always["ring"],
        "next_visit": report_text.next_visit(facts, class_),
        "test_title": title,
        "tests": cells,
        "bars": [[bar.day.isoformat(), bar.low, bar.high, bar.late, bar.guide] for bar in facts.bars],
        "changes": [day.isoformat() for day in facts.bar_changes],
        "ceiling": facts.ceiling,
    }


def site_report(
    week: Week, site: str, first: dt.date, last: dt.date, notes: Collection[tuple[str, int]] = (),
    proposals: Collection[tuple[str, Suggestion]] = (), causes: Collection[tuple[str, str]] = (),
) -> SiteReport:  # fmt: skip
    """The report of a site from `first` to `last`; the state is that of `last`, for which `week` was opened.

    `notes` are the (file, line) whose notes may be printed, none by default. `proposals`, (tank, what is proposed), were
    kept on the page Plan and ticked. `causes` are the (tank, cause) that may be printed: a possible cause can be read as
    blame, so none is printed by itself.
    """
    known = site_of(week, site)
    if week.as_of != last:
        raise Problem(
            f"The report ends on {last}, but the round was opened as of {week.as_of}."
            f" The state must be that of the last day: open it as of {last}."
        )
    if last < first:
        raise Problem(f"The report runs from {first} to {last}; expected the first day before the last.")
    found = [gather(week, tank, known, first, last, notes) for tank in open_tanks(week, site, first, last)]
    if not found:
        raise Problem(f"No tank of {known['name']} ran between {first} and {last}. Choose other days.")
    sheets = tuple(_sheet(week, facts, proposals, causes) for facts in found)
    span = f"{dates([first])} to {dates([last])}"
    signed = f"{week.round.signature}. " if week.round.signature else ""
    limits, weeks = signed + plain_text.TEXTS["always"]["limits"], int(week.assumed["lay_chart_weeks"])
    title = f"Aquarium report: {known['name']}, {span}"
    return SiteReport(site, title, first, last, limits, cover(week, known, found, sheets), sheets, weeks)


def chart(report: SiteReport, n: int) -> str | None:
    """The lay chart of a sheet; None where there is nothing to draw."""
    sheet = report.sheets[n]
    bars = tuple(Bar(dt.date.fromisoformat(day), *rest) for day, *rest in sheet["bars"])
    days = tuple(dt.date.fromisoformat(day) for day in sheet["changes"])
    return svg(bars, days, sheet["ceiling"], report.last, report.weeks) if bars else None


def _laid_out(report: SiteReport, drawn: Collection[int]) -> tuple[dict[str, Any], dict[str, str]]:
    """What the template is given: the words, and by file name the charts of the sheets that are `drawn`."""
    drawings = {f"chart{n}.svg": found for n in drawn if (found := chart(report, n)) is not None}
    data = {**report.content(), "issue": report.issue}
    for n, sheet in enumerate(data["sheets"]):
        sheet["chart"] = f"chart{n}.svg" if f"chart{n}.svg" in drawings else None
    return data, drawings


def report_pdf(report: SiteReport) -> bytes:
    data, drawings = _laid_out(report, range(len(report.sheets)))
    return pdf("site_report.typ", data, report.last, drawings)


def report_picture(report: SiteReport, n: int | None = None) -> bytes:
    """The cover, or a sheet, as PNG as it will be printed: for looking at before it is issued."""
    pages = pictures("site_report.typ", *_laid_out(report, () if n is None else (n,)))
    return pages[0 if n is None else n + 1]


def report_html(report: SiteReport) -> str:
    """The page: the cover and one section a tank, printing as one sheet each."""
    drawn = [chart(report, n) for n in range(len(report.sheets))]
    sheets = [(sheet, Markup(for_screen(one)) if one else "") for sheet, one in zip(report.sheets, drawn, strict=True)]
    return filled("report.html", title=report.title, report=report, sheets=sheets)


# -- what a report of some days will hold, before it is issued --


def _span(first: dt.date, last: dt.date) -> str:
    return f"from {dates([first], year=first.year != last.year)} to {dates([last])}"


def _visits(found: Sequence[Facts], first: dt.date, last: dt.date) -> str:
    days = sorted({day for facts in found for day in facts.visits})
    if not days:
        return f"no visit {_span(first, last)}"
    if len(days) <= MANY_DATES:
        return f"{counted_word(len(days), 'visit')}, on {dates(days)}"
    return f"{counted_word(len(days), 'visit')}, {_span(days[0], days[-1])}"


def _gaps_of(facts: Facts, to: str = "") -> str:
    return listed(report_text.missed(facts, to)[:MANY_DATES])


def _gaps(found: Sequence[Facts]) -> str:
    missed = [facts for facts in found if facts.gaps or facts.long_gaps]
    if not missed:
        return "no gaps"
    if len({_gaps_of(facts) for facts in found}) == 1:  # the whole site was missed
        return _gaps_of(missed[0])
    parts = [_gaps_of(facts, f" to {facts.title}") for facts in missed]
    return listed(first_few(parts, 3, lambda more: f"gaps at {counted_word(more, 'other tank')}"))


def period_text(week: Week, site: str, first: dt.date, last: dt.date) -> str:
    """`A cover and five sheets, one a tank: four visits, on 4, 11, 18 and 25 May 2026; no gaps; nothing held.`"""
    row = site_of(week, site)
    found = [gather(week, tank, row, first, last, ()) for tank in open_tanks(week, site, first, last)]
    if not found:
        return f"There is nothing to report: no tank of {row['name']} ran between {dates([first])} and {dates([last])}."
    held = sum(facts.held for facts in found)
    kept = "nothing held" if not held else f"{counted_word(held, 'item')} held and left out"
    sheets = (
        "A cover and one sheet" if len(found) == 1 else f"A cover and {counted_word(len(found), 'sheet')}, one a tank"
    )
    return f"{sheets}: {_visits(found, first, last)}; {_gaps(found)}; {kept}."
