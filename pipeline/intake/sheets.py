"""The local stage: each file on its own, to text cells with file and line. No file knows of another here."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Self

import polars as pl

from pipeline.intake.columns import ISSUE, NO_ISSUES, issue_rows, join_issues, unit_column, whole_rows
from pipeline.intake.files import BOOKS, LogFile, family_of, own_name
from pipeline.intake.grammar import faults
from pipeline.intake.headers import FAMILY, OTHER_NAMES, Header, Own, fold, long_names, names_of, read_header
from pipeline.intake.structure import NAMELESS, NoTable, Table, by_record, read_table, sheets_of
from pipeline.wording import counted, listed
from schemas import FAMILIES
from schemas.columns import describe
from schemas.parameters import RECORDS
from schemas.visits import LongVisitSheet

MOST_COLUMNS = 500  # where no assumption is given
FILE = {"file": pl.String, "family": pl.String, "sha256": pl.String, "rows_in": pl.Int64}
UNKNOWN = {"file": pl.String, "column": pl.String, "like": pl.String}
TOTALS = r"(?i)^(grand |sub-?)?(totals?|sums?|averages?|means?|counts?)\b"
WITH_KIT = [record.name for record in RECORDS if record.needs_kit]
Entry = dict[str, object]


@dataclass
class Sheets:
    """What was read: text frames by family (`visit_long` apart), issues so far, rows counted by file, unknown columns."""

    frames: dict[str, pl.DataFrame] = field(default_factory=dict)
    issues: pl.DataFrame = field(default_factory=lambda: NO_ISSUES)
    files: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=FILE))
    unknown: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=UNKNOWN))

    def with_issues(self, *more: pl.DataFrame) -> Self:
        """The same with more issues."""
        return replace(self, issues=join_issues([self.issues, *more]))


def joined(several: Sequence[Sheets]) -> Sheets:
    """All together, rows in the order given."""
    parts: dict[str, list[pl.DataFrame]] = {}
    for one in several:
        for name, frame in one.frames.items():
            parts.setdefault(name, []).append(frame)
    frames = {name: pl.concat(frames, how="diagonal") for name, frames in parts.items()}
    whole = (pl.concat(getattr(one, name) for one in (Sheets(), *several)) for name in ("issues", "files", "unknown"))
    return Sheets(frames, *whole)


@lru_cache(maxsize=64)
def text_columns(name: str) -> list[str]:
    """The columns of a family's text frame, besides file and line."""
    model = LongVisitSheet if name == "visit_long" else FAMILY[name].model
    return [n for n in describe(model) if n not in ("file", "line", "state")]


def _entry(file: str, line: int, outcome: str, fault: str, says: str, text: str, column: str | None = None) -> Entry:
    """An issue, of a whole row where no column is named; of the whole file where `line` is 0."""
    return dict(zip(ISSUE, (file, line, column, text, outcome, fault, says, None), strict=True))


def _sheets(
    file: LogFile, rows: int, issues: Sequence[Entry] = (), unknown: Sequence[Entry] = (), **frames: pl.DataFrame
) -> Sheets:
    """What one file came to."""
    info = {"file": file.path, "family": file.family or "not known", "sha256": file.sha256, "rows_in": rows}
    kinds = ((issues, ISSUE), ([info], FILE), (unknown, UNKNOWN))
    return Sheets(frames, *(pl.DataFrame(list(entries), schema=schema) for entries, schema in kinds))


def _whole_file(file: LogFile, why: NoTable, rows: int = 0, unknown: Sequence[Entry] = ()) -> Sheets:
    issue = _entry(file.path, 0, "held", why.fault, f"The whole file is held: {why}.", file.path)
    return _sheets(file, rows, [issue], unknown)


def _frame(path: str, table: Table, header: Header, name: str) -> pl.DataFrame:
    """The rows under the names of their model, with the units of their header."""
    cells = {c: pl.col(header.columns[c]) if c in header.columns else pl.lit("") for c in text_columns(name)}
    units = {unit_column(c): pl.lit(unit) for c, unit in header.units.items()}
    return table.cells.select(pl.lit(path).alias("file"), "line", **cells, **units)


@lru_cache(maxsize=64)
def _knows(family: str, own: Own) -> frozenset[str]:
    """The folded names that a header of the family may hold."""
    knows = frozenset(names_of(FAMILY[family])) | {key for key, meant in own if meant}
    return knows | frozenset(long_names()) | frozenset(OTHER_NAMES) if family == "visit" else knows


def read_file(folder: Path, file: LogFile, given: bytes | None, most_columns: int, own: Own) -> list[Sheets]:
    """One file on its own; of a workbook each sheet. `given` stands for its bytes if not None."""
    is_book = file.path.casefold().endswith(BOOKS)
    try:
        if file.trouble:
            raise NoTable("file: trouble", why=file.trouble)
        if not (file.family or is_book):
            raise NoTable("file: of no family", expected=", ".join(family.pattern for family in FAMILIES))
        raw = (folder / file.path).read_bytes() if given is None else given
        parts = sheets_of(raw) if is_book else by_record(raw)
        if not is_book and not parts:
            return [_read_table(file, raw, most_columns, own)]
        read = []
        for name, content in parts:
            path = f"{file.path}, sheet {name}"
            sheet = LogFile(path, family_of(path), file.sha256, len(content))
            read.append(_read_table(sheet, content, most_columns, own, is_sheet=True))
        return read or [_sheets(file, 0)]
    except OSError as error:
        return [_whole_file(file, NoTable("file: not opened", why=error.strerror))]
    except NoTable as error:
        return [_whole_file(file, error)]


def remarks_on_header(header: Header) -> list[str]:
    """What was understood of a header beyond its own names."""
    remarks = []
    if header.renamed:
        units = {column: f" in {unit}" for column, unit in header.units.items()}
        names = [
            f"“{name}” {'' if n else 'is taken '}as {column}{units.get(column, '')}"
            for n, (name, column) in enumerate(header.renamed)
        ]
        remarks.append(f"in the header, {listed(names)}")
    if header.twice:
        columns = listed(dict.fromkeys(column for column, _ in header.twice))
        remarks.append(f"{columns} is twice in the header; a row is used where both say the same, or one says nothing")
    return remarks


def columns_twice(frame: pl.DataFrame, table: Table, header: Header, issues: list[pl.DataFrame]) -> pl.DataFrame:
    """Two columns of one name: what both say is used, what only one says too; what they differ on is held."""
    one, other = pl.col("typed"), pl.col("other")
    differs = (one != "") & (other != "") & (one != other)
    value = pl.when(differs).then(pl.lit("")).when(one == "").then(other).otherwise(one)
    for column, name in header.twice:
        both = frame.with_columns(pl.col(column).alias("typed"), table.cells[name].alias("other"))
        issues.append(issue_rows(both, column, "two columns", differs, shown={"name": column}))
        frame = both.with_columns(value.alias(column)).drop("typed", "other")
    return frame


def totals_lines(frame: pl.DataFrame, table: Table, keys: list[str], issues: list[pl.DataFrame]) -> pl.DataFrame:
    """The rows without lines that sum up the others: their keys say so, or it is the last one and has numbers but no keys."""
    # A row with all its keys is none: nearly every row, so that the patterns see few.
    near = frame.filter(pl.any_horizontal(pl.col(keys) == ""))
    if len(keys) < 2 or near.height == 0:
        return frame
    rest = [name for name in frame.columns if name not in ("file", "line", *keys)]
    number = pl.any_horizontal(pl.lit(False), *(pl.col(name).str.contains(r"^[\d.,]+\s*\D{0,6}$") for name in rest))
    last = pl.all_horizontal(pl.col(keys) == "") & (pl.col("line") == frame["line"][-1]) & number
    sums = near.filter(pl.any_horizontal(pl.col(keys).str.contains(TOTALS)) | last).select("file", "line")
    names = [name for name in table.cells.columns if name != "line"]
    lines = sums.join(table.cells.select("line", *names), on="line", how="left", maintain_order="left")
    lines = lines.with_columns(pl.Series("whole line", whole_rows(lines, names, table.separator), pl.String))
    issues.append(issue_rows(lines, None, "totals line", text="whole line"))
    return frame.join(sums, on=["file", "line"], how="anti", maintain_order="left")


def no_kit(frame: pl.DataFrame, long: bool) -> list[str]:
    """Readings without a kit are taken as from a meter, in the usual units: said once a file."""
    measured = pl.col("value") != "" if long else pl.any_horizontal(pl.col(WITH_KIT) != "")
    of_a_kit = pl.col("parameter").str.to_lowercase().is_in(WITH_KIT) if long else pl.lit(True)
    many = frame.filter((pl.col("kit") == "") & measured & of_a_kit).height
    name = "names" if many == 1 else "name"
    return [faults()["no kit"].format(many=counted(many, "row"), name=name)] if many else []


def _shares(frame: pl.DataFrame, header: Header, remarks: list[str]) -> pl.DataFrame:
    """Water changes of a sheet in per cent: where 30% is typed, a spreadsheet keeps 0.3."""
    text = pl.col("water_changed") if "water_changed" in frame.columns else pl.lit("")
    share = text.str.contains(r"^(0?\.\d+|1)$") & pl.lit(header.units.get("water_changed", "%") == "%")
    if not frame.select(share.any()).item():
        return frame
    remarks.append("water changes from 0 to 1 are read as shares: a spreadsheet keeps 30% as 0.3")
    value = (text.cast(pl.Float64, strict=False) * 100).round(6).cast(pl.String).str.strip_suffix(".0") + "%"
    return frame.with_columns(pl.when(share).then(value).otherwise(text).alias("water_changed"))


def _read_table(file: LogFile, raw: bytes, most_columns: int, own: Own, is_sheet: bool = False) -> Sheets:
    """One table on its own."""
    try:
        table = read_table(raw, _knows(file.family, own), fold, most_columns, is_sheet)
    except NoTable as error:
        rows = sum(1 for line in raw.splitlines() if line.strip())
        expected = ", ".join(names_of(FAMILY[file.family]).values())
        return _whole_file(file, NoTable("file: columns", error.fault, error=error, expected=expected), rows)
    rows_in = table.cells.height + sum(outcome == "held" for _, outcome, *_ in table.odd)
    if not table.header:
        return _sheets(file, rows_in)
    header = read_header(FAMILY[file.family], table.header, own)
    unknown: list[Entry] = [
        {"file": file.path, "column": name, "like": like or None}
        for name, like in header.unknown
        if not (NAMELESS.fullmatch(name) and (table.cells[name] == "").all())
    ]
    remarks = [*table.remarks, *remarks_on_header(header)]
    tank = own_name(file.path) if file.family == "visit" and header.missing == ["tank"] else ""
    if header.missing and not tank:
        missing, shown = " and no column ".join(header.missing), table.separator.join(table.header)
        return _whole_file(file, NoTable("missing column", missing=missing, shown=shown), rows_in, unknown)
    name, issues = "visit_long" if header.long else file.family, list[pl.DataFrame]()
    frame = columns_twice(_frame(file.path, table, header, name), table, header, issues)
    frame = totals_lines(frame, table, header.wanted, issues)
    if tank:
        frame = frame.with_columns(pl.lit(tank).alias("tank"))
        remarks.append(f"it has no column tank: all its rows are taken as of {tank}")
    if is_sheet:
        frame = _shares(frame, header, remarks)
    entries = [_entry(file.path, *odd) for odd in table.odd]
    for remark in remarks:
        says = f"{remark[:1].upper()}{remark[1:]}."
        entries.append(_entry(file.path, 0, "converted", "file form", says, file.path))
    kitless = no_kit(frame, header.long) if file.family == "visit" else []
    entries += [_entry(file.path, 0, "converted", "no kit", says, "", "kit") for says in kitless]
    return _sheets(file, rows_in, entries, unknown, **{name: frame}).with_issues(*issues)


def read_sheets(
    folder: Path,
    files: Sequence[LogFile],
    given: Mapping[str, bytes] | None = None,
    most_columns: float = MOST_COLUMNS,
    own: Mapping[str, str] | None = None,
) -> Sheets:
    """All files, each on its own, joined by family. `given`: the bytes of files that are not in the folder, by path;
    `own`: [columns] of round.toml, own header -> column."""
    names, given = tuple((fold(name), column.strip()) for name, column in (own or {}).items()), given or {}
    return joined(
        [one for file in files for one in read_file(folder, file, given.get(file.path), int(most_columns), names)]
    )
