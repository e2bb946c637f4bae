"""Volumes of compartments by their dimensions."""

import math

import polars as pl

MM3_PER_L = 1e6


def volume_l() -> pl.Expr:
    """Volume of a compartment by its dimensions [L], from the columns of compartments; null where one is missing."""
    area = (
        pl.when(pl.col("shape") == "box")
        .then(pl.col("length_mm") * pl.col("width_mm"))
        .when(pl.col("shape") == "cylinder")
        .then(pl.col("width_mm") ** 2 * (math.pi / 4))
        .when(pl.col("shape") == "ring")
        .then((pl.col("width_mm") ** 2 - pl.col("inner_mm") ** 2) * (math.pi / 4))
    )
    return area * pl.col("depth_mm") / MM3_PER_L
