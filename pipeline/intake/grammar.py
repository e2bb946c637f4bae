"""What a cell may say, and what is made of it. Each reader takes the text of one cell and returns a Cell; it runs once
for each distinct text, so it is plain Python. Each fault is a test, an outcome, a sentence, a suggestion."""

import datetime as dt
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Literal

from pipeline.sentences import table

Outcome = Literal["accepted", "converted", "warned", "held"]

BLANKS = frozenset({"", "-", "–", "—", "n/t", "nt", "not tested", "n/a", "na", "none taken"})
NO_RESULT = frozenset({"ok", "fine", "good", "?", "??", "yes", "no", "bad", "high", "low", "normal", "x"})
TRACES = frozenset({"trace", "nd", "n.d.", "not detected", "undetectable", "nil detected"})

NUMBER = r"(?:\d+(?:\.\d+)?|\.\d+)"
PLAIN = re.compile(rf"^[+]?{NUMBER}$")
COMMA = re.compile(r"^\d+,\d{1,2}$|^\d+,\d{4,}$|^0,\d+$")
THOUSAND = re.compile(r"^[1-9]\d{0,2},\d{3}$")
UNDER = re.compile(rf"^(?:<|≤|<=|under|below|less than)\s*(?P<n>{NUMBER})$")
OVER = re.compile(rf"^(?:>|≥|>=|over|above|more than)\s*(?P<n>{NUMBER})$|^(?P<m>{NUMBER})\s*\+$")
RANGE = re.compile(rf"^(?:between\s+)?(?P<a>{NUMBER})\s*(?:-|–|—|to|and|\.\.\.)\s*(?P<b>{NUMBER})$")
SLASHED = re.compile(r"^\d{1,3}/\d{1,3}(?:/\d{2,4})?$")
WITH_UNIT = re.compile(r"^(?P<body>.*?\d\.?|.*?\d\s*\+)\s*(?P<unit>[^\d\s.,<>+\-–][^<>]*)$")
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
EATEN = re.compile(rf"^(?P<d>\d{{1,2}})[-/ .](?P<m>{'|'.join(MONTHS)})[a-z]*\.?(?:[-/ .]\d{{2,4}})?$")
EATEN_TURNED = re.compile(rf"^(?P<m>{'|'.join(MONTHS)})[a-z]*[-/ .](?P<d>\d{{1,2}})(?:[-/ .]\d{{2,4}})?$")
EATEN_ISO = re.compile(r"^(?:19|20)\d\d-(?P<m>\d\d)-(?P<d>\d\d)(?: 00:00:00)?$")
EATEN_FULL = re.compile(r"^(?P<d>\d{1,2})[/.-](?P<m>\d{1,2})[/.-](?:19|20)\d\d$")
SERIAL = re.compile(r"^[34]\d{4}$")
SLIPS = str.maketrans({"O": "0", "o": "0", "l": "1", "I": "1", "|": "1"})
LARGEST = 1e9  # whole numbers must stay whole in every cast: no limit of the trade, those are in assumptions.toml
LETTERED = re.compile(r"^[\dOolI|.,]+")
PARTS = {"¼": ".25", "½": ".5", "¾": ".75"}  # of old keyboards and thermometers
PART = re.compile(r"(?P<whole>\d*) ?(?P<part>[¼½¾])")
ABOUT = re.compile(r"^(?:about|approx\.?|approximately|roughly|around|circa|ca\.?|c\.|~|≈)\s*")


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
    return re.sub(r"\s+", " ", text.replace("\u00a0", " ").replace("\u202f", " ")).strip()


def _eaten(text: str) -> Cell | None:
    """#6: a range that a spreadsheet turned into a date."""
    folded = text.casefold()
    for pattern in (EATEN, EATEN_TURNED, EATEN_ISO, EATEN_FULL):
        if found := pattern.match(folded):
            month = found["m"]
            second = int(month) if month.isdigit() else MONTHS.index(month) + 1
            first = int(found["d"])
            # Which of the two was the day hangs on the spreadsheet's own settings: the lower end comes first.
            low, high = sorted((first, second))
            return held("eaten by a spreadsheet", text, f"{low}-{high}", low=low, high=high)
    if SERIAL.match(text):
        day = dt.date(1899, 12, 30) + dt.timedelta(int(text))  # day 1 of a spreadsheet is 1 January 1900
        low, high = sorted((day.day, day.month))
        return held("eaten by a spreadsheet: its number", text, f"{low}-{high}", low=low, high=high)
    return None


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
    if folded in TRACES:
        return Cell("accepted", 0.0, None, "under", word="trace")
    if folded in NO_RESULT:
        return held("no result", text)
    if (eaten := _eaten(tidy)) is not None:
        return eaten
    if tidy[:1] in "=@" or (tidy[:1] in "+-" and not re.match(rf"^[+-]\s*{NUMBER}", tidy)):
        return held("formula", text)
    if any(mark in tidy for mark in PARTS):
        return _with_part(tidy, text)
    about = ABOUT.match(folded)
    guessed = about is not None
    body = folded[about.end() :] if about else folded
    cell = _read_body(body, text)
    if cell is None and (found := WITH_UNIT.match(body)):
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
    plain = PART.sub(lambda found: (found["whole"] or "0") + PARTS[found["part"]], tidy)
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
    if THOUSAND.match(body):
        return held("thousand or decimal", text, whole=body.replace(",", ""), point=body.replace(",", "."))
    converted = ""
    if COMMA.match(body):
        body, converted = body.replace(",", "."), "decimal comma read as a point"
    elif "," in body and re.search(r"\d,\d", body) and not re.search(r"\d,\d{3}(?!\d)", body):
        body, converted = re.sub(r"(\d),(\d)", r"\1.\2", body), "decimal comma read as a point"
    outcome: Outcome = "converted" if converted else "accepted"
    fault = "decimal comma" if converted else ""
    if PLAIN.match(body):
        value = float(body)
        return Cell(outcome, value, value, "number", fault=fault, says=converted, digits=len(body.partition(".")[2]))
    if re.match(rf"^-\s*{NUMBER}$", body):
        return held("negative", text, _tidy(text).lstrip("- "))
    if found := UNDER.match(body):
        return Cell(outcome, 0.0, float(found["n"]), "under", fault=fault, says=converted)
    if found := OVER.match(body):
        return Cell(outcome, float(found["n"] or found["m"]), None, "over", fault=fault, says=converted)
    if found := RANGE.match(body):
        low, high = float(found["a"]), float(found["b"])
        if low > high:
            return held("turned range", text, f"{found['b']}-{found['a']}")
        return Cell(outcome, low, high, "between", fault=fault, says=converted)
    if SLASHED.match(body):
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
