"""Header names to columns: case, spaces and underscores apart, with a unit in brackets where one is given. And what the
columns of somebody's own spreadsheet may be: a guess is an offer, [columns] of round.toml keeps what was chosen."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import lru_cache

from pipeline.intake.grammar import is_date
from pipeline.sentences import table
from schemas import FAMILIES, Family
from schemas.columns import describe
from schemas.parameters import BY_NAME, RECORDS
from schemas.visits import LongVisitSheet

BRACKETED = re.compile(r"^(?P<name>[^(\[]*?)\s*[(\[](?P<unit>[^)\]]*)[)\]]\s*$")
PLACED = re.compile(r" \(column \d+\)$")  # how structure.py tells a name that stands twice
FAMILY = {family.name: family for family in FAMILIES}

# A file of a family is no table of it without these.
KEYS: dict[str, tuple[str, ...]] = {"site": ("site", "name"), "tank": ("tank", "site"), "visit": ("date", "tank")}


# Other names a visit sheet's header may carry beyond doubt: folded header -> column, and the unit it states.
OTHER_NAMES: dict[str, tuple[str, str]] = {
    **{alias: (record.name, basis) for record in RECORDS for alias, basis in record.aliases.items()},
    "waterchange": ("water_changed", ""),
    "fish": ("fish_seen", ""),
    **dict.fromkeys(("notes", "comment", "comments", "remarks"), ("note", "")),
}


@lru_cache(maxsize=4096)  # of a thousand files, each asks it of the same names and of its first rows
def fold(name: str) -> str:
    """A header as compared: without case, spaces, underscores, and a bracketed unit."""
    found = BRACKETED.match(name.strip().strip("\ufeff"))
    plain = found["name"] if found else name
    return re.sub(r"[\s_\ufeff]+", "", plain).casefold()


def unit_of(name: str) -> str:
    """The unit in brackets of a header, or blank."""
    found = BRACKETED.match(name.strip())
    return found["unit"].strip() if found else ""


def names_of(family: Family) -> dict[str, str]:
    """Folded header -> column of the family's model."""
    headers = dict(family.csv_names)
    columns = [name for name in describe(family.model) if name not in ("file", "line", "state")]
    return {fold(headers.get(name, name)): name for name in columns}


@lru_cache(maxsize=1)
def columns() -> frozenset[str]:
    """Every column of every family, folded."""
    return frozenset(long_names()).union(*(names_of(family) for family in FAMILIES))


def long_names() -> dict[str, str]:
    """Folded header -> column of a long visit sheet."""
    return {fold(name): name for name in describe(LongVisitSheet) if name not in ("file", "line")}


def required(family: Family) -> tuple[str, ...]:
    """The columns without which a file of the family can't be read."""
    if family.name in KEYS:
        return KEYS[family.name]
    return tuple(
        n for n, note in describe(family.model).items() if note.required and n not in ("file", "line", "state")
    )


@dataclass
class Header:
    """A header understood: where each column stands, its unit, and the names nobody knows."""

    columns: dict[str, str] = field(default_factory=dict)  # column -> header name in the file
    units: dict[str, str] = field(default_factory=dict)  # column -> unit in brackets
    unknown: list[tuple[str, str]] = field(default_factory=list)  # header name, the known column it resembles
    missing: list[str] = field(default_factory=list)
    renamed: list[tuple[str, str]] = field(default_factory=list)  # header name, the column it is taken as
    twice: list[tuple[str, str]] = field(default_factory=list)  # column, the name of its second place in the file
    wanted: list[str] = field(default_factory=list)  # the columns a row can't do without
    long: bool = False


Own = tuple[tuple[str, str], ...]  # [columns] of round.toml: (own header, folded; the column meant, blank for none)


def read_header(family: Family, header: list[str], own: Own = ()) -> Header:
    """Match the header of a file to its family. A name that stands twice in one unit is compared cell by cell."""
    ours = names_of(family)  # a name of the family itself means that column
    meant = {key: column for key, column in own if key not in ours}
    folded = [fold(PLACED.sub("", name)) for name in header]
    folded = [fold(meant.get(key) or key) for key in folded]
    long = family.name == "visit" and "parameter" in folded and "value" in folded
    known = long_names() if long else ours
    result = Header(long=long)
    for name, key in zip(header, folded, strict=True):
        plain = PLACED.sub("", name)
        as_typed = fold(plain)
        if meant.get(as_typed) == "":  # a person has said that it is not for us
            continue
        unit = unit_of(plain) or unit_of(meant.get(as_typed, ""))
        column = known.get(key)
        if column is None and family.name == "visit" and key in OTHER_NAMES:
            other, stated = OTHER_NAMES[key]
            if other in known.values() and key not in known:
                column, unit = other, unit or stated
        if column is None:
            like = get_close_matches(key, known, 1, 0.75)
            result.unknown.append((name, known[like[0]] if like else ""))
        elif column not in result.columns:
            result.columns[column] = name
            if unit:
                result.units[column] = unit
            if known.get(as_typed) is None:
                result.renamed.append((name, column))
        elif unit == result.units.get(column, ""):
            result.twice.append((column, name))
        else:
            result.unknown.append((name, column))
    result.wanted = ["date", "tank", "parameter", "value"] if long else list(required(family))
    result.missing = [name for name in result.wanted if name not in result.columns]
    return result


# -- what a spreadsheet's columns may be ----------------------------------------------------------------

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
