"""The latest water of every tank as of a day: one row a parameter, and free ammonia calculated from one visit."""

import math

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc.chemistry import free_ammonia_mg_l
from schemas import Tables, conform, empty

ASK = ["tank", "as_of"]
FREE = "free_ammonia"
HARMS = ("ammonia", "nitrite", FREE)  # of samples of one day the highest speaks, before its change or after
SAMPLE, EARLIER, SET, ASSUMED = "the sample", "an earlier reading", "the set temperature", "assumed"


def _warmth(samples: pl.DataFrame, reading: pl.DataFrame, tank: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """Each sample with celsius and celsius_from: its own reading, else the last one of 28 days, else the set
    temperature, else the assumption's reference."""
    read = reading.filter(pl.col("parameter") == "temperature")
    own = read.unique(["tank", "at", "taken"], keep="last", maintain_order=True)
    earlier = read.select("tank", pl.col("at").alias("then"), pl.col("matched").alias("earlier_c"))
    return (
        samples.join(own.select("tank", "at", "taken", pl.col("matched").alias("own_c")), on=["tank", "at", "taken"], how="left")
        .sort("at", maintain_order=True)
        .join_asof(
            earlier.sort("then"), left_on="at", right_on="then", by="tank", check_sortedness=False,
            tolerance=f"{int(assumed['water_fresh_days'])}d",
        )
        .join(tank.select("tank", pl.col("temperature_c").alias("set_c")), on="tank", how="left")
        .with_columns(
            pl.coalesce("own_c", "earlier_c", "set_c", pl.lit(assumed["temperature_reference_c"])).alias("celsius"),
            pl.when(pl.col("own_c").is_not_null()).then(pl.lit(SAMPLE))
            .when(pl.col("earlier_c").is_not_null()).then(pl.lit(EARLIER))
            .when(pl.col("set_c").is_not_null()).then(pl.lit(SET))
            .otherwise(pl.lit(ASSUMED)).alias("celsius_from"),
        )
    )  # fmt: skip


def free_ammonia(reading: pl.DataFrame, tank: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """Free ammonia [mg/L NH3] of every sample that ammonia was read in; its ends from the ends of both readings.

    pH is the sample's own, else the highest of that day; without one there is no row. An ammonia open above leaves the
    free ammonia open above; a pH open above ends where the readings that are accepted do.
    """
    key = ["tank", "at", "taken"]
    ammonia, ph = (
        reading.filter(pl.col("parameter") == name).unique(key, keep="last", maintain_order=True)
        for name in ("ammonia", "ph")
    )
    parts = ("low", "high", "matched", "expired")
    of_day = ph.sort("matched", maintain_order=True).unique(["tank", "day"], keep="last", maintain_order=True)
    rows = ammonia.join(ph.select(*key, *(pl.col(c).alias(f"ph_{c}") for c in parts)), on=key, how="left").join(
        of_day.select("tank", "day", *(pl.col(c).alias(f"day_{c}") for c in parts)), on=["tank", "day"], how="left"
    )
    own = pl.col("ph_matched").is_not_null()
    rows = rows.with_columns(
        *(pl.when(own).then(f"ph_{c}").otherwise(f"day_{c}").alias(f"ph_{c}") for c in parts)
    ).filter(pl.col("ph_matched").is_not_null())
    rows = _warmth(rows, reading, tank, assumed)

    def free(part: str) -> pl.Series:
        at = rows[f"ph_{part}"].fill_null(assumed["ph_hold_above"])
        values = free_ammonia_mg_l(rows[part].to_numpy(), at.to_numpy(), rows["celsius"].to_numpy(), assumed)
        return pl.Series(part, values, dtype=pl.Float64).fill_nan(None)

    return rows.with_columns(
        pl.lit(FREE).alias("parameter"),
        free("low"),
        free("high"),
        free("matched"),
        pl.col("matched").alias("of_ammonia"),
        pl.col("ph_matched").alias("of_ph"),
        (pl.col("expired") | pl.col("ph_expired")).alias("expired"),
    ).select(*reading.columns, "celsius", "celsius_from", "of_ammonia", "of_ph")


def _zero() -> pl.Expr:
    """A plain 0 was typed: a result, unlike "<0.5"; it stands for nothing found and asks for no retest."""
    return (pl.col("matched") == 0) & ~pl.col("text").str.contains(r"[<≤]|[A-Za-z]{3}")


def one_a_day(reading: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The reading that speaks for each day.

    Fish live in every sample: the highest ammonia, nitrite and free ammonia of a day speaks for it, and the lowest pH
    where that is dangerous. Else the last one before the change speaks, for that is how the tank lived; else the last
    one after it.
    """
    harms = pl.when(pl.col("parameter").is_in(HARMS)).then("matched")
    acid = pl.when((pl.col("parameter") == "ph") & (pl.col("matched") < assumed["act_ph_below"])).then(
        -pl.col("matched")
    )
    worst = pl.coalesce(harms, acid)
    after = pl.col("taken") == "after"
    rows = reading.with_columns(worst.alias("worst"), after.alias("after")).sort(
        "day", "worst", "after", "at", descending=[False, False, True, False], nulls_last=False, maintain_order=True
    )
    return rows.unique(["tank", "parameter", "day"], keep="last", maintain_order=True).drop("worst", "after")


def latest(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The water frame of the asks: a reading counts for 28 days; the one 5 to 10 days before it stands beside it.

    A nitrate reading after a change does not count: the change lowers it.
    """
    # Nothing older speaks: a reading, the warmth that goes with it, and what stood before it.
    reach = pl.lit(asks["as_of"].min(), pl.Date) - pl.duration(days=2 * math.ceil(assumed["water_fresh_days"]) + 11)
    after = pl.col("taken") == "after"
    reading = tables["reading"].filter((pl.col("day") >= reach) & ~(after & (pl.col("parameter") == "nitrate")))
    if reading.height == 0 or asks.height == 0:
        return empty("water")
    free = free_ammonia(reading, tables["tank"], assumed)
    daily = one_a_day(pl.concat([reading, free], how="diagonal"), assumed).sort("day")
    wanted = asks.select(ASK).join(daily.select("tank", "parameter").unique(), on="tank")
    rows = wanted.sort("as_of").join_asof(
        daily, left_on="as_of", right_on="day", by=["tank", "parameter"], check_sortedness=False, coalesce=False
    )
    rows = rows.drop_nulls("day").with_columns((pl.col("as_of") - pl.col("day")).dt.total_days().alias("age_days"))
    rows = rows.filter(pl.col("age_days") <= int(assumed["water_fresh_days"]))
    # A week or so before: from 5 days back, and no more than 10.
    earlier = daily.select("tank", "parameter", pl.col("day").alias("then"), pl.col("matched").alias("before_matched"))
    before = (
        rows.select(*ASK, "parameter", pl.col("day").dt.offset_by("-5d").alias("upto"))
        .sort("upto")
        .join_asof(
            earlier, left_on="upto", right_on="then", by=["tank", "parameter"], tolerance="5d", check_sortedness=False
        )
        .select(*ASK, "parameter", "before_matched")
    )
    joined = rows.join(before, on=[*ASK, "parameter"], how="left").with_columns(_zero().alias("zero"))
    return conform("water", joined.sort("as_of", "tank", "parameter"))
