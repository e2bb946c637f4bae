"""How numbers, ranges, dates and ages are said, everywhere alike: pages, papers and the terminal."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from itertools import groupby

NBSP = "\u00a0"


def number(value: float | None, digits: int = 3) -> str:
    """A number to `digits` significant figures without an exponent; `not known` for none."""
    if value is None or not math.isfinite(value):
        return "not known"
    if value == 0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{places}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("-0", "0") else text.replace("-", "−")


def fixed(value: float | None, places: int) -> str:
    """A number with a fixed count of decimals; `not known` for none."""
    if value is None or not math.isfinite(value):
        return "not known"
    text = f"{value:.{places}f}"
    return (text.lstrip("-") if float(text) == 0 else text).replace("-", "−")


def interval(low: float | None, high: float | None, digits: int = 2) -> str:
    """A range as 38–58; open above `over 83`, from nothing `under 3`, both ends alike one number."""
    if low is None and high is None:
        return "not known"
    if high is None or not math.isfinite(high):
        return f"over {number(low, digits)}"
    if low is None:
        return f"under {number(high, digits)}"
    a, b = number(low, digits), number(high, digits)
    return a if a == b else f"{a}–{b}"


def with_unit(text: str, unit: str) -> str:
    """A number and its unit, held together by a no-break space."""
    return f"{text}{NBSP}{unit}" if unit else text


def per_cent(value: float | None, places: int = 0) -> str:
    """A per cent, given in per cent."""
    return with_unit(fixed(value, places), "%") if value is not None else "not known"


def day(date: dt.date, *, year: bool = False, weekday: bool = True) -> str:
    """A date as `Tue 2 June` (with the year where asked)."""
    text = f"{date.day} {date:%B}"
    text = f"{date:%a} {text}" if weekday else text
    return f"{text} {date.year}" if year else text


def days(count: int) -> str:
    """A count of days: `1 day`, `6 days`."""
    return f"{count}{NBSP}day" if count == 1 else f"{count}{NBSP}days"


def ago(date: dt.date, as_of: dt.date) -> str:
    """An age in words: today, yesterday, 6 days ago, 14 weeks ago."""
    age = (as_of - date).days
    if age < 0:
        return f"in {days(-age)}"
    if age == 0:
        return "today"
    if age == 1:
        return "yesterday"
    return f"{days(age)} ago" if age < 28 else f"{age // 7}{NBSP}weeks ago"


def listed(words: Iterable[str], last: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`."""
    items = list(words)
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def counted(count: int, one: str, many: str | None = None) -> str:
    """A count with its noun: `1 tank`, `24 tanks`."""
    return f"{count}{NBSP}{one if count == 1 else many or one + 's'}"


# -- papers and advice --

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


STOCKED = {"light": "lightly stocked", "normal": "normally stocked", "heavy": "heavily stocked",
           "messy": "stocked with goldfish or other large messy fish"}  # fmt: skip


def _quantity(value: float | None, unit: str) -> str:
    """A quantity; what is not known has no unit."""
    return number(value) if value is None else with_unit(number(value), unit)


def litres(value: float | None) -> str:
    return _quantity(value, "L")


def kilograms(value: float | None) -> str:
    return _quantity(value, "kg")


def flow(value: float | None) -> str:
    return _quantity(value, "L/h")


def money(value: float | None, currency: str = "") -> str:
    """A price as in the price list: free, a sum, or not known."""
    if value is None:
        return "cost not known"
    return "free" if value == 0 else f"{currency}{value:.2f}".removesuffix(".00")
