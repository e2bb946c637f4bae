"""What-if: a tank as it is, and what could be asked of it: food or stocking, more media and where, water changes."""

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import polars as pl

from pipeline.advise import changes as water
from pipeline.advise.book import Medium
from pipeline.advise.options import own_medium
from pipeline.advise.state import Desk, FilterState, TankState, build
from pipeline.calc.layers import table
from pipeline.problems import Problem
from pipeline.week import Week
from schemas.words import STOCKING

FIRST = "first in the flow"
# How far a slider goes. No sum hangs on these.
FEED_TIMES, FEED_LEAST, MEDIA_MOST_KG = 2.0, 0.1, 6.0


@dataclass(frozen=True)
class Spot:
    """A place where media could be added: behind the last layer of a stage in a filter, or before all layers."""

    key: str  # `P02, after fine`
    filter: str
    before: int  # it would lie before this layer
    room: str
    position: int | None


@dataclass(frozen=True)
class Settings:
    """What is asked: food [g/day] or a stocking class, media to add [kg], the change [share of net] and its days."""

    feed_g_day: float | None = None
    stocking: str | None = None
    medium: str | None = None
    media_kg: float = 0.0
    spot: str | None = None  # key of a Spot
    fraction: float | None = None
    every_days: float = 7.0


@dataclass(frozen=True)
class Start:
    """A tank as it is, and what could be asked of it."""

    desk: Desk
    tank: TankState
    known: water.Facts
    outlook: dict[str, Any] = field(default_factory=dict)
    protein_pct: float | None = None

    @cached_property
    def by_feed(self) -> bool:
        return self.tank.load_basis == "feed"

    @cached_property
    def today(self) -> Settings:
        """The settings that the tank runs at; the class is what its load is calculated by where food is not weighed."""
        own = self.desk.week.table("tank").filter(pl.col("tank") == self.tank.tank)["stocking"].to_list()
        return Settings(
            feed_g_day=self.tank.feed_g_day if self.by_feed else None,
            stocking=None if self.by_feed else (own[0] if own and own[0] in STOCKING else "normal"),
            fraction=self.known.fraction_now,
            every_days=self.known.every_days,
        )

    @cached_property
    def media(self) -> dict[str, Medium]:
        """Media of the book that would count, by name: what the tank has first, then those that work more."""
        own = {m.name for state in self.tank.filters if (m := own_medium(self.desk, state)) is not None}
        found = [m for m in self.desk.media.values() if m.counts(self.desk.assumed) and not m.foam]
        return {m.name: m for m in sorted(found, key=lambda m: (m.name not in own, -(m.quality or 0.0), m.name))}

    @cached_property
    def spots(self) -> dict[str, Spot]:
        """The places for more media by key, the best first."""
        return {spot.key: spot for state in self.tank.filters for spot in _spots(state)}

    @property
    def feed_range(self) -> tuple[float, float, float]:
        """(least, most, step) of food to ask about [g/day]; today's food always lies between."""
        f, feed = self.desk.assumed, self.today.feed_g_day or 0.0
        normal = (self.tank.net_l or 0.0) / 100 * f["normal_feed_g_100l"]
        step = 0.05 if max(feed, normal) >= 0.5 else 0.01
        most = max(FEED_TIMES * feed, normal, 10 * step)
        least = max(step, _to_step(FEED_LEAST * feed, step))
        return min(least, feed or least), max(_to_step(most, step), feed), step

    @property
    def fraction_most(self) -> float:
        """The largest change to ask about: what may go in one go, or today's where that is more."""
        return max(self.desk.assumed["change_at_once"], self.today.fraction or 0.0)


def _to_step(value: float, step: float) -> float:
    return round(round(value / step) * step, 4)


def _spots(state: FilterState) -> list[Spot]:
    """Places in a filter, the finest stage first; a layer that lies beside the flow is no place."""
    last: dict[str, int] = {}
    for i, layer in enumerate(state.layers):
        if layer.medium.stage in ("coarse", "medium", "fine") and layer.position is not None:
            last[layer.medium.stage] = i
    found = []
    for stage in sorted(last, key=["fine", "medium", "coarse"].index):
        layer = state.layers[last[stage]]
        found.append(Spot(f"{state.name}, after {stage}", state.name, last[stage] + 1, layer.room, layer.position))
    placed = [layer for layer in state.layers if layer.position is not None]
    if placed:
        found.append(Spot(f"{state.name}, {FIRST}", state.name, 0, placed[0].room, placed[0].position))
    return found


def start(week: Week, tank: str) -> Start:
    """A tank as it is. Problem for one that is not in the round."""
    if tank not in set(table(week.tables, "tank")["tank"]):
        raise Problem(f"“{tank}” is not a tank of this round; expected one of tanks.csv.")
    desk = build(week, [tank])
    outlook = next(iter(week.now("nitrate_outlook").filter(pl.col("tank") == tank).to_dicts()), {})
    fed = table(week.tables, "feeding").filter((pl.col("tank") == tank) & (pl.col("from") <= week.as_of)).sort("from")
    protein = fed["protein_pct"].to_list()
    state = desk.tanks[tank]
    known = water.facts(week, tank, state.net_l)
    return Start(desk, state, known, outlook, protein[-1] if protein else None)
