"""What is calculated from the checked records: the review as of a day, some sites at a time.

No calculation looks from one tank to another, but for kits that go off and explanations, which are judged over all that
share a kit or a tap, and the ranks of the review. So memory stays bounded however many tanks there are.
"""

import datetime as dt
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

import polars as pl

from pipeline import reuse
from pipeline.assumptions import Assumptions
from pipeline.calc import capacity as rating
from pipeline.calc import dates, explanations, floworder, nitrate, water
from pipeline.calc.kit_shift import hold_down
from pipeline.calc.refits import Weighed
from pipeline.parts import Run
from pipeline.progress import Progress
from pipeline.review import rules
from pipeline.review.ranking import MONTH, WEEK
from pipeline.week import Round, Week
from schemas import Tables

T = TypeVar("T")
TANKS_AT_ONCE = 250  # so many with three years of weekly readings fit in a tenth of a gigabyte while calculated
LOOK_BACK_DAYS = 1100  # no window of a calculation is longer; the last reading and visit of each tank are always there
FOLLOWED = ["nitrate", "flow_l_h"]  # read through years: the balance with its alarms; the clean flow of a filter
# Tables in order of tank, then day; all others are in order of day, then tank.
GROWING = ("visit", "reading", "water_change")  # by the week
BY_TANK = frozenset({"audit", "finding_cause"})


def requests_of(tables: Tables, days: Sequence[dt.date]) -> pl.DataFrame:
    """Every tank that ran on each of the days; a tank closed on the day still stands in that day's review."""
    tanks = tables["tank"].select("tank", "set_up", "closed")
    requests = tanks.join(pl.DataFrame({"as_of": list(days)}, schema={"as_of": pl.Date}), how="cross")
    runs = (pl.col("set_up").is_null() | (pl.col("set_up") <= pl.col("as_of"))) & (
        pl.col("closed").is_null() | (pl.col("closed") >= pl.col("as_of"))
    )
    return requests.filter(runs).select("tank", "as_of").sort("as_of", "tank")


def calc(tables: Tables, requests: pl.DataFrame, assumed: Assumptions, round_: Round) -> Tables:
    """What each tank comes to on each day: capacity, its layers, the nitrate fits, outlook, alarms, suspects."""
    capacity, layers = rating.capacity(tables, requests, assumed)
    found = nitrate.calculate_nitrate(tables, requests, assumed, round_, capacity=capacity)
    return {"capacity": capacity, "capacity_layer": layers, **found}


def looked_at(tables: Tables, requests: pl.DataFrame, assumed: Assumptions, round_: Round) -> Tables:
    """What the review of the requests needs beyond that: water, due, audit; and their review, not ranked yet."""
    now: Tables = {
        "water": water.latest(tables, requests, assumed),
        "due": dates.due(tables, requests, assumed),
        "audit": floworder.audit(tables, requests, assumed),
    }
    return {**now, **rules.looked_at({**tables, **now}, requests, assumed, round_)}


def to_explain(tables: Tables, requests: pl.DataFrame, assumed: Assumptions) -> tuple[Tables, pl.DataFrame]:
    """The records of the half-year that explanations look at, and the requests that have any: the last, and those of a
    week before, as against them a change is told."""
    last = requests["as_of"].max()
    first = (last if isinstance(last, dt.date) else dt.date.max) - dt.timedelta(WEEK)
    back = dt.timedelta(7 * round(assumed["baseline_weeks"]) + WEEK)
    return recent(tables, first - back), requests.filter(pl.col("as_of") >= first)


def _quarter(day: dt.date) -> dt.date:
    """The first day of its quarter. As each move of a window has all in it calculated anew, windows move by the quarter."""
    return dt.date(day.year, day.month - (day.month - 1) % 3, 1)


def looked_back(tables: Tables, as_of: dt.date, assumed: Assumptions) -> Tables:
    """The checked tables without visits, readings and changes that the review as of a day can no longer hang on."""
    weeks = 7 * assumed["witness_weeks"]
    fresh = 2 * assumed["water_fresh_days"] + 11, assumed["kh_climb_days"] + assumed["water_fresh_days"]
    days = max(weeks, *fresh, *(assumed[n] for n in ("temperature_days", "recent_cause_days", "tap_beside_days")))
    beside = as_of - dt.timedelta(math.ceil(days) + MONTH)
    return recent(tables, _quarter(as_of - dt.timedelta(LOOK_BACK_DAYS)), _quarter(beside))


def recent(tables: Tables, since: dt.date, beside: dt.date | None = None) -> Tables:
    """The checked tables without the visits, readings and changes before a day, but for the last visit and the last
    readings before it of each tank. Readings that nothing FOLLOWED is calculated of go from `beside` on."""
    visit, reading, change = (tables[name] for name in GROWING)
    new = pl.col("day") >= since
    latest = (pl.col("day") < since) & (pl.col("at") == pl.col("at").filter(pl.col("day") < since).max().over("tank"))
    from_ = pl.when(pl.col("parameter").is_in(FOLLOWED)).then(since).otherwise(beside or since)
    numbered, old = reading.with_row_index("n"), pl.col("day") < from_
    before = numbered.filter(old).select("n", "tank", "parameter", "day", "at")
    last = before.filter(pl.col("at") == pl.col("at").max().over("tank", "parameter"))
    # Whether a day with a top-up was a visit hangs on any reading of it.
    topped = change.filter((pl.col("kind") == "top-up") & new).select(pl.col("tank").cast(reading["tank"].dtype), "day")
    still = pl.concat([last, before.join(topped, on=["tank", "day"], how="semi")])["n"]
    return {
        **tables,
        "visit": visit.filter(new | latest),
        "reading": numbered.filter(~old | pl.col("n").is_in(still.implode()))
        .drop("n")
        .cast({pl.Categorical: pl.String}),
        "water_change": change.filter(new),
    }


def some_at_a_time(tables: Tables) -> Iterator[tuple[list[str], Tables]]:
    """Tanks of some sites, and the tables with the records of those and of every tank they share a filter with: a filter
    that was moved brings its flow along."""
    tanks = tables["tank"].sort("site", "tank")
    if tanks.height <= TANKS_AT_ONCE:
        yield tanks["tank"].to_list(), tables
        return
    stood = tables["placement"].select("filter", "tank").drop_nulls().unique()
    beside = stood.join(stood, on="filter", suffix="_b").select("tank", "tank_b")
    for first in range(0, tanks.height, TANKS_AT_ONCE):
        mine = tanks["tank"][first : first + TANKS_AT_ONCE]
        others = beside.filter(pl.col("tank").is_in(mine.implode()))["tank_b"]
        yield mine.to_list(), _records_of(tables, [*mine, *others])


def records_of(week: Week, tanks: Sequence[str]) -> Tables:
    """A week's tables with the records of a few tanks only, and of those they share a filter with."""
    stood = week.table("placement").select("filter", "tank").drop_nulls()
    filters = _of(stood, tanks).select("filter").unique()
    near = sorted({*tanks, *stood.join(filters, on="filter", how="semi")["tank"]})
    return {**week.tables, **{name: pl.concat([week.of(name, tank) for tank in near]) for name in GROWING}}


def _records_of(tables: Tables, tanks: Sequence[str]) -> Tables:
    return {**tables, **{name: _of(tables[name], tanks) for name in GROWING}}


def together(parts: Sequence[Tables]) -> Tables:
    """Tables of some tanks each as tables of all."""
    if len(parts) == 1:
        return dict(parts[0])
    return {
        name: pl.concat([part[name] for part in parts]).sort(
            ("tank", "as_of") if name in BY_TANK else ("as_of", "tank"), maintain_order=True
        )
        for name in parts[0]
    }


@dataclass(frozen=True)
class Part:
    """Some tanks: their records and those of tanks they share a filter with, what is asked of them, and what is known."""

    tanks: list[str]
    records: Tables
    requests: pl.DataFrame
    known: Tables | None = None


def _calculated(part: Part, shared: str, assumed: Assumptions, round_: Round) -> tuple[Tables, Weighed | None]:
    """What a part comes to by itself, and what its readings say of their explanations."""
    anew = partial(calc, part.records, assumed=assumed, round_=round_)
    found = reuse.known_or_new(part.records, part.requests, shared, part.known, anew)
    own = _records_of(part.records, part.tanks)
    return found, explanations.refitted(*to_explain(own, part.requests, assumed), assumed)


def _reviewed(part: Part, assumed: Assumptions, round_: Round) -> Tables:
    return looked_at({**part.records, **(part.known or {})}, part.requests, assumed, round_)


def derived(
    tables: Tables,
    as_of: dt.date,
    assumed: Assumptions,
    round_: Round,
    progress: Progress,
    old: Tables | None = None,
    run: Run = map,
) -> Tables:
    """The review as of a day, its parts `run`; what `old` has of a tank with the same records is not calculated again."""
    shared = reuse.shared_fingerprint(tables, assumed, round_, reuse.code_fingerprint())
    # A change is told against the week before; what was paused is judged by four weeks before too.
    paused = tables["noted"].filter(pl.col("until") >= as_of)["tank"].to_list()
    before = _of(requests_of(tables, [as_of - dt.timedelta(MONTH)]), paused)
    requests = pl.concat([before, requests_of(tables, [as_of - dt.timedelta(WEEK), as_of])])
    count = -(-max(tables["tank"].height, 1) // TANKS_AT_ONCE)

    def parts(known: Tables | None) -> Iterator[Part]:
        for tanks, records in some_at_a_time(tables):
            mine = None if known is None else {name: _of(frame, tanks) for name, frame in known.items()}
            yield Part(tanks, records, _of(requests, tanks), mine)

    def followed(results: Iterable[T], begins: float, share: float, what: str) -> Iterator[T]:
        for number, result in enumerate(results, start=1):
            progress(begins + share * number / count, what)
            yield result

    def users(of: Sequence[str]) -> Iterator[tuple[list[str], Tables]]:
        for tanks, records in some_at_a_time(tables):
            if mine := sorted(set(tanks) & set(of)):
                yield mine, records

    alone = run(partial(_calculated, shared=shared, assumed=assumed, round_=round_), parts(old))
    calculated, weighed = zip(*followed(alone, 0.4, 0.4, "calculation"), strict=True)
    found = hold_down(together(calculated), tables, assumed, users)
    found["explanation"] = explanations.explain(weighed, *to_explain(tables, requests, assumed), assumed)
    reviewed = run(partial(_reviewed, assumed=assumed, round_=round_), parts(found))
    return {**found, **rules.ranked(together(list(followed(reviewed, 0.8, 0.1, "reviewing"))))}


def _of(frame: pl.DataFrame, tanks: Sequence[str]) -> pl.DataFrame:
    return frame.filter(pl.col("tank").is_in(list(tanks)))
