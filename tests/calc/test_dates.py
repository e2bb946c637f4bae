"""Jobs with a date, and how their days are told."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from pipeline.assumptions import built_in
from pipeline.calc.dates import due
from schemas import Tables, conform

AS_OF = dt.date(2026, 11, 20)


def tables(expires: dt.date) -> Tables:
    """One tank, read with one kit four days before."""
    frames = {
        "tank": pl.DataFrame({"tank": ["T1"], "site": ["S1"]}),
        "site": pl.DataFrame({"site": ["S1"]}),
        "kit": pl.DataFrame({"kit": ["K1"], "parameter": ["nitrate"], "expires": [expires]}),
        "reading": pl.DataFrame(
            {"tank": ["T1"], "day": [dt.date(2026, 11, 16)], "kit": ["K1"], "parameter": ["nitrate"]}
        ),
    }
    return {name: conform(name, frame) for name, frame in frames.items()}


@pytest.mark.parametrize(
    ("expires", "told"),
    [
        (dt.date(2026, 12, 1), "kit K1 expires: its date on Tue 1 December"),
        (dt.date(2027, 3, 2), "kit K1 expires: its date on Tue 2 March 2027"),
        (dt.date(2025, 12, 1), "kit K1 expired: its date on Mon 1 December 2025"),
    ],
)
def test_a_day_of_another_year_is_told_with_its_year(expires: dt.date, told: str) -> None:
    requests = pl.DataFrame({"tank": ["T1"], "as_of": [AS_OF]})
    (row,) = due(tables(expires), requests, built_in()).filter(what="kit").iter_rows(named=True)
    assert row["says"] == told
    assert row["on"] == expires


def test_every_kit_of_the_last_day_is_looked_at_and_none_of_a_day_before() -> None:
    day = AS_OF - dt.timedelta(4)
    kits = pl.DataFrame({"kit": ["K1", "K2", "K3"], "parameter": "nitrate", "expires": [day, AS_OF, day]})
    read = pl.DataFrame(
        {"kit": ["K3", "K1", "K2"], "day": [day - dt.timedelta(7), day, day], "tank": "T1", "parameter": "nitrate"}
    )
    told = {**tables(day), "kit": conform("kit", kits), "reading": conform("reading", read)}
    found = due(told, pl.DataFrame({"tank": ["T1"], "as_of": [AS_OF]}), built_in()).filter(what="kit")
    assert found.select("about", "late_days").rows() == [("K1", 4), ("K2", 0)]
