"""How numbers, ranges, dates and ages are said, everywhere alike: pages, papers and the terminal."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable

NBSP = "\u00a0"


def number(value: float | None, digits: int = 3) -> str:
    """A number to `digits` significant assumptions without an exponent; `not known` for none."""
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
