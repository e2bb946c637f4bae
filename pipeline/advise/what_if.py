"""What if: other food or stocking, media added, other water changes; a tank as it is beside a tank as it would be.
Nitrate stands on the measured rise, of which new media takes nothing off until it has been seen to."""

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import polars as pl

from pipeline.advise import changes as water
from pipeline.advise.book import Medium
from pipeline.advise.evaluate import Effects, outcome
from pipeline.advise.options import Change, added, own_medium, price_of
from pipeline.advise.plan import check, litres_a_year, water_cost
from pipeline.advise.state import FilterState, Inputs, Layer, TankState, build
from pipeline.calc import factors, mixing
from pipeline.calc.chemistry import nitrate_from_feed
from pipeline.problems import Problem
from pipeline.sentences import filled, table
from pipeline.week import Week
from pipeline.wording import change_text, days, kilograms, listed, number
from schemas.words import STOCKING

FIRST = "first in the flow"
# A place where media could be added, behind the last layer of a stage or before all: the filter, before which of its
# layers it would lie, and a layer of the same compartment.
Spot = tuple[FilterState, int, Layer]
# How far a slider goes. No sum hangs on these.
FEED_TIMES, FEED_LEAST, MEDIA_MOST_KG = 2.0, 0.1, 6.0


@dataclass(frozen=True)
class Settings:
    """What is asked: food [g/day] or a stocking class, media to add [kg], the change [share of net] and its days."""

    feed_g_day: float | None = None
    stocking: str | None = None
    medium: str | None = None
    media_kg: float = 0.0
    spot: str | None = None  # one of `Start.spots`
    fraction: float | None = None
    every_days: float = 7.0


@dataclass(frozen=True)
class Start:
    """A tank as it is, and what could be asked of it."""

    inputs: Inputs
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
        own = self.inputs.week.table("tank").filter(pl.col("tank") == self.tank.tank)["stocking"].to_list()
        shared = Settings(fraction=self.known.fraction_now, every_days=self.known.every_days)
        if self.by_feed:
            return replace(shared, feed_g_day=self.tank.feed_g_day)
        return replace(shared, stocking=own[0] if own and own[0] in STOCKING else "normal")

    @cached_property
    def media(self) -> dict[str, Medium]:
        """Media of the book that would count, by name: what the tank has first, then those that work more."""
        own = {m.name for state in self.tank.filters if (m := own_medium(self.inputs, state)) is not None}
        found = [m for m in self.inputs.media.values() if m.counts(self.inputs.assumed) and not m.foam]
        return {m.name: m for m in sorted(found, key=lambda m: (m.name not in own, -(m.quality or 0.0), m.name))}

    @cached_property
    def spots(self) -> dict[str, Spot]:
        """The places for more media by what they are called, the best of each filter first: `P02, after fine`."""
        return {f"{s.name}, {where}": (s, at, layer) for s in self.tank.filters for where, at, layer in _spots(s)}

    @property
    def feed_range(self) -> tuple[float, float, float]:
        """(least, most, step) of food to ask about [g/day]; today's food always lies between."""
        f, feed = self.inputs.assumed, self.today.feed_g_day or 0.0
        normal = (self.tank.net_l or 0.0) / 100 * f["normal_feed_g_100l"]
        step = 0.05 if max(feed, normal) >= 0.5 else 0.01
        most = max(FEED_TIMES * feed, normal, 10 * step)
        least = max(step, _to_step(FEED_LEAST * feed, step))
        return min(least, feed or least), max(_to_step(most, step), feed), step

    @property
    def fraction_most(self) -> float:
        """The largest change to ask about: what may go in one go, or today's where that is more."""
        return max(self.inputs.assumed["change_at_once"], self.today.fraction or 0.0)


def _to_step(value: float, step: float) -> float:
    return round(round(value / step) * step, 4)


def _spots(state: FilterState) -> list[tuple[str, int, Layer]]:
    """Places in a filter, the finest stage first; a layer that lies beside the flow is no place."""
    placed = [(i, layer) for i, layer in enumerate(state.layers) if layer.position is not None]
    last = {layer.medium.stage: (f"after {layer.medium.stage}", i + 1, layer) for i, layer in placed}
    found = [last[stage] for stage in ("fine", "medium", "coarse") if stage in last]
    return found + [(FIRST, 0, layer) for _, layer in placed[:1]]


def start(week: Week, tank: str) -> Start:
    """A tank as it is. Problem for one that is not in the round."""
    check(week, [tank])
    inputs = build(week, [tank])
    outlook = week.row("nitrate_outlook", tank) or {}
    fed = week.of("feeding", tank).filter(pl.col("from") <= week.as_of).sort("from")["protein_pct"].to_list()
    state = inputs.tanks[tank]
    return Start(inputs, state, water.facts(week, tank, state.net_l), outlook, fed[-1] if fed else None)


@dataclass(frozen=True)
class Range:
    """A value with its range; the ends are None where only the value is known."""

    value: float
    low: float | None = None
    high: float | None = None

    def each(self, change: Callable[[float], float]) -> "Range":
        """The value and the ends that are known, changed alike."""
        low, high = (None if end is None else change(end) for end in (self.low, self.high))
        return Range(change(self.value), low, high)


@dataclass(frozen=True)
class Side:
    """A tank under some settings. Loads [%], nitrate made [mg/L a week], plateau [mg/L], water [L a year]."""

    plain_pct: float | None
    working_pct: float | None
    mature_pct: float | None
    interim: tuple[tuple[dt.date, float | None], ...]
    within_on: dt.date | None
    made: Range | None
    plateau: Range | None
    plateau_why: str  # why the plateau is not known, in words; blank where it is
    litres_year: float | None
    half_ok: bool | None
    half_l: float | None


@dataclass(frozen=True)
class Asked:
    """A what-if answered: both sides, what it costs, and what has to be said with it."""

    now: Side
    then: Side
    words: tuple[str, ...]  # what is changed, a sentence each; none where nothing is
    cost: float | None  # once
    cost_year: float | None  # of the water it takes more than today
    lacking: tuple[str, ...]  # prices that are not known
    minutes: float  # once
    minutes_change: float | None  # each water change
    notes: tuple[str, ...]


def _need_kg(begun: Start, asked: Settings) -> float | None:
    """Media the tank would want [kg]; None where the litres are not known."""
    f, tank = begun.inputs.assumed, begun.tank
    if tank.need_kg is None or tank.net_l is None:
        return None
    if begun.by_feed:
        load = float(factors.load_from_feed(np.nan if asked.feed_g_day is None else asked.feed_g_day, tank.net_l, f))
    elif asked.stocking == begun.today.stocking:
        load = tank.load
    else:
        load = factors.load_by_class(f)[asked.stocking or "normal"]
    return float(factors.need_kg(tank.net_l, load, tank.capacity["plants"], f))


def _more_media(begun: Start, asked: Settings) -> Change | None:
    """The media that would go in, as a change of a plan."""
    medium, spot, kg = begun.media.get(asked.medium or ""), begun.spots.get(asked.spot or ""), asked.media_kg
    if medium is None or spot is None or kg <= 0:
        return None
    state, at, beside = spot
    new = Layer(beside.room, beside.position, medium, kg, age_weeks=0.0)
    return Change(
        "media added", "media added", f"Add {kilograms(kg)} of new {medium.name} to {asked.spot}.",
        begun.inputs.assumed["visit_minutes_media"], (price_of(begun.inputs, medium, kg),), filter=state.name,
        details={"kg": kg}, edit=lambda state: added(state, new, at),
    )  # fmt: skip


def _made(begun: Start, asked: Settings) -> Range | None:
    """Nitrate the food makes in a week [mg/L]; None where food is not weighed or the litres are not known."""
    if asked.feed_g_day is None or begun.tank.net_l is None:
        return None
    protein = np.nan if begun.protein_pct is None else begun.protein_pct
    made = nitrate_from_feed(asked.feed_g_day, protein, begun.tank.net_l, begun.inputs.assumed)
    return Range(*(float(x) * water.DAYS_A_WEEK for x in (made.rise, made.low, made.high)))


def rise_of(begun: Start) -> Range | None:
    """The net rise of today [mg/L per day]: the one that the plateau of the outlook stands on, else as sized by."""
    known, seen = begun.known, begun.outlook
    fraction = seen.get("mean_fraction")
    if seen.get("plateau") is not None and fraction and seen.get("tap") is not None:
        per = fraction / known.every_days
        return Range(*((seen[name] - seen["tap"]) * per for name in ("plateau", "plateau_low", "plateau_high")))
    return None if known.rise_per_day is None else Range(known.rise_per_day)


def _rise(begun: Start, asked: Settings) -> Range | None:
    """The net rise under some food [mg/L per day]: the more careful of two, that what is taken out keeps its share of
    what is made, or its amount."""
    today = rise_of(begun)
    if today is None or asked.feed_g_day == begun.today.feed_g_day:
        return today
    made, was = _made(begun, asked), _made(begun, begun.today)
    if made is None or was is None:
        return None
    more = (made.value - was.value) / water.DAYS_A_WEEK
    share = made.value / was.value if was.value > 0 else 1.0
    return today.each(lambda rise: max(rise * share, rise + more))


def _plateau(begun: Start, asked: Settings) -> tuple[Range | None, str]:
    """Where nitrate settles before a change [mg/L], or why that is not known."""
    if asked.stocking != begun.today.stocking:
        return None, "not known: their food is not weighed"
    rise = _rise(begun, asked)
    if rise is None:
        return None, "not known: no readings"
    if asked.fraction is None:
        return None, "not known: no changes recorded"
    if asked.fraction == 0:
        return None, "does not level off: no changes"
    tap = begun.outlook.get("tap")
    tap, fraction, every_days = begun.known.tap if tap is None else tap, asked.fraction, asked.every_days
    return rise.each(lambda r: max(float(mixing.steady_swing(tap, r, every_days, fraction).peak), 0.0)), ""


def side(begun: Start, asked: Settings, changes: Sequence[Change] = ()) -> Side:
    """The tank under some settings; `changes` is its media, new where it is added."""
    tank, need = begun.tank, _need_kg(begun, asked)
    litres = litres_a_year(asked.fraction, tank.net_l, asked.every_days)
    shared = (_made(begun, asked), *_plateau(begun, asked), litres)
    if not tank.known or need is None:
        known = tank.capacity if asked.media_kg <= 0 else {}
        return Side(known.get("plain_load_pct"), None, None, (), None, *shared, None, known.get("half_rating_l"))
    effects = Effects(replace(tank, need_kg=need), changes, begun.inputs.assumed)
    found = outcome(effects, changes, begun.inputs.week.as_of)
    # Today's load has the dirt in it that a service takes out; the days that follow calculate with it done.
    works = sum(float(a.course[0]) * a.state.clog for a in effects.filters(effects.set_of(changes))) * tank.warmth
    now = float(factors.load_pct(need, works))
    return Side(
        found.plain_pct, None if np.isnan(now) else now, found.working_mature_pct, found.interim, found.effective_on,
        *shared, found.half_ok, found.half_rating_l,
    )  # fmt: skip


def _steps(begun: Start, asked: Settings, change: Change | None) -> list[str]:
    today, says = begun.today, table(__file__, "sentences.toml")["what_if"]
    steps = [] if change is None else [change.says]
    if asked.stocking != today.stocking:
        steps.insert(0, filled(says["stock"], asked=asked, today=today))
    if asked.feed_g_day != today.feed_g_day and asked.feed_g_day is not None:
        steps.insert(0, filled(says["feed"], asked=asked, today=today))
    if (asked.fraction, asked.every_days) != (today.fraction, today.every_days) and asked.fraction is not None:
        was = None if today.fraction is None else routine(today.fraction, today.every_days, None)
        now = routine(asked.fraction, asked.every_days, begun.tank.net_l)
        steps.append(filled(says["water"], routine=now, was=was))
    return steps


def routine(fraction: float, every_days: float, net_l: float | None) -> str:
    """`25 % (51 L) every 7 days`."""
    return f"{change_text(fraction, net_l)} every {days(round(every_days))}" if fraction else "no water"


def _notes(begun: Start, asked: Settings, change: Change | None, then: Side) -> list[str]:
    """What is not known, and what must not be done, with some settings."""
    tank, f, known = begun.tank, begun.inputs.assumed, begun.known
    sour = bool(asked.fraction and known.sour and asked.fraction > f["old_tank_change_share"])
    cases = {
        "sour": sour,
        "too_much": not sour and (asked.fraction or 0.0) > f["change_at_once"],
        "bioload_not_known": not tank.known,
        "new_media": change is not None,
        "other_food": asked.feed_g_day != begun.today.feed_g_day and then.plateau is not None,
        "dirt": any(state.clog < 1 for state in tank.filters),
        "half_cycle": then.half_ok is False,
        "net_assumed": tank.capacity["net_basis"] == "assumed from gross",
        "not_weighed": not begun.by_feed,
        "tap_assumed": known.tap_from == water.ASSUMED,
    }
    needs = tank.capacity["missing"] or "what fills the filters"
    says = table(__file__, "sentences.toml")["what_if"]
    return [filled(says[case], f=f, known=known, then=then, needs=needs) for case, holds in cases.items() if holds]


def answer(begun: Start, asked: Settings) -> Asked:
    """Both sides of a what-if. Problem for a class or a place that is not there."""
    if asked.media_kg > 0 and (asked.spot not in begun.spots or asked.medium not in begun.media):
        there = listed(begun.spots, "or") or "none: no filter with known layers is on it"
        raise Problem(f"Media can't go to “{asked.spot}”; expected a medium of the book, and one of: {there}.")
    if not begun.by_feed and asked.stocking not in STOCKING:
        raise Problem(f"“{asked.stocking}” is not a stocking class; expected one of: {listed(STOCKING, 'or')}.")
    f, net, change, prices = begun.inputs.assumed, begun.tank.net_l, _more_media(begun, asked), begun.inputs.prices
    now, then = side(begun, begun.today), side(begun, asked, () if change is None else (change,))
    once = f["visit_minutes_feed"] if asked.feed_g_day != begun.today.feed_g_day else 0.0
    cost, lacking, minutes = (0.0, (), 0.0) if change is None else (change.cost, change.lacking, change.minutes)
    water_more = water_cost(prices, then.litres_year, now.litres_year) if then.litres_year != now.litres_year else 0.0
    each = None if asked.fraction is None or net is None else asked.fraction * net / 100 * f["minutes_per_100l"]
    return Asked(
        now, then, tuple(_steps(begun, asked, change)), cost, water_more, lacking, minutes + once, each,
        tuple(_notes(begun, asked, change, then)),
    )  # fmt: skip


def sized_by_outlook(begun: Start) -> str:
    """The water change by the rise that the outlook stands on, where that heads over the ceiling and today's changes
    seem enough by the latest readings; blank where the two agree."""
    rise, known = rise_of(begun), begun.known
    levels_off = begun.outlook.get("plateau")
    if rise is None or levels_off is None or levels_off <= known.ceiling or not known.fraction_now:
        return ""
    by_readings = water.water_change(known, begun.inputs.assumed)
    if not by_readings["possible"] or known.fraction_now < (by_readings["fraction"] or 0.0):
        return ""
    other = water.water_change(replace(known, rise_per_day=rise.value), begun.inputs.assumed)
    return f"By all readings of half a year it levels off near {number(levels_off)} mg/L: {other['says']} Go by the larger change."
