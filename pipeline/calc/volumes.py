"""What a compartment holds: litres from its dimensions or a measured fill, and the dry media that goes in."""

import polars as pl

from pipeline.assumptions import Assumptions
from schemas.shapes import volume_l


def rooms(compartments: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """One row a compartment of a model: model, compartment, position, meant_for, stages, usual (stage and medium of
    each), usable_l, volume_basis, depth_mm, room_loose_kg, room_neat_kg, usual_medium, pad_mm, room_note.

    The book has a row a stage: rows of one compartment with the same dimensions are one room told again, rows with
    dimensions of their own are parts of it and add up. A measured fill wins over dimensions. room_loose_kg and
    room_neat_kg are the book's own weighings of its usual medium.
    """
    by_dimensions = volume_l() * pl.col("usable_share").fill_null(assumed["usable_share_default"])
    sizes = ["shape", "length_mm", "width_mm", "inner_mm", "depth_mm", "usable_l"]
    # A row without any size only names a further stage of a room whose size stands in another row.
    told = pl.any_horizontal(pl.col(sizes[1:]).is_not_null())
    part = told & pl.struct("model", "compartment", *sizes).is_first_distinct()
    rows = compartments.sort("position").with_columns(by_dimensions.alias("reckoned_l"), part.alias("part"))

    def whole(name: str) -> pl.Expr:
        """A size of the room: its parts added up; null where none has it."""
        parts = pl.col(name).filter("part").drop_nulls()
        return pl.when(parts.len() > 0).then(parts.sum())

    return (
        rows.group_by("model", "compartment", maintain_order=True)
        .agg(
            pl.col("position").first(),
            pl.col("stage").first().alias("meant_for"),
            pl.col("stage").drop_nulls().alias("stages"),
            pl.struct("stage", "medium").alias("usual"),
            whole("usable_l").alias("measured_l"),
            whole("reckoned_l"),
            whole("depth_mm"),
            pl.col("loose_kg").drop_nulls().first().alias("room_loose_kg"),
            pl.col("neat_kg").drop_nulls().first().alias("room_neat_kg"),
            pl.col("medium").drop_nulls().last().alias("usual_medium"),
            pl.col("pad_mm").max(),
            pl.col("note").drop_nulls().str.join(" ").alias("room_note"),
        )
        .with_columns(
            pl.coalesce("measured_l", "reckoned_l").alias("usable_l"),
            pl.when(pl.col("measured_l").is_not_null())
            .then(pl.lit("measured fill"))
            .when(pl.col("reckoned_l").is_not_null())
            .then(pl.lit("dimensions"))
            .otherwise(pl.lit("not known"))
            .alias("volume_basis"),
        )
        .drop("measured_l", "reckoned_l")
    )
