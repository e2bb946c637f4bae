"""What a cell may say, and what is made of it. Each reader takes the text of one cell and returns a Cell; it runs once
for each distinct text, so it is plain Python. Each fault is a test, an outcome, a sentence, a suggestion.

The order of day and month in a date is never sniffed from a value: the file settles it, or the declared order does, or
the row is held with both readings."""

import calendar
import datetime as dt
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Literal

from pipeline.sentences import table

Outcome = Literal["accepted", "converted", "warned", "held"]

NUMBER = r"(?:\d+(?:\.\d+)?|\.\d+)"
MONTHS = [name.lower() for name in calendar.month_abbr[1:]]
DAYS = [name.lower() for name in calendar.day_abbr]
WORDS: dict[str, list[str]] = table(__file__, "forms.toml")["words"]
BLANKS = frozenset(WORDS["blank"])
SLIPS = str.maketrans({"O": "0", "o": "0", "l": "1", "I": "1", "|": "1"})
LARGEST = 1e9  # whole numbers must stay whole in every cast: no limit of the trade, those are in assumptions.toml
LETTERED = re.compile(r"^[\dOolI|.,]+")
PARTS = {"¼": ".25", "½": ".5", "¾": ".75"}  # of old keyboards and thermometers
PLACES = {"{n}": NUMBER, "{month}": "|".join(MONTHS), "{weekday}": "|".join(DAYS)}
# Kind -> name -> pattern.
FORMS: dict[str, dict[str, re.Pattern[str]]] = {
    kind: {
        name: re.compile(re.sub(r"\{[a-z]+\}", lambda place: PLACES[place[0]], pattern))
        for name, pattern in own.items()
    }
    for kind, own in table(__file__, "forms.toml").items()
    if kind != "words"
}
NUMBERS = FORMS["number"]


@dataclass(frozen=True)
class Cell:
    """What a cell was taken for. `low`..`high` is what was typed; `high` None is open above; all None is blank. Of a
    reading they are in its canonical unit, as is `matched`, the value that was read; `day` is a date's."""

    outcome: Outcome = "accepted"
    low: float | None = None
    high: float | None = None
    kind: Literal["blank", "number", "under", "over", "between"] = "blank"
    unit: str = ""
    word: str = ""
    guessed: bool = False
    fault: str = ""
    says: str = ""
    suggestion: str = ""
    digits: int = 0  # decimals typed, for readings without a ladder
    matched: float | None = None
    day: dt.date | None = None

    @property
    def held(self) -> bool:
        return self.outcome == "held"


BLANK = Cell()


def faults() -> dict[str, str]:
    """What is said in each case of a fault."""
    return table(__file__, "faults.toml")


def held(case: str, text: str, suggestion: str = "", **shown: object) -> Cell:
    """A cell that is not used, in the sentence of its case; the fault stands before the colon."""
    return Cell(
        "held", fault=case.partition(":")[0], says=faults()[case].format(text=text, **shown), suggestion=suggestion
    )


def _tidy(text: str) -> str:
    return " ".join(text.split())


def _month(text: str) -> int | None:
    named = (number for number, start in enumerate(MONTHS, 1) if text.startswith(start))
    return int(text) if text.isdigit() else next(named, None)


def _of_serial(text: str) -> dt.date:
    return dt.date(1899, 12, 30) + dt.timedelta(int(text))  # day 1 of a spreadsheet is 1 January 1900


def _eaten(text: str) -> Cell | None:
    """#6: a range that a spreadsheet turned into a date."""
    case, ends = "eaten by a spreadsheet", []
    if found := next((found for form in FORMS["eaten"].values() if (found := form.match(text.casefold()))), None):
        ends = [int(found["d"]), _month(found["m"]) or 0]
    elif NUMBERS["serial"].match(text):
        day = _of_serial(text)
        case, ends = "eaten by a spreadsheet: its number", [day.day, day.month]
    if not ends:
        return None
    # Which of the two was the day hangs on the spreadsheet's own settings: the lower end comes first.
    low, high = sorted(ends)
    return held(case, text, f"{low}-{high}", low=low, high=high)


def _slip(text: str, reads: Callable[[str], bool]) -> str:
    """What a mistyped number may have been, or blank."""
    # A letter among digits stands for one; a unit behind the number keeps its letters.
    swapped = LETTERED.sub(lambda found: found[0].translate(SLIPS), text)
    tries = [
        swapped,
        re.sub(r"\.{2,}", ".", swapped),
        re.sub(r",{2,}", ".", swapped),
        swapped.rstrip(".,"),
        swapped.lstrip("'`"),
        swapped.replace(" ", ""),
    ]
    return next((t for t in tries if t != text and reads(t)), "")


def read_quantity(text: str) -> Cell:
    """A number, range, "<5", ">100" with or without a unit behind it; the unit is kept, not judged."""
    tidy = _tidy(text)
    folded = tidy.casefold()
    if folded in BLANKS:
        return BLANK
    if folded in WORDS["trace"]:
        return Cell("accepted", 0.0, None, "under", word="trace")
    if folded in WORDS["no result"]:
        return held("no result", text)
    if (eaten := _eaten(tidy)) is not None:
        return eaten
    if NUMBERS["formula"].match(tidy):
        return held("formula", text)
    if any(mark in tidy for mark in PARTS):
        return _with_part(tidy, text)
    about = NUMBERS["about"].match(folded)
    guessed = about is not None
    body = folded[about.end() :] if about else folded
    cell = _read_body(body, text)
    if cell is None and (found := NUMBERS["with a unit"].match(body)):
        unit = _tidy(tidy[len(tidy) - len(found["unit"]) :])
        cell = _read_body(found["body"].strip(), text)
        if cell is not None and not cell.held:
            cell = replace(cell, unit=unit)
    if cell is None:
        return _not_read(tidy, text)
    if max(cell.low or 0.0, cell.high or 0.0) > LARGEST:
        return held("too large", text)
    return replace(cell, guessed=True) if guessed and not cell.held else cell


def _with_part(tidy: str, text: str) -> Cell:
    """24½ and the like: the same with its decimal fraction."""
    plain = NUMBERS["part"].sub(lambda found: (found["whole"] or "0") + PARTS[found["part"]], tidy)
    cell = read_quantity(plain)
    return (
        _not_read(tidy, text)
        if cell.held
        else replace(cell, outcome="converted", fault="fraction", says=f"{text} read as {plain}")
    )


def slip_of(text: str) -> str:
    """What a number with a letter for a digit may have been, with its unit: 3O% was 30%, 1l may be 11; or blank."""
    tidy = _tidy(text)
    tried = LETTERED.sub(lambda found: found[0].translate(SLIPS), tidy)
    return tried if tried != tidy and not read_quantity(tried).held else ""


def _read_body(body: str, text: str) -> Cell | None:
    """The number or range of a cell without its unit; None where it is neither."""
    if NUMBERS["thousand"].match(body):
        return held("thousand or decimal", text, whole=body.replace(",", ""), point=body.replace(",", "."))
    cell = Cell()
    if any(NUMBERS[commas].match(body) for commas in ("comma", "several commas")):
        cell = Cell("converted", fault="decimal comma", says="decimal comma read as a point")
        body = re.sub(r"(\d),(\d)", r"\1.\2", body)
    if NUMBERS["plain"].match(body):
        value = float(body)
        return replace(cell, low=value, high=value, kind="number", digits=len(body.partition(".")[2]))
    if NUMBERS["negative"].match(body):
        return held("negative", text, _tidy(text).lstrip("- "))
    if found := NUMBERS["under"].match(body):
        return replace(cell, low=0.0, high=float(found["n"]), kind="under")
    if found := NUMBERS["over"].match(body):
        return replace(cell, low=float(found["n"] or found["m"]), kind="over")
    if found := NUMBERS["range"].match(body):
        low, high = float(found["a"]), float(found["b"])
        if low > high:
            return held("turned range", text, f"{found['b']}-{found['a']}")
        return replace(cell, low=low, high=high, kind="between")
    if NUMBERS["slashed"].match(body):
        a, b = body.split("/")[:2]
        return held("date or fraction", text, f"{a}-{b}", a=a, b=b)
    return None


def _not_read(tidy: str, text: str) -> Cell:
    suggestion = _slip(tidy, lambda t: (c := _read_body(t.casefold(), t)) is not None and not c.held)
    return held("not a number", text, suggestion)


def _fold_word(word: str) -> str:
    return re.sub(r"[\s_-]+", "", word).casefold()


def read_word(text: str, words: Sequence[str]) -> Cell:
    """One of the allowed words, case and spacing apart; any other stays as typed, for the model to judge."""
    tidy = _tidy(text)
    if tidy in ("", "-"):
        return BLANK
    by_fold = {_fold_word(word): word for word in words}
    folded = _fold_word(tidy)
    starts = [word for fold, word in by_fold.items() if len(folded) >= 3 and fold.startswith(folded)]
    word = by_fold.get(folded) or (starts[0] if len(starts) == 1 else "")
    if not word:
        return Cell(word=tidy)
    return Cell(word=word) if word == tidy else Cell("converted", word=word, fault="word", says=f"read as {word}")


def nearest_word(text: str, words: Sequence[str]) -> str:
    """The allowed word that a mistyped one resembles, or blank."""
    by_fold = {_fold_word(word): word for word in words}
    near = get_close_matches(_fold_word(text), by_fold, 1, 0.7)
    return by_fold[near[0]] if near else ""


# -- dates and times -----------------------------------------------------------------------------------


def _made(year: str, month: int, day: int) -> dt.date | None:
    """A day of the calendar; years of two digits are of this century: tanks are younger than that."""
    try:
        return dt.date(int(year) + 2000 if len(year) == 2 else int(year), month, day)
    except ValueError:
        return None


def numeric(text: str) -> tuple[re.Match[str] | None, int | None]:
    """A date of numbers alone, and the day of the week that stands before it, Monday 0."""
    tidy = _tidy(text)
    named = FORMS["day"]["weekday"].match(tidy.casefold())
    bare = tidy[named.end() :] if named else tidy
    return FORMS["day"]["numeric"].match(bare), DAYS.index(named[1]) if named else None


def is_date(text: str) -> bool:
    """Whether a cell is written as a date."""
    plain = text.strip().casefold()
    return numeric(plain)[0] is not None or any(form.match(plain) for form in FORMS["date"].values())


def _both_ways(found: re.Match[str]) -> dict[str, dt.date]:
    """Order -> the day that a date of numbers is by it, where it is one."""
    first, second = int(found[1]), int(found[2])
    ways = {"day-first": _made(found[3], second, first), "month-first": _made(found[3], first, second)}
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


def _as_day(day: dt.date | None, text: str, how: str = "read as") -> Cell:
    if day is None:
        return held("impossible date", text)
    return Cell("converted", day=day, fault="date form", says=f"{how}: {day.isoformat()}")


def _of_numbers(text: str, found: re.Match[str], weekday: int | None, order: str, shown: str) -> Cell:
    ways = _both_ways(found)
    if weekday is not None:
        fits = {day for day in ways.values() if day.weekday() == weekday}
        if len(fits) == 1:
            return _as_day(fits.pop(), text, "read by its day of the week as")
        return held("not a date: another weekday", text, weekday=calendar.day_name[weekday])
    if len({*ways.values()}) < 2:
        return _as_day(next(iter(ways.values()), None), text)
    if shown in ways:
        return _as_day(ways[shown], text, f"read {shown}, as this file shows")
    if not shown and order in ways:
        return _as_day(ways[order], text, f"read {order}, as round.toml says")
    why = "this file holds dates in both orders" if shown else "nothing says whether the day or the month comes first"
    one, other = (f"{day.day} {day:%B} (a {day:%A})" for day in ways.values())
    return held("ambiguous date", text, one=one, other=other, why=why)


def read_date(text: str, order: str, shown: str) -> Cell:
    """A date. `order` is the round's declared order, `shown` what the file's own dates show (`evidence`)."""
    tidy = _tidy(text)
    if tidy in ("", "-"):
        return BLANK
    found, weekday = numeric(tidy)
    if found:
        return _of_numbers(tidy, found, weekday, order, shown)
    if NUMBERS["serial"].match(tidy):
        return _as_day(_of_serial(tidy), text, "a spreadsheet's day number, read as")
    for form in FORMS["date"].values():
        if (found := form.match(tidy.casefold())) and (month := _month(found["m"])) is not None:
            day = _made(found["y"], month, int(found["d"]))
            return Cell(day=day) if day and tidy == day.isoformat() else _as_day(day, text)
    return held("not a date", text)


def read_time(text: str) -> Cell:
    """A time of day in seconds: 9:20, 09.20, 0920, 9:20 pm; anything else is held, and the row counts from midnight."""
    folded = re.sub(r"\s+", "", text).casefold()
    if folded in ("", "-"):
        return BLANK
    found = FORMS["day"]["time"].match(folded)
    if found:
        hour, minute = int(found[1] or found[4]), int(found[2] or found[5])
        if found[3]:
            hour = hour % 12 + (12 if found[3] == "pm" else 0)
        if hour < 24 and minute < 60:
            return Cell(low=3600.0 * hour + 60.0 * minute, kind="number")
    return held("not a time", text)
