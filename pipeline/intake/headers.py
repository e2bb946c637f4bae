"""Header names to columns: case, spaces and underscores apart, with a unit in brackets where one is given."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import lru_cache

from schemas import FAMILIES, Family
from schemas.columns import describe
from schemas.visits import LongVisitSheet

BRACKETED = re.compile(r"^(?P<name>[^(\[]*?)\s*[(\[](?P<unit>[^)\]]*)[)\]]\s*$")
FAMILY = {family.name: family for family in FAMILIES}

# A file of a family is no table of it without these.
KEYS: dict[str, tuple[str, ...]] = {
    "site": ("site", "name"),
    "tank": ("tank", "site"),
    "visit": ("date", "tank"),
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
    told = [name for name in describe(family.model) if name not in ("file", "line", "state")]
    return {fold(headers.get(name, name)): name for name in told}


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
    long: bool = False


def read_header(family: Family, header: list[str]) -> Header:
    """Match the header of a file to its family. A name that stands twice is known once; the second is told."""
    folded = [fold(re.sub(r" \(column \d+\)$", "", name)) for name in header]
    long = family.name == "visit" and "parameter" in folded and "value" in folded
    known = long_names() if long else names_of(family)
    result = Header(long=long)
    for name, key in zip(header, folded, strict=True):
        column = known.get(key)
        if column is None or column in result.columns:
            like = get_close_matches(key, known, 1, 0.75)
            result.unknown.append((name, column or (known[like[0]] if like else "")))
        else:
            result.columns[column] = name
            if unit := unit_of(name):
                result.units[column] = unit
    wanted = ("date", "tank", "parameter", "value") if long else required(family)
    result.missing = [name for name in wanted if name not in result.columns]
    return result
