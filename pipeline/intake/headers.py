"""Header names to columns: case, spaces and underscores apart, with a unit in brackets where one is given."""

import re
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import lru_cache

from schemas import FAMILIES, Family
from schemas.columns import describe
from schemas.parameters import RECORDS
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
