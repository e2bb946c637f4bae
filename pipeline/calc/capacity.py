"""Plain and working rating of every tank as of a day, with every factor beside it, and the half cycle.

The two numbers, never mixed: the plain rating is the bare rule of the trade, the working rating what is left of it
after the factors. Unknown is null and `missing` names what is wanted.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc import factors, half_cycle, servicing
from pipeline.calc.chemistry import nitrate_from_feed, nitrate_from_feed_published
from pipeline.calc.layers import (
    FILTER_REQUEST,
    REQUEST,
    filters_on,
    first_of,
    known,
    last_before,
    layers_on,
    numbers,
    series,
    table,
    unique_requests,
)
from pipeline.sentences import filled
from pipeline.sentences import table as sentences
from pipeline.wording import counted
from schemas import Tables, conform

Row = Mapping[str, Any]


def tank_side(tables: Tables, requests: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """What the tank asks of its filters, one row a request: litres, load, plants, need, temperature, expected nitrate.

    The temperature [°C] is the median of the last four weeks' readings; the feeding that of the day.
    """
    days = requests.lazy()
    feeding = table(tables, "feeding").lazy().select("tank", "from", "feed_g_day", "protein_pct")
    tanks = table(tables, "tank").lazy().select("tank", "gross_l", "net_l", "temperature_c", "planting", "stocking")
    lately = pl.col("as_of") - pl.duration(days=round(assumed["temperature_days"]))
    read = (
        days.join(table(tables, "reading").lazy().filter(pl.col("parameter") == "temperature"), on="tank")
        .filter((pl.col("day") <= pl.col("as_of")) & (pl.col("day") > lately))
        .group_by(REQUEST)
        .agg(pl.col("matched").median().alias("read_c"))
    )
    placed = table(tables, "placement").lazy().group_by("tank").agg(pl.col("from").min().alias("first_placed"))
    by_class, by_plants = factors.load_by_class(assumed), factors.need_by_planting(assumed)
    rows = (
        last_before(days, feeding, "tank", "from")
        .join(tanks.unique("tank", keep="last", maintain_order=True), on="tank", how="left")
        .join(read, on=REQUEST, how="left")
        .join(placed, on="tank", how="left")
        .sort(REQUEST)
        .with_columns(
            pl.coalesce("net_l", pl.col("gross_l") * assumed["net_of_gross"]).alias("used_l"),
            pl.col("stocking").replace_strict(by_class, default=by_class["normal"], return_dtype=pl.Float64).alias("load"),
            pl.col("planting").replace_strict(by_plants, default=by_plants["none"], return_dtype=pl.Float64).alias("plants"),
        )
        .collect()
    )  # fmt: skip
    net, feed, protein = (numbers(rows, name) for name in ("used_l", "feed_g_day", "protein_pct"))
    fed = ~np.isnan(feed) & ~np.isnan(net)
    load = np.where(fed, factors.load_from_feed(feed, net, assumed), rows["load"].to_numpy())
    made = nitrate_from_feed(feed, protein, net, assumed)
    usual = np.where(np.isnan(protein), assumed["protein_default_pct"], protein)
    return rows.select(
        *REQUEST,
        "gross_l",
        pl.col("used_l").alias("net_l"),
        (pl.col("first_placed") <= pl.col("as_of")).fill_null(False).alias("filter_known"),
        first_of((known("net_l"), "measured"), (known("gross_l"), "assumed from gross")).alias("net_basis"),
        series("load", load),
        first_of((pl.lit(pl.Series(fed)), "feed"), (known("stocking"), "stocking class"), otherwise="assumed normal")
        .alias("load_basis"),
        "feed_g_day",
        "plants",
        series("need_kg", factors.need_kg(net, load, rows["plants"].to_numpy(), assumed)),
        pl.coalesce("read_c", "temperature_c").alias("temperature_c"),
        first_of((known("read_c"), "readings"), (known("temperature_c"), "set temperature"), otherwise="none")
        .alias("temperature_basis"),
        series("expected_rise", made.rise),
        series("expected_low", made.low),
        series("expected_high", made.high),
        series("expected_published", nitrate_from_feed_published(feed, usual, net, assumed)),
    )  # fmt: skip


# -- the layers ------------------------------------------------------------------------------------


def layer_factors(
    layers: pl.DataFrame, tanks: pl.DataFrame, filters: pl.DataFrame, reached: pl.DataFrame, assumed: Assumptions
) -> pl.DataFrame:
    """The layers with every factor, `ahead` days from their as-of day if nothing else happens; null where none applies.

    Only biological layers have factors; pads and carbon do no work for the full cycle. Columns added: age_weeks,
    used_quality, maturity, disturbance, clog, temperature, effective_kg, and what `layers_why` reads.
    """
    clogs = filters.select(*FILTER_REQUEST, "clog", "clogged_by", "overdue_weeks", "flow_of_clean")
    days = (pl.col("as_of") - pl.max_horizontal("wetted", "dried")).dt.total_days().cast(pl.Float64)
    rows = (
        pl.concat([layers, servicing.disturbed(layers, reached, assumed)], how="horizontal")
        .join(clogs, on=FILTER_REQUEST, how="left", maintain_order="left")
        .join(tanks.select(*REQUEST, "load_basis", "temperature_c"), on=REQUEST, how="left", maintain_order="left")
        .with_columns(
            ((days + pl.col("ahead")) / servicing.DAYS_A_WEEK).alias("age_weeks"),
            (pl.col("quality") if assumed["use_quality"] else pl.lit(1.0)).alias("used_quality"),
            pl.when(pl.col("load_basis") == "feed").then("temperature_c").alias("temperature"),
        )
    )
    rows = rows.with_columns(
        pl.Series("maturity", factors.maturity(numbers(rows, "age_weeks"), assumed)),
        pl.Series("temperature", factors.temperature(numbers(rows, "temperature"), assumed)),
    )
    mine = ["place", "maturity", "disturbance", "clog", "temperature"]
    rows = rows.with_columns(pl.when("biological").then(pl.col(name)).alias(name) for name in mine)
    product = pl.col("mass_kg") * pl.col("used_quality")
    for name in mine:
        product = product * pl.col(name)
    nothing = (pl.col("used_quality") == 0) | (pl.col("place") == 0) | pl.col("foam")
    return rows.with_columns(
        pl.when(pl.col("biological") & nothing).then(0.0).when("biological").then(product).alias("effective_kg")
    )


def _reasons() -> dict[str, pl.Expr]:
    """When each reason of capacity.toml holds for a layer, in the order they are said."""
    felt, kind = pl.col("disturbance") < 1, pl.col("disturbed_by")
    rinsed = kind.str.starts_with("rinsed")
    return {
        "no quality": ~known("quality"),
        "quality": pl.col("quality") < 1,
        "place": pl.col("place_why") != "",
        "bypass": pl.col("bypass"),
        "no age": ~known("age_weeks"),
        "new": pl.col("maturity") < 1,
        "stopped": felt & (kind == "stopped"),
        "all rinsed": felt & rinsed & ~known("disturbed_size"),
        "rinsed": felt & rinsed & known("disturbed_size"),
        "disturbed": felt & (kind != "stopped") & ~rinsed,
        "dried": known("dried"),
        **{cause: pl.col("clogged_by") == cause for cause in ("flow", "overdue", "sludge", "service not recorded")},
        "warmth": pl.col("temperature") != 1,
    }


def layers_why(layers: pl.DataFrame, assumed: Assumptions) -> pl.Series:
    """Why each layer's factors are not 1, one reason a factor; nothing for pads and carbon, which do no such work."""
    reasons, says = _reasons(), sentences(__file__, "capacity.toml")["why"]
    full = assumed["maturity_full_weeks"]
    marked = layers.with_columns((pl.col("biological") & holds).alias(f"why {case}") for case, holds in reasons.items())

    def why(row: Row) -> str:
        hours, late = (round(row[name] or 0) for name in ("disturbed_size", "overdue_weeks"))
        shown = {
            "age": counted(int(row["age_weeks"] or 0), "week"),
            "hours": counted(hours, "hour"),
            "late": counted(late, "week"),
        }
        shown |= row
        return "; ".join(filled(says[case], full=full, **shown) for case in reasons if row[f"why {case}"])

    return pl.Series("why", [why(row) for row in marked.iter_rows(named=True)], pl.String)


def missing(layers: pl.DataFrame, placed: pl.DataFrame) -> pl.DataFrame:
    """What the layers lack, one row a request: plain_missing and working_missing, lists of words. The plain rating needs
    quality and mass of what counts; the working one also the mass and the place of all that works."""
    biological, solid, matters = pl.col("biological"), ~pl.col("foam"), (pl.col("quality") > 0).fill_null(True)
    no_mass, counts = pl.col("biological") & ~known("mass_kg") & solid, pl.col("counts")
    lacks = {
        "plain_missing": first_of(
            (~known("stage"), "stage"), (biological & ~known("quality") & solid, "quality"), (no_mass & counts, "mass")
        ),
        "working_missing": first_of(
            (no_mass & matters & ~counts, "mass"), (biological & ~known("place") & matters, "place")
        ),
    }
    says = sentences(__file__, "capacity.toml")["lacks"]
    some = layers.with_columns(**lacks).filter(pl.any_horizontal(pl.col(list(lacks)).is_not_null()))
    rows = [
        (row["tank"], row["as_of"], *(row[of] and filled(says[row[of]], **row) for of in lacks))
        for row in some.iter_rows(named=True)
    ]
    bare = placed.join(layers, on=FILTER_REQUEST, how="anti").select(*REQUEST, "filter")
    rows += [(*key, f"what fills {name}", None) for *key, name in bare.iter_rows()]
    schema = {"tank": pl.String, "as_of": pl.Date, **dict.fromkeys(lacks, pl.String)}
    lists = pl.col(list(lacks)).drop_nulls().unique(maintain_order=True)
    return pl.DataFrame(rows, schema=schema, orient="row").group_by(REQUEST).agg(lists)


# -- together --------------------------------------------------------------------------------------


def _flow_of_tank(filters: pl.DataFrame) -> pl.DataFrame:
    """Flow of a request: the filters' flows added up; the poorest basis, the oldest timing, the lowest share of clean."""
    basis = pl.col("flow_basis")
    worst = first_of(
        ((basis == "unknown").any(), "unknown"), ((basis == "estimated").any(), "estimated"), otherwise="timed"
    )
    return filters.group_by(REQUEST).agg(
        pl.col("filter").sort().alias("filters"),
        pl.when(pl.col("flow_l_h").null_count() == 0).then(pl.col("flow_l_h").sum()).alias("flow_l_h"),
        worst.alias("flow_basis"),
        pl.col("flow_day", "flow_of_clean").min(),
    )


def rated(
    tanks: pl.DataFrame, layers: pl.DataFrame, filters: pl.DataFrame, missing: pl.DataFrame, assumed: Assumptions
) -> pl.DataFrame:
    """The capacity of each request from what its tank wants and what its layers do."""
    sums = layers.group_by(REQUEST).agg(
        pl.col("mass_kg").filter("counts").sum().alias("counted_kg"),
        pl.col("effective_kg").sum().alias("worked_kg"),
    )  # fmt: skip
    nothing = pl.lit([], pl.List(pl.String))

    def words(when: pl.Expr | pl.Series, word: str) -> pl.Expr:
        return pl.when(when).then(pl.lit([word])).otherwise(nothing)

    plain_known = pl.col("plain_missing").list.len() == 0
    all_known = plain_known & (pl.col("working_missing").list.len() == 0)
    rows = (
        tanks.lazy()
        .join(_flow_of_tank(filters).lazy(), on=REQUEST, how="left")
        .join(sums.lazy(), on=REQUEST, how="left")
        .join(half_cycle.of_tanks(filters).lazy(), on=REQUEST, how="left")
        .join(missing.lazy(), on=REQUEST, how="left")
        .sort(REQUEST)
        .with_columns(
            pl.col("filters", "working_missing").fill_null([]),
            pl.col("flow_basis").fill_null("unknown"),
            # Not recorded is not none: a filter that was moved away leaves none, but one that nobody wrote down is not known.
            pl.when("filter_known").then(pl.col("plain_missing").fill_null([])).otherwise(pl.lit(["a filter on record"]))
            .alias("plain_missing"),
        )
        .with_columns(
            pl.when(plain_known).then(pl.col("counted_kg").fill_null(0.0)).alias("media_kg"),
            pl.when(all_known).then(pl.col("worked_kg").fill_null(0.0)).alias("effective_kg"),
        )
        .collect()
    )  # fmt: skip
    net, plain_l = numbers(rows, "net_l"), numbers(rows, "media_kg") * assumed["litres_per_kg"]
    plain = factors.load_pct(net, plain_l)
    working = factors.load_pct(numbers(rows, "need_kg"), numbers(rows, "effective_kg"))
    half_only, idle = (rows["media_kg"] == 0).fill_null(False), (rows["effective_kg"] == 0).fill_null(False)
    wants = pl.concat_list(
        words(half_only, "no rated media"),
        words(pl.col("net_l").is_null(), "net or gross litres"),
        "plain_missing",
        "working_missing",
    )
    return rows.with_columns(
        series("plain_l", plain_l),
        series("plain_load_pct", plain),
        series("working_load_pct", working),
        series("if_biggest_stops_pct", factors.load_pct(net, numbers(rows, "rest_l"))),
        pl.Series("plain_state", np.where(half_only, factors.HALF_ONLY, factors.load_state(plain, assumed))),
        pl.Series("working_state", np.where(idle, factors.HALF_ONLY, factors.load_state(working, assumed))),
        series("over_full_cycle", np.where(np.isnan(plain), np.nan, plain > assumed["within_pct"])).cast(pl.Boolean),
        pl.when(wants.list.len() > 0).then(wants.list.join("; ")).alias("missing"),
    )


@dataclass(frozen=True)
class Calculated:
    """The parts a capacity is put together from, for what is asked of it afterwards (through time, what-if)."""

    tanks: pl.DataFrame  # one row a request
    filters: pl.DataFrame  # one row a filter and request
    layers: pl.DataFrame  # one row a layer, without its factors; columns row and ahead
    reached: pl.DataFrame  # the disturbances of each row


def parts(tables: Tables, requests: pl.DataFrame, assumed: Assumptions) -> Calculated:
    """What stands and lies on each asked tank that day, and what reaches it."""
    days = unique_requests(requests)
    placed = filters_on(tables, days)
    layers = layers_on(tables, days, assumed).with_row_index("row").with_columns(pl.lit(0).alias("ahead"))
    flows = servicing.flow_and_clog(tables, placed, assumed)
    placed = placed.join(flows, on=["filter", "as_of"], how="left", maintain_order="left")
    half = half_cycle.of_filters(layers, placed, assumed)
    return Calculated(
        tanks=tank_side(tables, days, assumed),
        filters=placed.join(half, on=FILTER_REQUEST, how="left", maintain_order="left"),
        layers=layers,
        reached=servicing.reaching(layers, tables, assumed),
    )


def put_together(found: Calculated, assumed: Assumptions) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Capacity and layers, with every column there is, of some parts."""
    full = layer_factors(found.layers, found.tanks, found.filters, found.reached, assumed)
    full = full.with_columns(layers_why(full, assumed))
    return rated(found.tanks, full, found.filters, missing(full, found.filters), assumed), full


def capacity(tables: Tables, requests: pl.DataFrame, assumed: Assumptions) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Capacity and its layers as of many days for many tanks at once: frames of schemas Capacity and CapacityLayer."""
    frame, layers = put_together(parts(tables, requests, assumed), assumed)
    return conform("capacity", frame), conform("capacity_layer", layers.with_columns(pl.col("position").fill_null(0)))
