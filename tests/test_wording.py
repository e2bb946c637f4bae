"""How numbers, ranges, dates and ages are said."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline import wording


@pytest.mark.parametrize(
    ("value", "said"),
    [(0, "0"), (0.0042, "0.0042"), (12.345, "12.3"), (1234.6, "1235"), (-3.0, "−3"), (None, "not known"), (7.0, "7")],
)
def test_number(value: float | None, said: str) -> None:
    assert wording.number(value) == said


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (38, 58, "38–58"),
        (83, None, "over 83"),
        (83, float("inf"), "over 83"),
        (None, 3, "under 3"),
        (None, None, "not known"),
        (7, 7, "7"),
        (0, 1.5, "0–1.5"),
    ],
)
def test_interval(low: float | None, high: float | None, said: str) -> None:
    assert wording.interval(low, high) == said


@given(st.floats(allow_nan=True, allow_infinity=True))
def test_no_number_is_ever_said_as_nan_or_infinity(value: float) -> None:
    for said in (wording.number(value), wording.fixed(value, 1), wording.per_cent(value)):
        assert "nan" not in said
        assert "inf" not in said


def test_dates_and_ages() -> None:
    june = dt.date(2026, 6, 2)
    assert wording.day(june) == "Tue 2 June"
    assert wording.day(june, year=True) == "Tue 2 June 2026"
    assert wording.ago(june, june) == "today"
    assert wording.ago(dt.date(2026, 5, 27), june).replace(wording.NBSP, " ") == "6 days ago"
    assert wording.ago(dt.date(2026, 2, 24), june).replace(wording.NBSP, " ") == "14 weeks ago"
    assert wording.ago(dt.date(2026, 6, 3), june).replace(wording.NBSP, " ") == "in 1 day"


def test_lists_and_counts() -> None:
    assert wording.listed([]) == ""
    assert wording.listed(["a", "b", "c"]) == "a, b and c"
    assert wording.counted(1, "tank").replace(wording.NBSP, " ") == "1 tank"
    assert wording.counted(24, "tank").replace(wording.NBSP, " ") == "24 tanks"


@pytest.mark.parametrize(("sign", "said"), [("", "12.50"), ("€", "€12.50"), ("EUR", "EUR\u00a012.50")])
def test_a_price_shows_the_currency_of_the_round(sign: str, said: str) -> None:
    wording.in_currency(sign)
    assert (wording.money(12.5), wording.money(0), wording.money(None)) == (said, "free", "cost not known")
    wording.in_currency("")
