"""The files of a log folder: found by name, hashed, never followed out of the folder. And round.toml, what is true of the
whole round: anything not understood is told, and the default stands."""

import hashlib
import os
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from pipeline.assumptions import with_overrides
from pipeline.problems import Problem
from pipeline.sentences import table as sentences
from pipeline.week import Round
from schemas import FAMILIES
from schemas.words import DATE_ORDERS, GALLONS

# Never read: our own warehouse, frozen reports, and the filled examples of a new folder.
NOT_READ = {"example", "issued"}
OURS = {"round.toml", "COLUMNS.md"}  # files that belong there and hold no records
NAMED = 5  # files named in one sentence
BOOKS = (".xlsx", ".ods")
TABLES = (".csv", *BOOKS)
# A sheet of a workbook is named as a file is: `visits/book.xlsx, sheet Lounge`.
UNTITLED = re.compile(
    r"(sheet|table|tab|tabelle|feuil|hoja|foglio|blad|visits?|readings?|entered)?[\s\d_-]*", re.IGNORECASE
)
# A CSV that holds several kinds of record has a sheet for each.
BOOK = re.compile(
    r"(?P<book>.+\.(?:xlsx|ods)|.+\.csv(?=, sheet ))(?:, sheet (?P<sheet>.*))?", re.IGNORECASE | re.DOTALL
)


@dataclass(frozen=True)
class LogFile:
    """A CSV or workbook of the folder, or a sheet of one. `family` is blank where no family takes a file of this name."""

    path: str  # relative, with forward slashes
    family: str
    sha256: str
    size: int
    trouble: str = ""  # why it cannot be read, in words


def family_of(path: str) -> str:
    """The family that takes a file of this name, case apart; blank for none.

    The sheet of a workbook goes by its own name first, then by its file's; one that neither names holds visits.
    """
    found = BOOK.fullmatch(path)
    if found and found["sheet"] is not None:
        own = re.sub(r"[\s_]+", "", found["sheet"]).casefold()
        named = (f.name for f in FAMILIES if own == f.pattern.split("/")[0].removesuffix(".csv").replace("_", ""))
        return next(named, "") or family_of(found["book"]) or "visit"
    folded = path.casefold()
    if found:
        folded = f"{folded.rpartition('.')[0]}.csv"
    for family in FAMILIES:
        if fnmatchcase(folded, family.pattern) and folded.count("/") == family.pattern.count("/"):
            return family.name
    return ""


def own_name(path: str) -> str:
    """What a file or sheet is called, where that may be a tank; blank for a name that programs or months give."""
    found = BOOK.fullmatch(path)
    for name in (found["sheet"] or "", found["book"]) if found else (path,):
        stem = name.rpartition("/")[2]
        stem = re.sub(r"\.(csv|xlsx|ods)$", "", stem, flags=re.IGNORECASE).strip()
        if stem and not UNTITLED.fullmatch(stem):
            return stem
    return ""


def _file(folder: Path, path: Path, relative: str, limit_mb: float) -> LogFile:
    name = os.fsencode(relative).decode("utf-8", "replace")
    trouble, digest, size = "", "", 0
    if name != relative:  # it has bytes that are no UTF-8: neither a table nor a page could show it
        trouble = "its name is not readable text; rename the file"
    # realpath, as resolve() raises on a link that leads to itself
    elif not Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder)):
        trouble = "it is a link that leads out of the log folder; put the file itself here"
    elif not path.is_file():
        trouble = "it is not a file; expected a table of this name"
    elif (size := path.stat().st_size) > limit_mb * 1e6:
        trouble = f"it is larger than {limit_mb:g} MB; split it into several files"
    else:
        try:
            with path.open("rb") as handle:
                digest = hashlib.file_digest(handle, "sha256").hexdigest()
        except OSError as error:
            trouble = f"it could not be opened ({error.strerror}); change its permissions"
    return LogFile(name, family_of(name), digest, size, trouble)


def not_read(folder: Path) -> list[str]:
    """A sentence on the files where records belong that no load reads, such as a spreadsheet."""
    places = (folder, *(folder / family.pattern.split("/")[0] for family in FAMILIES if "/" in family.pattern))
    names = [
        path.relative_to(folder).as_posix()
        for place in places
        for path in (sorted(place.iterdir()) if place.is_dir() else ())
        if path.is_file() and not path.name.startswith((".", "~$")) and path.suffix.casefold() not in TABLES
    ]
    others = [os.fsencode(name).decode("utf-8", "replace") for name in names if name not in OURS]
    if not others:
        return []
    more = f" and {len(others) - NAMED} more" if len(others) > NAMED else ""
    return [sentences(__file__, "faults.toml")["not read"].format(files=", ".join(others[:NAMED]) + more)]


def find_files(folder: Path, limit_mb: float = 50, all_mb: float = 400) -> list[LogFile]:
    """Every CSV and workbook of the folder by name, in a fixed order; hidden files and folders are passed over."""
    found = []
    for here, folders, files in os.walk(folder):
        top = Path(here) == folder
        folders[:] = sorted(d for d in folders if not d.startswith(".") and not (top and d in NOT_READ))
        # A folder or a link to one that is named like a table is told, not silently walked.
        named = [d for d in folders if d.casefold().endswith(TABLES)]
        folders[:] = [d for d in folders if d not in named]
        for name in sorted([*files, *named]):
            if name.startswith((".", "~$")) or not name.casefold().endswith(TABLES):
                continue
            path = Path(here) / name
            found.append(_file(folder, path, path.relative_to(folder).as_posix(), limit_mb))
    if (together := sum(file.size for file in found if not file.trouble)) > all_mb * 1e6:
        raise Problem(
            sentences(__file__, "faults.toml")["folder too large"].format(
                folder=folder, together=together / 1e6, most=all_mb
            )
        )
    return sorted(found, key=lambda file: file.path)


# -- round.toml ------------------------------------------------------------------------------------------

MOST_BYTES = 1_000_000
KNOWN = {
    "round": {"name", "date_order", "visit_every_days"},
    "units": {"gallon"},
    "assumptions": None,  # by name, checked against assumptions.toml
    "prices": None,
    "van": {"payload_kg", "container_l"},
    "dosing": {"conditioner_ml_per_l"},
    "columns": None,  # own header -> our column
    "business": {"name", "phone", "currency", "insurance"},
    "dashboard": {"address"},
}


def _is_column(name: str) -> bool:
    from pipeline.intake.headers import columns, fold  # brings the models, which most folders' settings do without

    return fold(name) in columns()


def read_round(folder: Path) -> Round:
    """The settings of a log folder, and what in it could not be used; a missing file means all defaults."""
    path, data = folder / "round.toml", {}
    problems: list[str] = []

    def say(case: str, **shown: object) -> None:
        problems.append(sentences(__file__, "faults.toml")[case].format(**shown))

    try:
        if path.is_file() and path.stat().st_size > MOST_BYTES:
            raise OSError(f"it is larger than {MOST_BYTES // 1000} kB")
        data = tomllib.loads(path.read_bytes().decode("utf-8-sig")) if path.is_file() else {}
        str(data)  # a number of thousands of digits could be shown in no sentence
    except (OSError, ValueError, RecursionError) as error:
        data = {}
        say("round.toml: unreadable", error=error)
    tables: dict[str, dict[str, Any]] = {}
    for name, value in data.items():
        if name not in KNOWN:
            say("round.toml: table", name=name, expected=", ".join(KNOWN))
        elif not isinstance(value, dict):
            say("round.toml: no table", name=name, value=value)
        else:
            tables[name] = value
            allowed = KNOWN[name]
            for key in value:
                if allowed is not None and key not in allowed:
                    say("round.toml: name", where=name, name=key, expected=", ".join(sorted(allowed)))

    def is_good(where: str, name: str, value: Any, good: bool, expected: str, used: str = "Not used") -> bool:
        if not good:
            say("round.toml: value", where=where, name=name, value=value, expected=expected, used=used)
        return good

    def setting(where: str, name: str, default: Any, good: Callable[[Any], bool], expected: str) -> Any:
        value = tables.get(where, {}).get(name, default)
        used = f"{default} is used" if default else "Not used"
        return value if is_good(where, name, value, good(value), expected, used) else default

    def numbers(where: str, table: Mapping[str, Any], names: Iterable[str]) -> dict[str, float]:
        mine = {name: table[name] for name in table if name in names}
        fine = {n: type(v) in (int, float) and 0 <= v < 1e9 for n, v in mine.items()}
        return {n: float(v) for n, v in mine.items() if is_good(where, n, v, fine[n], "a number, 0 or more")}

    def texts(where: str) -> dict[str, str]:
        mine = {}
        for name, value in tables.get(where, {}).items():
            if is_good(where, name, value, isinstance(value, str), "text in quotes"):
                mine[name] = value
                if where == "columns" and value.strip() and not _is_column(value):
                    say("round.toml: no column", name=name, value=value)
        return mine

    order = setting("round", "date_order", "iso", DATE_ORDERS.__contains__, ", ".join(DATE_ORDERS))
    is_days = "a whole number of days, 1 to 366"
    every = setting("round", "visit_every_days", 7, lambda n: type(n) is int and 1 <= n <= 366, is_days)
    gallon = setting("units", "gallon", "", ("", *GALLONS).__contains__, " or ".join(GALLONS))
    overrides = dict(tables.get("assumptions", {}))
    problems += with_overrides(overrides)[1]
    # A price not understood is not known, never 0.
    prices = tables.get("prices", {})
    lists = {name: value for name, value in prices.items() if isinstance(value, Mapping)}
    plain = numbers("prices", prices, prices.keys() - lists)
    return Round(
        name=str(tables.get("round", {}).get("name", "")),
        date_order=order,
        visit_every_days=every,
        gallon=gallon,
        overrides=overrides,
        prices={**plain, **{name: numbers(f"prices.{name}", own, own) for name, own in lists.items()}},
        van=numbers("van", tables.get("van", {}), KNOWN["van"] or ()),
        dosing=numbers("dosing", tables.get("dosing", {}), KNOWN["dosing"] or ()),
        columns=texts("columns"),
        business=texts("business"),
        address=str(tables.get("dashboard", {}).get("address", "")),
        problems=(*problems, *not_read(folder)),
    )
