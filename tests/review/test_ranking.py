"""Which alerts a person paused stay quiet."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from pipeline.review.ranking import quieten
from schemas import conform


@pytest.mark.parametrize(("month_before", "quiet"), [("plan", False), ("this week", True), (None, True)])
def test_a_paused_alert_that_crept_up_over_four_weeks_is_back(month_before: str | None, quiet: bool) -> None:
    days = [dt.date(2026, 5, 4), dt.date(2026, 5, 25), dt.date(2026, 6, 1)]
    classes = [month_before, "this week", "this week"]
    rows = [
        {"tank": "T", "as_of": day, "rule": "r", "class": class_, "harm": 50.0}
        for day, class_ in zip(days, classes, strict=True)
        if class_
    ]
    noted = pl.DataFrame({"tank": ["T"], "rule": ["r"], "until": [dt.date(2026, 7, 1)]})
    found = quieten(conform("finding", pl.DataFrame(rows)), noted, 0.2)
    assert found.filter(pl.col("as_of") == days[-1])["quiet"].to_list() == [quiet]
