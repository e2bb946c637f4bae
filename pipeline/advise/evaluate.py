"""What some changes together do to a tank: load now, on the way and when mature, day of effect, cost and minutes."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.advise.bodies import Body, curve, horizon_days, mature
from pipeline.advise.options import Change
from pipeline.advise.state import FilterState, TankState
from pipeline.figures import Figures
from pipeline.reckon.cells import Array
from pipeline.reckon.factors import load_pct

INTERIM_WEEKS = (4, 13, 26)


def changed_filter(state: FilterState, changes: Iterable[Change], figures: Figures) -> tuple[FilterState, list[Body]]:
    """A filter after the changes that concern it, and its bodies of media."""
    mine = [change for change in changes if change.filter == state.name]
    for change in mine:
        if change.edit is not None:
            state = change.edit(state)
    bodies = state.bodies(figures)
    for change in mine:
        if change.extra is not None:
            bodies += change.extra(state)
    return state, bodies


class Effects:
    """What any changes out of a list do to one tank; what a filter becomes is reckoned once for each set."""

    def __init__(self, tank: TankState, changes: Sequence[Change], figures: Figures) -> None:
        self.tank, self.changes, self.figures = tank, list(changes), figures
        self._filters: dict[tuple[str, frozenset[str]], tuple[FilterState, list[Body], float]] = {}
        self._of = {state.name: [c for c in changes if c.filter == state.name and c.brings is None]
                    for state in tank.filters}  # fmt: skip
        self._brought = {c.key: mature(c.brings.bodies(figures)) for c in changes if c.brings is not None}

    def filter_after(self, state: FilterState, made: Sequence[Change]) -> tuple[FilterState, list[Body], float]:
        """A filter after the changes made: its state, its bodies, and what they work when mature [kg]."""
        keys = frozenset(change.key for change in made if change.filter == state.name and change.brings is None)
        known = self._filters.get((state.name, keys))
        if known is None:
            mine = [change for change in self._of[state.name] if change.key in keys]
            after, bodies = changed_filter(state, mine, self.figures)
            known = self._filters[state.name, keys] = (after, bodies, mature(bodies))
        return known

    def need_kg(self, made: Sequence[Change]) -> float:
        """Media the tank wants after the changes made [kg]."""
        need = self.tank.need_kg or 0.0
        for change in made:
            need *= change.need_factor
        return need

    def mature_kg(self, made: Sequence[Change]) -> float:
        """Effective media when all is ripe, recovered and serviced [kg]."""
        own = sum(self.filter_after(state, made)[2] for state in self.tank.filters)
        return (own + sum(self._brought[change.key] for change in made if change.brings is not None)) * self.tank.warmth

    def mature_pct(self, made: Sequence[Change]) -> float:
        """Working load when mature [%], rounded as loads are; ∞ where nothing works."""
        there = self.mature_kg(made)
        # As load_pct rounds, without its arrays: this is asked thousands of times.
        return round(1000 * self.need_kg(made) / there) / 10 if there > 0 else math.inf

    def reaches(self, made: Sequence[Change]) -> bool:
        """Whether the changes bring the tank within its working rating when mature."""
        return self.mature_pct(made) <= self.figures["within_pct"]

    def states(self, made: Sequence[Change]) -> list[FilterState]:
        """The filters on the tank after the changes."""
        own = [self.filter_after(state, made)[0] for state in self.tank.filters]
        return own + [change.brings for change in made if change.brings is not None]

    def course(self, made: Sequence[Change], days: Array) -> Array:
        """Working load [%] on each of some days after the changes, every filter serviced; nan where nothing works."""
        kg = np.zeros(len(days))
        for state in self.tank.filters:
            kg += curve(self.filter_after(state, made)[1], days, self.figures)
        for change in made:
            if change.brings is not None:
                kg += curve(change.brings.bodies(self.figures), days, self.figures)
        return load_pct(np.full(len(days), self.need_kg(made)), kg * self.tank.warmth)


@dataclass(frozen=True)
class Outcome:
    """Some changes made on a day and what comes of them. Loads in per cent; None is not known or never."""

    made: tuple[Change, ...]
    cost: float | None
    known_cost: float
    lacking: tuple[str, ...]
    minutes: float
    now_pct: float | None
    mature_pct: float | None
    plain_pct: float | None
    effective_on: dt.date | None
    interim: tuple[tuple[dt.date, float | None], ...]
    half_l: float | None
    half_ok: bool | None


def _known(value: float) -> float | None:
    return None if not np.isfinite(value) else float(value)


def outcome(effects: Effects, made: Sequence[Change], as_of: dt.date) -> Outcome:
    """What some changes made on `as_of` do, through time."""
    figures, tank = effects.figures, effects.tank
    days = np.arange(horizon_days(figures) + 1, dtype=float)
    loads = effects.course(made, days)
    within = np.flatnonzero(loads <= figures["within_pct"])
    states = effects.states(made)
    half = sum(state.half_l(figures) for state in states)
    plain = sum(x.kg or 0.0 for s in states for x in s.layers if x.media and x.medium.counts(figures))
    plain += sum(float(str(c.details["kg"])) for c in made if c.kind == "better media")
    lacking = tuple(dict.fromkeys(name for change in made for name in change.lacking))
    known_cost = round(sum(change.known_cost for change in made), 2)
    net = tank.net_l
    return Outcome(
        made=tuple(made),
        cost=None if lacking else known_cost,
        known_cost=known_cost,
        lacking=lacking,
        minutes=sum(change.minutes for change in made),
        now_pct=_known(float(loads[0])),
        mature_pct=_known(effects.mature_pct(made)),
        plain_pct=None if net is None else _known(float(load_pct(net, plain * figures["litres_per_kg"]))),
        effective_on=as_of + dt.timedelta(days=int(days[within[0]])) if len(within) else None,
        interim=tuple(
            (as_of + dt.timedelta(weeks=weeks), _known(float(loads[min(7 * weeks, len(loads) - 1)])))
            for weeks in INTERIM_WEEKS
        ),
        half_l=_known(half),
        half_ok=None if net is None or not np.isfinite(half) else bool(half >= net),
    )


def cost_key(made: Sequence[Change]) -> tuple[bool, float, float]:
    """Cheapest first; a cost that is not known comes after all that are; then minutes."""
    return (
        any(change.lacking for change in made),
        round(sum(change.known_cost for change in made), 2),
        sum(change.minutes for change in made),
    )


def rank_key(found: Outcome) -> tuple[tuple[bool, float, float], dt.date, int, tuple[str, ...]]:
    """Cheapest first, then the sooner in effect, the fewer changes, and by name."""
    keys = tuple(change.key for change in found.made)
    return cost_key(found.made), found.effective_on or dt.date.max, len(found.made), keys


def cheapest(effects: Effects, sets: Iterable[tuple[Change, ...]], as_of: dt.date, most: int) -> list[Outcome]:
    """The outcomes of the `most` cheapest sets, in rank order; sets that tie for the last place are weighed fully."""
    ordered = sorted(sets, key=cost_key)
    if len(ordered) > most:
        last = cost_key(ordered[most - 1])
        ordered = [made for made in ordered if cost_key(made) <= last]
    return sorted((outcome(effects, made, as_of) for made in ordered), key=rank_key)[:most]
