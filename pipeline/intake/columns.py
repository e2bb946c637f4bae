"""Columns of text to columns of values, and what is said of their rows."""

import datetime as dt
import string
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.intake import amounts
from pipeline.intake.dates import evidence, read_date
from pipeline.intake.grammar import Cell, faults, read_word
from pipeline.units import caco3_per_dh
from pipeline.week import Round
from pipeline.wording import number
from schemas.columns import Note

KEY = ["file", "line"]
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
CELL = {
    "low": pl.Float64,
    "high": pl.Float64,
    "kind": pl.String,
    "unit": pl.String,
    "word": pl.String,
    "guessed": pl.Boolean,
    "outcome": pl.String,
    "fault": pl.String,
    "says": pl.String,
    "suggestion": pl.String,
}
Reader = Callable[[str, str], Cell]  # text, unit of the header -> cell
Column = str | pl.Expr | None


@dataclass(frozen=True)
class Context:
    """What the reading of cells may use: the round's settings, the assumptions in force, the day of loading."""

    round: Round
    assumed: Assumptions
    today: dt.date

    @cached_property
    def limits(self) -> Mapping[str, float]:
        """What the models of schemas/ are judged by."""
        return {**self.assumed, "caco3_per_degree": caco3_per_dh(self.assumed)}


class _Sentence(string.Formatter):
    """As str.format, with `{x:n}` for a number of three digits, `{x:.4n}` of four; a null is said to be not known."""

    def format_field(self, value: Any, format_spec: str) -> str:
        if value is None:
            return "not known"
        if format_spec.endswith("n"):
            return number(value, int(format_spec[1:-1] or 3))
        return str(super().format_field(value, format_spec))


_SENTENCE = _Sentence()


def sentences(
    rows: pl.DataFrame,
    template: str,
    limits: Mapping[str, float] | None = None,
    shown: Mapping[str, object] | None = None,
) -> pl.Series:
    """A sentence for each row: a template over what is shown, the row's columns, and limits where none has the name."""
    names = dict.fromkeys(name for _, name, _, _ in _SENTENCE.parse(template) if name)
    if not names:
        return pl.Series("says", [template], pl.String).new_from_index(0, rows.height)
    fixed = {name: limits[name] for name in names if name not in rows.columns} if limits else shown or {}
    own = rows.select("file", *(name for name in names if name not in fixed and name != "file"))
    filled = [_SENTENCE.vformat(template, (), {**fixed, **row}) for row in own.iter_rows(named=True)]
    return pl.Series("says", filled, pl.String)


def whole_rows(rows: pl.DataFrame, columns: Sequence[str], separator: str = ",") -> list[str]:
    """The cells of each row as one text, as it was typed."""
    return [
        separator.join("" if cell is None else str(cell) for cell in row) for row in rows.select(columns).iter_rows()
    ]


def side_by_side(rows: pl.DataFrame, key: Sequence[str], template: str, joint: str = " and ") -> pl.Series:
    """For each row, a piece of each row that shares its key, joined."""
    keys, by_key = rows.select(key).rows(), {}  # type: ignore[var-annotated]
    for one, piece in zip(keys, sentences(rows, template), strict=True):
        by_key.setdefault(one, []).append(piece)
    return pl.Series("places", [joint.join(by_key[one]) for one in keys], pl.String)


@cache
def no_issues() -> pl.DataFrame:
    return pl.DataFrame(schema=ISSUE)


def issue_rows(
    frame: pl.DataFrame,
    where: pl.Expr | None,
    column: Column,
    case: str,
    *,
    says: str | None = None,
    outcome: str = "held",
    text: str | None = None,
    suggestion: str | None = None,
    shown: Mapping[str, object] | None = None,
) -> pl.DataFrame:
    """Issues of the rows of `frame` where a test holds; null is no. What `says` or the case's sentence in faults.toml
    says is filled with what is shown and the rows' columns. `text` and `suggestion` name columns; the text is that of `column`
    where it names one."""
    rows = frame if where is None else frame.filter(where)
    if rows.height == 0:
        return no_issues()
    typed = text or (column if isinstance(column, str) and column in frame.columns else None)
    return rows.select(
        *KEY,
        (column if isinstance(column, pl.Expr) else pl.lit(column, pl.String)).alias("column"),
        (pl.lit("") if typed is None else pl.col(typed).cast(pl.String).fill_null("")).alias("text"),
        pl.lit(outcome).alias("outcome"),
        pl.lit(case.partition(":")[0]).alias("fault"),
        sentences(rows, says or faults()[case], shown=shown),
        (pl.lit(None, pl.String) if suggestion is None else pl.col(suggestion)).alias("suggestion"),
    )


def join_issues(parts: Iterable[pl.DataFrame]) -> pl.DataFrame:
    """Issues from several checks in one frame."""
    good = [part.select(list(ISSUE)) for part in parts if part.height]
    return pl.concat(good) if good else no_issues()


def unit_column(name: str) -> str:
    """The column that holds the header's unit of `name`."""
    return f"unit of {name}"


def typed_cells(frame: pl.DataFrame, name: str) -> pl.DataFrame:
    """file, line, `text` of a column, and `of`, the unit of its header (blank where it has none)."""
    unit = unit_column(name)
    of = pl.col(unit).fill_null("") if unit in frame.columns else pl.lit("")
    return frame.select(*KEY, pl.col(name).fill_null("").alias("text"), of.alias("of"))


def as_cells(cells: Sequence[Cell]) -> list[pl.Series]:
    """The fields of CELL as columns; a blank text is null."""
    return [
        pl.Series(name, [getattr(c, name) or None if kind == pl.String else getattr(c, name) for c in cells], kind)
        for name, kind in CELL.items()
    ]


def read_cells(frame: pl.DataFrame, name: str, reader: Reader) -> pl.DataFrame:
    """The cells of a column, row for row: file, line, text, of, and the fields of CELL. Each distinct text is read once."""
    typed = typed_cells(frame, name)
    texts = typed.select("text", "of").unique(maintain_order=True)
    read = texts.with_columns(as_cells([reader(text, of) for text, of in texts.iter_rows()]))
    return typed.join(read, on=["text", "of"], how="left", maintain_order="left")


def cell_issues(cells: pl.DataFrame, column: str) -> pl.DataFrame:
    """The cells that were not simply accepted, as issues of a column."""
    odd = cells.filter(pl.col("outcome") != "accepted")
    if odd.height == 0:
        return no_issues()
    return odd.select(pl.lit(column).alias(k) if k == "column" else pl.col(k) for k in ISSUE).with_columns(
        pl.col("says").fill_null("")
    )


def read_dates(frame: pl.DataFrame, name: str, context: Context) -> tuple[pl.Series, pl.DataFrame]:
    """Dates of a column, read file by file: what a file's own dates show settles the order of the rest."""
    order = context.round.date_order
    texts = frame.select("file", pl.col(name).fill_null("").alias("text")).unique(maintain_order=True)
    odd = texts.filter(pl.col("text").str.contains(r"^\s*\d{1,2}[-/. ]"))
    shown = {file: evidence(part["text"]) for (file,), part in odd.group_by("file", maintain_order=True)}
    read = [read_date(text, order, shown.get(file, "")) for file, text in texts.iter_rows()]
    cells = texts.with_columns(pl.Series("day", [one.day for one in read], pl.Date), *as_cells([r.cell for r in read]))
    typed = typed_cells(frame, name).join(cells, on=["file", "text"], how="left", maintain_order="left")
    return typed["day"], cell_issues(typed, name)


def reader_of(note: Note, context: Context) -> Reader:
    """The reader of a plain column by its kind; dates, readings and changes have their own ways."""
    assumed, gallon = context.assumed, context.round.gallon
    readers: dict[str, Reader] = {
        "word": lambda text, _: read_word(text, note.words),
        "number": lambda text, of: amounts.read_number(text, note.unit, of, assumed, gallon),
        "share": amounts.read_share,
        "count": lambda text, _: amounts.read_count(text),
        "steps": lambda text, _: amounts.read_steps(text)[1],
    }
    return readers.get(note.kind, lambda text, _: Cell(word=text))
