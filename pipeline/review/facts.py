"""What the rules look at: one record a tank and day. Frames are joined for all tanks at once; rules read one tank each."""

import datetime as dt
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import cache, partial
from typing import Any

import polars as pl
import polars.selectors as cs

from pipeline.assumptions import Assumptions
from pipeline.week import Round
from schemas import Tables, empty

REQUEST = ["tank", "as_of"]
Row = dict[str, Any]
WEEK = 7  # days back: what a recorded overload is told against

# A nitrate reading says how a tank stands unless it is in doubt what it counts; when it was taken matters to the trend.
USABLE = (pl.col("parameter") == "nitrate") & (pl.col("doubt").is_null() | (pl.col("doubt") == "taken"))


@dataclass(frozen=True, slots=True)
class Read:
    """The latest reading of one parameter within 28 days, as table `water` has it."""

    low: float
    matched: float
    high: float | None = None
    age_days: int = 0
    taken: str = "before"
    zero: bool | None = False  # a plain 0 was typed
    before_matched: float | None = None  # a week or so before
    celsius: float | None = None  # these four of free ammonia: what it was calculated from
    celsius_from: str | None = None
    of_ammonia: float | None = None
    of_ph: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TankFacts:
    """One tank on one day. What is not known is None: never nan, never infinite, never 0."""

    tank: str
    as_of: dt.date
    assumed: Assumptions
    water: Mapping[str, Read] = field(default_factory=dict)  # by parameter, free_ammonia among them
    records: Callable[[str], Sequence[Row]]  # a table's rows of this tank; of calculated tables, of this day

    site: str | None = None
    water_supply: str | None = None
    closed: dt.date | None = None
    set_c: float | None = None  # set temperature [°C]
    planting: str | None = None
    stocking: str | None = None
    # capacity, and the same a week before
    net_l: float | None = None
    filters: Sequence[str] | None = None
    media_kg: float | None = None
    plain_l: float | None = None
    plain_load_pct: float | None = None
    plain_state: str | None = None
    over_full_cycle: bool | None = None
    missing: str | None = None
    load: float | None = None
    load_basis: str | None = None
    feed_g_day: float | None = None
    working_load_pct: float | None = None
    working_state: str | None = None
    half_rating_l: float | None = None
    half_limit: str | None = None
    flow_l_h: float | None = None
    flow_basis: str | None = None
    flow_day: dt.date | None = None
    flow_of_clean: float | None = None
    expected_low: float | None = None  # mg/L NO3 per day
    expected_high: float | None = None
    was_working_load_pct: float | None = None
    was_media_kg: float | None = None
    was_filters: Sequence[str] | None = None
    # nitrate: rates in mg/L NO3 per day
    ceiling: float | None = None
    trend: str | None = None
    level: float | None = None  # calculated of the day [mg/L NO3]
    plateau: float | None = None
    plateau_low: float | None = None
    plateau_high: float | None = None
    weeks_to_ceiling: float | None = None
    over_ceiling_probability: float | None = None
    mean_fraction: float | None = None
    mean_gap_days: float | None = None
    change_share: float | None = None
    witness: str | None = None
    witness_says: str | None = None
    recent_state: str | None = None
    recent_rate: float | None = None
    recent_low: float | None = None
    recent_high: float | None = None
    step_since: dt.date | None = None
    step_size: float | None = None
    step_kit_batch: str | None = None
    visit_days: float | None = None  # days between visits
    last_age: int | None = None  # of the last usable nitrate reading [days]
    last_low: float | None = None
    last_high: float | None = None
    last_matched: float | None = None
    last_kit: str | None = None
    last_expired: bool | None = None
    span_days: int | None = None  # between the first and the last such reading of the recent window, none taken after
    span_first_low: float | None = None
    span_first_high: float | None = None
    span_last_low: float | None = None
    span_last_high: float | None = None
    span_one_kit: bool | None = None
    # the tap, as last tested
    tap: float | None = None  # mg/L NO3
    tap_ph: float | None = None
    tap_ammonia: float | None = None
    tap_ammonia_high: float | None = None
    tap_ammonia_day: dt.date | None = None
    tap_nitrate: float | None = None  # mg/L NO3
    tap_nitrate_day: dt.date | None = None
    tap_was: float | None = None  # at the test before
    tap_least: float | None = None  # the least and the most of the last year's tests
    tap_most: float | None = None
    ammonia_before: float | None = None  # of the last day with a sample before and one after the change
    ammonia_after: float | None = None
    kh_was: float | None = None  # KH some weeks before
    last_fraction: float | None = None  # of the last water change
    changes_lately: int | None = None  # of the last visits, those with a change; and of the visits before those
    visits_lately: int | None = None
    changes_before: int | None = None
    visits_before: int | None = None
    age_weeks: float | None = None  # of the tank
    held: int = 0

    @property
    def established(self) -> bool:
        """A tank with no set-up date counts as established: doubt must not quieten an alarm."""
        return self.age_weeks is None or self.age_weeks > self.assumed["established_weeks"]

    @property
    def trap(self) -> bool:
        """Acid water, no KH and high nitrate: a large change can kill."""
        ph, kh, nitrate = self.water.get("ph"), self.water.get("kh"), self.water.get("nitrate")
        if ph is None or kh is None or nitrate is None or self.ceiling is None:
            return False
        sour = ph.matched < self.assumed["old_tank_ph"] and kh.matched <= self.assumed["act_kh_at"]
        return sour and nitrate.matched > self.ceiling

    @property
    def climbing(self) -> bool:
        return self.trend == "climbing"

    def shows(self, parameter: str) -> bool:
        """Ammonia or nitrite at or over the trace that its kit can tell from nothing."""
        read = self.water.get(parameter)
        return read is not None and read.matched > 0 and read.matched >= self.assumed[f"trace_{parameter}"]

    @property
    def fed(self) -> list[Row]:
        """What is fed from which day on, up to the day, oldest first."""
        return sorted((row for row in self.records("feeding") if row["day"] <= self.as_of), key=lambda row: row["day"])

    def lately(self, name: str, days: float) -> list[Row]:
        """Dated records of so many days up to the day, oldest first, each with its `ago` in days."""
        since = self.as_of - dt.timedelta(math.ceil(days))
        near = [row for row in self.records(name) if since < row["day"] <= self.as_of]
        return [{**row, "ago": (self.as_of - row["day"]).days} for row in sorted(near, key=lambda row: row["day"])]

    def on_hold(self) -> list[tuple[int | None, Row]]:
        """Items held lately with their age in days; None where the day is not known."""
        found = []
        for row in self.records("held"):
            known = row["day"] is not None and row["fault"] != "future"
            age = (self.as_of - row["day"]).days if known else None
            if age is None or 0 <= age <= self.assumed["held_fresh_days"]:
                found.append((age, row))
        return found


# Tables of records, with their day; those calculated are kept by tank and as-of day instead.
DATED = {"event": "date", "service": "date", "feeding": "from", "visit": "day", "water_change": "day", "doubt": "day"}
OF_TANK = {*DATED, "held"}
LONGEST_LOOK = 200  # days before the first as-of day that records are kept of


def _records(tables: Tables, requests: pl.DataFrame) -> Callable[[str, dt.date, str], Sequence[Row]]:
    """The rows that rules and causes ask for, of a tank, or of a tank and day where the table is calculated; a table is
    gone through when it is first asked for."""

    @cache
    def found(name: str) -> dict[Any, list[Row]]:
        rows = _lazy(tables, name).drop_nulls("tank")
        if name in DATED:
            rows = rows.with_columns(pl.col(DATED[name]).alias("day")).drop_nulls("day")
        if name == "visit":
            rows = rows.filter(pl.any_horizontal(pl.col("fish_seen", "fish_look", "note").is_not_null()))
        if name in DATED and name != "feeding" and requests.height:
            rows = rows.filter(pl.col("day") > pl.lit(requests["as_of"].min()) - pl.duration(days=LONGEST_LOOK))
        return _finite(rows).collect().rows_by_key("tank" if name in OF_TANK else REQUEST, named=True, include_key=True)

    return lambda tank, as_of, name: found(name).get(tank if name in OF_TANK else (tank, as_of), ())


def _lazy(tables: Tables, name: str) -> pl.LazyFrame:
    """A table, empty if there is none."""
    return tables.get(name, empty(name)).lazy()


def _finite(frame: pl.LazyFrame) -> pl.LazyFrame:
    """nan and infinity become null, at the door."""
    return frame.with_columns(pl.when(cs.float().is_finite()).then(cs.float()))


def _lately(requests: pl.LazyFrame, rows: pl.LazyFrame, days: float) -> pl.LazyFrame:
    """Each request with the rows of its tank of so many days up to the day."""
    since = pl.col("as_of") - pl.duration(days=int(days))
    return requests.join(rows, on="tank").filter((pl.col("day") <= pl.col("as_of")) & (pl.col("day") > since))


def _visit_rhythm(requests: pl.LazyFrame, visit: pl.LazyFrame, assumed: Assumptions, round_: Round) -> pl.LazyFrame:
    """Days between visits: the round's own, or a tank's median gap where its round is slower (up to fourfold)."""
    gap = pl.col("day").diff().over("tank").dt.total_days()
    gaps = visit.select("tank", "day").unique().sort("tank", "day").with_columns(gap.alias("gap")).drop_nulls("gap")
    every = float(round_.visit_every_days)
    own = pl.when(pl.len() >= assumed["rhythm_gaps"]).then(pl.col("gap").median())
    days = own.clip(every, assumed["rhythm_most"] * every).alias("visit_days")
    usual = _lately(requests, gaps, assumed["rhythm_days"]).group_by(REQUEST).agg(days)
    return requests.join(usual, on=REQUEST, how="left").with_columns(pl.col("visit_days").fill_null(every))


def _changes_kept(
    requests: pl.LazyFrame, visit: pl.LazyFrame, change: pl.LazyFrame, assumed: Assumptions
) -> pl.LazyFrame:
    """How many of the last visits changed water, and how many of those before."""
    few, before = int(assumed["missed_visits"]), int(assumed["missed_before"])
    made = [of.select("tank", "day", pl.lit(was).alias("made")) for was, of in enumerate((visit, change))]
    parts = {"lately": pl.col("made").head(few), "before": pl.col("made").slice(few, before)}
    return (
        _lately(requests, pl.concat(made), LONGEST_LOOK)
        .group_by(*REQUEST, "day")
        .agg(pl.col("made").max())
        .sort(*REQUEST, "day", descending=[False, False, True])
        .group_by(REQUEST, maintain_order=True)
        .agg(
            *(of.sum().alias(f"changes_{name}") for name, of in parts.items()),
            *(of.len().alias(f"visits_{name}") for name, of in parts.items()),
        )
    )


def _asof(requests: pl.LazyFrame, rows: pl.LazyFrame, day: str = "day", by: str = "tank") -> pl.LazyFrame:
    """Each request with the last row of its `by` up to the day."""
    return requests.sort("as_of").join_asof(
        rows.sort(day), left_on="as_of", right_on=day, by=by, check_sortedness=False, coalesce=False
    )  # fmt: skip


def _named(frame: pl.LazyFrame, prefix: str, *columns: str) -> pl.LazyFrame:
    """Some columns of a request's, each with a prefix."""
    return frame.select(*REQUEST, *(pl.col(c).alias(f"{prefix}_{c}") for c in columns))


def _nitrate_window(requests: pl.LazyFrame, usable: pl.LazyFrame, assumed: Assumptions) -> pl.LazyFrame:
    """The first and the last usable nitrate reading of the recent window that was not taken after a change."""
    calm = usable.filter((pl.col("taken") != "after") & pl.col("doubt").is_null())
    return (
        _lately(requests, calm.with_row_index("nth"), 7 * assumed["recent_weeks"])
        .sort("nth")
        .group_by(REQUEST, maintain_order=True)
        .agg(
            (pl.col("day").last() - pl.col("day").first()).dt.total_days().alias("span_days"),
            *(pl.col(c).first().alias(f"span_first_{c}") for c in ("low", "high")),
            *(pl.col(c).last().alias(f"span_last_{c}") for c in ("low", "high")),
            pl.col("kit").first().eq_missing(pl.col("kit").last()).alias("span_one_kit"),
        )
    )


def _tap(rows: pl.LazyFrame, tap: pl.LazyFrame, assumed: Assumptions) -> pl.LazyFrame:
    """The last tests of each tank's supply up to the day, and between what its nitrate moved in the year before."""
    weeks, least = f"{assumed['tap_season_weeks']:g}w", int(assumed["tap_season_tests"])
    level = pl.col("matched")
    moved = {"tap_was": level.shift(1), "tap_least": level.rolling_min_by("date", weeks, min_samples=least),
             "tap_most": level.rolling_max_by("date", weeks, min_samples=least)}  # fmt: skip
    for of in ("nitrate", "ammonia", "ph"):
        columns = {f"tap_{of}": level, f"tap_{of}_high": pl.col("high"), f"tap_{of}_day": pl.col("date")}
        if of == "nitrate":
            columns |= {name: column.over("water_supply") for name, column in moved.items()}
        tests = tap.filter(pl.col("parameter") == of).sort("date").select("water_supply", "date", **columns)
        rows = _asof(rows, tests, "date", "water_supply").drop("date")
    return rows


def _earlier_water(requests: pl.LazyFrame, reading: pl.LazyFrame, assumed: Assumptions) -> list[pl.LazyFrame]:
    """Ammonia of samples before and after one change; KH some weeks before."""
    both = reading.filter(pl.col("parameter") == "ammonia").group_by("tank", "day").agg(
        pl.col("matched").filter(pl.col("taken") == when).max().alias(f"ammonia_{when}") for when in ("before", "after")
    )  # fmt: skip
    age = (pl.col("as_of") - pl.col("day")).dt.total_days()
    ammonia = _asof(requests, both.drop_nulls()).filter(age < assumed["recent_cause_days"])
    then = pl.col("as_of") - pl.duration(days=int(assumed["kh_climb_days"]))
    kh = reading.filter(pl.col("parameter") == "kh").select("tank", "day", pl.col("matched").alias("kh_was"))
    past = _asof(requests.with_columns(pl.col("as_of").alias("now"), then.alias("as_of")), kh)
    past = past.filter(age <= assumed["water_fresh_days"]).select("tank", pl.col("now").alias("as_of"), "kh_was")
    return [ammonia.select(*REQUEST, "ammonia_before", "ammonia_after"), past]


def _held(requests: pl.LazyFrame, held: pl.LazyFrame) -> pl.LazyFrame:
    """How many items are held of each tank up to the day; one of no known day counts."""
    unknown = pl.col("day").is_null() | (pl.col("fault") == "future").fill_null(False)
    rows = requests.join(held.drop_nulls("tank"), on="tank").filter(unknown | (pl.col("day") <= pl.col("as_of")))
    return rows.group_by(REQUEST).agg(pl.len().alias("held"))


def _wide(tables: Tables, requests: pl.LazyFrame, assumed: Assumptions, round_: Round) -> pl.LazyFrame:
    """One row a request, every fact in its column."""
    lazy = partial(_lazy, tables)
    tank = lazy("tank").select("tank", "site", "set_up", "closed", pl.col("temperature_c").alias("set_c"), "planting", "stocking")  # fmt: skip
    capacity, visit = lazy("capacity").drop("temperature_c", strict=False), lazy("visit")
    earlier = capacity.with_columns((pl.col("as_of") + pl.duration(days=WEEK)).alias("as_of"))
    changes = lazy("water_change").filter(pl.col("kind") != "top-up")
    usable = lazy("reading").filter(USABLE).sort("day", "tank", maintain_order=True)
    last = _asof(requests, usable.unique(["tank", "day"], keep="first", maintain_order=True))
    last = last.with_columns((pl.col("as_of") - pl.col("day")).dt.total_days().alias("age"))
    site = lazy("site").select("site", "water_supply")
    rows = requests.join(tank, on="tank", how="left").join(site, on="site", how="left")
    for frame in (
        capacity,
        _named(earlier, "was", "working_load_pct", "media_kg", "filters"),
        lazy("nitrate_outlook"),
        _named(lazy("nitrate_fit").filter(pl.col("window") == "recent"), "recent", "rate", "low", "high", "state"),
        _named(lazy("step_alarm"), "step", "since", "size", "kit_batch"),
        _visit_rhythm(requests, visit, assumed, round_),
        _named(last, "last", "age", "low", "high", "matched", "kit", "expired"),
        _nitrate_window(requests, usable, assumed),
        _held(requests, lazy("held")),
        *_earlier_water(requests, lazy("reading"), assumed),
        _changes_kept(requests, visit, changes, assumed),
        _named(_asof(requests, changes.drop_nulls("fraction").select("tank", "day", "fraction")), "last", "fraction"),
    ):
        rows = rows.join(frame, on=REQUEST, how="left")
    # What the changes bring in; where none are made, what the tap would. The fit has a prior for a tap that was never
    # tested; a rule that asks for litres may not lean on it: never tested stays unknown.
    tested = pl.when(pl.col("tap_day").is_not_null()).then("tap")
    return _tap(rows, lazy("tap"), assumed).with_columns(
        pl.coalesce(tested, "tap_nitrate").alias("tap"),
        ((pl.col("as_of") - pl.col("set_up")).dt.total_days() / 7).alias("age_weeks"),
        pl.col("held").fill_null(0),
    )


def gather(tables: Tables, requests: pl.DataFrame, assumed: Assumptions, round_: Round) -> list[TankFacts]:
    requests = requests.select(REQUEST).unique(maintain_order=True)
    names = [f.name for f in fields(TankFacts) if f.name not in ("assumed", "water", "records")]
    wide = _finite(_wide(tables, requests.lazy(), assumed, round_).select(names)).collect().sort("as_of", "tank")
    parts = [f.name for f in fields(Read)]
    read = _finite(_lazy(tables, "water")).select(*REQUEST, "parameter", *parts).collect().rows_by_key(REQUEST)
    water = {key: {parameter: Read(*values) for parameter, *values in rows} for key, rows in read.items()}
    records, found = _records(tables, requests), []
    for row in wide.iter_rows(named=True):
        key = row["tank"], row["as_of"]
        found.append(TankFacts(assumed=assumed, water=water.get(key, {}), records=partial(records, *key), **row))
    return found
