"""The files of a log folder: found by name, hashed, never followed out of the folder."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

from pipeline.problems import Problem
from schemas import FAMILIES

# Never read: our own warehouse, frozen reports, and the filled examples of a new folder.
NOT_READ = {"example", "issued"}
OURS = {"round.toml", "COLUMNS.md"}  # files that belong there and hold no records
NAMED = 5  # files named in one sentence


@dataclass(frozen=True)
class LogFile:
    """A CSV of the folder. `family` is blank where no family takes a file of this name."""

    path: str  # relative, with forward slashes
    family: str
    sha256: str
    size: int
    trouble: str = ""  # why it cannot be read, in words


def family_of(path: str) -> str:
    """The family that takes a file of this name, case apart; blank for none."""
    folded = path.casefold()
    for family in FAMILIES:
        if fnmatchcase(folded, family.pattern) and folded.count("/") == family.pattern.count("/"):
            return family.name
    return ""


def _hash(path: Path) -> str:
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def _file(folder: Path, path: Path, relative: str, limit_mb: float) -> LogFile:
    readable = os.fsencode(relative).decode("utf-8", "replace")
    if readable != relative:  # the name has bytes that are no UTF-8: neither a table nor a page could show it
        return LogFile(readable, family_of(readable), "", 0, "its name is not readable text; rename the file")
    family = family_of(relative)
    # realpath, as resolve() raises on a link that leads to itself
    inside = Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder))
    if not inside:
        return LogFile(
            relative, family, "", 0, "it is a link that leads out of the log folder; put the file itself here"
        )
    if not path.is_file():
        return LogFile(relative, family, "", 0, "it is not a file; expected a CSV file of this name")
    size = path.stat().st_size
    if size > limit_mb * 1e6:
        return LogFile(relative, family, "", size, f"it is larger than {limit_mb:g} MB; split it into several files")
    try:
        return LogFile(relative, family, _hash(path), size)
    except OSError as error:
        return LogFile(relative, family, "", size, f"it could not be opened ({error.strerror}); change its permissions")


def not_read(folder: Path) -> list[str]:
    """A sentence on the files where records belong that no load reads, such as a spreadsheet."""
    places = (folder, *(folder / family.pattern.split("/")[0] for family in FAMILIES if "/" in family.pattern))
    names = [
        path.relative_to(folder).as_posix()
        for place in places
        for path in (sorted(place.iterdir()) if place.is_dir() else ())
        if path.is_file() and not path.name.startswith(".") and path.suffix.casefold() != ".csv"
    ]
    others = [os.fsencode(name).decode("utf-8", "replace") for name in names if name not in OURS]
    if not others:
        return []
    more = f" and {len(others) - NAMED} more" if len(others) > NAMED else ""
    shown = ", ".join(others[:NAMED])
    return [f"Not read: {shown}{more}. Only .csv files are; save a spreadsheet's sheets as CSV to have them read."]


def find_files(folder: Path, limit_mb: float = 20, all_mb: float = 50) -> list[LogFile]:
    """Every CSV of the folder by name, in a fixed order; hidden files and folders are passed over."""
    found = []
    for here, folders, files in os.walk(folder):
        top = Path(here) == folder
        folders[:] = sorted(d for d in folders if not d.startswith(".") and not (top and d in NOT_READ))
        # A folder or a link to one that is named like a CSV is told, not silently walked.
        named = [d for d in folders if d.casefold().endswith(".csv")]
        folders[:] = [d for d in folders if d not in named]
        for name in sorted([*files, *named]):
            if name.startswith(".") or not name.casefold().endswith(".csv"):
                continue
            path = Path(here) / name
            found.append(_file(folder, path, path.relative_to(folder).as_posix(), limit_mb))
    if (together := sum(file.size for file in found if not file.trouble)) > all_mb * 1e6:
        raise Problem(
            f"The CSV files of {folder} are {together / 1e6:.0f} MB together; expected up to {all_mb:g} MB, so that they fit"
            " the memory. Move those of the oldest years to another folder. Nothing was changed."
        )
    return sorted(found, key=lambda file: file.path)
