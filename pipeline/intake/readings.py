"""Readings of a batch: a slim frame a parameter, whose rows say by number where they belong and what they mean.

The words of a reading (its file, line and text) are looked up for the few that something is said of.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.intake.coded import TOLD, Cells, Coded, coded, crossed, unit_of
from pipeline.intake.columns import issue_rows
from pipeline.intake.grammar import BLANK
from pipeline.intake.ladders import KitRow, Taken, read_reading
from pipeline.intake.meanings import Meanings
from pipeline.intake.names import fold_name
from pipeline.intake.visits import Rows
from schemas import Tables
from schemas.words import TAKEN

PART = {
    "row": pl.UInt32,  # of the batch, in order of tank and time
    "tank": pl.UInt32,  # its place in the table of tanks
    "day": pl.Date,
    "after": pl.Boolean,  # taken after a change
    "low": pl.Float64,
    "high": pl.Float64,
    "matched": pl.Float64,
    "kit": pl.Int64,  # its number; NO_KIT where no kit of ours has the parameter
    "meaning": pl.UInt32,
    "warned": pl.Boolean,
    "expired": pl.Boolean,
}
NO_KIT = -1
UNTYPED = Taken(None, None, None, BLANK)
Parts = dict[str, pl.DataFrame]


def kits_of(standing: Tables, assumed: Assumptions) -> dict[tuple[str, str], KitRow]:
    """(kit id folded, parameter) -> its ladder, and the last day it was in date and not open too long."""
    months = int(assumed["kit_open_months"])
    rows = standing["kit"].select(
        "kit",
        "parameter",
        "ladder",
        "factor",
        "basis",
        pl.min_horizontal("expires", pl.col("opened").dt.offset_by(f"{months}mo")),
    )
    return {
        (fold_name(kit), parameter): KitRow(
            tuple(step / times for step in ladder or ()), times, basis or "", good_until
        )
        for kit, parameter, ladder, times, basis, good_until in rows.iter_rows()
    }


@dataclass(frozen=True)
class Column:
    """One column of readings: whose parameter it gives, and in which rows of the batch (None: all)."""

    parameter: str
    name: str
    places: np.ndarray | None = None


def read_readings(
    placed: pl.DataFrame,
    column: Column,
    kits: dict[tuple[str, str], KitRow],
    assumed: Assumptions,
    meanings: Meanings,
    kit_used: Coded,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The readings of one column, and the issues of its cells. `placed` is in the order of the batch; `kit_used` has the
    kit typed in each of its rows."""
    parameter = column.parameter
    typed = placed if column.places is None else placed[column.places]
    texts = crossed(
        [
            coded(typed[column.name].alias("text")),
            unit_of(typed, column.name),
            kit_used if column.places is None else kit_used.at(column.places),
        ]
    )
    values = texts.values
    used = [kits.get((fold_name(kit), parameter)) if kit else None for kit in values["kit"]]
    taken = [
        read_reading(parameter, text, of, kit, assumed) if text else UNTYPED
        for (text, of, _), kit in zip(values.iter_rows(), used, strict=True)
    ]
    read = values.with_columns(
        pl.Series("low", [t.low for t in taken], pl.Float64),
        pl.Series("high", [t.high for t in taken], pl.Float64),
        pl.Series("matched", [t.matched for t in taken], pl.Float64),
        *(pl.Series(name, [getattr(t.cell, name) or None for t in taken], pl.String) for name in TOLD),
        pl.Series(
            "meaning",
            [
                meanings.number(parameter, text, of, kit if row else None, one) if one.matched is not None else None
                for (text, of, kit), row, one in zip(values.iter_rows(), used, taken, strict=True)
            ],
            pl.UInt32,
        ),
        pl.Series(
            "number",
            [meanings.kit_number(kit) if row else NO_KIT for kit, row in zip(values["kit"], used, strict=True)],
            pl.Int64,
        ),
        pl.Series("good_until", [kit.good_until if kit else None for kit in used], pl.Date),
    )
    cells = Cells(texts.codes, read)
    keep = cells.where(pl.col("matched").is_not_null())
    if keep.size == 0:
        return pl.DataFrame(schema=PART), cells.issues(typed, column.name)
    kept = Cells(texts.codes[keep], read)
    rows = keep if column.places is None else column.places[keep]
    stands = placed if rows.size == placed.height else placed[rows]
    part = pl.DataFrame(
        [
            pl.Series("row", rows.astype(np.uint32)),
            stands["tank no"].alias("tank"),
            stands["day"],
            stands["after"],
            kept["low"],
            kept["high"],
            kept["matched"],
            kept["number"].alias("kit"),
            kept["meaning"],
            kept.select(pl.col("outcome") == "warned").alias("warned"),
            _expired(stands["day"], kept),
        ]
    )
    return part, cells.issues(typed, column.name)


def _expired(day: pl.Series, cells: Cells) -> pl.Series:
    """Which readings were taken after the last good day of their kit."""
    if cells.read["good_until"].null_count() == cells.read.height:
        return pl.Series("expired", [False]).new_from_index(0, day.len())
    return (day > cells["good_until"]).fill_null(False).alias("expired")


@dataclass(frozen=True)
class Batch:
    """Sheet rows in order of tank and time, where they belong, and what the meanings of their readings read."""

    visit: pl.DataFrame
    rows: Rows
    texts: pl.Series  # by meaning
    kits: dict[int, str]  # by number

    @cached_property
    def sessions(self) -> np.ndarray:
        """A number of each row's tank, time and way of taking."""
        taken = self.visit["taken"].cast(pl.Enum(sorted(set(TAKEN)))).to_physical().to_numpy()
        numbers: np.ndarray = self.rows.of_time * len(TAKEN) + taken
        return numbers

    def worded(self, found: pl.DataFrame, parameter: str) -> pl.DataFrame:
        """Readings of one parameter with file, line and text, the tank's id, and the column they were typed in."""
        rows = self.visit[found["row"]].select("file", "line", pl.col("tank").alias("tank id"), "at", "taken", "long")
        return pl.concat(
            [
                found,
                rows,
                self.texts.gather(found["meaning"]).alias("text").to_frame(),
            ],
            how="horizontal",
        ).with_columns(
            pl.when("long").then(pl.lit("value")).otherwise(pl.lit(parameter)).alias("cell"),
            pl.lit(parameter).alias("parameter"),
        )

    def say(
        self,
        parameter: str,
        found: pl.DataFrame,
        fault: str,
        says: pl.Expr,
        outcome: str = "warned",
        suggestion: pl.Expr | None = None,
    ) -> pl.DataFrame:
        """Issues of readings of one parameter, each with its `row` and `parameter` beside it."""
        if found.height == 0:
            return pl.DataFrame()
        found = found if "cell" in found.columns else self.worded(found, parameter)
        told = issue_rows(
            found,
            pl.lit(True),
            column=None,
            text=pl.col("text"),
            outcome=outcome,
            fault=fault,
            says=says,
            suggestion=suggestion,
        )
        return told.with_columns(found["cell"].alias("column"), found["parameter"], found["row"])
