"""Jobs with a date: filter checks, carbon, kits, tap and flow tests, promises. As of any day, late or coming."""

from __future__ import annotations

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc.layers import in_force, table
from pipeline.calc.servicing import checks, flow_timings
from pipeline.week import Round
from pipeline.wording import NBSP
from schemas import Tables, conform, empty

ASK = ["tank", "as_of"]
CP = "common practice, no source"
HOUSE = "house figure"


def _day(column: str) -> pl.Expr:
    """A date as `Tue 2 June`, with its year where that is not the year of the ask."""
    day = pl.col(column)
    same = day.dt.year() == pl.col("as_of").dt.year()
    return pl.when(same).then(day.dt.strftime("%a %-d %B")).otherwise(day.dt.strftime("%a %-d %B %Y"))


def _placed(tables: Tables, asks: pl.DataFrame) -> pl.DataFrame:
    """Filters on the tanks on the as-of days: tank, as_of, filter, and the day the filter came."""
    placement = table(tables, "placement").select("filter", "tank", "from", "to")
    return (
        asks.join(placement, on="tank").filter(in_force("as_of")).select(*ASK, "filter", pl.col("from").alias("placed"))
    )


def _last_before(rows: pl.DataFrame, events: pl.DataFrame, by: str) -> pl.DataFrame:
    """Each row beside the last event of its `by` up to as-of; `date` is null where there was none."""
    events = (
        events.sort("date", maintain_order=True).unique([by, "date"], keep="last", maintain_order=True).sort("date")
    )
    return rows.sort("as_of").join_asof(events, left_on="as_of", right_on="date", by=by, check_sortedness=False)


def _weeks(column: str) -> pl.Expr:
    return pl.duration(days=(pl.col(column) * 7).round().cast(pl.Int64))


def filter_checks(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The next look into each filter: the interval after the last check. Never recorded is not late: no row."""
    done = checks(tables, assumed).select("filter", "date", "weeks", "chosen", "found")
    rows = _last_before(_placed(tables, asks), done, "filter").drop_nulls("date")
    rows = rows.with_columns(pl.col("weeks").fill_null(assumed["check_first_weeks"]), pl.col("date").alias("since"))
    why = (
        pl.when(pl.col("chosen"))
        .then(pl.format("chosen at the check on {}", _day("date")))
        .otherwise(pl.format("found {} on {}", pl.col("found").fill_null("not said"), _day("date")))
    )
    return rows.select(
        *ASK,
        pl.lit("check").alias("what"),
        (pl.col("since") + _weeks("weeks")).alias("on"),
        pl.format("filter check of {}, {}", "filter", why).alias("says"),
        pl.format("Check the pads of {} and time the flow.", "filter").alias("do"),
        pl.col("filter").alias("about"),
        pl.format("every {} weeks; {}", pl.col("weeks").round(0).cast(pl.Int64), pl.lit(CP)).alias("basis"),
    )


def carbon(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """Carbon in a filter: due seven weeks after it went in, out by two months. `carbon in` starts the clock anew."""
    chemical = table(tables, "medium").filter(pl.col("stage") == "chemical").select("medium", "life_days")
    fills = table(tables, "fill").join(chemical, on="medium").select("filter", "medium", "life_days", "from", "to")
    lying = (
        _placed(tables, asks)
        .join(fills, on="filter")
        .filter(in_force("as_of"))
        .group_by(*ASK, "filter", "medium", maintain_order=True)
        .agg(pl.col("from").max(), pl.col("life_days").min())
    )
    service = table(tables, "service").filter(pl.col("job").is_in(["carbon in", "carbon out"])).drop_nulls("filter")
    typed = service.select("filter", "date", "job")
    rows = _last_before(lying, typed, "filter").filter(
        ~((pl.col("job") == "carbon out") & (pl.col("date") >= pl.col("from"))).fill_null(False)
    )
    since = pl.max_horizontal("from", pl.when(pl.col("job") == "carbon in").then(pl.col("date")))
    rows = rows.with_columns(since.alias("since"))
    life = pl.col("life_days").fill_null(assumed["carbon_due_weeks"] * 7)
    due_days = pl.min_horizontal(life, pl.lit(assumed["carbon_due_weeks"] * 7))
    out = pl.col("since").dt.offset_by(f"{int(assumed['carbon_out_months'])}mo")
    rows = rows.with_columns(out.alias("out"))
    late = pl.col("as_of") >= pl.col("since") + pl.duration(weeks=round(assumed["carbon_late_weeks"]))
    how_late = (
        pl.when(pl.col("as_of") > pl.col("out"))
        .then(pl.format(": it should have been out by {}", _day("out")))
        .when(late)
        .then(pl.format(", late: out by {}", _day("out")))
        .otherwise(pl.format(", out by {}", _day("out")))
    )
    return rows.select(
        *ASK,
        pl.lit("carbon").alias("what"),
        (pl.col("since") + pl.duration(days=due_days.round().cast(pl.Int64))).alias("on"),
        pl.format("{} in {} since {}{}", "medium", "filter", _day("since"), how_late).alias("says"),
        pl.format("Take the carbon out of {}, or put media there instead.", "filter").alias("do"),
        pl.col("filter").alias("about"),
        pl.lit(f"{assumed['carbon_due_weeks']:g} weeks, out by {assumed['carbon_out_months']:g} months; {CP}").alias(
            "basis"
        ),
    )


def kits(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The kit last used on a tank: the day it goes out of date, and its next cross-check with another kit."""
    used = table(tables, "reading").drop_nulls("kit").select("tank", pl.col("day").alias("date"), "kit").unique()
    rows = _last_before(asks, used, "tank").drop_nulls("kit").drop("date")
    open_months = int(assumed["kit_open_months"])
    dates = (
        table(tables, "kit")
        .with_columns(pl.col("opened").dt.offset_by(f"{open_months}mo").alias("worn"))
        .group_by("kit", maintain_order=True)
        .agg(
            pl.col("expires").min(),
            pl.col("worn").min(),
            pl.col("opened").max(),
            pl.col("tests_left").min(),
            pl.col("parameter").sort_by(pl.min_horizontal("expires", "worn")).first(),
        )
    )
    rows = rows.join(dates, on="kit")
    ends = rows.with_columns(pl.min_horizontal("expires", "worn").alias("on")).drop_nulls("on")
    why = (
        pl.when(pl.col("on") == pl.col("expires"))
        .then(pl.lit("its date"))
        .otherwise(pl.lit(f"{open_months} months open"))
    )
    expiry = ends.select(
        *ASK,
        pl.lit("kit").alias("what"),
        "on",
        pl.format("kit {} out of date: {} on {}", "kit", why, _day("on")).alias("says"),
        pl.format("Bring a new kit for {}; cross-check before any change of plan.", "kit").alias("do"),
        pl.col("kit").alias("about"),
        pl.lit(f"expiry date, or {open_months} months from opening; {CP}").alias("basis"),
    )
    left = rows.filter(pl.col("tests_left") <= assumed["tests_left_low"]).select(
        *ASK,
        pl.lit("tests left").alias("what"),
        pl.col("as_of").alias("on"),
        pl.format("kit {} has {} tests left", "kit", pl.col("tests_left").cast(pl.Int64)).alias("says"),
        pl.format("Bring a new kit for {}.", "kit").alias("do"),
        pl.col("kit").alias("about"),
        pl.lit(f"{assumed['tests_left_low']:g} tests or fewer; {HOUSE}").alias("basis"),
    )
    return pl.concat([expiry, left], how="vertical_relaxed")


def tap_tests(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The next test of each tank's tap water. Never recorded is not late: no row."""
    supply = table(tables, "tank").join(table(tables, "site").select("site", "water_supply"), on="site")
    rows = asks.join(supply.select("tank", "water_supply"), on="tank").drop_nulls("water_supply")
    rows = _last_before(rows, table(tables, "tap").select("water_supply", "date").unique(), "water_supply")
    rows = rows.drop_nulls("date")
    every = int(assumed["tap_test_days"])
    return rows.select(
        *ASK,
        pl.lit("tap test").alias("what"),
        pl.col("date").dt.offset_by(f"{every}d").alias("on"),
        pl.format("tap {} last tested on {}", "water_supply", _day("date")).alias("says"),
        pl.format("Test the tap {}: nitrate, KH, pH, ammonia.", "water_supply").alias("do"),
        pl.col("water_supply").alias("about"),
        pl.lit(f"every {every} days; {HOUSE}").alias("basis"),
    )


def flow_tests(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The next timing of each filter's flow with bucket and watch. Never recorded is not late: no row."""
    rows = _last_before(_placed(tables, asks), flow_timings(tables).select("filter", "date", "flow_l_h"), "filter")
    rows = rows.drop_nulls("date")
    every = int(assumed["flow_test_days"])
    return rows.select(
        *ASK,
        pl.lit("flow test").alias("what"),
        pl.col("date").dt.offset_by(f"{every}d").alias("on"),
        pl.format("flow of {} last timed on {}", "filter", _day("date")).alias("says"),
        pl.when(pl.col("flow_l_h").is_null())
        .then(pl.format("Time the flow of {} with bucket and watch.", "filter"))
        .otherwise(
            pl.format(
                f"Time the flow of {{}}: it was {{}}{NBSP}L/h.", "filter", pl.col("flow_l_h").round(0).cast(pl.Int64)
            )
        )
        .alias("do"),
        pl.col("filter").alias("about"),
        pl.lit(f"every {every} days; {HOUSE}").alias("basis"),
    )


def promises(tables: Tables, asks: pl.DataFrame) -> pl.DataFrame:
    """Promises made and not kept by as-of. A promise to a site counts for its first tank."""
    made = table(tables, "promise").filter(pl.col("due").is_not_null())
    first = table(tables, "tank").filter(pl.col("closed").is_null()).unique("site", keep="first", maintain_order=True)
    made = made.join(first.select("site", pl.col("tank").alias("first")), on="site", how="left").with_columns(
        pl.coalesce("tank", "first").alias("tank")
    )
    rows = asks.join(made.drop_nulls("tank"), on="tank").filter(
        (pl.col("made_on") <= pl.col("as_of")) & (pl.col("done_on").is_null() | (pl.col("done_on") > pl.col("as_of")))
    )
    return rows.select(
        *ASK,
        pl.lit("promise").alias("what"),
        pl.col("due").alias("on"),
        pl.format("promised on {}: {}", _day("made_on"), "promise").alias("says"),
        pl.format("Keep the promise: {}.", "promise").alias("do"),
        pl.col("promise").alias("about"),
        pl.lit("a promise made to the site").alias("basis"),
    )


def due(tables: Tables, asks: pl.DataFrame, assumed: Assumptions, round_: Round) -> pl.DataFrame:
    """Every job with a date, of the asks; `late_days` is negative while it is coming."""
    if asks.height == 0:
        return empty("due")
    parts = [
        filter_checks(tables, asks, assumed),
        carbon(tables, asks, assumed),
        kits(tables, asks, assumed),
        tap_tests(tables, asks, assumed),
        flow_tests(tables, asks, assumed),
        promises(tables, asks),
    ]
    rows = (
        pl.concat([part for part in parts if part.height], how="vertical_relaxed")
        if any(p.height for p in parts)
        else empty("due")
    )
    late = (pl.col("as_of") - pl.col("on")).dt.total_days()
    return conform("due", rows.with_columns(late.alias("late_days")).sort("as_of", "tank", "on", "what", "about"))
