"""The latest water of every tank as of a day: one row a parameter, and free ammonia calculated from one visit."""

from __future__ import annotations

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc.chemistry import free_ammonia_mg_l
from schemas import Tables, conform, empty

ASK = ["tank", "as_of"]
FREE = "free_ammonia"


def _free_ammonia(reading: pl.DataFrame, tank: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """Free ammonia [mg/L NH3] of every session that read ammonia and pH; its ends from the ends of both readings.

    Temperature is the session's, else the tank's set temperature, else the assumption's reference. An ammonia open above
    leaves the free ammonia open above.
    """
    key = ["tank", "at", "taken"]
    parts = {
        name: reading.filter(pl.col("parameter") == name).unique(key, keep="last", maintain_order=True)
        for name in ("ammonia", "ph", "temperature")
    }
    if parts["ammonia"].height == 0 or parts["ph"].height == 0:
        return reading.head(0)
    joined = (
        parts["ammonia"]
        .join(
            parts["ph"].select(*key, *(pl.col(c).alias(f"ph_{c}") for c in ("low", "high", "matched", "expired"))),
            on=key,
        )
        .join(parts["temperature"].select(*key, pl.col("matched").alias("celsius")), on=key, how="left")
        .join(tank.select("tank", "temperature_c"), on="tank", how="left")
        .with_columns(pl.coalesce("celsius", "temperature_c", pl.lit(assumed["temperature_reference_c"])).alias("t"))
    )
    t = joined["t"].to_numpy()

    def free(ammonia: str, ph: str, default: float | None = None) -> pl.Series:
        at = joined[ph] if default is None else joined[ph].fill_null(default)
        values = free_ammonia_mg_l(joined[ammonia].to_numpy(), at.cast(pl.Float64).to_numpy(), t, assumed)
        return pl.Series(values).fill_nan(None)

    # A pH step open above ends where the chart of possible readings does.
    return joined.with_columns(
        pl.lit(FREE).alias("parameter"),
        free("low", "ph_low").alias("low"),
        free("high", "ph_high", assumed["ph_hold_above"]).alias("high"),
        free("matched", "ph_matched").alias("matched"),
        (pl.col("expired") | pl.col("ph_expired")).alias("expired"),
    ).select(reading.columns)


def _zero() -> pl.Expr:
    """A plain 0 was typed: a result, unlike "<0.5"; it stands for nothing found and asks for no retest."""
    return (pl.col("matched") == 0) & ~pl.col("text").str.contains(r"[<≤]|[A-Za-z]{3}")


def _one_a_day(reading: pl.DataFrame) -> pl.DataFrame:
    """The reading that speaks for each day: the last one before the change, else the last one after it."""
    after = pl.col("taken") == "after"
    rows = reading.sort("day", after, "at", descending=[False, True, False], maintain_order=True)
    return rows.unique(["tank", "parameter", "day"], keep="last", maintain_order=True)


def _latest(asks: pl.DataFrame, reading: pl.DataFrame) -> pl.DataFrame:
    """The last row of every parameter up to each as-of day."""
    wanted = asks.join(reading.select("tank", "parameter").unique(), on="tank")
    last = _one_a_day(reading)
    return wanted.sort("as_of").join_asof(
        last.sort("day"), left_on="as_of", right_on="day", by=["tank", "parameter"], check_sortedness=False
    )  # fmt: skip


def latest(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The water frame of the asks: a reading counts for 28 days; the one 5 to 10 days before it stands beside it.

    Where a day has a reading before and one after its change, the one before counts: that is how the tank lived. Where
    only the one after was read it counts too, but not for nitrate, which a change lowers.
    """
    after = pl.col("taken") == "after"
    reading = tables["reading"].filter(~(after & (pl.col("parameter") == "nitrate")))
    if reading.height == 0 or asks.height == 0:
        return empty("water")
    free = _free_ammonia(reading, tables["tank"], assumed)
    every = pl.concat([reading, free.select(reading.columns)])
    rows = _latest(asks, every).drop_nulls("day")
    rows = rows.with_columns((pl.col("as_of") - pl.col("day")).dt.total_days().alias("age_days"))
    rows = rows.filter(pl.col("age_days") <= int(assumed["water_fresh_days"]))
    # A week or so before: from 5 days back, and no more than 10.
    earlier = _one_a_day(every)
    before = (
        rows.select(*ASK, "parameter", "day")
        .with_columns(pl.col("day").dt.offset_by("-5d").alias("upto"))
        .sort("upto")
        .join_asof(
            earlier.select(
                "tank", "parameter", pl.col("day").alias("then"), pl.col("matched").alias("before_matched")
            ).sort("then"),
            left_on="upto",
            right_on="then",
            by=["tank", "parameter"],
            tolerance="5d",
            check_sortedness=False,
        )
        .select(*ASK, "parameter", "before_matched")
    )
    joined = rows.join(before, on=[*ASK, "parameter"], how="left").with_columns(_zero().alias("zero"))
    return conform("water", joined.sort("as_of", "tank", "parameter"))
