"""The manager's page as one self-contained HTML file, from the same report as the PDF."""

from collections.abc import Sequence

from markupsafe import Markup

from pipeline.papers.drawing import for_screen
from pipeline.papers.page import filled
from pipeline.papers.site_report import SiteReport, charts


def report_html(report: SiteReport, drawn: Sequence[str | None] | None = None) -> str:
    """The page: the cover and one section a tank, printing as one sheet each."""
    drawings = [Markup(for_screen(svg)) if svg else "" for svg in (charts(report) if drawn is None else drawn)]
    return filled(
        "report.html", title=report.title, report=report, sheets=list(zip(report.sheets, drawings, strict=True))
    )
