"""Kits that go off: many tanks of one kit that seem to step together have one cause, and it is not their filters.

Kept apart from the fits, because it looks across tanks: call `hold_down` over the tables of all tanks.
"""

from collections.abc import Callable, Iterable, Sequence

import numpy as np
import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc.balance_rows import build_rows
from pipeline.calc.balance_windows import batches, spans_of_weeks
from pipeline.calc.cells import Array
from pipeline.calc.layers import REQUEST, first_of, table
from pipeline.calc.nitrate_design import IntArray, step_days
from pipeline.calc.nitrate_fit import FRACTION, KIT, fit
from pipeline.calc.nitrate_steps import NO_INFORMATION, efficient_scores
from schemas import Tables

# Asked for some tanks, gives their checked tables in parts of whole tanks, and says which each part is of.
Parts = Callable[[Sequence[str]], Iterable[tuple[Sequence[str], Tables]]]


def trend_of(requests: pl.DataFrame, fits: pl.DataFrame, steps: pl.DataFrame, assumed: Assumptions) -> pl.Series:
    """climbing, steady or not clear, of each request. A step put down to a kit is none."""
    recent = fits.filter(pl.col("window") == "recent").select(*REQUEST, "low", "high")
    stepped = steps.filter(pl.col("kit_batch").is_null()).select(*REQUEST, step=pl.lit(True))
    limit = assumed["climbing_rate"]
    rows = requests.select(REQUEST).join(recent, on=REQUEST, how="left", maintain_order="left")
    rows = rows.join(stepped, on=REQUEST, how="left", maintain_order="left")
    cases = (((pl.col("low") > limit) | pl.col("step"), "climbing"), (pl.col("high") <= limit, "steady"))
    return rows.select(trend=first_of(*cases, otherwise="not clear")).to_series()


def hold_down(derived: Tables, tables: Tables, assumed: Assumptions, parts: Parts | None = None) -> Tables:
    """The derived tables with `kit_batch` filled on alarms that point to a shared kit, and the trends that follow.

    `derived` has nitrate_fit, nitrate_outlook and step_alarm, `tables` the checked tables, both of all tanks: a kit is
    judged by everybody who uses it. `parts` gives the records of those to judge by, where all are too many to hold at
    once. Doing it twice changes nothing.
    """
    used = kits_used(tables)
    steps = derived["step_alarm"].with_columns(kit_batch=pl.lit(None, pl.String))
    requests, fits = derived["nitrate_outlook"], derived["nitrate_fit"]
    named = _with_kit(steps, used)
    suspected = _suspected(named, used, assumed)
    shifts = _shifts(suspected, parts or (lambda tanks: [(tanks, tables)]), assumed) if len(suspected) else _NO_SHIFT
    near = (pl.col("since") - pl.col("shifted")).dt.total_days().abs() <= assumed["kit_shift_days"]
    beside = named.join(shifts, on=["as_of", "kit"], how="left", maintain_order="left")
    steps = beside.with_columns(pl.when(near).then("kit").alias("kit_batch")).select(steps.columns)
    outlook = requests.with_columns(trend_of(requests, fits, steps, assumed))
    return {**derived, "step_alarm": steps, "nitrate_outlook": outlook}


_NO_SHIFT = pl.DataFrame(schema={"as_of": pl.Date, "kit": pl.String, "shifted": pl.Date})


def kits_used(tables: Tables) -> pl.DataFrame:
    """tank, day, kit of every nitrate reading that counts."""
    counted = (pl.col("parameter") == "nitrate") & pl.col("doubt").is_null() & pl.col("kit").is_not_null()
    return table(tables, "reading").filter(counted).select("tank", "day", "kit")


def _with_kit(steps: pl.DataFrame, used: pl.DataFrame) -> pl.DataFrame:
    """Alarms with the kit most used since the step."""
    first = pl.lit(steps["since"].min(), pl.Date)  # no step, no day
    since = (
        steps.lazy()
        .select(*REQUEST, "since")
        .join(used.lazy().filter(pl.col("day") > first), on="tank")
        .filter((pl.col("day") > pl.col("since")) & (pl.col("day") <= pl.col("as_of")))
        .group_by(*REQUEST, "kit")
        .len()
        .sort(*REQUEST, "len", "kit", descending=[False, False, True, False])
        .unique(REQUEST, keep="first", maintain_order=True)
        .select(*REQUEST, "kit")
        .collect()
    )
    return steps.join(since, on=REQUEST, how="left", maintain_order="left")


def _suspected(named: pl.DataFrame, used: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """tank, as_of, kit: the users of every kit of which many tanks have an alarm in force."""
    alarmed = named.lazy().drop_nulls("kit").group_by("as_of", "kit").agg(pl.len().alias("alarmed"))
    # A tank uses a kit on a day where it last did so within reach: one row a tank, not one a reading.
    users = (
        used.lazy()
        .select("tank", "kit")
        .unique()
        .join(alarmed.filter(pl.col("alarmed") >= assumed["kit_shift_tanks"]), on="kit")
        .sort("as_of")
        .join_asof(used.lazy().sort("day"), left_on="as_of", right_on="day", by=["tank", "kit"], check_sortedness=False)
        .filter(pl.col("day") > pl.col("as_of") - pl.duration(weeks=round(assumed["recent_weeks"])))
    )
    share = pl.col("alarmed") / pl.len().over("as_of", "kit")
    users = users.filter(share >= assumed["kit_shift_share"]).select("tank", "as_of", "kit")
    return users.sort("as_of", "kit", "tank").collect()


def _shifts(users: pl.DataFrame, parts: Parts, assumed: Assumptions) -> pl.DataFrame:
    """as_of, kit, shifted: the kits whose readings all moved by one factor after a day, better than by steps in rise.

    The scores of a common factor, and of a common step, are pooled over a kit's users for each of the days a week
    apart that the alarm looks back on.
    """
    groups = users.select("as_of", "kit").unique(maintain_order=True)
    users = users.with_columns((pl.struct("as_of", "kit").rank("dense") - 1).cast(pl.Int64).alias("group"))
    ago = 7 * np.arange(1, round(assumed["alarm_far_weekly"]) + 1)
    pooled = np.zeros((2, 2, len(ago), len(groups)))  # factor or step; u or v
    for tanks, tables in parts(users["tank"].unique().sort().to_list()):
        _pool(pooled, users.filter(pl.col("tank").is_in(list(tanks))), tables, ago, assumed)
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(pooled[:, 1] > NO_INFORMATION, pooled[:, 0] / np.sqrt(pooled[:, 1]), -np.inf)
    best = z[0].argmax(axis=0)
    factor_z, step_z = z.max(axis=1)
    with np.errstate(invalid="ignore"):
        better = 0.5 * (factor_z**2 - np.maximum(step_z, 0.0) ** 2) > assumed["kit_shift_margin"]
    shifted = (factor_z > assumed["kit_shift_z"]) & better
    return (
        groups.sort("as_of", "kit")
        .with_columns(pl.Series("ago", ago[best]), pl.Series("shifts", shifted))
        .filter("shifts")
        .select("as_of", "kit", (pl.col("as_of") - pl.duration(days="ago")).alias("shifted"))
    )


def _pool(pooled: Array, users: pl.DataFrame, tables: Tables, ago: IntArray, assumed: Assumptions) -> None:
    """Add the scores of some users to those of their kits. `pooled` [factor or step, u or v, days back, groups]."""
    rows = build_rows(tables, users["tank"].unique().to_list(), assumed)
    tank, as_of = rows.places(users)
    kit = np.searchsorted(np.array(rows.kits, dtype=str), users["kit"].to_numpy().astype(str))
    group = users["group"].to_numpy()
    wanted = spans_of_weeks(rows, tank, as_of, assumed["baseline_weeks"])
    for part in batches(rows, wanted, assumed):
        fitted = fit(part.windows, part.priors, assumed)
        real = part.row >= 0
        at = np.maximum(part.row, 0)
        mine = real & (rows.kit[at] == kit[part.which])
        day = as_of[part.which] - ago[:, None]
        later = real & (rows.day[at] > day[:, None])
        kits = int(part.windows.kit.max(initial=0)) + 1
        factor = fitted.jacobian[KIT : KIT + kits].sum(axis=0) * mine * later
        begins = (real & ~later).sum(axis=1) - 1 + (~real).sum(axis=0)
        begins = np.where((real & ~later).any(axis=1), begins, len(at))
        stepped, _ = step_days(part.windows, fitted.theta[FRACTION], begins)
        for place, slope in enumerate((factor, stepped * fitted.lift)):
            u, v = efficient_scores(slope, fitted)
            for total, found in ((pooled[place, 0], u), (pooled[place, 1], np.maximum(v, 0.0))):
                np.add.at(total.T, group[part.which], found.T)
