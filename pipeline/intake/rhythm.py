"""How far apart a tank's visits lie."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.intake.columns import Given, issue_rows
from pipeline.intake.series import REACH_DAYS, REACH_READINGS, back
from pipeline.intake.sheets import no_issues
from pipeline.intake.visits import Rows
from pipeline.wording import NBSP


def gaps(visit: pl.DataFrame, rows: Rows, given: Given) -> pl.DataFrame:
    """Visits long after the one before, as one remark a visit; longer where the round or the tank has a longer rhythm."""
    limit = given.assumed["gap_warn_days"] / 7  # stated for a weekly round
    steps = range(1, REACH_READINGS + 1)
    of_day = rows.of_day
    first = np.flatnonzero(np.concatenate((np.ones(min(of_day.size, 1), dtype=bool), of_day[1:] != of_day[:-1])))
    days = (
        visit.select("day", "file", "line", "date")[first]
        .with_columns(pl.Series("tank", rows.tank[first]))
        .with_columns((pl.col("day") - back("day", 1)).dt.total_days().alias("gap"))
    )
    long = pl.col("gap").is_between(limit * given.round.visit_every_days, REACH_DAYS, closed="right")
    if not days.select(long.any()).item():
        return no_issues()
    # A gap counts for the rhythm where it begins within reach of the visit.
    reach = pl.col("day") - pl.duration(days=REACH_DAYS)
    usual = [pl.when(back("day", i + 1) >= reach).then(back("gap", i)).alias(f"gap {i}") for i in steps]
    late = (
        days.with_columns(usual)
        .filter(long)
        .with_columns(pl.concat_list(f"gap {i}" for i in steps).list.drop_nulls().list.median().alias("usual"))
    )
    return issue_rows(
        late,
        pl.col("gap") > limit * pl.col("usual").fill_null(0),
        column="date",
        text=pl.col("date"),
        outcome="warned",
        fault="long gap",
        says=pl.format(f"{{}}{NBSP}days after the visit before.", "gap"),
    )
