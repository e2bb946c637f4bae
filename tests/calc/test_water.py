"""The latest water of a tank: which sample speaks, free ammonia of every sample, and the temperature it was made with."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl
import pytest

from pipeline.calc import water
from tests.rounds import FIGURES, Rounds

NINE = dt.time(9)


def round_of(*rows: tuple[int, str, float, str], set_c: float | None = None) -> Rounds:
    """Readings of T1: days ago, parameter, value, taken."""
    r = Rounds().tank("T1", net_l=200, temperature_c=set_c)
    for days, parameter, value, taken in rows:
        day = r.as_of - dt.timedelta(days)
        at = dt.datetime.combine(day, dt.time(11) if taken == "after" else NINE)
        r.reading("T1", day, parameter, value, taken=taken, at=at)
    return r


def read(r: Rounds, parameter: str) -> dict[str, Any] | None:
    rows = water.latest(r.tables(), r.requests(), FIGURES).filter(pl.col("parameter") == parameter)
    return rows.row(0, named=True) if rows.height else None


def matched(r: Rounds, parameter: str) -> float | None:
    row = read(r, parameter)
    return None if row is None else row["matched"]


@pytest.mark.parametrize(
    ("parameter", "before", "after", "speaks"),
    [
        ("nitrite", 0.1, 0.4, 0.4),  # fish live in every sample: the worst speaks
        ("nitrite", 0.4, 0.1, 0.4),
        ("ammonia", 0.0, 0.3, 0.3),
        ("ph", 7.4, 5.9, 5.9),  # dangerous
        ("ph", 5.9, 7.4, 5.9),
        ("ph", 7.4, 6.0, 7.4),  # not dangerous: the one before tells how the tank lived
        ("kh", 3.0, 9.0, 3.0),
        ("nitrate", 40.0, 20.0, 40.0),
    ],
)
def test_which_sample_of_a_day_speaks(parameter: str, before: float, after: float, speaks: float) -> None:
    assert matched(round_of((3, parameter, before, "before"), (3, parameter, after, "after")), parameter) == speaks


def test_a_sample_after_the_change_alone_counts_but_not_for_nitrate() -> None:
    assert matched(round_of((3, "nitrite", 0.6, "after")), "nitrite") == 0.6
    assert matched(round_of((3, "ph", 5.5, "after")), "ph") == 5.5
    assert matched(round_of((3, "nitrate", 20.0, "after")), "nitrate") is None
    assert matched(round_of((9, "nitrate", 40.0, "before"), (3, "nitrate", 20.0, "after")), "nitrate") == 40.0


@pytest.mark.parametrize(("days", "value"), [(0, 0.1), (28, 0.1), (29, None), (-1, None)])
def test_a_reading_speaks_for_28_days(days: int, value: float | None) -> None:
    assert matched(round_of((days, "nitrite", 0.1, "none")), "nitrite") == value


def test_the_later_day_speaks_and_its_age_is_told() -> None:
    row = read(round_of((10, "nitrite", 0.9, "before"), (3, "nitrite", 0.1, "before")), "nitrite")
    assert row is not None
    assert (row["matched"], row["age_days"], row["before_matched"]) == (0.1, 3, 0.9)


@pytest.mark.parametrize(("gap", "before"), [(4, None), (5, 7.4), (10, 7.4), (11, None)])
def test_a_week_or_so_before(gap: int, before: float | None) -> None:
    row = read(round_of((3 + gap, "ph", 7.4, "before"), (3, "ph", 6.6, "before")), "ph")
    assert row is not None
    assert row["before_matched"] == before


@pytest.mark.parametrize(("text", "value", "zero"), [("0", 0.0, True), ("<0.5", 0.0, False), ("trace", 0.0, False),
                                                      ("0.1", 0.1, False), ("0 mg/L", 0.0, True)])  # fmt: skip
def test_a_plain_nought_is_told_from_under_something(text: str, value: float, zero: bool) -> None:
    r = Rounds().tank("T1").reading("T1", 0, "ammonia", value, text=text)
    row = read(r, "ammonia")
    assert row is not None
    assert row["zero"] is zero


def test_free_ammonia_of_a_sample() -> None:
    """0.5 mg/L at pH 8.2 and 26 °C: a share of 8.8 %, counted as NH3 17.03 ÷ 18.04: 0.0415."""
    rows = [(3, "ammonia", 0.5, "before"), (3, "ph", 8.2, "before"), (3, "temperature", 26.0, "before")]
    row = read(round_of(*rows), "free_ammonia")
    assert row is not None
    assert row["matched"] == pytest.approx(0.0415, abs=0.0005)
    assert (row["celsius"], row["celsius_from"], row["of_ammonia"], row["of_ph"]) == (26.0, water.SAMPLE, 0.5, 8.2)


def test_free_ammonia_of_a_sample_after_the_change() -> None:
    """The tap raises the pH: what was harmless before is not after."""
    r = round_of((3, "ammonia", 0.5, "before"), (3, "ph", 6.8, "before"), (3, "ammonia", 0.4, "after"),
                 (3, "ph", 8.4, "after"))  # fmt: skip
    row = read(r, "free_ammonia")
    assert row is not None
    assert (row["taken"], row["of_ph"]) == ("after", 8.4)
    assert row["matched"] > 0.02


@pytest.mark.parametrize(
    ("extra", "set_c", "celsius", "source"),
    [
        ([(3, "temperature", 22.0, "before")], 25.0, 22.0, water.SAMPLE),
        ([(31, "temperature", 22.0, "before")], 24.0, 22.0, water.EARLIER),
        ([(32, "temperature", 22.0, "before")], 24.0, 24.0, water.SET),
        ([(2, "temperature", 22.0, "before")], 24.0, 24.0, water.SET),  # read later: not known then
        ([], 24.0, 24.0, water.SET),
        ([], None, 25.0, water.ASSUMED),
    ],
)
def test_the_temperature_it_is_made_with(
    extra: list[tuple[int, str, float, str]], set_c: float | None, celsius: float, source: str
) -> None:
    r = round_of((3, "ammonia", 0.5, "before"), (3, "ph", 8.2, "before"), *extra, set_c=set_c)
    row = read(r, "free_ammonia")
    assert row is not None
    assert (row["celsius"], row["celsius_from"]) == (celsius, source)


def test_the_ph_is_the_samples_own_else_the_highest_of_its_day_else_there_is_none() -> None:
    other = round_of((3, "ammonia", 0.5, "after"), (3, "ph", 7.0, "before"))
    row = read(other, "free_ammonia")
    assert row is not None
    assert row["of_ph"] == 7.0
    assert read(round_of((3, "ammonia", 0.5, "before"), (4, "ph", 7.0, "before")), "free_ammonia") is None


def test_open_ends() -> None:
    r = Rounds().tank("T1", temperature_c=25.0)
    r.reading("T1", 0, "ammonia", 2.0, low=2.0, high=None).reading("T1", 0, "ph", 8.0, low=7.8, high=8.2)
    row = read(r, "free_ammonia")
    assert row is not None
    assert row["high"] is None
    assert row["low"] < row["matched"]


def test_nothing_read_and_nothing_asked() -> None:
    r = Rounds().tank("T1")
    assert water.latest(r.tables(), r.requests(), FIGURES).height == 0
    full = round_of((3, "nitrite", 0.1, "before"))
    assert water.latest(full.tables(), full.requests().head(0), FIGURES).height == 0
