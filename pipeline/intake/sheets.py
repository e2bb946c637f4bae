"""The local stage: each file on its own, to text cells with file and line. No file knows of another here.

Clean files of one form are split together, as one long file is far cheaper than many short ones; nothing of what they say
depends on which stood beside them.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.intake import forms
from pipeline.intake.files import LogFile
from pipeline.intake.headers import FAMILY, OTHER_NAMES, Header, fold, long_names, names_of, read_header
from pipeline.intake.structure import Clean, NoTable, Table, look_clean, read_table, said_of_top, split_together
from schemas import FAMILIES
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


READERS = 2  # batches read at once
BATCH = 4_000_000  # bytes of files read together: enough to be cheap, few enough to keep all readers at it
FILE = {"file": pl.String, "family": pl.String, "sha256": pl.String, "rows_in": pl.Int64}
UNKNOWN = {"file": pl.String, "column": pl.String, "like": pl.String}


Issues = list[dict[str, object]]


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


@dataclass
class Read:
    """What one file came to: its frame (None where it has none, or it is in another's) and the frame's name."""

    name: str
    frame: pl.DataFrame | None
    info: dict[str, object]
    issues: Issues = field(default_factory=list)
    unknown: Issues = field(default_factory=list)


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


def _whole_file(file: LogFile, fault: str, says: str, rows: int) -> tuple[dict[str, object], Issues]:
    info = {**_info(file, rows), "family": file.family or "not known"}
    return info, [_issue(file, 0, "held", fault, f"The whole file is held: {says}.")]


def _frame(paths: Sequence[str], of_file: np.ndarray, table: Table, header: Header, family: str) -> pl.DataFrame:
    """The rows under the names of their model, with the units of their header."""
    columns = [pl.lit(pl.Series("file", paths, pl.String).gather(of_file)), pl.col("line")]
    for name in text_columns("visit_long" if header.long else family):
        if name in header.columns:
            cell = pl.col(header.columns[name])
            columns.append((cell if table.tidy else cell.str.strip_chars(" \t\u00a0")).alias(name))
        else:
            columns.append(pl.lit("").alias(name))
    columns += [pl.lit(unit).alias(unit_column(name)) for name, unit in header.units.items()]
    return table.cells.select(columns)


@lru_cache(maxsize=64)
def _knows(family: str) -> frozenset[str]:
    """The folded names that a header of the family may hold."""
    knows = frozenset(names_of(FAMILY[family]))
    return knows | frozenset(long_names()) | frozenset(OTHER_NAMES) if family == "visit" else knows


@lru_cache(maxsize=256)
def _header(family: str, names: tuple[str, ...]) -> Header:
    """As read_header, once for all files that share a header: looking for names that resemble takes its time."""
    return read_header(FAMILY[family], list(names))


def _info(file: LogFile, rows: int) -> dict[str, object]:
    return {"file": file.path, "family": file.family, "sha256": file.sha256, "rows_in": rows}


def _unknown(file: LogFile, header: Header) -> Issues:
    return [{"file": file.path, "column": name, "like": like or None} for name, like in header.unknown]


def _converted(file: LogFile, remarks: Sequence[str]) -> Issues:
    return [_issue(file, 0, "converted", "file form", f"{said[:1].upper()}{said[1:]}.") for said in remarks]


def _rows(
    files: Sequence[LogFile], of_file: np.ndarray, table: Table, header: Header
) -> tuple[str, pl.DataFrame, dict[str, Issues]]:
    """The frame of files of one form, its name, and what is told of the rows by file."""
    family = files[0].family
    frame = _frame([file.path for file in files], of_file, table, header, family)
    frame, told = forms.columns_twice(frame, table, header)
    sums, totals = forms.totals_lines(frame, table, header.wanted, of_file)
    if totals:
        frame = frame.filter(~sums)
    kitless = forms.no_kit(frame, header.long) if family == "visit" else []
    issues: dict[str, Issues] = {file.path: [] for file in files}
    for issue in [*told, *totals, *kitless]:
        issues[str(issue["file"])].append(issue)
    return "visit_long" if header.long else family, frame, issues


def read_file(folder: Path, file: LogFile, given: bytes | None = None) -> Read:
    """One file on its own. `given` stands for its bytes if not None."""
    if file.trouble or not file.family:
        says = file.trouble or (
            "no kind of record has a file of this name; expected one of "
            + ", ".join(family.pattern for family in FAMILIES)
        )
        return Read("", None, *_whole_file(file, "file", says, 0))
    try:
        raw = (folder / file.path).read_bytes() if given is None else given
        table = read_table(raw, _knows(file.family), fold)
    except OSError as error:
        says = f"it could not be opened ({error.strerror}); change its permissions"
        return Read("", None, *_whole_file(file, "file", says, 0))
    except NoTable as error:
        rows = sum(1 for line in raw.splitlines() if line.strip())
        says = f"{error}; expected the columns {', '.join(names_of(FAMILY[file.family]))}"
        return Read("", None, *_whole_file(file, error.fault, says, rows))
    rows_in = table.cells.height + len(table.bad)
    if not table.header:
        return Read("", None, _info(file, rows_in))
    header = _header(file.family, tuple(table.header))
    unknown = _unknown(file, header)
    if header.missing:
        says = (
            f"its header has no column {' and no column '.join(header.missing)};"
            f" it reads “{table.separator.join(table.header)[:120]}”. Name the column, or add it"
        )
        return Read("", None, *_whole_file(file, "missing column", says, rows_in), unknown)
    short = "The line has fewer fields than the header; the missing ones are taken as blank."
    issues = [
        _issue(file, bad.line, "held", bad.fault, bad.reason[:1].upper() + bad.reason[1:], bad.text)
        for bad in table.bad
    ]
    issues += [_issue(file, line, "warned", "short line", short, "") for line in table.short]
    issues += _converted(file, [*table.remarks, *forms.said_of_header(header)])
    name, frame, told = _rows([file], np.zeros(table.cells.height, dtype=np.int64), table, header)
    return Read(name, frame, _info(file, rows_in), [*issues, *told[file.path]], unknown)


def _look(folder: Path, file: LogFile, given: bytes | None) -> Clean | None:
    """The file if it is clean and its header has what it must; else None, and `read_file` says what it is."""
    if file.trouble or not file.family:
        return None
    try:
        raw = (folder / file.path).read_bytes() if given is None else given
    except OSError:
        return None
    clean = look_clean(raw, _knows(file.family), fold)
    return None if clean is None or _header(file.family, clean.names).missing else clean


def _read_together(files: Sequence[LogFile], looked: Sequence[Clean]) -> list[Read] | None:
    """Clean files of one form; their frame stands at the first of them. None where each must be read on its own."""
    split = split_together(looked)
    if split is None:
        return None
    table, of_file = split
    header = _header(files[0].family, looked[0].names)
    counts = np.bincount(of_file, minlength=len(files)).tolist()
    name, frame, told = _rows(files, of_file, table, header)
    said = forms.said_of_header(header)
    read = [
        Read(
            name,
            None,
            _info(file, rows),
            [*_converted(file, [*said_of_top(clean.first), *said]), *told[file.path]],
            _unknown(file, header),
        )
        for file, clean, rows in zip(files, looked, counts, strict=True)
    ]
    read[0].frame = frame
    return read


def _read_batch(folder: Path, files: Sequence[LogFile], given: Mapping[str, bytes]) -> list[Read]:
    """Files of one family: neighbours of one form together, any other on its own."""
    looked = [(file, _look(folder, file, given.get(file.path))) for file in files]
    read: list[Read] = []
    for form, neighbours in itertools.groupby(looked, lambda pair: pair[1] and pair[1].form):
        run = list(neighbours)
        alike = [clean for _, clean in run if clean]
        together = _read_together([file for file, _ in run], alike) if form else None
        read += together or [read_file(folder, file, given.get(file.path)) for file, _ in run]
    return read


def _batches(files: Sequence[LogFile]) -> Iterator[list[LogFile]]:
    """Neighbours of one family, up to BATCH bytes."""
    batch: list[LogFile] = []
    size = 0
    for file in files:
        if batch and (file.family != batch[0].family or size + file.size > BATCH):
            yield batch
            batch, size = [], 0
        batch.append(file)
        size += file.size
    if batch:
        yield batch


def read_sheets(folder: Path, files: Sequence[LogFile], given: Mapping[str, bytes] | None = None) -> Sheets:
    """All files, each on its own, joined by family. `given`: the bytes of files that are not in the folder, by path."""
    frames: dict[str, list[pl.DataFrame]] = {}
    infos, issues, unknown = [], [], []
    with ThreadPoolExecutor(READERS) as pool:  # polars and numpy let go of the interpreter while they work
        batches = list(pool.map(lambda batch: _read_batch(folder, batch, given or {}), _batches(files)))
    for read in itertools.chain.from_iterable(batches):
        infos.append(read.info)
        issues += read.issues
        unknown += read.unknown
        if read.frame is not None:
            frames.setdefault(read.name, []).append(read.frame)
    return Sheets(
        {name: pl.concat(parts, how="diagonal") for name, parts in frames.items()},
        pl.DataFrame(issues, schema=ISSUE),
        pl.DataFrame(infos, schema=FILE),
        pl.DataFrame(unknown, schema=UNKNOWN),
    )
