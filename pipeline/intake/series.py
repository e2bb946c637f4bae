"""A tank's readings in order, with what stood before each. How far any check looks back is said here.

A load that reads only what is new relies on the reach: nothing said of a row may depend on a row that is further off.
"""

from __future__ import annotations

import polars as pl

from pipeline.intake.columns import issue_rows

REACH_READINGS = 4  # readings back that any check of a tank's own series looks at
REACH_DAYS = 120  # days back, and no further, however few the readings
NEAR_DAYS = 60  # readings further apart than this are not held against each other
OWN = ["row", "tank", "day", "low", "high", "matched", "kit", "expired", "doubt"]


def back(column: str, steps: int) -> pl.Expr:
    """What stood so many rows before in the same tank, in a frame sorted by tank; null where it was another's."""
    return pl.when(pl.col("tank") == pl.col("tank").shift(steps)).then(pl.col(column).shift(steps))


def series_of(rows: pl.DataFrame) -> pl.DataFrame:
    """One parameter's readings of every tank in order, with what stood before each. No words: `hits` brings them."""
    known = [name for name in OWN if name in rows.columns]
    return (
        rows.filter(pl.col("taken") != "after")
        .select("order", *known)
        .sort("order")
        .with_columns(
            back("matched", 1).alias("last"),
            back("low", 1).alias("last_low"),
            pl.when(pl.col("tank") == pl.col("tank").shift(1))
            .then(pl.col("high").shift(1).fill_null(float("inf")))
            .alias("last_high"),
            back("day", 1).alias("last_day"),
            back("kit", 1).alias("last_kit"),
        )
        .with_columns((pl.col("day") - pl.col("last_day")).dt.total_days().alias("gap"))
    )


def near_enough() -> pl.Expr:
    """Whether a tank's last REACH_READINGS readings all lie within reach."""
    return back("day", REACH_READINGS) >= pl.col("day") - pl.duration(days=REACH_DAYS)


def usual(series: pl.DataFrame) -> pl.DataFrame:
    """`usual`: the median of the last REACH_READINGS readings; null where they are fewer, or lie too far back."""
    before = [back("matched", i) for i in range(1, REACH_READINGS + 1)]
    middle = (pl.sum_horizontal(before) - pl.max_horizontal(before) - pl.min_horizontal(before)) / (REACH_READINGS - 2)
    return series.with_columns(pl.when(near_enough()).then(middle).alias("usual"))


def hits(series: pl.DataFrame, rows: pl.DataFrame, test: pl.Expr) -> pl.DataFrame:
    """The rows of a series where a test holds, with their file, line, text and parameter."""
    found = series.filter(test.fill_null(False))
    words = rows.select("row", "file", "line", "text", "parameter")
    words = words.filter(pl.col("row").is_in(found["row"].implode()))  # few: a join would first hash all of them
    return found.join(words, on="row", how="left", maintain_order="left")


def say(
    found: pl.DataFrame, fault: str, says: pl.Expr, outcome: str = "warned", suggestion: pl.Expr | None = None
) -> pl.DataFrame:
    """Issues of readings, each with its `row` beside it; the column is the parameter."""
    found = found.filter(pl.col("line").is_not_null())  # a reading held meanwhile is spoken of already
    told = issue_rows(
        found,
        pl.col("line").is_not_null(),
        column=None,
        text=pl.col("text"),
        outcome=outcome,
        fault=fault,
        says=says,
        suggestion=suggestion,
    )
    return told.with_columns(found["parameter"].alias("column"), found["row"])


def number(column: str) -> pl.Expr:
    return pl.col(column).round_sig_figs(3).cast(pl.String).str.strip_suffix(".0")
