"""How full the compartments of a filter are, and whether the book can be right: rules of the flow-order audit."""

from __future__ import annotations

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc.audit_rows import ROOM, STRAINS, finding, listed, sentence
from pipeline.calc.layers import FILTER_ASK, table
from schemas import Tables


def rooms_of(rows: pl.DataFrame) -> pl.DataFrame:
    """One row a filled compartment: how full it is, poured and packed, and of what."""
    packed = pl.col("tight_share").filter(pl.col("mass_kg").is_not_null())
    return rows.group_by(ROOM, maintain_order=True).agg(
        pl.col("meant_for").first(),
        pl.col("full_flow").first(),
        pl.col("media").any().alias("has_media"),
        pl.when(pl.col("loose_share").null_count() == 0).then(pl.col("loose_share").sum()).alias("loose"),
        pl.col("tight_share").sum().alias("tight"),
        packed.sum().alias("tight_mass"),
        pl.col("mass_kg").sum().alias("kg"),
        (pl.col("mass_kg").sum() / packed.sum()).alias("holds_kg"),
    )


def half_empty(rooms: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """A compartment filled to under half: water passes by. What is not known to the last layer is not judged."""
    found = rooms.filter(pl.col("full_flow") & (pl.col("loose") < assumed["audit_half_empty"]).fill_null(False))
    share = (100 * pl.col("loose")).round(0).cast(pl.Int64).cast(pl.String)
    return found.select(
        *FILTER_ASK,
        pl.lit("half-empty compartment").alias("fault"),
        pl.format(
            "{} is only {} % full: its layers shift, and water takes the easy way past them.",
            pl.col("compartment"), share,
        ).alias("says"),
        pl.when("has_media")
        .then(pl.format("Fill {} up with media, or put a pad on top that holds it down.", "compartment"))
        .otherwise(pl.format("Fill {} up: a thicker pad, or one more of the same.", "compartment"))
        .alias("do"),
    )  # fmt: skip


def over_full(rooms: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """Media over its neat mass, or layers thicker than the compartment is deep."""
    limit = assumed["audit_over_full"]
    heavy = rooms.filter(pl.col("tight_mass") > limit)
    thick = rooms.filter((pl.col("tight") > limit) & (pl.col("tight_mass") <= limit))
    return pl.concat(
        [
            heavy.select(
                *FILTER_ASK,
                pl.lit("over its neat mass").alias("fault"),
                pl.format(
                    "{} is said to hold {} kg; packed neatly it takes {} kg. Was the media weighed wet, or is the book"
                    " wrong? Crammed media costs flow.",
                    "compartment", pl.col("kg").round(2), pl.col("holds_kg").round(2),
                ).alias("says"),
                pl.format("Weigh the media dry, measure {} with a jug, put the record right.", "compartment")
                .alias("do"),
            ),
            thick.select(
                *FILTER_ASK,
                pl.lit("over-full compartment").alias("fault"),
                pl.format(
                    "The layers of {} take {} % of its depth: squeezed pads let less water through, and the lid may not"
                    " seal.",
                    "compartment", (100 * pl.col("tight")).round(0).cast(pl.Int64),
                ).alias("says"),
                pl.format("Take a layer out of {}, or measure its depth and its pads.", "compartment").alias("do"),
            ),
        ]
    )  # fmt: skip


def empty_strainer(tables: Tables, placed: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """A compartment meant to catch dirt with nothing in it, in a filter that has fills. Room for media is no fault."""
    book = table(tables, "compartment").filter(pl.col("stage").is_in(STRAINS))
    meant = book.sort("position").unique(["model", "compartment"], keep="first", maintain_order=True)
    known = placed.join(rows.select(FILTER_ASK).unique(), on=FILTER_ASK, how="semi")
    bare = (
        known.join(meant.select("model", "compartment", pl.col("stage").alias("meant_for")), on="model")
        .join(rows.select(ROOM).unique(), on=ROOM, how="anti")
        .sort(*FILTER_ASK, "compartment")
    )
    return bare.select(
        *FILTER_ASK,
        pl.lit("empty compartment").alias("fault"),
        pl.format(
            "{} is meant for a {} stage and nothing is recorded in it: the dirt goes on to the next.",
            "compartment", "meant_for",
        ).alias("says"),
        pl.format("Put a {} stage into {}, or record what lies there.", "meant_for", "compartment").alias("do"),
    )  # fmt: skip


def bulk_oddities(rows: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """Media that is too heavy for its room or its kind: weighed wet, or litres taken for kilograms."""
    volume = pl.coalesce(pl.when(pl.col("thickness_mm").is_not_null()).then("litres"), "usable_l")
    weighed = rows.filter(pl.col("media")).with_columns((pl.col("mass_kg") / volume).alias("kg_l"))
    wet = weighed.filter((pl.col("kg_l") > assumed["bulk_high_kg_l"]).fill_null(False))
    litre = weighed.filter((pl.col("bulk_kg_l") == 1.0).fill_null(False))
    by_book = pl.col("room_loose_kg") / pl.col("usable_l")
    apart = (by_book / pl.col("bulk_kg_l") - 1).abs() > assumed["audit_bulk_differs"]
    other = weighed.filter(apart.fill_null(False) & (pl.col("medium") == pl.col("usual_medium")))
    return pl.concat(
        [
            finding(
                wet,
                "weighed wet",
                sentence(listed(), " would weigh ", pl.col("kg_l").max().round(2).cast(pl.String),
                          " kg a litre: porous media that heavy was weighed wet."),
                pl.lit("Dry it, weigh a level litre three times, and correct the mass."),
            ),
            finding(
                litre,
                "litres for kilograms",
                sentence(listed(), " has a bulk density of exactly 1 kg a litre: was a litre taken for a kilogram?"),
                pl.lit("Weigh a level dry litre three times and correct media.csv."),
            ),
            finding(
                other,
                "book and catalogue differ",
                sentence(
                    "The book has ", pl.col("room_loose_kg").first().round(2).cast(pl.String), " kg in ",
                    pl.col("compartment").first(), ", the catalogue's bulk density gives ",
                    (pl.col("usable_l") * pl.col("bulk_kg_l")).first().round(2).cast(pl.String),
                    " kg: one of them is wrong, and the rating with it.",
                ),
                pl.lit("Fill it with dry media and weigh that; then put the wrong one right."),
            ),
        ]
    )  # fmt: skip


def not_in_the_book(placed: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Filters whose content or order nobody recorded."""
    bare = placed.join(rows.select(FILTER_ASK).unique(), on=FILTER_ASK, how="anti").select(
        *FILTER_ASK,
        pl.lit("no layout").alias("fault"),
        pl.format("Nothing is recorded of what lies in {}: it cannot be rated.", "filter").alias("says"),
        pl.lit("Look inside at the next service and record each layer with its dry mass.").alias("do"),
    )
    lost = rows.filter(pl.col("position").is_null())
    return pl.concat(
        [
            bare,
            finding(
                lost,
                "not in the book",
                sentence(listed(), ": that compartment is not in the book, so its place in the flow is not known."),
                pl.lit("Add the compartment and its position to compartments.csv."),
            ),
        ]
    )
