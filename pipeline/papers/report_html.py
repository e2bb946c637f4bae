"""The manager's page as one self-contained HTML file, from the same report as the PDF."""

from collections.abc import Sequence
from html import escape

from pipeline.papers.drawing import for_screen
from pipeline.papers.page import items, page, table
from pipeline.papers.site_cover import Cover
from pipeline.papers.site_report import Sheet, SiteReport, charts


def _pair(left: str, right: str) -> str:
    return f'<div class="pair"><div>{left}</div><div>{right}</div></div>'


def _part(title: str, lines: Sequence[str]) -> str:
    return f"<h2>{escape(title)}</h2>{items(lines)}" if lines else ""


def _suggested(sheet: Sheet) -> str:
    if not sheet.suggest:
        return ""
    box = '<span class="box"></span>'
    lines = []
    for item in sheet.suggest:
        choice = f' <span class="choice">{box}yes{box}not now</span>' if item["choice"] else ""
        lines.append(f'<li>{escape(item["text"])} <span class="cost">{escape(item["cost"])}</span>{choice}</li>')
    return f"<h2>What we suggest</h2><ol>{''.join(lines)}</ol>"


def _sheet(sheet: Sheet, issue: str, svg: str | None) -> str:
    figure = (
        f"<figure><figcaption>{escape(sheet.caption)}</figcaption>{for_screen(svg)}</figure>"
        if svg
        else f'<p class="small">{escape(sheet.caption)}</p>'
    )
    tests = table([c["name"] for c in sheet.tests], [[c["value"] for c in sheet.tests]], "") if sheet.tests else ""
    return "\n".join(
        [
            '<section class="sheet">',
            f'<div class="top"><h1>{escape(sheet.title)}</h1><span class="small">{escape(issue)}</span></div>',
            f'<span class="small">{escape(sheet.visits)}</span><hr>',
            f'<p class="state">{escape(sheet.state)}.</p>',
            *(f"<p>{escape(part)}</p>" for part in sheet.lead),
            f'<p class="small">{escape(sheet.gaps)}</p>',
            figure,
            _pair(_part("What was done", sheet.did), _part(sheet.why_title, sheet.why)),
            _suggested(sheet),
            _pair(_part("Please do", sheet.do), _part("Please don’t", sheet.dont)),
            _part("Notes from the visits", sheet.notes),
            f'<p class="hand"><strong>Ring us the same day if</strong> {escape(sheet.ring)}</p>',
            f'<p class="strong">Next visit: {escape(sheet.next_visit)}</p>',
            f'<p class="small">{escape(sheet.test_title)}</p>{tests}',
            "</section>",
        ]
    )


def _cover(cover: Cover, issue: str) -> str:
    signs = "".join(f"<span>{escape(label)}</span>" for label in ("Visited by", cover.received, "Date"))
    call = escape(cover.call) or '<span class="box" style="width:14em;border-width:0 0 1px"></span>'
    return "\n".join(
        [
            '<section class="sheet">',
            f'<div class="top"><h1>{escape(cover.title)}</h1><span class="small">{escape(issue)}</span></div>',
            f'<span class="small">{escape(cover.span)}</span><hr>',
            f'<p class="strong">{escape(cover.summary)}</p>',
            table(["Tank", "How it is", "Next visit"], cover.tanks),
            _pair(_part("Our visits", cover.visits), _part("What went wrong", cover.incidents)),
            _pair(_part("What we put in", cover.products), _part("Plugs and leads", cover.electrical)),
            f'<p class="hand"><strong>Whom to call:</strong> {call}</p>',
            f'<div class="sign">{signs}</div>',
            "</section>",
        ]
    )


def report_html(report: SiteReport, drawn: Sequence[str | None] | None = None) -> str:
    """The page: the cover and one section a tank, printing as one sheet each."""
    drawn = charts(report) if drawn is None else drawn
    sheets = [_sheet(sheet, report.issue, svg) for sheet, svg in zip(report.sheets, drawn, strict=True)]
    return page(
        report.title,
        "\n".join([_cover(report.cover, report.issue), *sheets, f"<footer><p>{escape(report.limits)}</p></footer>"]),
    )
