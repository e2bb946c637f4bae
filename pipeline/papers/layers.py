"""What fills each filter on a day, in the order the water meets it, with pad sizes: for sheets and the van list."""

import datetime as dt

import polars as pl

from pipeline.week import Week
from pipeline.wording import number, with_unit

PAD_STAGES = ("settlement", "coarse", "medium", "fine")


def _holds(day: dt.date) -> pl.Expr:
    return (pl.col("from") <= day) & (pl.col("to").is_null() | (pl.col("to") >= day))


def layers_on(week: Week, day: dt.date) -> pl.DataFrame:
    """One row a layer: tank, filter, position, compartment, layer, stage, medium, mass_kg, thickness_mm, pad_mm."""
    rooms = (
        week.table("compartment")
        .sort("position")
        .group_by("model", "compartment", maintain_order=True)
        .agg(pl.col("position").first(), pl.col("stage").first().alias("meant_for"), pl.col("pad_mm").max())
    )
    media = week.table("medium").select("medium", "stage").unique("medium", keep="last", maintain_order=True)
    placed = week.table("placement").filter(_holds(day)).select("tank", "filter")
    models = week.table("filter").select("filter", "model").unique("filter", keep="last", maintain_order=True)
    return (
        placed.join(models, on="filter", how="left")
        .join(week.table("fill").filter(_holds(day)), on="filter", how="inner")
        .join(rooms, on=["model", "compartment"], how="left")
        .join(media, on="medium", how="left")
        .with_columns(pl.coalesce("stage", "meant_for").alias("stage"))
        .sort("tank", "filter", "position", "layer", nulls_last=True)
        .select(
            "tank", "filter", "position", "compartment", "layer", "stage", "medium", "mass_kg", "thickness_mm", "pad_mm"
        )
    )


def pad_size(pad_mm: float | None, thickness_mm: float | None) -> str:
    """`150 mm, 50 mm thick`; what is not known is said."""
    size = with_unit(number(pad_mm, 4), "mm") if pad_mm is not None else "size not recorded"
    return size if thickness_mm is None else f"{size}, {with_unit(number(thickness_mm, 4), 'mm')} thick"


def in_flow_order(layers: pl.DataFrame) -> str:
    """The layers of one filter as the water meets them: `cup: open foam (coarse) → basket 1: …`."""
    said = []
    for row in layers.iter_rows(named=True):
        mass = f" {with_unit(number(row['mass_kg']), 'kg')}" if row["mass_kg"] is not None else ""
        stage = f" ({row['stage']})" if row["stage"] else ""
        said.append(f"{row['compartment']}: {row['medium']}{mass}{stage}")
    return " → ".join(said)
