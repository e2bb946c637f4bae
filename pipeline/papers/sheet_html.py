"""The visit sheets and the van list as pages to read on a phone, from the same data as their PDFs."""

import datetime as dt
from collections.abc import Sequence

from pipeline.papers.page import filled
from pipeline.papers.van_list import list_data
from pipeline.papers.visit_sheets import sheets_data
from pipeline.week import Week


def sheets_html(week: Week, sites: Sequence[str], day: dt.date | None = None) -> str:
    """The visit sheets of some sites as one page."""
    return filled("visit_sheets.html", **sheets_data(week, sites, day))


def load_html(week: Week, sites: Sequence[str], day: dt.date) -> str:
    """The van list of a day as one page."""
    data = list_data(week, sites, day)
    tables = {name: [list(row.values()) for row in data[name]] for name in ("pads", "tests")}
    return filled("van_list.html", **{**data, **tables, "nothing": data["none"]})
