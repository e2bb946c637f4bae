"""The latest water of every tank as of a day: one row a parameter, and free ammonia calculated from one visit."""

import math

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc.chemistry import free_ammonia_mg_l
from pipeline.calc.layers import REQUEST, first_of, known, series
from schemas import Tables, conform

SAMPLE_OF = ["tank", "at", "taken"]
FREE = "free_ammonia"
HARMS = ("ammonia", "nitrite", FREE)  # of samples of one day the highest speaks, before its change or after
SAMPLE, EARLIER, SET, ASSUMED = "the sample", "an earlier reading", "the set temperature", "assumed"


def _warmth(samples: pl.LazyFrame, reading: pl.LazyFrame, tank: pl.LazyFrame, assumed: Assumptions) -> pl.LazyFrame:
    """Each sample with celsius and celsius_from: its own reading, else the last one of 28 days, else the set
    temperature, else the assumption's reference."""
    read = reading.filter(pl.col("parameter") == "temperature")
    own = read.unique(SAMPLE_OF, keep="last", maintain_order=True)
    earlier = read.select("tank", pl.col("at").alias("then"), pl.col("matched").alias("earlier_c")).sort("then")
    reference = pl.lit(assumed["temperature_reference_c"])
    return (
        samples.join(own.select(*SAMPLE_OF, pl.col("matched").alias("own_c")), on=SAMPLE_OF, how="left")
        .sort("at", maintain_order=True)
        .join_asof(
            earlier, left_on="at", right_on="then", by="tank", check_sortedness=False,
            tolerance=f"{int(assumed['water_fresh_days'])}d",
        )
        .join(tank.select("tank", pl.col("temperature_c").alias("set_c")), on="tank", how="left")
        .with_columns(
            pl.coalesce("own_c", "earlier_c", "set_c", reference).alias("celsius"),
            first_of((known("own_c"), SAMPLE), (known("earlier_c"), EARLIER), (known("set_c"), SET), otherwise=ASSUMED)
            .alias("celsius_from"),
        )
    )  # fmt: skip


def free_ammonia(reading: pl.LazyFrame, tank: pl.LazyFrame, assumed: Assumptions) -> pl.DataFrame:
    """Free ammonia [mg/L NH3] of every sample that ammonia was read in; its ends from the ends of both readings.

    pH is the sample's own, else the highest of that day; without one there is no row. An ammonia open above leaves the
    free ammonia open above; a pH open above ends where the readings that are accepted do.
    """
    ammonia, ph = (
        reading.filter(pl.col("parameter") == name).unique(SAMPLE_OF, keep="last", maintain_order=True)
        for name in ("ammonia", "ph")
    )
    parts = ("low", "high", "matched", "expired")
    of_day = ph.sort("matched", maintain_order=True).unique(["tank", "day"], keep="last", maintain_order=True)
    own = pl.col("ph_matched").is_not_null()
    rows = (
        ammonia.join(ph.select(*SAMPLE_OF, *(pl.col(c).alias(f"ph_{c}") for c in parts)), on=SAMPLE_OF, how="left")
        .join(
            of_day.select("tank", "day", *(pl.col(c).alias(f"day_{c}") for c in parts)), on=["tank", "day"], how="left"
        )
        .with_columns(pl.when(own).then(f"ph_{c}").otherwise(f"day_{c}").alias(f"ph_{c}") for c in parts)
        .filter(own)
    )
    found = _warmth(rows, reading, tank, assumed).collect()

    def free(part: str) -> pl.Series:
        at = found[f"ph_{part}"].fill_null(assumed["ph_hold_above"])
        values = free_ammonia_mg_l(found[part].to_numpy(), at.to_numpy(), found["celsius"].to_numpy(), assumed)
        return series(part, values)

    return found.with_columns(
        pl.lit(FREE).alias("parameter"),
        *(free(part) for part in ("low", "high", "matched")),
        pl.col("matched").alias("of_ammonia"),
        pl.col("ph_matched").alias("of_ph"),
        (pl.col("expired") | pl.col("ph_expired")).alias("expired"),
    ).select(*reading.collect_schema().names(), "celsius", "celsius_from", "of_ammonia", "of_ph")


def one_a_day(reading: pl.LazyFrame, assumed: Assumptions) -> pl.LazyFrame:
    """The reading that speaks for each day, in order of days.

    Fish live in every sample: the highest ammonia, nitrite and free ammonia of a day speaks for it, and the lowest pH
    where that is dangerous. Else the last one before the change speaks, for that is how the tank lived; else the last
    one after it.
    """
    harms = pl.when(pl.col("parameter").is_in(HARMS)).then("matched")
    sour = (pl.col("parameter") == "ph") & (pl.col("matched") < assumed["act_ph_below"])
    worst, after = pl.coalesce(harms, pl.when(sour).then(-pl.col("matched"))), pl.col("taken") == "after"
    order = ["day", worst, after, "at"]
    rows = reading.sort(order, descending=[False, False, True, False], nulls_last=False, maintain_order=True)
    return rows.unique(["tank", "parameter", "day"], keep="last", maintain_order=True).sort("day")


def latest(tables: Tables, requests: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The water frame of the requests: a reading counts for 28 days; the one 5 to 10 days before it stands beside it.

    A nitrate reading after a change does not count: the change lowers it.
    """
    # Nothing older speaks: a reading, the warmth that goes with it, and what stood before it.
    reach = pl.lit(requests["as_of"].min(), pl.Date) - pl.duration(days=2 * math.ceil(assumed["water_fresh_days"]) + 11)
    lowered = (pl.col("taken") == "after") & (pl.col("parameter") == "nitrate")
    reading = tables["reading"].filter((pl.col("day") >= reach) & ~lowered).lazy()
    free = free_ammonia(reading, tables["tank"].lazy(), assumed).lazy()
    daily = one_a_day(pl.concat([reading, free], how="diagonal"), assumed).collect().lazy()
    of = ["tank", "parameter"]
    age = (pl.col("as_of") - pl.col("day")).dt.total_days()
    # A plain 0 was typed: a result, unlike "<0.5"; it stands for nothing found and asks for no retest.
    zero = (pl.col("matched") == 0) & ~pl.col("text").str.contains(r"[<≤]|[A-Za-z]{3}")
    # A week or so before: from 5 days back, and no more than 10.
    earlier = daily.select(*of, pl.col("day").alias("then"), pl.col("matched").alias("before_matched"))
    rows = (
        requests.lazy()
        .select(REQUEST)
        .join(daily.select(of).unique(), on="tank")
        .sort("as_of")
        .join_asof(daily, left_on="as_of", right_on="day", by=of, check_sortedness=False, coalesce=False)
        .with_columns(age.alias("age_days"), zero.alias("zero"), pl.col("day").dt.offset_by("-5d").alias("upto"))
        .filter(pl.col("age_days") <= int(assumed["water_fresh_days"]))
        .sort("upto")
        .join_asof(earlier, left_on="upto", right_on="then", by=of, tolerance="5d", check_sortedness=False)
    )
    return conform("water", rows.sort("as_of", "tank", "parameter").collect())
