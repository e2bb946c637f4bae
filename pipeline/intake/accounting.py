"""The account of every file, what is held and what was said: every row is in the sum, once, by its worst cell."""

from __future__ import annotations

import polars as pl

from pipeline.intake.sheets import Sheets
from schemas import Tables, conform
from schemas.words import ROW_OUTCOMES

RANK = {"accepted": 0, "converted": 1, "warned": 2, "part_held": 3, "held": 4}


def row_outcomes(rows: pl.DataFrame, issues: pl.DataFrame, whole: pl.DataFrame, again: pl.DataFrame) -> pl.DataFrame:
    """(file, line, outcome) of every row: `whole` rows are held, `again` rows repeat, others are as bad as their cells."""
    worst = (
        issues.filter(pl.col("line") > 0)
        .with_columns(
            pl.when(pl.col("outcome") == "held")
            .then(pl.lit("part_held"))
            .otherwise(pl.col("outcome"))
            .replace_strict(RANK, return_dtype=pl.Int64)
            .alias("rank")
        )
        .group_by("file", "line")
        .agg(pl.col("rank").max())
    )
    said = {rank: outcome for outcome, rank in RANK.items()}
    return (
        rows.join(worst, on=["file", "line"], how="left")
        .join(whole.unique().with_columns(pl.lit(True).alias("whole")), on=["file", "line"], how="left")
        .join(again.unique().with_columns(pl.lit(True).alias("again")), on=["file", "line"], how="left")
        .select(
            "file",
            "line",
            pl.when(pl.col("again"))
            .then(pl.lit("repeats"))
            .when(pl.col("whole"))
            .then(pl.lit("held"))
            .otherwise(pl.col("rank").fill_null(0).replace_strict(said, return_dtype=pl.String))
            .alias("outcome"),
        )
    )


def account(sheets: Sheets, outcomes: pl.DataFrame) -> pl.DataFrame:
    """One row a file; the rows of a file that is held whole are all held."""
    counts = outcomes.group_by("file").agg(
        *((pl.col("outcome") == name).sum().cast(pl.Int64).alias(name) for name in ROW_OUTCOMES)
    )
    files = sheets.files.join(counts, on="file", how="left").with_columns(pl.col(list(ROW_OUTCOMES)).fill_null(0))
    told = pl.sum_horizontal(ROW_OUTCOMES)
    files = files.with_columns((pl.col("held") + pl.col("rows_in") - told).alias("held"))
    return conform("account", files.sort("file"))


def held_and_remarks(issues: pl.DataFrame, places: pl.DataFrame) -> Tables:
    """The held table and the remarks; several warnings of one cell become one that lists them."""
    told = issues.join(places.unique(["file", "line"], keep="first"), on=["file", "line"], how="left")
    held = told.filter(pl.col("outcome") == "held").with_columns(pl.col("says").alias("reason"))
    # One reason a cell: the first that was found; others of the same cell would only repeat it.
    held = held.unique(["file", "line", "column"], keep="first", maintain_order=True)
    spoken = told.filter(pl.col("outcome") != "held").sort(pl.col("outcome") == "converted", maintain_order=True)
    alone = pl.struct("file", "line", "column").is_unique()
    several = (
        spoken.filter(~alone)
        .group_by("file", "line", "column", maintain_order=True)
        .agg(
            pl.col("text").first(),
            pl.col("fault").first(),
            pl.col("outcome").first(),
            pl.col("says").unique(maintain_order=True).str.join(" Or: "),
            pl.col("tank").first(),
            pl.col("day").first(),
        )
    )
    remarks = pl.concat([spoken.filter(alone).select(several.columns), several])
    order = ["file", "line", "column"]
    return {
        "held": conform("held", held.sort(order, nulls_last=False)),
        "remark": conform("remark", remarks.sort(order, nulls_last=False)),
    }
