"""Columns of somebody's own spreadsheet: guessed by name, checked against what stands in them, never two the same."""

from __future__ import annotations

import pytest

from pipeline.intake.grammar import evidence, is_date, read_date
from pipeline.intake.headers import guess

DATES = ["01/06/2026", "8 June 2026"]
NUMBERS = ["7.2", "<5", "5-10", "40 ppm", ""]


@pytest.mark.parametrize(
    ("header", "cells", "column"),
    [
        ("Visit date", DATES, "date"),
        ("Acidity", NUMBERS, "ph"),
        ("NO3 (ppm)", NUMBERS, "nitrate"),
        ("Nitrate reading", NUMBERS, "nitrate"),
        ("Phosphat", NUMBERS, "phosphate"),
        ("% changed", ["30", "none"], "water_changed (%)"),
        ("Litres changed", ["30"], "water_changed (L)"),
        ("Water change", ["30%", "-"], "water_changed"),
        ("Temp °F", ["77"], "temperature (F)"),
        ("Tank size (l)", ["120"], "gross_l"),
        ("Size (l)", ["120"], "gross_l"),
        ("Customer", ["Fern House"], "site"),
        ("Weather", ["wet"], ""),
        ("Logged", DATES, "date"),  # by what stands in it
        ("Visit date", ["wet", "dry"], ""),  # the name says so, the cells do not
        ("Nitrate", ["ok", "fine", "bad"], ""),
        ("Filter change", ["wool"], ""),
    ],
)
def test_a_column_is_guessed(header: str, cells: list[str], column: str) -> None:
    (one,) = guess({header: cells})
    assert one.column == column


def test_no_two_columns_are_guessed_the_same_and_the_surer_name_wins() -> None:
    found = guess({"Nitrate old": ["1"], "Nitrate": ["2"], "Day": DATES, "Typed on": DATES, "": ["x"]})
    assert [(one.header, one.column) for one in found] == [
        ("Nitrate old", ""), ("Nitrate", "nitrate"), ("Day", "date"), ("Typed on", ""), ("", ""),
    ]  # fmt: skip


@pytest.mark.parametrize("text", ["2026-06-01", "1.6.26", "1st June 2026", "June 1, 2026", "20260601"])
def test_dates_are_known_as_dates(text: str) -> None:
    assert is_date(text)
    assert not is_date(f"{text} about")
    assert is_date("2026-06-01T09:20")


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("Mon 04.05.26", "2026-05-04"),
        ("Monday, 5/4/2026", "2026-05-04"),
        ("mon. 11-05-2026", "2026-05-11"),
        ("Tue 04.05.26", ""),
    ],
)
def test_a_day_of_the_week_says_which_number_is_the_month(text: str, day: str) -> None:
    """Tue 04.05.26 is a Tuesday in neither order: it is held."""
    read = read_date(text, "iso", "")
    assert (read.day.isoformat() if read.day else "") == day
    assert day or read.says.startswith("“Tue 04.05.26” is no Tuesday, whichever")
    assert is_date(text)
    assert evidence([text]) == ({"Monday, 5/4/2026": "month-first"}.get(text, "day-first") if day else "")
