"""Dates as typed. The order of day and month is never sniffed from a value: the file settles it, or the declared
order does, or the row is held with both readings."""

import datetime as dt
import re
from collections.abc import Iterable

from pipeline.intake.grammar import BLANK, MONTHS, Cell, held

ISO = re.compile(r"^(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[ T]\d{1,2}:\d{2}.*)?$")
COMPACT = re.compile(r"^(20\d\d|19\d\d)(\d\d)(\d\d)$")
NUMERIC = re.compile(r"^(\d{1,2})[-/. ](\d{1,2})[-/. ](\d{4}|\d{2})$")
NAMED = re.compile(
    r"^(?:[a-z]{3,9},? )?(?P<d>\d{1,2})(?:st|nd|rd|th)?[-/. ]+(?P<m>[a-z]{3,9})\.?,?[-/. ]+(?P<y>\d{4}|\d{2})$"
)
NAMED_TURNED = re.compile(r"^(?P<m>[a-z]{3,9})\.? (?P<d>\d{1,2})(?:st|nd|rd|th)?,? (?P<y>\d{4}|\d{2})$")
SERIAL = re.compile(r"^[34]\d{4}$")
NAMED_DAY = re.compile(r"^(mon|tue|wed|thu|fri|sat|sun)[a-z]{0,6}\.?,? ?(?=\d)", re.IGNORECASE)
WEEKDAY = ["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"]


def _year(text: str) -> int:
    """Two-digit years are of this century: tanks are younger than that."""
    return int(text) + 2000 if len(text) == 2 else int(text)


def _made(year: int, month: int, day: int) -> dt.date | None:
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


def numeric(text: str) -> tuple[re.Match[str] | None, int | None]:
    """A date of numbers alone, and the day of the week that stands before it, Monday 0."""
    tidy = re.sub(r"\s+", " ", text.replace("\u00a0", " ")).strip()
    named = NAMED_DAY.match(tidy)
    bare = tidy[named.end() :] if named else tidy
    return NUMERIC.match(bare), [day[:3] for day in WEEKDAY].index(named[1].capitalize()[:3]) if named else None


def _both_ways(found: re.Match[str]) -> dict[str, dt.date]:
    """Order -> the day that a date of numbers is by it, where it is one."""
    first, second, year = int(found[1]), int(found[2]), _year(found[3])
    ways = {"day-first": _made(year, second, first), "month-first": _made(year, first, second)}
    return {order: day for order, day in ways.items() if day is not None}


def evidence(texts: Iterable[str]) -> str:
    """What order a file's dates show: day-first, month-first, both, or blank where no part is over 12 and no day of the
    week stands with one."""
    shown = set()
    for text in texts:
        found, weekday = numeric(text)
        if found and found[1] != found[2]:
            ways = {order: day for order, day in _both_ways(found).items() if weekday in (None, day.weekday())}
            shown |= set(ways) if len(ways) == 1 else set()
    return shown.pop() if len(shown) == 1 else "both" if shown else ""


def _converted(day: dt.date | None, text: str, how: str) -> Cell:
    if day is None:
        return held("impossible date", text)
    return Cell("converted", day=day, fault="date form", says=f"{how}: {day.isoformat()}")


def _numeric(text: str, found: re.Match[str], order: str, shown: str) -> Cell:
    ways = _both_ways(found)
    if len({*ways.values()}) < 2:
        return _converted(next(iter(ways.values()), None), text, "read as")
    if shown in ways:
        return _converted(ways[shown], text, f"read {shown}, as this file shows")
    if not shown and order in ways:
        return _converted(ways[order], text, f"read {order}, as round.toml says")
    why = "this file holds dates in both orders" if shown else "nothing says whether the day or the month comes first"
    one, other = (f"{day.day} {day:%B} (a {WEEKDAY[day.weekday()]})" for day in ways.values())
    return held("ambiguous date", text, one=one, other=other, why=why)


def read_date(text: str, order: str, shown: str) -> Cell:
    """A date. `order` is the round's declared order, `shown` what the file's own dates show (`evidence`)."""
    tidy = re.sub(r"\s+", " ", text.replace("\u00a0", " ")).strip()
    folded = tidy.casefold()
    if folded in ("", "-"):
        return BLANK
    if found := ISO.match(tidy):
        day = _made(int(found[1]), int(found[2]), int(found[3]))
        return Cell(day=day) if day and tidy == day.isoformat() else _converted(day, text, "read as")
    if found := COMPACT.match(tidy):
        return _converted(_made(int(found[1]), int(found[2]), int(found[3])), text, "read as")
    found, weekday = numeric(tidy)
    if found and weekday is not None:
        fits = {day for day in _both_ways(found).values() if day.weekday() == weekday}
        if len(fits) == 1:
            return _converted(fits.pop(), text, "read by its day of the week as")
        says = f"“{text[:60]}” is no {WEEKDAY[weekday]}, whichever of the two is the month; expected a date such as 2026-06-01."
        return held("not a date", says)
    if found:
        return _numeric(tidy, found, order, shown)
    if SERIAL.match(tidy):
        return _converted(dt.date(1899, 12, 30) + dt.timedelta(int(tidy)), text, "a spreadsheet's day number, read as")
    named = NAMED.match(folded) or NAMED_TURNED.match(folded)
    if named and named["m"][:3] in MONTHS:
        month = MONTHS.index(named["m"][:3]) + 1
        return _converted(_made(_year(named["y"]), month, int(named["d"])), text, "read as")
    return held("not a date", text)


def read_time(text: str) -> Cell:
    """A time of day in seconds: 9:20, 09.20, 0920, 9:20 pm; anything else is held, and the row counts from midnight."""
    folded = re.sub(r"\s+", "", text).casefold()
    if folded in ("", "-"):
        return BLANK
    found = re.match(r"^(\d{1,2})[:.h](\d{2})(?:[:.]\d{2}(?:\.\d+)?)?(am|pm)?$|^(\d{2})(\d{2})$", folded)
    if found:
        hour, minute = int(found[1] or found[4]), int(found[2] or found[5])
        if found[3]:
            hour = hour % 12 + (12 if found[3] == "pm" else 0)
        if hour < 24 and minute < 60:
            return Cell(low=3600.0 * hour + 60.0 * minute, kind="number")
    return held("not a time", text)
