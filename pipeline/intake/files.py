"""The files of a log folder: found by name, hashed, never followed out of the folder."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

from schemas import FAMILIES

# Never read: our own warehouse, frozen reports, and the filled examples of a new folder.
NOT_READ = {"example", "issued"}


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


def find_files(folder: Path, limit_mb: float = 200) -> list[LogFile]:
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
    return sorted(found, key=lambda file: file.path)
