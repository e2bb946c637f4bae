"""What is calculated from the checked records: history and review as of a day, some sites at a time.

No calculation looks from one tank to another, but for kits that go off, which are judged over all their users, and the
ranks of the review. So memory stays bounded however many tanks there are.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterator, Sequence
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Protocol

import polars as pl

import schemas
from pipeline import reuse, review
from pipeline.assumptions import Assumptions
from pipeline.calc import capacity as rating
from pipeline.calc import dates, floworder, nitrate, water
from pipeline.calc.kit_shift import hold_down_by_parts, kits_used
from pipeline.progress import Progress
from pipeline.week import Round
from schemas import Tables

TANKS_AT_ONCE = 300  # three years of weekly readings of so many fit in half a gigabyte while they are calculated
# Tables in order of tank, then day; all others are in order of day, then tank.
BY_TANK = frozenset({"audit", "finding_cause"})


class Records(Protocol):
    """Gives the checked tables, with the visits, readings and changes of some tanks (None: of all), and of readings
    those of one parameter (None: all)."""

    def __call__(self, tanks: Sequence[str] | None, parameter: str | None = None) -> Tables: ...


def asks_of(tables: Tables, days: Sequence[dt.date]) -> pl.DataFrame:
    """Every tank that ran on each of the days; a tank closed on the day still stands in that day's review."""
    tanks = tables["tank"].select("tank", "set_up", "closed")
    asks = tanks.join(pl.DataFrame({"as_of": list(days)}, schema={"as_of": pl.Date}), how="cross")
    runs = (pl.col("set_up").is_null() | (pl.col("set_up") <= pl.col("as_of"))) & (
        pl.col("closed").is_null() | (pl.col("closed") >= pl.col("as_of"))
    )
    return asks.filter(runs).select("tank", "as_of").sort("as_of", "tank")


def calc(tables: Tables, asks: pl.DataFrame, assumed: Assumptions, round_: Round) -> Tables:
    """What history keeps of the asks: capacity, its layers, the nitrate fits, outlook, alarms, suspects."""
    capacity, layers = rating.capacity(tables, asks, assumed)
    found = nitrate.calculate_nitrate(tables, asks, assumed, round_, capacity=capacity)
    return {"capacity": capacity, "capacity_layer": layers, **found}


def looked_at(tables: Tables, asks: pl.DataFrame, assumed: Assumptions, round_: Round) -> Tables:
    """What the review of the asks needs beyond their history: water, due, audit; and their review, not ranked yet."""
    now: Tables = {
        "water": water.latest(tables, asks, assumed),
        "due": dates.due(tables, asks, assumed, round_),
        "audit": floworder.audit(tables, asks, assumed),
    }
    return {**now, **review.looked_at({**tables, **now}, asks, assumed, round_)}


def reviewed_days(as_of: dt.date) -> list[dt.date]:
    """As-of, and the days a week and four weeks before it, which "changed" and "worse" are told against."""
    return [as_of - dt.timedelta(review.MONTH), as_of - dt.timedelta(review.WEEK), as_of]


@cache
def code_print() -> str:
    """Changes with any line of our own that a warehouse is made by: one made by other lines is made anew."""
    digest = hashlib.sha256(version("tankround").encode())
    for room in (Path(schemas.__file__).parent, Path(__file__).parent):
        for file in sorted(room.rglob("*.py")):
            if not {"papers", "advise"} & set(file.relative_to(room).parts):
                digest.update(file.read_bytes())
    return digest.hexdigest()


def some_at_a_time(standing: Tables) -> Iterator[tuple[list[str], list[str] | None]]:
    """Tanks of some sites, and the tanks whose records are read with them; None stands for those of all.

    A filter that was moved brings its flow along, so a tank's records go with those of every tank it shares one with.
    """
    tanks = standing["tank"].sort("site", "tank")
    if tanks.height <= TANKS_AT_ONCE:
        yield tanks["tank"].to_list(), None
        return
    stood = standing["placement"].select("filter", "tank").drop_nulls().unique()
    beside = stood.join(stood, on="filter", suffix="_b").select("tank", "tank_b")
    for first in range(0, tanks.height, TANKS_AT_ONCE):
        mine = tanks["tank"][first : first + TANKS_AT_ONCE]
        others = beside.filter(pl.col("tank").is_in(mine.implode()))["tank_b"]
        yield mine.to_list(), pl.concat([mine, others]).unique(maintain_order=True).to_list()


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


def derived(
    records: Records,
    standing: Tables,
    as_of: dt.date,
    weeks: int,
    assumed: Assumptions,
    round_: Round,
    progress: Progress,
    old: Tables | None = None,
) -> Tables:
    """History and review as of a day; of the history, what `old` has of the same records is not calculated again.

    `standing` has the tables that do not grow by the week; `records` is asked for the others.
    """
    days = [as_of - dt.timedelta(7 * back) for back in range(weeks, -1, -1)]
    shared = reuse.shared_print(standing, assumed, round_, code_print())
    asks, groups = asks_of(standing, days), list(some_at_a_time(standing))
    tables: Tables = {}

    def anew(fresh: pl.DataFrame) -> Tables:
        return calc(tables, fresh, assumed, round_)

    parts, used = [], []
    for number, (tanks, with_them) in enumerate(groups):
        progress(0.4 + 0.4 * number / len(groups), "calculation")
        tables = records(with_them)
        parts.append(reuse.history(tables, _of(asks, tanks), shared, old, anew))
        used.append(_of(kits_used(tables), tanks))
    whole = len(groups) == 1

    def users(of: Sequence[str]) -> Iterator[tuple[list[str], Tables]]:
        for tanks, _ in groups:
            if mine := sorted(set(tanks) & set(of)):
                yield mine, tables if whole else records(mine, "nitrate")

    found = hold_down_by_parts(together(parts), pl.concat(used), users, assumed)
    asks = asks_of(standing, reviewed_days(as_of))
    parts = []
    for number, (tanks, with_them) in enumerate(groups):
        progress(0.8 + 0.1 * number / len(groups), "reviewing")
        tables = tables if whole else records(with_them)
        mine = found if whole else {name: _of(frame, tanks) for name, frame in found.items()}
        parts.append(looked_at({**tables, **mine}, _of(asks, tanks), assumed, round_))
    return {**found, **review.ranked(together(parts))}


def _of(frame: pl.DataFrame, tanks: Sequence[str]) -> pl.DataFrame:
    return frame.filter(pl.col("tank").is_in(list(tanks)))
