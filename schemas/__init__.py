"""What every record must look like: models, titles, units, allowed words. No I/O, no arithmetic.

The models bring pandera, which takes longer to import than a small folder to load: they stand in `schemas.tables`, and
whoever only reads a warehouse does without them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import polars as pl

if TYPE_CHECKING:
    import pandera.polars as pa

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


# In reading order: what others refer to comes first.
FAMILIES: tuple[Family, ...] = (
    Family("site", "sites.csv", ("site",)),
    Family("tank", "tanks.csv", ("tank",)),
    Family("medium", "media.csv", ("medium",)),
    Family("filter_model", "filter_models.csv", ("model",)),
    Family("compartment", "compartments.csv", ("model", "position", "stage", "compartment")),
    Family("filter", "filters.csv", ("filter",)),
    Family("placement", "placements.csv", ("filter", "tank", "from")),
    Family("fill", "fills.csv", ("filter", "compartment", "layer", "from")),
    Family("kit", "kits.csv", ("kit", "parameter")),
    Family("tap", "tap.csv", ("water_supply", "date")),
    Family("feeding", "feeding.csv", ("tank", "from")),
    Family("visit", "visits/*.csv", ("tank", "date", "time", "taken")),
    Family("service", "services/*.csv", ("date", "tank", "filter", "job", "compartment")),
    Family("event", "events/*.csv", ("date", "tank", "event")),
    Family("promise", "promises.csv", ("made_on", "site", "tank", "promise")),
    Family("noted", "noted.csv", ("tank", "rule", "until")),
    Family(
        "correction",
        "corrections.csv",
        ("of_file", "of_line", "of_column", "was"),
        (("of_file", "file"), ("of_line", "line"), ("of_column", "column")),
    ),
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
