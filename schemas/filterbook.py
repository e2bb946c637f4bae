"""The filter book: models, compartments, media, filters, where they stand and what fills them."""

import datetime as dt

import polars as pl

from schemas.columns import Record, column
from schemas.rules import Limits, Row, held, warned
from schemas.shapes import volume_l
from schemas.words import FILTER_KINDS, SHAPES, STAGES


def usable_by_dimensions(f: Limits) -> pl.Expr:
    """What of that media can fill [L]."""
    return volume_l() * pl.col("usable_share").fill_null(f["usable_share_default"])


def _loose_bulk(f: Limits) -> pl.Expr:
    return pl.col("loose_kg") / pl.coalesce("usable_l", usable_by_dimensions(f))


def _as_grams(row: Row, f: Limits) -> str:
    kilograms = row["mass_kg"] / 1000
    return f"{round(kilograms, 3):g}" if kilograms <= f["mass_hold_above_kg"] else ""


class FilterModel(Record):
    """filter_models.csv."""

    model: str = column("Model", "Id of the book entry.", kind="key", required=True)
    kind: str = column("Kind", kind="word", words=FILTER_KINDS)
    rated_flow_l_h: float = column("Rated flow", "Printed on the pump.", kind="number", unit="L/h", gt=0)
    source: str = column("Source", "measured by me, from owner, guess …")
    note: str = column("Note")


class Compartment(Record):
    """compartments.csv: one row a compartment, or a stage of one, in the order water meets them."""

    model: str = column("Model", "As in filter_models.csv.", kind="key", required=True)
    position: int = column("Position", "1 is where water comes first.", kind="count", required=True, ge=1)
    compartment: str = column("Compartment", "cup, basket 1 …", kind="key", required=True)
    stage: str = column("Stage", "What it is meant for.", kind="word", words=STAGES)
    medium: str = column("Usual medium", "As in media.csv.", kind="key")
    shape: str = column("Shape", kind="word", words=SHAPES)
    length_mm: float = column("Length", kind="number", unit="mm", gt=0)
    width_mm: float = column("Width or diameter", kind="number", unit="mm", gt=0)
    inner_mm: float = column("Inner diameter", "Of a ring.", kind="number", unit="mm", gt=0)
    depth_mm: float = column("Depth", kind="number", unit="mm", gt=0)
    usable_share: float = column("Usable share", "Of the volume by dimensions.", kind="share", gt=0, le=1)
    usable_l: float = column("Usable volume", "By measured fill; wins.", kind="number", unit="L", gt=0)
    loose_kg: float = column("Loose mass", "Dry media poured in.", kind="number", unit="kg", gt=0)
    neat_kg: float = column("Neat mass", "Dry media packed neatly.", kind="number", unit="kg", gt=0)
    pad_mm: float = column("Pad size", "Side or diameter of its pad.", kind="number", unit="mm", gt=0)
    source: str = column("Source", "measured by me, from owner, guess …")
    note: str = column("Note")

    litres_differ = warned(
        "usable_l", "limit", "litres differ",
        lambda f: (pl.col("usable_l") / usable_by_dimensions(f) - 1).abs() > f["litres_differ_share"],
        shows={"by_dimensions": usable_by_dimensions},
    )  # fmt: skip
    loose_wet = warned(
        "loose_kg", "weighed wet", "weighed wet", lambda f: _loose_bulk(f) > f["bulk_high_kg_l"],
        shows={"bulk": _loose_bulk},
    )  # fmt: skip


class Medium(Record):
    """media.csv: the media catalogue by grade."""

    medium: str = column("Medium", "Id.", kind="key", required=True)
    stage: str = column("Stage", kind="word", words=STAGES)
    quality: float = column("Quality", "For the full cycle, 0 to 1.", kind="share", ge=0, le=1)
    bulk_kg_l: float = column("Bulk density", "Dry, poured.", kind="number", unit="kg/L", gt=0)
    life_days: float = column("Life", "Until it is spent; blank for good.", kind="number", unit="days", gt=0)
    note: str = column("Note")

    bulk = held("bulk_kg_l", "limit", "bulk", lambda f: ~pl.col("bulk_kg_l").is_between(
        f["bulk_low_kg_l"], f["bulk_high_kg_l"]
    ))  # fmt: skip
    litre_as_kg = warned("bulk_kg_l", "limit", "litre as kilogram", lambda _: pl.col("bulk_kg_l") == 1.0)


class Filter(Record):
    """filters.csv: each filter owned or looked after."""

    filter: str = column("Filter id", kind="key", required=True)
    model: str = column("Model", "As in filter_models.csv.", kind="key")
    clean_flow_l_h: float = column("Clean flow", "Timed when clean.", kind="number", unit="L/h", gt=0)
    note: str = column("Note")


# `from` is a word of Python, so the dated models are written with pandera's alias.
class Placement(Record):
    """placements.csv: which filter ran on which tank, from day to day."""

    filter: str = column("Filter id", kind="key", required=True)
    tank: str = column("Tank id", kind="key", required=True)
    from_: dt.date = column("From", "First day.", kind="date", required=True, alias="from")
    to: dt.date = column("To", "Last day; blank while it holds.", kind="date")

    ends_first = held("to", "limit", "ends first", lambda _: pl.col("to") < pl.col("from"))


class Fill(Record):
    """fills.csv: what lay in each layer of a filter, from day to day."""

    filter: str = column("Filter id", kind="key", required=True)
    compartment: str = column("Compartment", kind="key", required=True)
    layer: int = column("Layer", "Order in flow within the compartment.", kind="count", ge=1)
    medium: str = column("Medium", "As in media.csv.", kind="key", required=True)
    mass_kg: float = column("Mass", "Dry.", kind="number", unit="kg", ge=0)
    thickness_mm: float = column("Thickness", "Of a pad or layer.", kind="number", unit="mm", gt=0)
    batch: str = column("Batch", kind="key")
    wetted: dt.date = column("Wetted", "Day this media first went into a running tank.", kind="date")
    from_: dt.date = column("From", "First day.", kind="date", required=True, alias="from")
    to: dt.date = column("To", "Last day; blank while it holds.", kind="date")
    note: str = column("Note")

    too_heavy = held(
        "mass_kg", "limit", "too heavy", lambda f: pl.col("mass_kg") > f["mass_hold_above_kg"], suggestion=_as_grams
    )
    ends_first = held("to", "limit", "ends first", lambda _: pl.col("to") < pl.col("from"))
