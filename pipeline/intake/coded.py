"""Columns of text as codes: each distinct text is read once, and its rows only say which one they hold.

A large folder has a million cells and a few hundred texts; nothing here compares the text of a row twice.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.intake.grammar import Cell
from pipeline.intake.sheets import ISSUE, no_issues, unit_column

CELL = {
    "low": pl.Float64,
    "high": pl.Float64,
    "kind": pl.String,
    "unit": pl.String,
    "word": pl.String,
    "guessed": pl.Boolean,
    "digits": pl.Int64,
    "outcome": pl.String,
    "fault": pl.String,
    "says": pl.String,
    "suggestion": pl.String,
}
TOLD = ("outcome", "fault", "says", "suggestion")
Reader = Callable[[str, str], Cell]  # text, unit of the header -> cell
TABLE_AT_MOST = 1 << 22  # combinations that are numbered by a table of all of them


@dataclass(frozen=True)
class Coded:
    """`values` has each distinct text, or combination of texts, once; `codes` says for each row which it holds."""

    codes: np.ndarray
    values: pl.DataFrame

    def at(self, places: np.ndarray) -> Coded:
        """The same of some rows."""
        return Coded(self.codes[places], self.values)


def spread(values: pl.Series, codes: np.ndarray) -> pl.Series:
    """The values that the codes stand for."""
    if values.len() == 1:
        return values.new_from_index(0, codes.size)
    return values.gather(pl.Series(codes))


def coded(text: pl.Series) -> Coded:
    """A column of text; null counts as blank. Values stand in the order in which they first appear."""
    filled = text.fill_null("") if text.null_count() else text
    # Most columns hold one text in every row, as a kit, or nothing: seeing so is quicker than gathering what they hold.
    if (filled == filled[:1].item()).all() if filled.len() else True:
        return Coded(np.zeros(filled.len(), dtype=np.uint32), filled[:1].to_frame())
    values = filled.unique(maintain_order=True)
    return Coded(filled.cast(pl.Enum(values)).to_physical().cast(pl.UInt32).to_numpy(), values.to_frame())


def crossed(columns: Sequence[Coded]) -> Coded:
    """Several columns as one: each combination that some row holds."""
    first, *rest = columns
    for other in rest:
        first = _two(first, other)
    return first


def _two(one: Coded, other: Coded) -> Coded:
    many, width = one.values.height, other.values.height
    if many <= 1 or width <= 1:  # the commonest case: no row tells them apart
        held = one if width <= 1 else other
        places = np.arange(held.values.height)
        left, right = (places, np.zeros_like(places)) if width <= 1 else (np.zeros_like(places), places)
        return Coded(held.codes, pl.concat([one.values[left], other.values[right]], how="horizontal"))
    keys = one.codes.astype(np.int64) * width + other.codes
    if many * width <= TABLE_AT_MOST:
        held_by = np.zeros(many * width, dtype=np.uint32)
        held_by[keys] = 1
        seen = np.flatnonzero(held_by)
        held_by[seen] = np.arange(seen.size, dtype=np.uint32)
        codes = held_by[keys]
    else:
        seen, codes = np.unique(keys, return_inverse=True)
    values = pl.concat([one.values[seen // width], other.values[seen % width]], how="horizontal")
    return Coded(codes.astype(np.uint32), values)


@dataclass(frozen=True)
class Cells:
    """Cells of a column as they were read: `read` has one row for each distinct `text`, `codes` one entry a row."""

    codes: np.ndarray
    read: pl.DataFrame

    def __getitem__(self, name: str) -> pl.Series:
        """One field of every row."""
        return spread(self.read[name], self.codes)

    def at(self, places: np.ndarray) -> Cells:
        """The same of some rows."""
        return Cells(self.codes[places], self.read)

    def select(self, value: pl.Expr) -> pl.Series:
        """An expression of the fields of a cell, for every row."""
        return spread(self.read.select(value).to_series(), self.codes)

    def where(self, test: pl.Expr) -> np.ndarray:
        """The places of the rows whose cell passes a test; null is no."""
        passing = self.read.select(test.fill_null(False)).to_series().to_numpy()
        if passing.all():
            return np.arange(self.codes.size)
        return np.flatnonzero(passing[self.codes]) if passing.any() else np.zeros(0, dtype=np.int64)

    def issues(self, frame: pl.DataFrame, name: str | None) -> pl.DataFrame:
        """The rows of `frame` whose cell was not simply accepted, as issues of column `name`."""
        places = self.where(pl.col("outcome") != "accepted")
        if places.size == 0:
            return no_issues()
        codes = pl.Series(self.codes[places])
        told = self.read.select("text", *TOLD)[codes].with_columns(
            pl.lit(name, pl.String).alias("column"), pl.col("says").fill_null("")
        )
        return pl.concat([frame.select("file", "line")[places], told], how="horizontal").select(list(ISSUE))


def unit_of(frame: pl.DataFrame, name: str) -> Coded:
    """The header's unit of a column for every row, as `of`; blank where it has none."""
    if unit_column(name) in frame.columns:
        return coded(frame[unit_column(name)].alias("of"))
    return Coded(np.zeros(frame.height, dtype=np.uint32), pl.DataFrame({"of": [""][: frame.height]}, {"of": pl.String}))


def texts_of(frame: pl.DataFrame, name: str) -> Coded:
    """A column with the unit of its header: `text` and `of`."""
    return crossed([coded(frame[name].alias("text")), unit_of(frame, name)])


def read_cells(frame: pl.DataFrame, name: str, reader: Reader) -> Cells:
    """The cells of a column, with `text` and the fields of CELL."""
    texts = texts_of(frame, name)
    cells = [reader(text, of) for text, of in texts.values.iter_rows()]
    read = texts.values.with_columns(
        pl.Series(
            key, [getattr(cell, key) or None if kind == pl.String else getattr(cell, key) for cell in cells], kind
        )
        for key, kind in CELL.items()
    )
    return Cells(texts.codes, read)
