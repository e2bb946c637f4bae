"""The local stage: each file on its own, to text cells with file and line. No file knows of another here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from pipeline.intake import forms
from pipeline.intake.files import LogFile
from pipeline.intake.headers import FAMILY, OTHER_NAMES, Header, fold, long_names, names_of, read_header
from pipeline.intake.structure import NoTable, Table, read_table
from schemas import FAMILIES, Family
from schemas.columns import describe
from schemas.visits import LongVisitSheet

ISSUE = {
    "file": pl.String,
    "line": pl.Int64,
    "column": pl.String,
    "text": pl.String,
    "outcome": pl.String,
    "fault": pl.String,
    "says": pl.String,
    "suggestion": pl.String,
}


READERS = 2  # files read at once
FILE = {"file": pl.String, "family": pl.String, "sha256": pl.String, "rows_in": pl.Int64}
UNKNOWN = {"file": pl.String, "column": pl.String, "like": pl.String}


def no_issues() -> pl.DataFrame:
    return pl.DataFrame(schema=ISSUE)


@dataclass
class Sheets:
    """What was read: text frames by family (`visit_long` apart), issues so far, and rows counted by file."""

    frames: dict[str, pl.DataFrame] = field(default_factory=dict)
    issues: pl.DataFrame = field(default_factory=no_issues)
    files: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=FILE))
    unknown: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=UNKNOWN))

    def telling(self, *more: pl.DataFrame) -> Sheets:
        """The same with more issues."""
        issues = pl.concat([self.issues, *(part.select(list(ISSUE)) for part in more)])
        return Sheets(self.frames, issues, self.files, self.unknown)


def text_columns(name: str) -> list[str]:
    """The columns of a family's text frame, besides file and line."""
    model = LongVisitSheet if name == "visit_long" else FAMILY[name].model
    return [n for n in describe(model) if n not in ("file", "line", "state")]


def unit_column(name: str) -> str:
    """The column that holds the header's unit of `name`."""
    return f"unit of {name}"


def _issue(file: LogFile, line: int, outcome: str, fault: str, says: str, text: str | None = None) -> dict[str, object]:
    """An issue of a whole row; of the whole file where `line` is 0."""
    return {
        "file": file.path,
        "line": line,
        "column": None,
        "text": file.path if text is None else text,
        "outcome": outcome,
        "fault": fault,
        "says": says,
        "suggestion": None,
    }


def _whole_file(file: LogFile, fault: str, says: str, rows: int) -> tuple[dict[str, object], list[dict[str, object]]]:
    info: dict[str, object] = {
        "file": file.path,
        "family": file.family or "not known",
        "sha256": file.sha256,
        "rows_in": rows,
    }
    return info, [_issue(file, 0, "held", fault, f"The whole file is held: {says}.")]


def _frame(file: LogFile, table: Table, header: Header) -> pl.DataFrame:
    """The file's rows under the names of its model, with the units of its header."""
    wanted = text_columns("visit_long" if header.long else file.family)
    columns = [pl.lit(file.path).alias("file"), pl.col("line")]
    for name in wanted:
        if name in header.columns:
            cell = pl.col(header.columns[name])
            columns.append((cell if table.tidy else cell.str.strip_chars(" \t\u00a0")).alias(name))
        else:
            columns.append(pl.lit("").alias(name))
    columns += [pl.lit(unit).alias(unit_column(name)) for name, unit in header.units.items()]
    return table.cells.select(columns)


def read_file(
    folder: Path, file: LogFile, given: bytes | None = None
) -> tuple[str, pl.DataFrame | None, dict[str, object], list[dict[str, object]], list[dict[str, object]]]:
    """One file: its frame's name, frame, file info, issues, unknown columns. `given` stands for its bytes if not None."""
    if file.trouble or not file.family:
        says = file.trouble or (
            "no kind of record has a file of this name; expected one of "
            + ", ".join(family.pattern for family in FAMILIES)
        )
        return "", None, *_whole_file(file, "file", says, 0), []
    family: Family = FAMILY[file.family]
    knows = frozenset(names_of(family)) | (
        frozenset(long_names()) | frozenset(OTHER_NAMES) if file.family == "visit" else frozenset()
    )
    try:
        raw = (folder / file.path).read_bytes() if given is None else given
        table = read_table(raw, knows, fold)
    except OSError as error:
        return (
            "",
            None,
            *_whole_file(file, "file", f"it could not be opened ({error.strerror}); change its permissions", 0),
            [],
        )
    except NoTable as error:
        rows = sum(1 for line in raw.splitlines() if line.strip())
        return (
            "",
            None,
            *_whole_file(file, error.fault, f"{error}; expected the columns {', '.join(names_of(family))}", rows),
            [],
        )
    info: dict[str, object] = {
        "file": file.path,
        "family": file.family,
        "sha256": file.sha256,
        "rows_in": table.cells.height + len(table.bad),
    }
    if not table.header:
        return "", None, info, [], []
    header = read_header(family, table.header)
    unknown: list[dict[str, object]] = [
        {"file": file.path, "column": name, "like": like or None} for name, like in header.unknown
    ]
    if header.missing:
        says = (
            f"its header has no column {' and no column '.join(header.missing)};"
            f" it reads “{table.separator.join(table.header)[:120]}”. Name the column, or add it"
        )
        info, issues = _whole_file(file, "missing column", says, table.cells.height + len(table.bad))
        return "", None, info, issues, unknown
    short = "The line has fewer fields than the header; the missing ones are taken as blank."
    issues = [
        _issue(file, bad.line, "held", bad.fault, bad.reason[:1].upper() + bad.reason[1:], bad.text)
        for bad in table.bad
    ]
    issues += [_issue(file, line, "warned", "short line", short, "") for line in table.short]
    remarks = [*table.remarks, *forms.said_of_header(header)]
    issues += [_issue(file, 0, "converted", "file form", f"{said[:1].upper()}{said[1:]}.") for said in remarks]
    name = "visit_long" if header.long else file.family
    frame = _frame(file, table, header)
    frame, twice = forms.columns_twice(frame, table, header)
    frame, totals = forms.totals_lines(frame, table, header.wanted)
    kitless = forms.no_kit(frame, file.path, header.long) if file.family == "visit" else []
    return name, frame, info, [*issues, *twice, *totals, *kitless], unknown


def read_sheets(folder: Path, files: Sequence[LogFile], given: Mapping[str, bytes] | None = None) -> Sheets:
    """All files, each on its own, joined by family. `given`: the bytes of files that are not in the folder, by path."""
    frames: dict[str, list[pl.DataFrame]] = {}
    infos, issues, unknown = [], [], []
    with ThreadPoolExecutor(READERS) as pool:  # polars and numpy let go of the interpreter while they work
        read = list(pool.map(lambda file: read_file(folder, file, (given or {}).get(file.path)), files))
    for name, frame, info, told, strange in read:
        infos.append(info)
        issues += told
        unknown += strange
        if frame is not None:
            frames.setdefault(name, []).append(frame)
    return Sheets(
        {name: pl.concat(parts, how="diagonal") for name, parts in frames.items()},
        pl.DataFrame(issues, schema=ISSUE),
        pl.DataFrame(infos, schema=FILE),
        pl.DataFrame(unknown, schema=UNKNOWN),
    )
