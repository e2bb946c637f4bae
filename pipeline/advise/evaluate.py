"""What some changes together do to a tank: load now, on the way and when mature, day of effect, cost and minutes."""

import datetime as dt
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.advise.options import Change
from pipeline.advise.state import FilterState, TankState, curve, horizon_days, mature
from pipeline.assumptions import Assumptions
from pipeline.calc.cells import Array
from pipeline.calc.factors import load_pct

INTERIM_WEEKS = (4, 13, 26)


def _pct(wanted: float, there: float) -> float:
    """Load [%] as load_pct rounds it, without its arrays, for single loads. ∞ where nothing is there."""
    return round(100.0 * wanted / there * 10) / 10 if there > 0 else math.inf


class After:
    """A filter after the changes that concern it: its state, what it works when mature [kg], and what else is asked of
    it, calculated when it is asked for."""

    def __init__(self, state: FilterState, changes: Sequence[Change], days: Array, assumed: Assumptions) -> None:
        for change in changes:
            state = state if change.edit is None else change.edit(state)
        self.state, self._days, self._assumptions = state, days, assumed
        self._bodies = state.bodies(assumed)
        for change in changes:
            self._bodies += [] if change.extra is None else change.extra(state)
        self.mature_kg = mature(self._bodies)

    @cached_property
    def course(self) -> Array:
        """What it works on each of the days after the changes [kg]."""
        return curve(self._bodies, self._days, self._assumptions)

    @cached_property
    def half_l(self) -> float:
        return self.state.half_l(self._assumptions)

    @cached_property
    def plain_kg(self) -> float:
        """Media that the plain rule counts [kg]; what is exchanged little by little is not in the state."""
        return sum(x.kg or 0.0 for x in self.state.layers if x.media and x.medium.counts(self._assumptions))


class Effects:
    """What any changes out of a list do to one tank. A set of them is a number whose bits are the changes in it.

    What a filter becomes is calculated once for each part of a set that concerns it.
    """

    def __init__(self, tank: TankState, changes: Sequence[Change], assumed: Assumptions) -> None:
        self.tank, self.changes, self.assumed = tank, list({c.key: c for c in changes}.values()), assumed
        self.days = np.arange(horizon_days(assumed) + 1, dtype=float)
        self._bit = {change.key: 1 << i for i, change in enumerate(self.changes)}
        # Each filter with the changes that concern it; one that comes to the tank is there only by its change.
        self._own = [(state, self.set_of(c for c in self.changes if c.filter == state.name and c.brings is None))
                     for state in tank.filters]  # fmt: skip
        self._brought = [(c.brings, self._bit[c.key]) for c in self.changes if c.brings is not None]
        self._after: dict[tuple[int, int], After] = {}
        self._factors = [(self._bit[c.key], c.need_factor) for c in self.changes if c.need_factor != 1.0]

    def set_of(self, made: Iterable[Change]) -> int:
        return sum(self._bit[key] for key in {change.key for change in made})

    def made(self, chosen: int) -> tuple[Change, ...]:
        return tuple(change for i, change in enumerate(self.changes) if chosen >> i & 1)

    def filters(self, chosen: int) -> list[After]:
        found = []
        for state, mine in self._own + [one for one in self._brought if chosen & one[1]]:
            key = id(state), chosen & mine
            if key not in self._after:
                self._after[key] = After(state, self.made(chosen & mine), self.days, self.assumed)
            found.append(self._after[key])
        return found

    def need_kg(self, chosen: int) -> float:
        """Media the tank wants after a set of changes [kg]."""
        factors = (factor for bit, factor in self._factors if chosen & bit)
        return math.prod(factors, start=self.tank.need_kg or 0.0)

    def mature_pct(self, chosen: int) -> float:
        """Working load when all is ripe, recovered and serviced [%], rounded as loads are; ∞ where nothing works."""
        there = sum(after.mature_kg for after in self.filters(chosen)) * self.tank.warmth
        return _pct(self.need_kg(chosen), there)

    def reaches(self, chosen: int) -> bool:
        return self.mature_pct(chosen) <= self.assumed["within_pct"]

    def course(self, chosen: int) -> Array:
        """Working load [%] on each of the days after a set, every filter serviced; nan where nothing works."""
        kg = sum((after.course for after in self.filters(chosen)), np.zeros(len(self.days)))
        return load_pct(self.need_kg(chosen), kg * self.tank.warmth)


@dataclass(frozen=True)
class Outcome:
    """Some changes made on a day and what comes of them. Loads in per cent; None is not known or never."""

    made: tuple[Change, ...]
    cost: float | None
    cost_known_part: float
    lacking: tuple[str, ...]
    minutes: float
    working_now_pct: float | None
    working_mature_pct: float | None
    plain_pct: float | None
    effective_on: dt.date | None
    interim: tuple[tuple[dt.date, float | None], ...]
    half_rating_l: float | None
    half_ok: bool | None


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def outcome(effects: Effects, made: Sequence[Change], as_of: dt.date) -> Outcome:
    assumed, tank, chosen = effects.assumed, effects.tank, effects.set_of(made)
    loads = effects.course(chosen)
    within = np.flatnonzero(loads <= assumed["within_pct"])
    filters = effects.filters(chosen)
    half = sum(after.half_l for after in filters)
    plain = sum(after.plain_kg for after in filters)
    plain += sum(float(str(c.details["kg"])) for c in made if c.kind == "better media")
    lacking = tuple(dict.fromkeys(name for change in made for name in change.lacking))
    known_cost = round(sum(change.known_cost for change in made), 2)
    net = tank.net_l
    return Outcome(
        made=tuple(made),
        cost=None if lacking else known_cost,
        cost_known_part=known_cost,
        lacking=lacking,
        minutes=sum(change.minutes for change in made),
        working_now_pct=_known(float(loads[0])),
        working_mature_pct=_known(effects.mature_pct(chosen)),
        plain_pct=None if net is None else _known(_pct(net, plain * assumed["litres_per_kg"])),
        effective_on=as_of + dt.timedelta(days=int(effects.days[within[0]])) if len(within) else None,
        interim=tuple(
            (as_of + dt.timedelta(weeks=weeks), _known(float(loads[min(7 * weeks, len(loads) - 1)])))
            for weeks in INTERIM_WEEKS
        ),
        half_rating_l=_known(half),
        half_ok=None if net is None or not math.isfinite(half) else bool(half >= net),
    )


def rank_key(found: Outcome) -> tuple[bool, float, float, dt.date, int, tuple[str, ...]]:
    """Cheapest first, a cost that is not known after all that are; then minutes, the sooner in effect, the fewer changes,
    and by name."""
    keys = tuple(change.key for change in found.made)
    return bool(found.lacking), found.cost_known_part, found.minutes, found.effective_on or dt.date.max, len(keys), keys


def sufficient(effects: Effects, most: int) -> Iterator[tuple[Change, ...]]:
    """Every set of up to `most` changes that reaches the rating and has nothing to spare.

    Nothing to spare: no smaller part of it reaches, nor does it with a milder change (a smaller feed cut) in place of
    a stronger one. A set is a number whose bits are the changes in it.
    """
    changes = effects.changes
    covers = [effects.set_of(one for one in changes if one is change or one.key in change.milder) for change in changes]
    clashes = [effects.set_of(one for one in changes if one.group and one.group == change.group) for change in changes]
    enough: list[int] = []
    # Sets that do not reach, each with what it covers and what it bars; only these are worth adding to. What covers
    # a sufficient set goes on covering it whatever is added, and what clashes goes on clashing.
    short: list[tuple[tuple[int, ...], int, int, int]] = [((), 0, 0, 0)]
    for _ in range(min(most, len(changes))):
        short_next = []
        for indices, made, covered, barred in short:
            for i in range(indices[-1] + 1 if indices else 0, len(changes)):
                if barred >> i & 1:
                    continue
                now, covering = made | 1 << i, covered | covers[i]
                for smaller in enough:  # a plain loop: this is asked a hundred thousand times
                    if smaller & covering == smaller:
                        break
                else:
                    if effects.reaches(now):
                        enough.append(now)
                        yield effects.made(now)
                    else:
                        short_next.append(((*indices, i), now, covering, barred | clashes[i]))
        short = short_next
