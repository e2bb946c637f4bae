"""What every record must look like: models, titles, units, allowed words. No I/O, no arithmetic.

The models bring pandera, which takes longer to import than a small folder to load: they stand in `schemas.tables`, and
whoever only reads a warehouse does without them.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, get_type_hints

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


# What a model's annotations stand for in polars.
POLARS: dict[Any, Any] = {
    str: pl.String,
    float: pl.Float64,
    int: pl.Int64,
    bool: pl.Boolean,
    dt.date: pl.Date,
    dt.datetime: pl.Datetime("us"),
    list[float]: pl.List(pl.Float64),
    list[str]: pl.List(pl.String),
}


@cache
def columns_of(model: type[pa.DataFrameModel]) -> dict[str, Any]:
    """Column name -> polars type, in the model's order.

    Read off the annotations: making pandera's schema of every table takes longer than loading a small folder.
    """
    fields = {name: field for base in reversed(model.__mro__) for name, field in vars(base).items()}
    return {
        getattr(fields.get(name), "alias", None) or name: POLARS[hint]
        for name, hint in get_type_hints(model).items()
        if hint in POLARS
    }


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
