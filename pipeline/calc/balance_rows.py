"""From frames to rows: one flat, time-ordered list of readings and water changes of all tanks.

A day of a tank gives one row a reading, the ones before the change first; the change hangs on the last of them, or on
the first reading after it, or stands alone. It serves nitrate and, for the witness, KH: both mix in the same way.
"""

import datetime as dt
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from pipeline.calc.cells import Array, Assumed
from pipeline.calc.layers import table
from pipeline.calc.nitrate_design import BoolArray, IntArray
from schemas import Tables

EPOCH = pl.date(1970, 1, 1)
DAY_KEY = ["tank", "day"]


def day_number(column: str) -> pl.Expr:
    """A date as a whole number of days."""
    return pl.col(column).cast(pl.Date).to_physical().cast(pl.Int64)


@dataclass(frozen=True)
class Rows:
    """All rows of all asked tanks, tank by tank, in time order. Arrays [rows] unless said."""

    tanks: list[str]
    first: IntArray  # [tanks + 1] where each tank's rows begin; the last is the count
    tank: IntArray  # number of the tank
    day: IntArray  # days since 1970-01-01
    days: Array  # since the row before of the same tank; 0 in its first
    visit: IntArray  # running number of the visit; rows between visits (top-ups) bear the one before
    low: Array  # of the reading's cell; 0 without a reading
    high: Array  # ∞ where open or without a reading
    matched: Array  # nan without a reading
    kit: IntArray  # number of the kit; −1 without a reading
    reader: IntArray  # number of the person who read; −1 where not recorded or without a reading
    cv: Array  # error of the reading on the log scale; that of colour steps without a reading
    after: BoolArray
    fraction: Array  # changed
    guessed: BoolArray
    uptake: Array  # share of the volume that is new water with the supply's solutes: RO left out, top-ups in
    tap: Array  # of the supply, tested on the day or before; nan where not
    tap_day: IntArray  # of that test
    next_tap: Array  # its first test after the day; nan where none
    next_tap_day: IntArray
    segment: IntArray  # changes where a change of unknown size broke the balance
    lost: BoolArray  # such a change followed the row's reading: the level after it is not known
    source: pl.DataFrame  # file and line of each row's reading
    kits: list[str]
    readers: list[str]
    parameter: str

    @property
    def reading(self) -> BoolArray:
        """Rows with a reading."""
        return self.kit >= 0

    def places(self, requests: pl.DataFrame) -> tuple[IntArray, IntArray]:
        """Number of the tank, and as-of day [number], of each request (tank, as_of)."""
        tank = np.searchsorted(np.array(self.tanks, dtype=str), requests["tank"].to_numpy().astype(str))
        return tank.astype(np.int64), requests["as_of"].to_physical().cast(pl.Int64).to_numpy()


def _tap_values(tables: Tables, parameter: str) -> pl.DataFrame:
    """supply, date, tap: one value a test. A 0 or an “under” counts as the middle of its range, not as pure water."""
    tap = table(tables, "tap").filter(pl.col("parameter") == parameter)
    middle = (pl.col("low") + pl.col("high").fill_null(pl.col("low"))) / 2
    inside = (pl.col("matched") > pl.col("low")) & (pl.col("matched") <= pl.col("high").fill_null(float("inf")))
    return (
        tap.select(
            pl.col("water_supply").alias("supply"),
            day_number("date").alias("tap_day"),
            pl.when(inside).then("matched").otherwise(middle).alias("tap"),
        )
        .group_by("supply", "tap_day")
        .agg(pl.col("tap").mean())
        .sort("tap_day")
    )


def tank_supply(tables: Tables) -> pl.DataFrame:
    """tank, supply: the water supply of each tank's site; null where none is recorded."""
    sites = table(tables, "site").select("site", pl.col("water_supply").alias("supply"))
    return table(tables, "tank").select("tank", "site").join(sites, on="site", how="left").drop("site")


def with_tap(frame: pl.DataFrame, tables: Tables, parameter: str) -> pl.DataFrame:
    """`frame` (supply, day [number]) with tap and tap_day of the test as of the day, and of the first one after it."""
    # A null supply is no supply: it must not find the tests of another null.
    taps = _tap_values(tables, parameter).drop_nulls("supply")
    after = taps.rename({"tap": "next_tap", "tap_day": "next_tap_day"})
    rows = frame.with_columns(pl.col("supply").cast(pl.String)).with_row_index("_row").sort("day")
    rows = rows.join_asof(taps, left_on="day", right_on="tap_day", by="supply", check_sortedness=False)
    return (
        rows.join_asof(
            after, left_on="day", right_on="next_tap_day", by="supply", strategy="forward", check_sortedness=False
        )
        .sort("_row")
        .drop("_row")
    )


def _change_days(tables: Tables, chosen: pl.Expr, parameter: str) -> pl.DataFrame:
    """One row a tank and day with a change or a top-up."""
    changes = (
        table(tables, "water_change")
        .filter(chosen)
        .join(tank_supply(tables).rename({"supply": "own_supply"}), on="tank", how="left")
        .with_columns(
            day_number("day"),
            pl.when(pl.col("source").is_null() | (pl.col("source") == "ro"))
            .then("own_supply")
            .otherwise("source")
            .alias("supply"),
            (pl.col("kind") == "top-up").alias("top_up"),
            pl.when(pl.col("source") == "ro").then(1.0).otherwise(pl.col("ro_share")).fill_null(0.0).alias("ro"),
        )
    )
    changed, share, tap = ~pl.col("top_up"), pl.col("fraction").fill_null(0.0), pl.col("tap")
    new = share * (1 - pl.col("ro"))
    # What one change after the other leaves is a product; polars takes ten times as long for it as for a sum.
    diluted = 1 - pl.when(changed).then((1 - share).log()).otherwise(0.0).sum().exp()
    summed = share.filter(changed).sum().clip(lower_bound=1e-9)
    mixed = (tap * new).sum() / new.filter(tap.is_not_null()).sum()
    return (
        with_tap(changes, tables, parameter)
        .sort("tank", "day", "at")
        .group_by(DAY_KEY, maintain_order=True)
        .agg(
            diluted.alias("fraction"),
            # Two changes of one day renew less than their sum.
            (new.filter("top_up").sum() + new.filter(changed).sum() * diluted / summed).alias("uptake"),
            pl.when(mixed.is_finite()).then(mixed).otherwise(tap.drop_nulls().first()).alias("tap"),
            pl.col("tap_day", "next_tap", "next_tap_day").drop_nulls().first(),
            pl.col("guessed").filter(changed).any(),
            pl.col("fraction").filter(changed).is_null().any().alias("unknown"),
            pl.col("top_up").all().alias("only_top_up"),
        )
    )


def _days(tables: Tables, chosen: pl.Expr, changes: pl.DataFrame) -> pl.DataFrame:
    """Every day of a tank on which something was recorded, and whether it was a visit: a top-up alone is none."""
    seen = [
        table(tables, name).filter(chosen).select("tank", day_number("day"), read=pl.lit(name == "reading"))
        for name in ("visit", "reading")
    ]
    days = pl.concat([*seen, changes.select(*DAY_KEY, read=pl.lit(False))]).group_by(DAY_KEY).agg(pl.col("read").any())
    is_visit = ~pl.col("only_top_up").fill_null(False) | pl.col("read")
    return days.join(changes, on=DAY_KEY, how="left").with_columns(is_visit.alias("is_visit"))


def _readers(tables: Tables, chosen: pl.Expr) -> pl.DataFrame:
    """file, line, by: who read each row of a visit sheet, where it is recorded."""
    visits = table(tables, "visit").filter(chosen & pl.col("by").is_not_null())
    return visits.select("file", "line", pl.col("by").str.strip_chars().str.to_lowercase()).unique(["file", "line"])


def build_rows(
    tables: Tables,
    tanks: list[str],
    assumed: Assumed,
    parameter: str = "nitrate",
    also: tuple[str, ...] = (),
    since: dt.date = dt.date.min,
) -> Rows:
    """The rows of the tanks named, from a day on, for the readings that count: no `doubt`, or one of `also`."""
    tanks = sorted(set(tanks))
    chosen = pl.col("tank").is_in(tanks) & (pl.col("day") >= since)
    changes = _change_days(tables, chosen, parameter)
    days = _days(tables, chosen, changes)
    kits_of = table(tables, "kit").filter(pl.col("parameter") == parameter)
    by_colour = kits_of.select("kit", (pl.col("ladder").list.len() > 0).alias("colour"))
    counts = pl.col("doubt").is_null() | pl.col("doubt").is_in(list(also))
    readings = (
        table(tables, "reading")
        .filter((pl.col("parameter") == parameter) & counts & chosen)
        .with_columns(day_number("day"), (pl.col("taken") == "after").alias("slot"), pl.col("kit").fill_null(""))
        .select(*DAY_KEY, "slot", "at", "low", "high", "matched", "kit", "file", "line")
        .join(_readers(tables, chosen), on=["file", "line"], how="left")
        .join(by_colour.unique("kit", maintain_order=True), on="kit", how="left")
    )
    frame = (
        days.join(readings, on=DAY_KEY, how="left")
        .sort("tank", "day", "slot", "at", "file", "line", nulls_last=False)
        .with_columns(
            # Signed: one is taken off it below.
            (~pl.col("slot")).sum().cast(pl.Int64).over(DAY_KEY).alias("before_count"),
            pl.int_range(pl.len()).over(DAY_KEY).alias("place"),
        )
        # The row that the day's change hangs on.
        .with_columns((pl.col("place") == (pl.col("before_count") - 1).clip(lower_bound=0)).alias("carries"))
        .with_columns(
            (pl.col("carries") & pl.col("slot").fill_null(False)).alias("after"),
            (pl.col("carries") & pl.col("unknown").fill_null(False)).alias("breaks"),
            (pl.col("is_visit") & (pl.col("place") == 0)).cast(pl.Int64).alias("new_visit"),
        )
    )
    kits = frame["kit"].drop_nulls().unique().sort().to_list()
    # A change before the row's reading breaks at the row, one after it breaks at the next.
    lost = pl.col("breaks") & ~pl.col("after")
    broken = (pl.col("breaks") & pl.col("after")).cast(pl.Int64) + lost.shift(1, fill_value=False).cast(pl.Int64)
    # A reading by no named kit may have been matched by colour: it counts as no better.
    colour = pl.when(pl.col("colour").fill_null(True))
    columns = frame.select(
        _codes("tank", tanks),
        "day",
        pl.col("day").diff().over("tank").fill_null(0).cast(pl.Float64).alias("days"),
        pl.col("new_visit").cum_sum().over("tank").alias("visit"),
        pl.col("low").fill_null(0.0),
        pl.col("high").fill_null(np.inf),
        pl.col("matched", "tap", "next_tap").fill_null(np.nan),
        _codes("kit", kits).fill_null(-1),
        pl.col("by").rank("dense").cast(pl.Int64).fill_null(0).alias("reader") - 1,
        colour.then(assumed["reading_cv"]).otherwise(assumed["reading_cv_meter"]).alias("cv"),
        "after",
        pl.when("carries").then(pl.col("fraction", "uptake")).fill_null(0.0),
        (pl.col("carries") & pl.col("guessed")).fill_null(False).alias("guessed"),
        pl.col("tap_day", "next_tap_day").fill_null(0),
        broken.cum_sum().alias("segment"),
        lost.alias("lost"),
    )
    arrays: dict[str, Any] = {name: columns[name].to_numpy() for name in columns.columns}
    return Rows(
        tanks=tanks,
        first=np.searchsorted(arrays["tank"], np.arange(len(tanks) + 1)).astype(np.int64),
        source=frame.select("file", "line"),
        kits=kits,
        readers=frame["by"].drop_nulls().unique().sort().to_list(),
        parameter=parameter,
        **arrays,
    )


def _codes(name: str, words: list[str]) -> pl.Expr:
    """A column of some words as their numbers."""
    return pl.col(name).cast(pl.Enum(words)).to_physical().cast(pl.Int64)


def supply_tap(tables: Tables, requests: pl.DataFrame, parameter: str) -> pl.DataFrame:
    """requests (tank, as_of) with tap and tap_day [number] of the tank's supply as of the day; null where never tested."""
    keyed = requests.select("tank", day_number("as_of").alias("day")).join(tank_supply(tables), on="tank", how="left")
    return with_tap(keyed, tables, parameter).select("tank", "day", "tap", "tap_day")


def tap_of(rows: Rows, chosen: IntArray, as_of: IntArray, assumed: Assumed) -> tuple[Array, Array]:
    """Tap value of rows as it was known on a day (arrays that broadcast), and how far off its test was [days].

    Between two tests it is interpolated and the distance is 0; before the first or after the last it is that test's.
    Never tested: what the assumption says, and nan days; KH has no such assumption and stays unknown, nan.
    """
    day, before, after = rows.day[chosen], rows.tap[chosen], rows.next_tap[chosen]
    since = (day - rows.tap_day[chosen]).astype(float)
    until = (rows.next_tap_day[chosen] - day).astype(float)
    after = np.where(rows.next_tap_day[chosen] <= as_of, after, np.nan)
    one, other = np.isnan(before), np.isnan(after)
    with np.errstate(divide="ignore", invalid="ignore"):
        between = before + (after - before) * since / np.maximum(since + until, 1.0)
    value = np.where(one, after, np.where(other, before, between))
    days = np.where(one, np.where(other, np.nan, until), np.where(other, since, 0.0))
    return np.nan_to_num(value, nan=assumed["tap_unknown_mg_l"] if rows.parameter == "nitrate" else np.nan), days
