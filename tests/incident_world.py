"""Tanks whose truth is known from day to day: what is in the water, what is done to it, what a kit shows of it.

A daily model of ammonia, nitrite, nitrate, KH and warmth, read with invented kits by a person who visits once a week.
Groups of six tanks on two sites share a supply and the kits; one tank of a group has the incident (all of them where it
is the kit's or the tap's). Nothing here uses the program under test.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

FIRST = dt.date(2025, 9, 1)  # a Monday
VISITS, ONSET = 40, 30  # visits recorded, and the one after which incidents begin
WARM = 70  # days run before the first visit
GROUP, SITE = 6, 3  # tanks
NITRATE = (0.0, 4.0, 9.0, 15.0, 22.0, 31.0, 43.0, 60.0, 85.0, 120.0)
TRACE = (0.0, 0.1, 0.25, 0.5, 1.0, 2.0, 4.0)
FOOD = 223.0  # mg/L NO3 that a gram of food a litre ends as
Row = dict[str, Any]


@dataclass
class World:
    """Everything that is true [days, tanks] or [visits, tanks], and the rows that are typed besides the visits."""

    rng: np.random.Generator
    made: np.ndarray  # mg/L NO3 a day from food
    removed: np.ndarray  # mg/L NO3 a day taken up by filter and plants
    bio: np.ndarray  # share of the nitrifying bacteria at work
    tap: np.ndarray  # mg/L NO3
    tap_ammonia: np.ndarray
    celsius: np.ndarray
    stone: np.ndarray  # dKH a day from limestone
    pulse: np.ndarray  # mg/L NH4 set free at once
    change: np.ndarray  # [visits, tanks] true share
    hidden: np.ndarray  # [days, tanks] share changed and not written down
    logged: np.ndarray  # [visits, tanks] share written
    kind_of: np.ndarray  # [visits, tanks] change, top-up
    factor: np.ndarray  # [visits, tanks] of the nitrate kit
    after: np.ndarray  # [visits, tanks] nitrate drawn after the change
    flow: np.ndarray  # [visits, tanks] share of the clean flow
    seen: np.ndarray  # [visits, tanks] fish
    kit: np.ndarray  # [visits, tanks] number of the group's kit
    net: np.ndarray  # [tanks] litres
    typed: list[Callable[[list[list[Row]]], None]] = field(default_factory=list)
    rows: dict[str, list[Row]] = field(default_factory=dict)
    opened: dict[tuple[int, int], Row] = field(default_factory=dict)
    tank_cells: dict[int, Row] = field(default_factory=dict)
    basket: dict[int, Row] = field(default_factory=dict)

    def add(self, table: str, **row: Any) -> None:
        self.rows.setdefault(table, []).append(row)


def name(tank: int) -> str:
    return f"N{tank:04d}"


def clean(w: World, tank: int) -> int:
    """Clean flow of a tank's filter [L/h]."""
    return round(3.6 * w.net[tank])


def day_of(visit: int) -> dt.date:
    return FIRST + dt.timedelta(days=7 * visit)


def from_day(days: int, start: float) -> np.ndarray:
    """1 from a day on, else 0 [days]."""
    return (np.arange(days) >= start).astype(float)


def recovering(days: int, start: int, left: float, weeks: float) -> np.ndarray:
    """A factor that drops to `left` on a day and grows back to 1 in so many weeks [days]."""
    since = np.arange(days) - start
    return np.where(since < 0, 1.0, np.minimum(1.0, left + (1 - left) * since / (7 * weeks)))


def ordinary(tanks: int, seed: int) -> World:
    """Healthy tanks: little net rise, weekly changes, kits that turn over."""
    rng = np.random.default_rng(seed)
    days = WARM + 7 * VISITS + 1
    group = np.arange(tanks) // GROUP
    made = rng.uniform(1.0, 1.4, tanks) * np.ones((days, 1))
    removed = made * rng.uniform(0.58, 0.72, tanks)
    change = rng.uniform(0.13, 0.22, tanks) * np.exp(0.1 * rng.standard_normal((VISITS, tanks)))
    change *= rng.random((VISITS, tanks)) < 0.96
    supply = rng.uniform(2.0, 9.0, group.max() + 1)[group]
    turn = rng.integers(4, 24, group.max() + 1)[group]
    kit = (np.arange(VISITS)[:, None] >= turn).astype(int)
    batch = np.exp(0.08 * rng.standard_normal((group.max() + 1, 2)))
    ones = np.ones((days, tanks))
    return World(
        rng, made, removed, ones.copy(), supply * ones, 0 * ones, 25 + 0 * ones, 0 * ones, 0 * ones,
        change, 0 * ones, np.round(change * np.exp(0.07 * rng.standard_normal(change.shape)), 2),
        np.full(change.shape, "change", dtype=object), batch[group, kit], np.zeros(change.shape, bool),
        1 - 0.05 * rng.random(change.shape), np.full(change.shape, 9), kit, rng.integers(9, 30, tanks) * 10.0,
    )  # fmt: skip


def run(w: World) -> dict[str, np.ndarray]:
    """The water before each visit's change, and nitrate and ammonia after it: arrays [visits, tanks]."""
    days, tanks = w.made.shape
    nitrate = w.tap[0] + 7 * (w.made - w.removed)[0] / 0.18
    ammonia, nitrite, kh = 0.01 * np.ones(tanks), 0.02 * np.ones(tanks), 5.5 * np.ones(tanks)
    out = {
        key: np.zeros((VISITS, tanks))
        for key in ("nitrate", "after", "ammonia", "ammonia after", "nitrite", "kh", "celsius")
    }
    for day in range(days):
        warm = np.clip((w.celsius[day] - 17.5) / 7.0, 0.01, 1.0)
        ammonia = (ammonia + 0.29 * w.made[day] + w.pulse[day]) / (1 + 45 * w.bio[day] * warm)
        oxidised = ammonia * 45 * w.bio[day] * warm
        nitrite = (nitrite + 2.55 * oxidised) / (1 + 45 * w.bio[day] * warm)
        gained = nitrite * 45 * w.bio[day] * warm * 1.348 - w.removed[day]
        nitrate = np.maximum(nitrate + gained, 0.3)
        kh = np.maximum(kh - 0.045 * gained + w.stone[day], 0.2)
        share = w.hidden[day]
        visit, rest = divmod(day - WARM, 7)
        if rest == 0 and 0 <= visit < VISITS:
            now = {"nitrate": nitrate, "ammonia": ammonia, "nitrite": nitrite, "kh": kh, "celsius": w.celsius[day]}
            for key, value in now.items():
                out[key][visit] = value
            share = np.where(w.kind_of[visit] == "change", w.change[visit], 0.0)
        elif visit < 0 and rest == 0:
            share = np.full(tanks, 0.18)
        nitrate = nitrate * (1 - share) + share * w.tap[day]
        ammonia = ammonia * (1 - share) + share * w.tap_ammonia[day]
        nitrite = nitrite * (1 - share)
        kh = kh * (1 - share) + share * 6.0
        if rest == 0 and 0 <= visit < VISITS:
            out["after"][visit], out["ammonia after"][visit] = nitrate, ammonia
    return out


def matched(ladder: tuple[float, ...], value: np.ndarray) -> np.ndarray:
    """The step that a person matches."""
    steps = np.array(ladder)
    return steps[np.searchsorted(0.5 * (steps[1:] + steps[:-1]), value)]
