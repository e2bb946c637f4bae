"""Plain and working rating of every tank as of a day, with every factor beside it, and the half cycle.

The two numbers, never mixed: the plain rating is the bare rule of the trade, the working rating what is left of it
after the factors. Unknown is null and `missing` names what is wanted.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc import disturbance, factors, half_cycle, servicing
from pipeline.calc.cells import Array
from pipeline.calc.chemistry import nitrate_from_feed, nitrate_from_feed_published
from pipeline.calc.layers import ASK, FILTER_ASK, asked, filters_on, layers_on, table
from pipeline.calc.reasons import lacks, layer_why
from schemas import Tables, conform


def _numbers(frame: pl.DataFrame, name: str) -> Array:
    return frame[name].cast(pl.Float64).fill_null(np.nan).to_numpy()


def _series(name: str, values: Array) -> pl.Series:
    """An array as a column: nan becomes null."""
    return pl.Series(name, np.asarray(values, dtype=float)).fill_nan(None)


# -- the tank --------------------------------------------------------------------------------------


def _temperature(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """Median temperature [°C] of the last four weeks' readings of each ask."""
    days = pl.duration(days=round(assumed["temperature_days"]))
    return (
        asks.join(
            table(tables, "reading").filter(pl.col("parameter") == "temperature").select("tank", "day", "matched"),
            on="tank",
        )
        .filter((pl.col("day") <= pl.col("as_of")) & (pl.col("day") > pl.col("as_of") - days))
        .group_by(ASK)
        .agg(pl.col("matched").median().alias("read_c"))
    )


def _feeding(tables: Tables, asks: pl.DataFrame) -> pl.DataFrame:
    """The feeding in force: feed_g_day, protein_pct; null where none is recorded up to the day."""
    feeding = table(tables, "feeding").select("tank", "from", "feed_g_day", "protein_pct").sort("from")
    feeding = feeding.unique(["tank", "from"], keep="last", maintain_order=True)
    return asks.sort("as_of").join_asof(
        feeding, left_on="as_of", right_on="from", by="tank", check_sortedness=False
    ).drop("from")  # fmt: skip


def tank_side(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """What the tank asks of its filters, one row an ask: litres, load, plants, need, temperature, expected nitrate."""
    tanks = table(tables, "tank").select(
        "tank", "gross_l", pl.col("net_l").alias("measured_l"), "temperature_c", "planting", "stocking"
    ).unique("tank", keep="last", maintain_order=True)  # fmt: skip
    rows = (
        _feeding(tables, asks)
        .join(tanks, on="tank", how="left")
        .join(_temperature(tables, asks, assumed), on=ASK, how="left")
        .sort(ASK)
        .with_columns(
            pl.coalesce("measured_l", pl.col("gross_l") * assumed["net_of_gross"]).alias("net_l"),
            pl.coalesce("read_c", "temperature_c").alias("used_c"),
        )
    )
    placed = table(tables, "placement").group_by("tank").agg(pl.col("from").min().alias("first_placed"))
    rows = rows.join(placed, on="tank", how="left", maintain_order="left")
    net, feed = _numbers(rows, "net_l"), _numbers(rows, "feed_g_day")
    by_feed = factors.load_from_feed(feed, net, assumed)
    by_class = rows["stocking"].replace_strict(
        factors.load_by_class(assumed), default=factors.load_by_class(assumed)["normal"], return_dtype=pl.Float64
    )
    fed = ~np.isnan(feed) & ~np.isnan(net)
    load = np.where(fed, by_feed, by_class.to_numpy())
    plants = rows["planting"].replace_strict(
        factors.need_by_planting(assumed), default=factors.need_by_planting(assumed)["none"], return_dtype=pl.Float64
    )
    protein = _numbers(rows, "protein_pct")
    made = nitrate_from_feed(feed, protein, net, assumed)
    usual = np.where(np.isnan(protein), assumed["protein_default_pct"], protein)
    published = nitrate_from_feed_published(feed, usual, net, assumed)
    return rows.select(
        *ASK,
        "gross_l",
        "net_l",
        (pl.col("first_placed") <= pl.col("as_of")).fill_null(False).alias("filter_known"),
        pl.when(pl.col("measured_l").is_not_null())
        .then(pl.lit("measured"))
        .when(pl.col("gross_l").is_not_null())
        .then(pl.lit("assumed from gross"))
        .alias("net_basis"),
        _series("load", load),
        pl.when(pl.Series(fed))
        .then(pl.lit("feed"))
        .when(pl.col("stocking").is_not_null())
        .then(pl.lit("stocking class"))
        .otherwise(pl.lit("assumed normal"))
        .alias("load_basis"),
        "feed_g_day",
        plants.alias("plants"),
        _series("need_kg", factors.need_kg(net, load, plants.to_numpy(), assumed)),
        pl.col("used_c").alias("temperature_c"),
        pl.when(pl.col("read_c").is_not_null())
        .then(pl.lit("readings"))
        .when(pl.col("temperature_c").is_not_null())
        .then(pl.lit("set temperature"))
        .otherwise(pl.lit("none"))
        .alias("temperature_basis"),
        _series("expected_rise", made.rise),
        _series("expected_low", made.low),
        _series("expected_high", made.high),
        _series("expected_published", published),
    )


# -- the layers ------------------------------------------------------------------------------------


def layer_factors(
    layers: pl.DataFrame, tanks: pl.DataFrame, filters: pl.DataFrame, reached: pl.DataFrame, assumed: Assumptions
) -> pl.DataFrame:
    """The layers with every factor, `ahead` days from their as-of day if nothing else happens; null where none applies.

    Only biological layers have factors; pads and carbon do no work for the full cycle. Columns added: age_weeks,
    used_quality, maturity, disturbance, clog, temperature, effective_kg, and what `reasons.layer_why` reads.
    """
    felt = disturbance.disturbed(layers, reached, assumed)
    rows = pl.concat([layers, felt], how="horizontal")
    rows = rows.join(
        filters.select(*FILTER_ASK, "clog", "clogged_by", "overdue_weeks", "flow_of_clean"),
        on=FILTER_ASK,
        how="left",
        maintain_order="left",
    )
    rows = rows.join(
        tanks.select(*ASK, "load_basis", "temperature_c"), on=ASK, how="left", maintain_order="left"
    ).with_columns(pl.max_horizontal("wetted", "dried").alias("since"))
    days = (rows["as_of"] - rows["since"]).dt.total_days().cast(pl.Float64)
    age = (days + rows["ahead"]) / disturbance.DAYS_A_WEEK
    by_feed = (rows["load_basis"] == "feed").to_numpy()
    warmth = factors.temperature(np.where(by_feed, _numbers(rows, "temperature_c"), np.nan), assumed)
    rows = rows.with_columns(
        age.alias("age_weeks"),
        (pl.col("quality") if assumed["use_quality"] else pl.lit(1.0)).alias("used_quality"),
        pl.Series("maturity", factors.maturity(age.fill_null(np.nan).to_numpy(), assumed)),
        pl.Series("temperature", warmth),
    )
    mine = ["place", "maturity", "disturbance", "clog", "temperature"]
    rows = rows.with_columns(pl.when("biological").then(pl.col(name)).alias(name) for name in mine)
    product = pl.col("mass_kg") * pl.col("used_quality")
    for name in mine:
        product = product * pl.col(name)
    nothing = (pl.col("used_quality") == 0) | (pl.col("place") == 0) | pl.col("foam")
    return rows.with_columns(
        pl.when(pl.col("biological") & nothing).then(0.0).when("biological").then(product).alias("effective_kg"),
    )


def missing(layers: pl.DataFrame, placed: pl.DataFrame) -> pl.DataFrame:
    """What the layers lack, one row an ask: plain_missing and working_missing, lists of words."""
    bare = placed.join(layers.select(FILTER_ASK).unique(), on=FILTER_ASK, how="anti")
    no_quality = pl.col("quality").is_null() | pl.col("mass_kg").is_null() | pl.col("place").is_null()
    some = layers.filter(pl.col("stage").is_null() | (pl.col("biological") & no_quality))
    rows = [(row["tank"], row["as_of"], *words) for row in some.iter_rows(named=True) if any(words := lacks(row))]
    rows += [(*key, f"what fills {name}", None) for *key, name in bare.select(*ASK, "filter").iter_rows()]
    schema = {"tank": pl.String, "as_of": pl.Date, "plain": pl.String, "working": pl.String}
    return (
        pl.DataFrame(rows, schema=schema, orient="row")
        .group_by(ASK)
        .agg(
            pl.col("plain").drop_nulls().unique(maintain_order=True).alias("plain_missing"),
            pl.col("working").drop_nulls().unique(maintain_order=True).alias("working_missing"),
        )
    )


# -- together --------------------------------------------------------------------------------------


def _filters(tables: Tables, layers: pl.DataFrame, placed: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """One row a filter and ask: its flow, clog and half-cycle rating."""
    flows = servicing.flow_and_clog(tables, placed, assumed)
    rows = placed.join(flows, on=["filter", "as_of"], how="left", maintain_order="left")
    return rows.join(half_cycle.of_filters(layers, rows, assumed), on=FILTER_ASK, how="left", maintain_order="left")


def _flow_of_tank(filters: pl.DataFrame) -> pl.DataFrame:
    """Flow of an ask: the filters' flows added up; the poorest basis, the oldest timing, the lowest share of clean."""
    said = pl.col("flow_basis")
    return filters.group_by(ASK).agg(
        pl.col("filter").sort().alias("filters"),
        pl.when(pl.col("flow_l_h").null_count() == 0).then(pl.col("flow_l_h").sum()).alias("flow_l_h"),
        pl.when((said == "unknown").any())
        .then(pl.lit("unknown"))
        .when((said == "estimated").any())
        .then(pl.lit("estimated"))
        .otherwise(pl.lit("timed"))
        .alias("flow_basis"),
        pl.col("flow_day").min(),
        pl.col("flow_of_clean").min(),
    )


def rated(
    tanks: pl.DataFrame, layers: pl.DataFrame, filters: pl.DataFrame, missing: pl.DataFrame, assumed: Assumptions
) -> pl.DataFrame:
    """The capacity of each ask from what its tank wants and what its layers do."""
    sums = layers.group_by(ASK).agg(
        pl.col("mass_kg").filter("counts").sum().alias("counted_kg"),
        pl.col("effective_kg").sum().alias("worked_kg"),
    )
    rows = (
        tanks.join(_flow_of_tank(filters), on=ASK, how="left")
        .join(sums, on=ASK, how="left")
        .join(half_cycle.of_tanks(filters), on=ASK, how="left")
        .join(missing, on=ASK, how="left")
        .sort(ASK)
        .with_columns(
            pl.col("filters").fill_null([]),
            pl.col("flow_basis").fill_null("unknown"),
            # Not recorded is not none: a filter that was moved away leaves none, but one that nobody wrote down is not known.
            pl.when(pl.col("filter_known"))
            .then(pl.col("plain_missing").fill_null([]))
            .otherwise(pl.lit(["a filter on record"]))
            .alias("plain_missing"),
            pl.col("working_missing").fill_null([]),
        )
    )
    plain_known = pl.col("plain_missing").list.len() == 0
    all_known = plain_known & (pl.col("working_missing").list.len() == 0)
    rows = rows.with_columns(
        pl.when(plain_known).then(pl.col("counted_kg").fill_null(0.0)).alias("media_kg"),
        pl.when(all_known).then(pl.col("worked_kg").fill_null(0.0)).alias("effective_kg"),
    )
    net = _numbers(rows, "net_l")
    plain_l = _numbers(rows, "media_kg") * assumed["litres_per_kg"]
    plain = factors.load_pct(net, plain_l)
    working = factors.load_pct(_numbers(rows, "need_kg"), _numbers(rows, "effective_kg"))
    rest = factors.load_pct(net, _numbers(rows, "rest_l"))
    half_only, idle = (rows["media_kg"] == 0).fill_null(False), (rows["effective_kg"] == 0).fill_null(False)
    rows = rows.with_columns(
        _series("plain_l", plain_l),
        _series("plain_load_pct", plain),
        _series("working_load_pct", working),
        _series("if_biggest_stops_pct", rest),
        pl.Series("plain_state", np.where(half_only, factors.HALF_ONLY, factors.load_state(plain, assumed))),
        pl.Series("working_state", np.where(idle, factors.HALF_ONLY, factors.load_state(working, assumed))),
        _series("over", np.where(np.isnan(plain), np.nan, plain > assumed["within_pct"])),
    )
    wants = pl.concat_list(
        pl.when(half_only).then(pl.lit(["no rated media"])).otherwise(pl.lit([], pl.List(pl.String))),
        pl.when(pl.col("net_l").is_null())
        .then(pl.lit(["net or gross litres"]))
        .otherwise(pl.lit([], pl.List(pl.String))),
        "plain_missing",
        "working_missing",
    )
    return rows.with_columns(
        pl.when(wants.list.len() > 0).then(wants.list.join("; ")).alias("missing"),
        pl.col("over").cast(pl.Boolean).alias("over_full_cycle"),
    )


@dataclass(frozen=True)
class Calculated:
    """The parts a capacity is put together from, for what is asked of it afterwards (through time, what-if)."""

    tanks: pl.DataFrame  # one row an ask
    filters: pl.DataFrame  # one row a filter and ask
    layers: pl.DataFrame  # one row a layer, without its factors; columns row and ahead
    reached: pl.DataFrame  # the disturbances of each row


def parts(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> Calculated:
    """What stands and lies on each asked tank that day, and what reaches it."""
    days = asked(asks)
    placed = filters_on(tables, days)
    layers = layers_on(tables, days, assumed).with_row_index("row").with_columns(pl.lit(0).alias("ahead"))
    return Calculated(
        tanks=tank_side(tables, days, assumed),
        filters=_filters(tables, layers, placed, assumed),
        layers=layers,
        reached=disturbance.reaching(layers, tables, assumed),
    )


def put_together(found: Calculated, assumed: Assumptions) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Capacity and layers, with every column there is, of some parts."""
    full = layer_factors(found.layers, found.tanks, found.filters, found.reached, assumed)
    why = [layer_why(row, assumed) for row in full.iter_rows(named=True)]
    full = full.with_columns(pl.Series("why", why, dtype=pl.String))
    return rated(found.tanks, full, found.filters, missing(full, found.filters), assumed), full


def capacity(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Capacity and its layers for many tanks and days at once: frames of schemas Capacity and CapacityLayer.

    Everything is as of the day: what stood and lay there then, the services, food and readings up to then.
    """
    frame, layers = put_together(parts(tables, asks, assumed), assumed)
    return conform("capacity", frame), conform("capacity_layer", layers.with_columns(pl.col("position").fill_null(0)))
