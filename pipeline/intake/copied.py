"""Sheets that look filled down: the same cells four visits running, or in several tanks of a site on one day."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.intake.columns import Given, issue_rows
from pipeline.intake.series import REACH_DAYS, back
from schemas import Tables

SOME = 2  # cells above 0: a quiet tank's zeros repeat honestly


def sessions(parts: Mapping[str, pl.DataFrame], visit: pl.DataFrame) -> pl.DataFrame:
    """Every sheet row, in order of tank and time: how many readings it gave, how many of them above 0, and a number that
    stands for them all."""
    many = visit.height
    stands_for = np.zeros(many, dtype=np.uint64)
    count, some = np.zeros(many, dtype=np.int64), np.zeros(many, dtype=np.int64)
    for place, part in enumerate(parts.values()):
        row = part["row"].to_numpy()  # once a parameter: a sheet row reads it in one cell
        stands_for[row] += part["text"].hash(place).to_numpy()
        count[row] += 1
        some[row] += (part["matched"] > 0).to_numpy()
    return visit.select("row", "tank", "day", "order").with_columns(
        pl.Series("all", stands_for), pl.Series("n", count), pl.Series("some", some)
    ).sort("order")  # fmt: skip


def _ask(reading: pl.DataFrame, alike: pl.DataFrame, says: pl.Expr) -> pl.DataFrame:
    """One remark for each sheet row of `alike`, with its cells as typed."""
    found = (
        reading.join(alike, on="row", how="inner")
        .sort("row", "parameter")
        .group_by("row", "file", "line", maintain_order=True)
        .agg(
            pl.concat_str("parameter", pl.lit("="), "text").str.join("|").alias("all"),
            *(pl.col(name).first() for name in alike.columns if name != "row"),
        )
    )
    every = pl.col("line").is_not_null()
    return issue_rows(found, every, column=None, text=pl.col("all"), outcome="warned", fault="copied down", says=says)


def copied(
    reading: pl.DataFrame, parts: Mapping[str, pl.DataFrame], visit: pl.DataFrame, standing: Tables, given: Given
) -> list[pl.DataFrame]:
    """The same cells, at least four: four visits running, or across tanks. Coarse steps repeat honestly: it only asks."""
    f = given.figures
    cells, visits, tanks = int(f["copied_cells"]), int(f["copied_visits"]), int(f["copied_tanks"])
    told = sessions(parts, visit)
    recent = pl.col("day") - pl.duration(days=REACH_DAYS)
    run = pl.all_horizontal(
        *(back("all", i) == pl.col("all") for i in range(1, visits)), back("day", visits - 1) >= recent
    )
    enough = (pl.col("n") >= cells) & (pl.col("some") >= SOME)
    down = told.filter(run.fill_null(False) & enough).select("row")
    # One tap feeds a site, so a few cells are alike in all its tanks: here all four must be above 0.
    same = ["site", "day", "all"]
    across = (
        told.filter((pl.col("some") >= cells) & (pl.len().over("day", "all") > 1))
        .join(standing["tank"].select("tank", "site"), on="tank", how="inner", maintain_order="left")
        .with_columns(pl.col("tank").n_unique().over(same).alias("tanks"))
        .filter(pl.col("tanks") >= tanks)
        .select("row", "tanks")
    )
    return [
        _ask(reading, down, pl.lit("All readings are the same as at the three visits before: copied down?")),
        _ask(
            reading,
            across,
            pl.format("All readings are the same in {} tanks of the site that day: copied?", "tanks"),
        ),
    ]
