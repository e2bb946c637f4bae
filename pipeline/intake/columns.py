"""Columns of text to columns of values, and what is said of their rows."""

import datetime as dt
import re
import string
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property
from typing import Any

import numpy as np
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
DAY_FIRST = re.compile(r"\s*\d{1,2}[-/. ]")
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
SORTED_FROM = 10_000_000  # pairs that could be: with more, those that are there are found by sorting
Reader = Callable[[str, str], Cell]  # text, unit of the header (of a date: its file) -> cell
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
    fixed = {name: limits[name] for name in names if name not in rows.columns} if limits else shown or {}
    own = [name for name in names if name not in fixed]
    if not own:
        return pl.Series("says", [_SENTENCE.vformat(template, (), fixed)], pl.String).new_from_index(0, rows.height)
    told = rows.select(own).rows()
    filled = {row: _SENTENCE.vformat(template, (), {**fixed, **dict(zip(own, row, strict=True))}) for row in set(told)}
    return pl.Series("says", [filled[row] for row in told], pl.String)


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


@dataclass
class Collected:
    """What is gathered on the way: issues, rows held whole, rows that repeat, where each row belongs, unknown names."""

    issues: list[pl.DataFrame]
    whole: list[pl.DataFrame]
    again: list[pl.DataFrame]
    places: list[pl.DataFrame]
    unknown: list[pl.DataFrame]


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


def word_of(cell: Cell) -> str:
    return "" if cell.held else cell.word


def low_of(cell: Cell) -> float | None:
    return None if cell.held else cell.low


def count_of(cell: Cell) -> int | None:
    return None if cell.held or cell.low is None else round(cell.low)


def day_of(cell: Cell) -> dt.date | None:
    return cell.day


@dataclass(frozen=True)
class Cells:
    """A column read: each distinct text once, of which `at` says the one that stands in each row of `frame`."""

    frame: pl.DataFrame
    name: str
    texts: Sequence[str]
    read: Sequence[Cell]
    at: np.ndarray

    def values(self, of: Callable[[Cell], object], kind: Any = pl.String) -> pl.Series:
        """What each row's cell has; a blank word is null."""
        return pl.Series(self.name, [value if (value := of(c)) != "" else None for c in self.read], kind)[self.at]

    def issues(self) -> pl.DataFrame:
        """The cells that were not simply accepted."""
        odd = [cell.outcome != "accepted" for cell in self.read]
        if not any(odd):
            return no_issues()
        rows = np.flatnonzero(np.array(odd)[self.at])
        which = self.at[rows]
        told: dict[str, Sequence[str | None]] = {"text": self.texts, "says": [c.says for c in self.read]}
        told |= {name: [getattr(c, name) or None for c in self.read] for name in ("outcome", "fault", "suggestion")}
        columns = {name: pl.Series(values, dtype=pl.String)[which] for name, values in told.items()}
        return self.frame[rows, KEY].with_columns(column=pl.lit(self.name), **columns).select(list(ISSUE))


def distinct(frame: pl.DataFrame, names: Iterable[str]) -> dict[str, tuple[list[str], np.ndarray]]:
    """The distinct texts of columns, and which of them stands in each row; null is blank."""
    told = {name: pl.col(name).fill_null("") for name in dict.fromkeys(names)}
    found = frame.select(cell.unique().sort().implode().alias(name) for name, cell in told.items())
    texts = {name: found[name][0].to_list() if frame.height else [] for name in told}
    places = frame.select(
        told[name].cast(pl.Enum(several)).to_physical().alias(name)
        for name, several in texts.items()
        if len(several) > 1
    )
    one = np.zeros(frame.height, np.int64)
    return {
        name: (several, places[name].to_numpy().astype(np.int64) if len(several) > 1 else one)
        for name, several in texts.items()
    }


def side_cells(told: Sequence[tuple[Sequence[Any], np.ndarray]]) -> tuple[list[tuple[Any, ...]], np.ndarray]:
    """The distinct cells of several columns taken together, and which of them stand in each row."""
    whole, size = told[0][1], len(told[0][0])
    for texts, at in told[1:]:
        whole, size = whole * len(texts) + at, size * len(texts)
    if size > SORTED_FROM:
        _, rows, which = np.unique(whole, return_index=True, return_inverse=True)
    else:
        first = np.full(size, -1)
        first[whole[::-1]] = np.arange(len(whole))[::-1]
        rows, which = first[first >= 0], (np.cumsum(first >= 0) - 1)[whole]
    return [tuple(texts[at[row]] for texts, at in told) for row in rows], which


def read_columns(frame: pl.DataFrame, readers: Mapping[str, Reader]) -> dict[str, Cells]:
    """The cells of columns, each read with the unit of its header, if it has one."""
    units = {name: unit for name in readers if (unit := unit_column(name)) in frame.columns}
    told = distinct(frame, [*readers, *units.values()])
    blank = [""], np.zeros(frame.height, np.int64)
    found = {}
    for name, reader in readers.items():
        pairs, at = side_cells([told[name], told[units[name]] if name in units else blank])
        found[name] = Cells(frame, name, [text for text, _ in pairs], [reader(*pair) for pair in pairs], at)
    return found


def read_dates(frame: pl.DataFrame, names: Sequence[str], context: Context) -> dict[str, Cells]:
    """Dates of columns, read file by file: what a file's own dates show settles the order of the rest."""
    told = distinct(frame, [*names, "file"])
    found = {}
    for name in names:
        texts, _ = told[name]
        # Nearly all dates begin with their year: those mean the same in every file.
        turned = any(DAY_FIRST.match(text) for text in texts)
        pairs, at = side_cells([told[name], told["file"] if turned else ([""], np.zeros(frame.height, np.int64))])
        by_file: dict[str, list[str]] = {}
        for text, file in pairs if turned else ():
            by_file.setdefault(file, []).append(text)
        shown = {file: evidence(filter(DAY_FIRST.match, several)) for file, several in by_file.items()}
        read = [read_date(text, context.round.date_order, shown.get(file, "")) for text, file in pairs]
        found[name] = Cells(frame, name, [text for text, _ in pairs], read, at)
    return found


def reader_of(note: Note, context: Context) -> Reader:
    """The reader of a plain column by its kind; dates, readings and changes have their own ways."""
    assumed, gallon = context.assumed, context.round.gallon
    readers: dict[str, Reader] = {
        "word": lambda text, _: read_word(text, note.words),
        "number": lambda text, of: amounts.read_number(text, note.unit, of, assumed, gallon),
        "share": amounts.read_share,
        "count": lambda text, _: amounts.read_count(text),
        "steps": lambda text, _: replace(amounts.read_steps(text)[1], word=text),
    }
    return readers[note.kind]
