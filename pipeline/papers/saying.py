"""Turns of phrase that only papers need: counts as words, dates as a manager says them, names of tanks."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from itertools import groupby

from pipeline.telling import listed

COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
MOST_NAME = 60  # characters of a name in a title
MANY_DATES = 6  # more visits than this are counted, not listed


def count_word(count: int) -> str:
    """A count in words up to ten."""
    return COUNTS[count] if 0 <= count < len(COUNTS) else str(count)


def counted_word(count: int, one: str, many: str | None = None) -> str:
    """`one visit`, `four visits`, `14 visits`."""
    return f"{count_word(count)} {one if count == 1 else many or one + 's'}"


def sentence(text: str) -> str:
    """The text with a capital first letter."""
    return text[:1].upper() + text[1:]


def full_day(date: dt.date) -> str:
    """`Wednesday 3 June 2026`."""
    return f"{date:%A} {date.day} {date:%B} {date.year}"


def day_month(date: dt.date) -> str:
    """`3 June`."""
    return f"{date.day} {date:%B}"


def dates(days: Sequence[dt.date], *, year: bool = True) -> str:
    """`6, 13 and 20 May 2026`; `27 May and 3 June 2026`; the year once where it is the same."""
    parts: list[str] = []
    one_year = len({day.year for day in days}) == 1
    for (a_year, _), group in groupby(days, key=lambda day: (day.year, day.month)):
        month = list(group)
        numbers = [str(day.day) for day in month]
        tail = f" {month[0]:%B}" + ("" if one_year else f" {a_year}")
        parts += [*numbers[:-1], numbers[-1] + tail]
    return listed(parts) + (f" {days[0].year}" if one_year and year and days else "")


def on_dates(days: Sequence[dt.date]) -> str:
    """`on 6 and 13 May`; many days are counted: `on 26 days from 3 December 2025 to 27 May 2026`."""
    if len(days) <= MANY_DATES:
        return f"on {dates(days, year=False)}"
    return f"on {len(days)} days from {dates([days[0]])} to {dates([days[-1]])}"


def short(name: str, most: int = MOST_NAME) -> str:
    """A name as a title holds it: on one line, cut with an ellipsis."""
    flat = " ".join(name.split())
    return flat if len(flat) <= most else flat[: most - 1].rstrip() + "…"


def tank_title(tank_id: str, name: str | None) -> str:
    """`Dining room tank`; a tank without a name goes by its id."""
    if not name:
        return f"Tank {short(tank_id)}"
    name = short(name)
    return name if any(word in name.lower() for word in ("tank", "aquarium", "pond")) else f"{name} tank"


def job_words(says: str, do: str) -> str:
    """A job that is due as sentences: what is due, then what to do."""
    first = sentence(says.strip())
    return f"{first}{'' if first.endswith(('.', '!', '?')) else '.'} {do}"
