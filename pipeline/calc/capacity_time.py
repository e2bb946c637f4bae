"""Capacity through time if nothing else happens: media ripens and recovers, and a day comes when a tank is back within.

And what a result hangs on: how far an assumption may move before the word changes.
"""

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc import factors
from pipeline.calc.capacity import layer_factors, parts, put_together
from pipeline.calc.layers import REQUEST, first_of, numbers, series
from pipeline.calc.servicing import DAYS_A_WEEK
from pipeline.sentences import filled
from pipeline.sentences import table as sentences
from pipeline.wording import number
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
        pl.when(~within.first()).then(pl.col("day").filter(within).first()).alias("on"),
        case=first_of(
            (within.first(), "within"), (within.any(), "on"), (pl.col("working_load_pct").last().is_not_null(), "over"),
            (pl.col("effective_kg").last() == 0, "never"), otherwise="not known",
        ),
    )  # fmt: skip
    return _with_says(rows, "back")


def _with_says(rows: pl.DataFrame, kind: str) -> pl.DataFrame:
    """The rows with what capacity.toml says of each `case`."""
    of = sentences(__file__, "capacity.toml")[kind]
    says = [filled(of[row["case"]], **row) for row in rows.iter_rows(named=True)]
    return rows.drop("case").with_columns(pl.Series("says", says, pl.String))


# -- what a result hangs on --------------------------------------------------------------------------


def break_even(frame: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """How far one thing may move, all else kept, before a load crosses 100 %: one row a request and thing.

    tank, as_of, rating (plain or working), what, now, at, says. `at` is the value at which it crosses. Asks without a
    load have no row.
    """
    limit = assumed["within_pct"]
    fed = pl.when(pl.col("load_basis") == "feed").then("feed_g_day")
    things = [  # the load of a rating, what may move, its value, and what the load does with it
        ("plain", "litres kept by a kilogram", pl.lit(assumed["litres_per_kg"]), "falls"),
        ("plain", "net litres", pl.col("net_l"), "rises"),
        ("working", "quality of the media", pl.lit(1.0), "quality"),
        ("working", "stocking", pl.col("load"), "rises"),
        ("working", "food in grams a day", fed, "rises"),
    ]
    parts_ = []
    for rating, what, now, moves in things:
        load = pl.col(f"{rating}_load_pct")
        at = now * limit / load if moves == "rises" else now * load / limit
        over = at > 1 if moves == "quality" else load > limit  # nothing makes media better than it is
        case = first_of((over, f"{moves}, over"), otherwise=f"{moves}, within")
        parts_.append(
            frame.filter(load > 0).select(*REQUEST, rating=pl.lit(rating), what=pl.lit(what), now=now, at=at, case=case)
        )
    rows = pl.concat(parts_).drop_nulls("now")
    near = pl.Series("near", [number(at, 2) for at in rows["at"]], pl.String)
    return _with_says(rows.with_columns(near), "crossing").drop("near").sort(*REQUEST, "rating", "what")
