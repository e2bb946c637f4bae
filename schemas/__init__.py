"""What every record must look like: models, titles, units, allowed words. No I/O, no arithmetic."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cache
from typing import Any, get_type_hints

import pandera.polars as pa
import polars as pl

from schemas import account, care, derived, filterbook, places, visits

# A checked log folder or its calculation: table name -> frame with the columns of TABLES[name].
Tables = dict[str, pl.DataFrame]


@dataclass(frozen=True)
class Family:
    """A kind of CSV: `pattern` finds its files in a log folder, `model` describes its columns."""

    name: str
    pattern: str
    model: type[pa.DataFrameModel]
    key: tuple[str, ...]  # what makes a row the same row
    csv_names: tuple[tuple[str, str], ...] = ()  # model column -> header, where they differ


# In reading order: what others refer to comes first.
FAMILIES: tuple[Family, ...] = (
    Family("site", "sites.csv", places.Site, ("site",)),
    Family("tank", "tanks.csv", places.Tank, ("tank",)),
    Family("medium", "media.csv", filterbook.Medium, ("medium",)),
    Family("filter_model", "filter_models.csv", filterbook.FilterModel, ("model",)),
    Family(
        "compartment",
        "compartments.csv",
        filterbook.Compartment,
        ("model", "position", "stage", "compartment"),
    ),
    Family("filter", "filters.csv", filterbook.Filter, ("filter",)),
    Family("placement", "placements.csv", filterbook.Placement, ("filter", "tank", "from")),
    Family("fill", "fills.csv", filterbook.Fill, ("filter", "compartment", "layer", "from")),
    Family("kit", "kits.csv", care.KitSheet, ("kit", "parameter")),
    Family("tap", "tap.csv", places.TapSheet, ("water_supply", "date")),
    Family("feeding", "feeding.csv", care.Feeding, ("tank", "from")),
    Family("visit", "visits/*.csv", visits.VisitSheet, ("tank", "date", "time", "taken")),
    Family("service", "services/*.csv", care.Service, ("date", "tank", "filter", "job", "compartment")),
    Family("event", "events/*.csv", care.Event, ("date", "tank", "event")),
    Family("promise", "promises.csv", care.Promise, ("made_on", "site", "tank", "promise")),
    Family("noted", "noted.csv", care.Noted, ("tank", "rule", "until")),
    Family(
        "correction",
        "corrections.csv",
        care.Correction,
        ("of_file", "of_line", "of_column", "was"),
        (("of_file", "file"), ("of_line", "line"), ("of_column", "column")),
    ),
)

BASE_TABLES: dict[str, type[pa.DataFrameModel]] = {
    "site": places.Site,
    "tank": places.Tank,
    "alias": places.Alias,
    "feeding": care.Feeding,
    "filter_model": filterbook.FilterModel,
    "compartment": filterbook.Compartment,
    "medium": filterbook.Medium,
    "filter": filterbook.Filter,
    "placement": filterbook.Placement,
    "fill": filterbook.Fill,
    "kit": care.Kit,
    "tap": places.Tap,
    "visit": visits.Visit,
    "reading": visits.Reading,
    "doubt": visits.Doubt,
    "water_change": visits.WaterChange,
    "service": care.Service,
    "event": care.Event,
    "promise": care.Promise,
    "noted": care.Noted,
    "correction": care.Correction,
    "held": account.Held,
    "remark": account.Remark,
    "account": account.Account,
    "unknown_column": account.UnknownColumn,
}
DERIVED_TABLES: dict[str, type[pa.DataFrameModel]] = {
    "capacity": derived.Capacity,
    "capacity_layer": derived.CapacityLayer,
    "nitrate_fit": derived.NitrateFit,
    "nitrate_outlook": derived.NitrateOutlook,
    "step_alarm": derived.StepAlarm,
    "suspect": derived.Suspect,
    "nitrate_path": derived.NitratePath,
    "water": derived.Water,
    "due": derived.Due,
    "audit": derived.Audit,
    "explanation": derived.Explanation,
    "finding": derived.Finding,
    "finding_cause": derived.FindingCause,
    "review": derived.Review,
}
TABLES: dict[str, type[pa.DataFrameModel]] = {**BASE_TABLES, **DERIVED_TABLES}


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
    return pl.DataFrame(schema=columns_of(TABLES[table]))


def conform(table: str, frame: pl.DataFrame) -> pl.DataFrame:
    """`frame` with the table's columns in order and of its types; an absent column becomes nulls."""
    types = columns_of(TABLES[table])
    return frame.select(
        (pl.col(name) if name in frame.columns else pl.lit(None)).cast(kind).alias(name) for name, kind in types.items()
    )
