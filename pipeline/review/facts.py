"""What the rules look at: one row a tank and day, with the records and calculations side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.review.saying import ASK
from pipeline.week import Round
from schemas import Tables, empty
from schemas.words import PARAMETERS

READ = ("matched", "low", "high", "age_days", "before_matched", "taken", "zero", "expired")
WATER = (*PARAMETERS, "free_ammonia")

# A nitrate reading says how a tank stands unless it is in doubt what it counts; when it was taken matters to the trend.
USABLE = (pl.col("parameter") == "nitrate") & (pl.col("doubt").is_null() | (pl.col("doubt") == "taken"))


@dataclass(frozen=True)
class Facts:
    """`rows` has one row an ask; `tables` holds what a rule joins for itself."""

    rows: pl.DataFrame
    tables: Tables
    assumed: Assumptions
    round: Round

    def table(self, name: str) -> pl.DataFrame:
        """A table, empty if there is none."""
        found = self.tables.get(name)
        return empty(name) if found is None else found

    def lately(self, name: str, day: str, days: float) -> pl.DataFrame:
        """Rows of a dated table in so many days up to each as-of day, with tank, as_of and `ago` [days]."""
        rows = self.table(name).rename({day: "day"}) if day != "day" else self.table(name)
        return self.in_span(rows.drop("as_of", strict=False), days)

    def in_span(self, rows: pl.DataFrame, days: float) -> pl.DataFrame:
        """Rows with a tank and a `day` that lie in so many days up to each as-of day, as `lately` gives them."""
        ago = (pl.col("as_of") - pl.col("day")).dt.total_days()
        return (
            self.rows.select(ASK)
            .join(rows, on="tank")
            .with_columns(ago.alias("ago"))
            .filter((pl.col("ago") >= 0) & (pl.col("ago") < days))
            .sort(*ASK, "day", maintain_order=True)
        )


def _wide_water(asks: pl.DataFrame, water: pl.DataFrame) -> pl.DataFrame:
    """The latest reading of every parameter in columns: nitrite_matched, nitrite_age_days …"""
    rows = asks
    for name in WATER:
        one = water.filter(pl.col("parameter") == name).select(
            *ASK, *(pl.col(part).alias(f"{name}_{part}") for part in READ)
        )
        rows = rows.join(one, on=ASK, how="left", maintain_order="left")
    return rows


def _visit_rhythm(asks: pl.DataFrame, visit: pl.DataFrame, assumed: Assumptions, round_: Round) -> pl.DataFrame:
    """Days between visits: the round's own, or a tank's median gap where its round is slower (up to fourfold)."""
    days = visit.select("tank", "day").unique().sort("tank", "day")
    gaps = days.with_columns(pl.col("day").diff().over("tank").dt.total_days().alias("gap")).drop_nulls("gap")
    usual = (
        asks.select(ASK)
        .join(gaps, on="tank")
        .filter(
            (pl.col("day") <= pl.col("as_of"))
            & (pl.col("day") > pl.col("as_of") - pl.duration(days=int(assumed["rhythm_days"])))
        )
        .group_by(ASK)
        .agg(pl.col("gap").median().alias("usual"), pl.len().alias("gaps"))
    )
    every = float(round_.visit_every_days)
    own = pl.when(pl.col("gaps") >= assumed["rhythm_gaps"]).then(pl.col("usual"))
    return (
        asks.select(ASK)
        .join(usual, on=ASK, how="left", maintain_order="left")
        .select(*ASK, own.fill_null(every).clip(every, assumed["rhythm_most"] * every).alias("visit_days"))
    )


def _last_nitrate(asks: pl.DataFrame, reading: pl.DataFrame) -> pl.DataFrame:
    """The last usable nitrate reading: kept, and in no doubt but for when it was taken."""
    usable = reading.filter(USABLE).select("tank", "day", "low", "high", "matched", "taken", "kit", "expired")
    usable = usable.sort("day", "tank", maintain_order=True).unique(["tank", "day"], keep="first", maintain_order=True)
    found = (
        asks.select(ASK)
        .sort("as_of")
        .join_asof(
            usable.sort("day").with_columns(pl.col("day").alias("last_day")),
            left_on="as_of",
            right_on="day",
            by="tank",
            check_sortedness=False,
        )
    )
    return found.select(
        *ASK,
        "last_day",
        (pl.col("as_of") - pl.col("last_day")).dt.total_days().alias("last_age"),
        *(pl.col(c).alias(f"last_{c}") for c in ("low", "high", "matched", "taken", "kit", "expired")),
    )


def _tap(rows: pl.DataFrame, tap: pl.DataFrame, parameter: str) -> pl.DataFrame:
    """The last test of each tank's supply up to the day: tap_PARAMETER, tap_PARAMETER_high, tap_PARAMETER_day."""
    tests = tap.filter(pl.col("parameter") == parameter).sort("date")
    found = rows.select(*ASK, "water_supply").sort("as_of").join_asof(
        tests, left_on="as_of", right_on="date", by="water_supply", check_sortedness=False
    )  # fmt: skip
    names = {"matched": f"tap_{parameter}", "high": f"tap_{parameter}_high", "date": f"tap_{parameter}_day"}
    return found.select(*ASK, *(pl.col(was).alias(now) for was, now in names.items()))


def _held(asks: pl.DataFrame, held: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """Items held of each tank: all, and those of the last 28 days; a day that is not known counts as lately."""
    unknown = pl.col("day").is_null() | (pl.col("fault") == "future").fill_null(False)
    age = pl.when(~unknown).then((pl.col("as_of") - pl.col("day")).dt.total_days())
    rows = asks.select(ASK).join(held.drop_nulls("tank"), on="tank").with_columns(age.alias("age"))
    rows = rows.filter(unknown | (pl.col("age") >= 0)).sort(pl.col("age").fill_null(-1), maintain_order=True)
    fresh = pl.col("age").is_null() | (pl.col("age") <= assumed["held_fresh_days"])
    where = pl.format("{} line {}", pl.col("file"), pl.col("line"))
    return rows.group_by(ASK, maintain_order=True).agg(
        pl.len().alias("held"),
        fresh.sum().alias("held_fresh"),
        where.first().alias("held_where"),
        pl.col("column").first().alias("held_column"),
        pl.col("text").first().alias("held_text"),
        pl.col("reason").first().alias("held_reason"),
        pl.col("suggestion").first().alias("held_suggestion"),
        pl.col("age").first().alias("held_age"),
    )


def gather(tables: Tables, asks: pl.DataFrame, assumed: Assumptions, round_: Round) -> Facts:
    """The facts of the asks."""

    def table(name: str) -> pl.DataFrame:
        found = tables.get(name)
        return empty(name) if found is None else found

    asks = asks.select(ASK).unique(maintain_order=True)
    tank = table("tank").select("tank", "site", "name", "set_up", "closed", "temperature_c", "planting", "stocking")
    site = table("site").select("site", "water_supply")
    fits = table("nitrate_fit")
    rows = asks.join(tank, on="tank", how="left", maintain_order="left").join(
        site, on="site", how="left", maintain_order="left"
    )
    capacity = table("capacity").drop("temperature_c", strict=False)
    for frame in (
        capacity,
        table("nitrate_outlook"),
        *(
            fits.filter(pl.col("window") == window).select(
                *ASK, *(pl.col(c).alias(f"{window}_{c}") for c in ("since", "readings", "rate", "low", "high", "state"))
            )
            for window in ("recent", "baseline")
        ),
        table("step_alarm").select(
            *ASK, *(pl.col(c).alias(f"step_{c}") for c in ("since", "raised", "size", "z", "kit_batch"))
        ),
        _visit_rhythm(asks, table("visit"), assumed, round_),
        _last_nitrate(asks, table("reading")),
        _held(asks, table("held"), assumed),
    ):
        rows = rows.join(frame, on=ASK, how="left", maintain_order="left")
    water = _wide_water(asks, table("water"))
    rows = rows.join(water, on=ASK, how="left", maintain_order="left")
    for parameter in ("nitrate", "ammonia"):
        rows = rows.join(_tap(rows, table("tap"), parameter), on=ASK, how="left", maintain_order="left")
    # What the changes bring in; where none are made, what the tap would. The fit has a prior for a tap that was never
    # tested; a rule that asks for litres may not lean on it: never tested stays unknown.
    tested = pl.when(pl.col("tap_day").is_not_null()).then("tap")
    rows = rows.with_columns(pl.coalesce(tested, "tap_nitrate").alias("tap"))
    weeks = (pl.col("as_of") - pl.col("set_up")).dt.total_days() / 7
    trap = (
        (pl.col("ph_matched") < assumed["old_tank_ph"])
        & (pl.col("kh_matched") <= assumed["act_kh_at"])
        & (pl.col("nitrate_matched") > pl.col("ceiling"))
    )
    rows = rows.with_columns(
        weeks.alias("age_weeks_of_tank"),
        # A tank with no set-up date counts as established: doubt must not quieten an alarm.
        (weeks > assumed["established_weeks"]).fill_null(True).alias("established"),
        trap.fill_null(False).alias("trap"),
        pl.col("held", "held_fresh").fill_null(0),
        (pl.col("trend") == "climbing").fill_null(False).alias("climbing"),
        (7 * pl.col("recent_rate")).alias("week_rate"),
        (7 * pl.col("recent_low")).alias("week_low"),
        (7 * pl.col("recent_high")).alias("week_high"),
    )
    return Facts(rows, tables, assumed, round_)


def concat(parts: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Frames of findings, one under the other."""
    full = [part for part in parts if part.height]
    return pl.concat(full, how="vertical_relaxed") if full else empty("finding")
