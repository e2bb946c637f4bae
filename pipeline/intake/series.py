"""A tank's readings in order, with what stood before each. How far any check looks back is said here.

A load that reads only what is new relies on the reach: nothing said of a row may depend on a row that is further off.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce

import numpy as np
import polars as pl

REACH_READINGS = 4  # readings back that any check of a tank's own series looks at
REACH_DAYS = 120  # days back, and no further, however few the readings


def back(column: str, steps: int) -> pl.Expr:
    """What stood so many rows before in the same tank, in a frame sorted by tank; null where it was another's."""
    return pl.when(pl.col("tank") == pl.col("tank").shift(steps)).then(pl.col(column).shift(steps))


def series_of(part: pl.DataFrame) -> pl.DataFrame:
    """One parameter's readings, in order of tank and time, with what stood before each; without those after a change."""
    return (
        (part.filter(~pl.col("after")) if part["after"].any() else part)
        .lazy()
        .with_columns(
            back("matched", 1).alias("last"),
            back("low", 1).alias("last_low"),
            pl.when(pl.col("tank") == pl.col("tank").shift(1))
            .then(pl.col("high").shift(1).fill_null(float("inf")))
            .alias("last_high"),
            back("kit", 1).alias("last_kit"),
            (pl.col("day") - back("day", 1)).dt.total_days().alias("gap"),
        )
        .collect()
    )


def all_near(tank: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Whether a tank's last REACH_READINGS readings all lie within reach, for readings in order of tank and time.

    Shapes: (n,) each, one Boolean a reading from the REACH_READINGS-th on (n - REACH_READINGS,), none where n is less.
    Units: `day` [d].
    """
    n = REACH_READINGS
    near: np.ndarray = (tank[n:] == tank[:-n]) & (day[:-n] >= day[n:] - REACH_DAYS)
    return near


def before(values: np.ndarray) -> Sequence[np.ndarray]:
    """The last REACH_READINGS values before each value from the REACH_READINGS-th on, nearest first."""
    return [values[REACH_READINGS - i : values.size - i] for i in range(1, REACH_READINGS + 1)]


def usual(series: pl.DataFrame) -> pl.DataFrame:
    """`usual`: the median of the last REACH_READINGS readings; null where they are fewer, or lie too far back."""
    middle = np.full(series.height, np.nan)
    if series.height > REACH_READINGS:
        past = before(series["matched"].to_numpy())
        most, least = reduce(np.maximum, past), reduce(np.minimum, past)
        inner = (reduce(np.add, past) - most - least) / (REACH_READINGS - 2)
        near = all_near(series["tank"].to_numpy(), series["day"].to_physical().to_numpy())
        middle[REACH_READINGS:] = np.where(near, inner, np.nan)
    return series.with_columns(pl.Series("usual", middle).fill_nan(None))


def number(column: str) -> pl.Expr:
    return pl.col(column).round_sig_figs(3).cast(pl.String).str.strip_suffix(".0")
