"""What every record must look like: models, titles, units, allowed words. No I/O but its own tables, no arithmetic.

The models bring pandera, which takes longer to import than a small folder to load: they stand in `schemas.tables`, and
whoever only reads a warehouse does without them.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

if TYPE_CHECKING:
    from schemas.models import pa

# A checked log folder or its calculation: table name -> frame with the columns of TABLES[name].
Tables = dict[str, pl.DataFrame]


@dataclass(frozen=True)
class Family:
    """A kind of CSV: `pattern` finds its files in a log folder, `model` describes its columns."""

    name: str
    pattern: str
    key: tuple[str, ...]  # what makes a row the same row
    csv_names: tuple[tuple[str, str], ...] = ()  # model column -> header, where they differ

    @property
    def model(self) -> type[pa.DataFrameModel]:
        from schemas.tables import SHEETS

        return SHEETS[self.name]


FAMILIES = tuple(
    Family(name, of["pattern"], tuple(of["key"]), tuple(of.get("csv_names", {}).items()))
    for name, of in tomllib.loads(Path(__file__).with_name("families.toml").read_text(encoding="utf-8")).items()
)


def columns_of(model: type[pa.DataFrameModel]) -> dict[str, Any]:
    """Column name -> polars type, in the model's order."""
    from schemas.columns import describe

    return {name: note.type for name, note in describe(model).items()}


def empty(table: str) -> pl.DataFrame:
    """The table with its columns and no rows."""
    from schemas.tables import TABLES

    return pl.DataFrame(schema=columns_of(TABLES[table]))


def conform(table: str, frame: pl.DataFrame) -> pl.DataFrame:
    """`frame` with the table's columns in order and of its types; an absent column becomes nulls."""
    from schemas.tables import TABLES

    types = columns_of(TABLES[table])
    if list(frame.schema.items()) == list(types.items()):
        return frame
    return frame.select(
        (pl.col(name) if name in frame.columns else pl.lit(None)).cast(kind).alias(name) for name, kind in types.items()
    )
