"""Capacity through time if nothing else happens: media ripens and recovers, and a day comes when a tank is back within.

And what a result hangs on: how far an assumption may move before the word changes.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc import factors
from pipeline.calc.capacity import layer_factors, parts, put_together
from pipeline.calc.layers import REQUEST, numbers, series
from pipeline.calc.servicing import DAYS_A_WEEK
from pipeline.wording import day, number, pct
from schemas import Tables

AHEAD = [*REQUEST, "ahead"]


def last_change_days(assumed: Assumptions) -> int:
    """Days after which no media of today ripens or recovers any further."""
    weeks = [assumed["maturity_full_weeks"], *(assumed[f"disturb_{x}_weeks"] for x in
             ("tank_rinse", "tap_rinse", "medication", "stopped"))]  # fmt: skip
    return int(np.ceil(max(weeks) * DAYS_A_WEEK)) + 1


def curves(tables: Tables, requests: pl.DataFrame, assumed: Assumptions, ahead: Sequence[int]) -> pl.DataFrame:
    """Effective media and working load of each request so many days ahead: tank, as_of, ahead, day, effective_kg,
    working_load_pct, working_state. What clogs, warms, is fed and planted stays as it is on the as-of day."""
    found = parts(tables, requests, assumed)
    days = pl.DataFrame({"ahead": sorted(set(ahead))}, schema={"ahead": pl.Int64})
    layers = found.layers.drop("ahead").join(days, how="cross")
    full = layer_factors(layers, found.tanks, found.filters, found.reached, assumed)
    sums = full.group_by(AHEAD).agg(pl.col("effective_kg").sum())
    today, _ = put_together(found, assumed)
    known = pl.col("today_kg").is_not_null()  # what is not known today is not known later
    rows = (
        today.select(*REQUEST, "need_kg", pl.col("effective_kg").alias("today_kg"))
        .join(days, how="cross")
        .join(sums, on=AHEAD, how="left")
        .with_columns(pl.when(known).then(pl.col("effective_kg").fill_null(0.0)).alias("effective_kg"))
        .sort(AHEAD)
    )
    load = factors.load_pct(numbers(rows, "need_kg"), numbers(rows, "effective_kg"))
    return rows.with_columns(
        (pl.col("as_of") + pl.duration(days=pl.col("ahead"))).alias("day"),
        series("working_load_pct", load),
        pl.Series("working_state", factors.load_state(load, assumed)),
    ).select(*AHEAD, "day", "effective_kg", "working_load_pct", "working_state")  # fmt: skip


def back_within(tables: Tables, requests: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """When each tank is back within its working rating if nothing else happens.

    tank, as_of, now_pct, mature_pct (all media ripe and recovered), on (first day within; null where it never is, or
    already is), says. null loads are not known, or nothing works yet.
    """
    course = curves(tables, requests, assumed, range(last_change_days(assumed) + 1))
    within = (pl.col("working_load_pct") <= assumed["within_pct"]).fill_null(False)
    rows = course.sort(AHEAD).group_by(REQUEST, maintain_order=True).agg(
        pl.col("working_load_pct").first().alias("now_pct"),
        pl.col("working_load_pct").last().alias("mature_pct"),
        pl.col("effective_kg").last().alias("mature_kg"),
        pl.when(~within.first()).then(pl.col("day").filter(within).first()).alias("on"),
        within.first().alias("within"),
    )  # fmt: skip
    says = pl.Series("says", [_back_says(row) for row in rows.iter_rows(named=True)], dtype=pl.String)
    return rows.drop("mature_kg", "within").with_columns(says)


def _back_says(row: dict[str, Any]) -> str:
    if row["within"]:
        return "Within its working rating now."
    if row["on"] is not None:
        return f"Back within rating on {day(row['on'])}, if nothing else happens."
    if row["mature_pct"] is not None:
        return f"Stays over: {pct(row['mature_pct'])} even when all media is mature."
    if row["mature_kg"] == 0:
        return "Half cycle only: nothing in it will work for the full cycle."
    return "Can't say: what is needed is not all known."


# -- what a result hangs on --------------------------------------------------------------------------


def break_even(frame: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """How far one thing may move, all else kept, before a load crosses 100 %: one row a request and thing.

    tank, as_of, rating (plain or working), what, now, at, says. `at` is the value at which it crosses. Asks without a
    load have no row.
    """
    limit = assumed["within_pct"]
    fed = pl.when(pl.col("load_basis") == "feed").then("feed_g_day")
    things = [  # the load of a rating, what may move, its value, and whether the load rises with it
        ("plain", "litres kept by a kilogram", pl.lit(assumed["litres_per_kg"]), False),
        ("plain", "net litres", pl.col("net_l"), True),
        ("working", "quality of the media", pl.lit(1.0), False),
        ("working", "stocking", pl.col("load"), True),
        ("working", "food in grams a day", fed, True),
    ]
    parts_ = []
    for rating, what, now, rises in things:
        load = pl.col(f"{rating}_load_pct")
        at = now * limit / load if rises else now * load / limit
        rows = frame.filter(load > 0).select(
            *REQUEST, rating=pl.lit(rating), what=pl.lit(what), now=now, at=at, over=load > limit
        )
        rows = rows.drop_nulls("now")
        says = [_crossing_says(what, at, over, rises=rises) for at, over in rows.select("at", "over").iter_rows()]
        parts_.append(rows.drop("over").with_columns(pl.Series("says", says, dtype=pl.String)))
    return pl.concat(parts_).sort(*REQUEST, "rating", "what")


def _crossing_says(what: str, at: float, over: bool, *, rises: bool) -> str:
    if what == "quality of the media":  # a share of what is taken: nothing makes media better than it is
        if at > 1:
            return "quality of the media: over, whatever its quality"
        return f"over only if the media does less than {pct(100 * at)} of what is taken"
    more, less = ("more than", "less than") if rises else ("less than", "more than")
    return f"{what}: {f'within only if {less}' if over else f'over only if {more}'} {number(at, 2)}"
