"""Jobs with a date: filter checks, carbon, kits, tap and flow tests, promises. As of any day, late or coming."""

from collections.abc import Callable
from typing import Any

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc.layers import in_force, table
from pipeline.calc.servicing import checks, flow_timings
from pipeline.week import Round
from pipeline.wording import NBSP, counted, day
from schemas import Tables, conform, empty

ASK = ["tank", "as_of"]
Row = dict[str, Any]
CP = "common practice, no source"
HOUSE = "house figure"


def _day(row: Row, name: str) -> str:
    """A date as `Tue 2 June`, with its year where that is not the year of the ask."""
    return day(row[name], year=row[name].year != row["as_of"].year)


def _jobs(rows: pl.DataFrame, what: str, basis: str, say: Callable[[Row], tuple[str, str]]) -> pl.DataFrame:
    """Rows with tank, as_of, `on` and `about` as jobs, each with what it says and what to do about it."""
    words = [say(row) for row in rows.iter_rows(named=True)]
    return rows.select(*ASK, pl.lit(what).alias("what"), "on", "about").with_columns(
        pl.Series("says", [says for says, _ in words], dtype=pl.String),
        pl.Series("do", [do for _, do in words], dtype=pl.String),
        pl.lit(basis).alias("basis"),
    )


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
    rows = rows.with_columns(pl.col("weeks").fill_null(assumed["check_first_weeks"]))
    rows = rows.with_columns((pl.col("date") + _weeks("weeks")).alias("on"), pl.col("filter").alias("about"))

    def say(row: Row) -> tuple[str, str]:
        found = "chosen at the last service" if row["chosen"] else f"found {row['found'] or 'as not recorded'}"
        says = f"service of filter {row['filter']}, every {row['weeks']:.0f} weeks, {found} on {_day(row, 'date')}"
        return says, f"Check the pads of {row['filter']} and time the flow."

    return _jobs(rows, "check", f"the interval follows what the last service found; {CP}", say)


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
    rows = rows.with_columns(
        (pl.col("since") + pl.duration(days=due_days.round().cast(pl.Int64))).alias("on"),
        pl.col("filter").alias("about"),
        (pl.col("as_of") >= pl.col("since") + pl.duration(weeks=round(assumed["carbon_late_weeks"]))).alias("late"),
    )

    def say(row: Row) -> tuple[str, str]:
        out = _day(row, "out")
        late = f": it should have been out by {out}" if row["as_of"] > row["out"] else f", out by {out}"
        if row["late"] and row["as_of"] <= row["out"]:
            late = f", overdue: out by {out}"
        says = f"{row['medium']} in {row['filter']} since {_day(row, 'since')}{late}"
        return says, f"Take the carbon out of {row['filter']}, or put media there instead."

    basis = f"{assumed['carbon_due_weeks']:g} weeks, out by {assumed['carbon_out_months']:g} months; {CP}"
    return _jobs(rows, "carbon", basis, say)


def kits(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The kit last used on a tank: the day it goes out of date, and its next cross-check with another kit."""
    used = (
        table(tables, "reading")
        .drop_nulls("kit")
        .select("tank", pl.col("day").alias("date"), "kit")
        .unique()
        .sort("tank", "date", "kit")
    )
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
    rows = rows.join(dates, on="kit").with_columns(pl.col("kit").alias("about"))
    ends = rows.with_columns(pl.min_horizontal("expires", "worn").alias("on")).drop_nulls("on")

    def ended(row: Row) -> tuple[str, str]:
        why = "its date" if row["on"] == row["expires"] else f"{open_months} months open"
        says = f"kit {row['kit']} expired: {why} on {_day(row, 'on')}"
        return says, f"Bring a new kit for {row['kit']}; cross-check before any change of plan."

    def low(row: Row) -> tuple[str, str]:
        return (
            f"kit {row['kit']} has {counted(int(row['tests_left']), 'test')} left",
            f"Bring a new kit for {row['kit']}.",
        )

    left = rows.filter(pl.col("tests_left") <= assumed["tests_left_low"]).with_columns(pl.col("as_of").alias("on"))
    return pl.concat([
        _jobs(ends, "kit", f"expiry date, or {open_months} months from opening; {CP}", ended),
        _jobs(left, "tests left", f"{assumed['tests_left_low']:g} tests or fewer; {HOUSE}", low),
    ])  # fmt: skip


def tap_tests(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The next test of each tank's tap water. Never recorded is not late: no row."""
    supply = table(tables, "tank").join(table(tables, "site").select("site", "water_supply"), on="site")
    rows = asks.join(supply.select("tank", "water_supply"), on="tank").drop_nulls("water_supply")
    rows = _last_before(rows, table(tables, "tap").select("water_supply", "date").unique(), "water_supply")
    rows = rows.drop_nulls("date")
    every = int(assumed["tap_test_days"])
    rows = rows.with_columns(
        pl.col("date").dt.offset_by(f"{every}d").alias("on"), pl.col("water_supply").alias("about")
    )

    def say(row: Row) -> tuple[str, str]:
        supply = row["water_supply"]
        return f"tap {supply} last tested on {_day(row, 'date')}", f"Test the tap {supply}: nitrate, KH, pH, ammonia."

    return _jobs(rows, "tap test", f"every {every} days; {HOUSE}", say)


def flow_tests(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The next timing of each filter's flow with bucket and watch. Never recorded is not late: no row."""
    rows = _last_before(_placed(tables, asks), flow_timings(tables).select("filter", "date", "flow_l_h"), "filter")
    rows = rows.drop_nulls("date")
    every = int(assumed["flow_test_days"])
    rows = rows.with_columns(pl.col("date").dt.offset_by(f"{every}d").alias("on"), pl.col("filter").alias("about"))

    def say(row: Row) -> tuple[str, str]:
        how = " with bucket and watch" if row["flow_l_h"] is None else f": it was {row['flow_l_h']:.0f}{NBSP}L/h"
        says = f"flow of {row['filter']} last timed on {_day(row, 'date')}"
        return says, f"Time the flow of {row['filter']}{how}."

    return _jobs(rows, "flow test", f"every {every} days; {HOUSE}", say)


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
    rows = rows.with_columns(pl.col("due").alias("on"), pl.col("promise").alias("about"))

    def say(row: Row) -> tuple[str, str]:
        return f"promised on {_day(row, 'made_on')}: {row['promise']}", f"Keep the promise: {row['promise']}."

    return _jobs(rows, "promise", "a promise made to the site", say)


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
