"""Turns of phrase of papers."""

from __future__ import annotations

import datetime as dt

import pytest

from pipeline.wording import count_word, counted_word, dates, full_day, job_text, on_dates, tank_title


def day(month: int, number: int, year: int = 2026) -> dt.date:
    return dt.date(year, month, number)


@pytest.mark.parametrize(
    ("days", "said"),
    [
        ([day(5, 6), day(5, 13), day(5, 20), day(5, 27)], "6, 13, 20 and 27 May 2026"),
        ([day(5, 27), day(6, 3)], "27 May and 3 June 2026"),
        ([day(12, 31, 2025), day(1, 7)], "31 December 2025 and 7 January 2026"),
        ([day(5, 6)], "6 May 2026"),
    ],
)
def test_dates(days: list[dt.date], said: str) -> None:
    assert dates(days) == said


def test_many_dates_are_counted() -> None:
    assert on_dates([day(1, n) for n in range(1, 9)]) == "on 8 days from 1 January 2026 to 8 January 2026"
    assert on_dates([day(1, 1)]) == "on 1 January"


def test_counts_and_days() -> None:
    assert (count_word(0), count_word(4), count_word(11)) == ("no", "four", "11")
    assert (counted_word(1, "visit"), counted_word(2, "fish", "fish")) == ("one visit", "two fish")
    assert full_day(day(6, 3)) == "Wednesday 3 June 2026"


@pytest.mark.parametrize(
    ("name", "said"),
    [("Dining room", "Dining room tank"), ("Big tank", "Big tank"), (None, "Tank T1"), ("", "Tank T1")],
)
def test_a_tank_is_called_a_tank_once(name: str | None, said: str) -> None:
    assert tank_title("T1", name) == said


def test_a_job_is_said_in_sentences() -> None:
    assert job_text("filter check of B07", "Check the pads.") == "Filter check of B07. Check the pads."
    assert job_text("Carbon is late.", "Take it out.") == "Carbon is late. Take it out."
