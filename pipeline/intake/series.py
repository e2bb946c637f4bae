"""A tank's readings in order, with what stood before each. How far any check looks back is said here."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.intake.columns import Collected
from schemas import conform

REACH_READINGS = 4  # readings back that any check of a tank's own series looks at
REACH_DAYS = 120  # days back, and no further, however few the readings
Parts = dict[str, pl.DataFrame]  # readings by parameter, in order of tank and time
PART: dict[str, Any] = {
    "row": pl.UInt32, "file": pl.String, "line": pl.Int64, "tank": pl.String, "no": pl.UInt32, "day": pl.Date,
    "at": pl.Datetime("us"), "taken": pl.String, "after": pl.Boolean, "note": pl.String, "long": pl.Boolean,
    "text": pl.String, "parameter": pl.String, "low": pl.Float64, "high": pl.Float64, "matched": pl.Float64,
    "outcome": pl.String, "kit": pl.String, "unit": pl.String, "column": pl.String, "expired": pl.Boolean,
}  # fmt: skip


def ask(
    found: Collected,
    rows: pl.DataFrame,
    case: str | None = None,
    doubt: str | None = None,
    *,
    outcome: str = "warned",
    suggestion: str | None = None,
    shown: Mapping[str, object] | None = None,
    **cells: pl.Expr | None,
) -> None:
    """What is said of readings in the sentence of a case, and their rows of table `doubt`, of which `cells` are the size,
    would_be and other."""
    if case and rows.height:
        found.say(rows, pl.col("column"), case, outcome=outcome, text="text", suggestion=suggestion, shown=shown)
    if doubt and rows.height:
        told = {name: cell for name, cell in cells.items() if cell is not None}
        asked = rows.with_columns(doubt=pl.lit(doubt), **told)
        # The column of each stays beside it, for answers.
        found.doubts.append(conform("doubt", asked).with_columns(rows["column"]))


def back(column: str | pl.Expr, steps: int) -> pl.Expr:
    """What stood so many rows before in the same tank, in a frame sorted by tank; null where it was another's."""
    value = pl.col(column) if isinstance(column, str) else column
    return pl.when(pl.col("no") == pl.col("no").shift(steps)).then(value.shift(steps))


def before_changes(part: pl.DataFrame) -> pl.DataFrame:
    """Readings without those taken after a change."""
    return part.filter(~pl.col("after"))


def series_of(part: pl.DataFrame) -> pl.DataFrame:
    """One parameter's readings, in order of tank and time, with what stood before each; without those after a change."""
    return before_changes(part).with_columns(
        back("matched", 1).alias("last"),
        back("low", 1).alias("last_low"),
        back(pl.col("high").fill_null(float("inf")), 1).alias("last_high"),
        back("kit", 1).alias("last_kit"),
        (pl.col("day") - back("day", 1)).dt.total_days().alias("gap"),
    )


def all_near() -> pl.Expr:
    """Whether a tank's last REACH_READINGS readings are there and all lie within reach."""
    return (pl.col("day") - back("day", REACH_READINGS)).dt.total_days() <= REACH_DAYS


def with_usual(series: pl.DataFrame) -> pl.DataFrame:
    """`usual`: the median of the last REACH_READINGS readings; null where they are fewer, or lie too far back."""
    past = [back("matched", i) for i in range(1, REACH_READINGS + 1)]
    inner = (pl.sum_horizontal(past) - pl.max_horizontal(past) - pl.min_horizontal(past)) / (REACH_READINGS - 2)
    return series.with_columns(pl.when(all_near()).then(inner).alias("usual"))


def usual_ranges(part: pl.DataFrame) -> pl.DataFrame:
    """Each reading that has four before it within reach, with the range those lie in, and whether it is `strange`: wholly
    outside that range."""
    steps = range(1, REACH_READINGS + 1)
    high = pl.col("high").fill_null(float("inf"))
    ranged = before_changes(part).with_columns(
        high.alias("high"),
        pl.min_horizontal(back("low", i) for i in steps).alias("usual_low"),
        pl.max_horizontal(back(high, i) for i in steps).alias("usual_high"),
        all_near().alias("near"),
    )
    strange = (pl.col("low") > pl.col("usual_high")) | (pl.col("high") < pl.col("usual_low"))
    return ranged.filter("near").with_columns(strange.alias("strange"))
