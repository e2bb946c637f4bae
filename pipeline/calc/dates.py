"""Jobs with a date: filter checks, carbon, kits, tap and flow tests, promises. As of any day, late or coming. What each
says stands in dates.toml."""

import datetime as dt

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc.balance_rows import tank_supply
from pipeline.calc.layers import REQUEST, first_of, in_force, known, last_before, table
from pipeline.calc.servicing import checks, flow_timings
from pipeline.sentences import filled
from pipeline.sentences import table as sentences
from pipeline.wording import day
from schemas import Tables, conform, empty

BASES = {"CP": "common practice, no source", "HOUSE": "house figure"}


def _jobs(
    rows: pl.LazyFrame, what: str, about: str, on: pl.Expr, assumed: Assumptions, case: pl.Expr | None = None
) -> pl.DataFrame:
    """Rows that have a day as jobs; their sentences are filled with the row. `case` is that of dates.toml, where there is
    more than one."""
    rows = rows.with_columns(on.alias("on"), pl.col(about).alias("about")).drop_nulls("on")
    rows = rows.with_columns(case=pl.lit(None, pl.String) if case is None else case)
    sentence, types = sentences(__file__, "dates.toml")[what], dict(empty("due").drop("late_days").schema)
    basis, jobs = filled(sentence["basis"], assumed=assumed, **BASES), []
    for row in rows.collect().iter_rows(named=True):
        year = row["as_of"].year
        shown = {k: day(v, year=v.year != year) if isinstance(v, dt.date) else v for k, v in row.items()}
        says, do = (filled(sentence[part], assumed=assumed, **shown) for part in (row["case"] or "says", "do"))
        jobs.append({**row, "what": what, "says": says, "do": do, "basis": basis})
    return pl.DataFrame(jobs, schema=types) if jobs else pl.DataFrame(schema=types)


def _placed(tables: Tables, requests: pl.DataFrame) -> pl.LazyFrame:
    """Filters on the tanks on the as-of days: tank, as_of, filter."""
    placement = table(tables, "placement").lazy().select("filter", "tank", "from", "to")
    return requests.lazy().join(placement, on="tank").filter(in_force("as_of")).select(*REQUEST, "filter")


def _days(days: pl.Expr | float) -> pl.Expr:
    return pl.duration(days=days.round().cast(pl.Int64) if isinstance(days, pl.Expr) else int(days))


def filter_checks(tables: Tables, requests: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The next look into each filter: the interval after the last check. Never recorded is not late: no row."""
    done = checks(tables, assumed).lazy().select("filter", "date", "weeks", "chosen", "found")
    rows = last_before(_placed(tables, requests), done, "filter")
    rows = rows.with_columns(pl.col("weeks").fill_null(assumed["check_first_weeks"]))
    how = first_of(("chosen", "chosen"), (~known("found"), "not recorded"))
    return _jobs(rows, "check", "filter", pl.col("date") + _days(pl.col("weeks") * 7), assumed, how)


def carbon(tables: Tables, requests: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """Carbon in a filter: due seven weeks after it went in, out by two months. `carbon in` starts the clock anew."""
    chemical = table(tables, "medium").lazy().filter(pl.col("stage") == "chemical").select("medium", "life_days")
    fills = (
        table(tables, "fill").lazy().join(chemical, on="medium").select("filter", "medium", "life_days", "from", "to")
    )
    lying = (
        _placed(tables, requests)
        .join(fills, on="filter")
        .filter(in_force("as_of"))
        .group_by(*REQUEST, "filter", "medium", maintain_order=True)
        .agg(pl.col("from").max(), pl.col("life_days").min())
    )
    handled = (
        table(tables, "service").lazy().filter(pl.col("job").is_in(["carbon in", "carbon out"])).drop_nulls("filter")
    )
    taken = ((pl.col("job") == "carbon out") & (pl.col("date") >= pl.col("from"))).fill_null(False)
    since = pl.max_horizontal("from", pl.when(pl.col("job") == "carbon in").then("date"))
    out = pl.col("since").dt.offset_by(f"{int(assumed['carbon_out_months'])}mo")
    late = pl.col("as_of") >= pl.col("since") + pl.duration(weeks=round(assumed["carbon_late_weeks"]))
    case = first_of((pl.col("as_of") > pl.col("out"), "out by now"), (late, "late"))
    rows = last_before(lying, handled.select("filter", "date", "job"), "filter").filter(~taken)
    rows = rows.with_columns(since.alias("since")).with_columns(out.alias("out"))

    most = assumed["carbon_due_weeks"] * 7
    life = pl.min_horizontal(pl.col("life_days").fill_null(most), pl.lit(most))
    return _jobs(rows, "carbon", "filter", pl.col("since") + _days(life), assumed, case)


def kits(tables: Tables, requests: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The kits used on a tank on the last day that any was: the day each goes out of date, and how many tests are left."""
    used = table(tables, "reading").lazy().drop_nulls("kit").select("tank", pl.col("day").alias("date"), "kit").unique()
    last = last_before(requests.lazy(), used.select("tank", "date").unique(), "tank")
    rows = last.join(used, on=["tank", "date"]).drop("date")
    dates = (
        table(tables, "kit")
        .lazy()
        .with_columns(pl.col("opened").dt.offset_by(f"{int(assumed['kit_open_months'])}mo").alias("worn"))
        .group_by("kit", maintain_order=True)
        .agg(pl.col("expires", "worn", "tests_left").min())
    )
    rows = rows.join(dates, on="kit")

    dated, over = pl.col("on") == pl.col("expires"), pl.col("on") < pl.col("as_of")
    case = first_of((dated & over, "expired"), (dated, "expires"), (over, "worn"), otherwise="wears")
    low = rows.filter(pl.col("tests_left") <= assumed["tests_left_low"])
    return pl.concat([
        _jobs(rows, "kit", "kit", pl.min_horizontal("expires", "worn"), assumed, case),
        _jobs(low, "tests left", "kit", pl.col("as_of"), assumed, first_of((pl.col("tests_left") == 1, "one"))),
    ])  # fmt: skip


def tap_tests(tables: Tables, requests: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The next test of each tank's tap water. Never recorded is not late: no row."""
    supply = tank_supply(tables).lazy().rename({"supply": "water_supply"}).drop_nulls()
    rows = requests.lazy().join(supply, on="tank")
    rows = last_before(rows, table(tables, "tap").lazy().select("water_supply", "date").unique(), "water_supply")
    return _jobs(rows, "tap test", "water_supply", pl.col("date") + _days(assumed["tap_test_days"]), assumed)


def flow_tests(tables: Tables, requests: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The next timing of each filter's flow with bucket and watch. Never recorded is not late: no row."""
    rows = last_before(_placed(tables, requests), flow_timings(tables).lazy(), "filter")
    return _jobs(rows, "flow test", "filter", pl.col("date") + _days(assumed["flow_test_days"]), assumed)


def promises(tables: Tables, requests: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """Promises made and not kept by as-of. A promise to a site counts for its first tank."""
    running = table(tables, "tank").lazy().filter(pl.col("closed").is_null())
    first = running.unique("site", keep="first", maintain_order=True).select("site", pl.col("tank").alias("first"))
    made = table(tables, "promise").lazy().join(first, on="site", how="left")
    made = made.with_columns(pl.coalesce("tank", "first").alias("tank")).drop_nulls("tank")
    open_still = pl.col("done_on").is_null() | (pl.col("done_on") > pl.col("as_of"))
    rows = requests.lazy().join(made, on="tank").filter((pl.col("made_on") <= pl.col("as_of")) & open_still)
    return _jobs(rows, "promise", "promise", pl.col("due"), assumed)


def due(tables: Tables, requests: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """Every job with a date, of the requests; `late_days` is negative while it is coming."""
    jobs = (filter_checks, carbon, kits, tap_tests, flow_tests, promises)
    rows = pl.concat([job(tables, requests, assumed) for job in jobs])
    late = (pl.col("as_of") - pl.col("on")).dt.total_days()
    return conform("due", rows.with_columns(late.alias("late_days")).sort("as_of", "tank", "on", "what", "about"))
