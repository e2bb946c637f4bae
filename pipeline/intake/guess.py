"""What the columns of somebody's own spreadsheet may be, by their names and what stands in them. A guess is an offer:
[columns] of round.toml keeps what was chosen."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import lru_cache

from pipeline.intake.dates import COMPACT, ISO, NAMED, NAMED_TURNED, numeric
from pipeline.intake.headers import FAMILY, OTHER_NAMES, fold, names_of
from pipeline.sentences import table
from schemas.parameters import BY_NAME

# Column -> what others call it, in plain words.
VOCABULARY: dict[str, list[str]] = table(__file__, "vocabulary.toml")
OF_TANKS = tuple(n for n in names_of(FAMILY["tank"]).values() if n not in ("tank", "site", "name", "note", "closed"))
NUMBER = re.compile(r"^[<>~≈]?\s*\d+(?:[.,]\d+)?(?:\s*(?:-|–|to)\s*\d+(?:[.,]\d+)?)?\s*[^\d\s]{0,9}(?:\s\S{1,9})?$")
SAMPLE = 200  # cells of a column that are looked at
MOST = 0.6  # share of them that must fit
UNITS = ((re.compile(r"%|\bper ?cent\b"), "%"), (re.compile(r"\b(l|litres?|liters?)\b"), "L"))


@dataclass(frozen=True)
class Guess:
    """A column of a table and what it may be; `column` is blank for none, with a unit in brackets where the name has one."""

    header: str
    column: str
    why: str = ""


def _words(name: str) -> str:
    """A header in plain lower-case words, without what stands in brackets."""
    bare = re.sub(r"[(\[].*?[)\]]", " ", name)
    return " ".join(re.sub(r"[^\w+-]|_", " ", bare.casefold()).split())


@lru_cache(maxsize=1)
def vocabulary() -> dict[str, str]:
    """Every name that says which column is meant, in plain words -> column of a visits sheet or of tanks.csv."""
    ours = {_words(key): column for key, column in names_of(FAMILY["visit"]).items()}
    ours |= {_words(key): column for key, (column, _) in OTHER_NAMES.items()}
    ours |= {_words(column): column for column in (*OF_TANKS, *VOCABULARY)}
    return ours | {_words(name): column for column, names in VOCABULARY.items() for name in names}


@lru_cache(maxsize=1)
def known_names() -> frozenset[str]:
    """The same, as header names are compared."""
    return frozenset(fold(name) for name in vocabulary())


def is_date(text: str) -> bool:
    """Whether a cell is written as a date."""
    plain = text.strip().casefold()
    return numeric(plain)[0] is not None or any(form.match(plain) for form in (ISO, COMPACT, NAMED, NAMED_TURNED))


def _fits(column: str, cells: Sequence[str]) -> bool:
    """Whether most cells of a column read like what it is guessed to be; blanks say nothing."""
    filled = [cell for cell in cells[:SAMPLE] if cell.strip()]
    if column == "date" and not filled:
        return False
    if column in ("date", "set_up"):
        return sum(is_date(cell) for cell in filled) >= MOST * len(filled)
    if column in BY_NAME or column in ("gross_l", "net_l", "fish_seen", "water_changed"):
        filled = [cell for cell in filled if cell.strip().casefold() not in ("-", "no", "none", "not tested", "n/a")]
        return sum(bool(NUMBER.match(cell.strip())) for cell in filled) >= MOST * len(filled)
    if column in ("tank", "site"):
        return not filled or sum(is_date(cell) for cell in filled) < MOST * len(filled)
    return True


def _with_unit(column: str, name: str) -> str:
    """The column with the unit that its header states outside brackets."""
    plain = re.sub(r"[(\[].*?[)\]]", " ", name).casefold()
    if column == "water_changed":
        return next((f"{column} ({unit})" for form, unit in UNITS if form.search(plain)), column)
    return f"{column} (F)" if column == "temperature" and re.search(r"°f|\bf\b|fahrenheit", plain) else column


def _by_name(name: str) -> list[tuple[float, str]]:
    """Columns that a header may mean, surest first: (how sure, column)."""
    plain, known = _words(name), vocabulary()
    if plain in known:
        return [(1.0, known[plain])]
    if fold(name) in known_names():
        return [(0.9, next(column for word, column in known.items() if fold(word) == fold(name)))]
    parts = f" {plain} "
    within = [
        (0.5 + len(word) / 100, column)
        for word, column in known.items()
        if len(word) > 1 and f" {word} " in parts and column in (*BY_NAME, "date", "gross_l")
    ]
    near = [(0.4, known[word]) for word in get_close_matches(plain, known, 1, 0.82)] if len(plain) > 3 else []
    return sorted({*within, *near}, reverse=True)


def guess(cells: Mapping[str, Sequence[str]]) -> list[Guess]:
    """A guess for each column of a table (header -> its cells as text). No two are guessed to be the same."""
    offers = sorted(
        ((sure, place, name, column) for place, name in enumerate(cells) for sure, column in _by_name(name)),
        key=lambda offer: (-offer[0], offer[1]),
    )
    found: dict[str, Guess] = {}
    taken: set[str] = set()
    for _, _, name, column in offers:
        if name not in found and column not in taken and _fits(column, cells[name]):
            found[name] = Guess(name, _with_unit(column, name), "by its name")
            taken.add(column)
    if "date" not in taken:
        dates = [name for name in cells if name not in found and _fits("date", cells[name])]
        found |= {name: Guess(name, "date", "by what stands in it") for name in dates[:1]}
    return [found.get(name, Guess(name, "")) for name in cells]
