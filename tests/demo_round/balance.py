"""The truth of the demo round: a daily balance of nitrate and KH for every tank."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from random import Random

from tests.demo_round.book import FILTERS, POROUS
from tests.demo_round.tanks import SUPPLIES, Tank

SEED = "invented round, 2026"
FIRST_DAY = dt.date(2025, 8, 26)
LAST_DAY = dt.date(2026, 6, 1)
MADE_PER_GRAM = 0.45 * 0.16 * 0.7 * 4.4268 * 1000  # mg NO3 from a gram of food at 45 % protein, 70 % of its N
REMOVED_PER_KG = 112.0  # mg NO3 a day by a kilogram of ripe media, as the trade's rule implies
HALF_LEVEL = 6.0  # mg/L NO3 at which removal is half of its most
DKH_PER_NO3 = 0.0452  # lost for each mg/L NO3 made from food and kept
DRIFT = 0.06  # of what is made, week by week, on the log scale


def day(text: str) -> dt.date:
    return dt.date.fromisoformat(text)


def dated(since: str, on: dt.date, to: str = "") -> bool:
    return day(since) <= on and (not to or on <= day(to))


@dataclass(frozen=True)
class Truth:
    """A tank on a day, before anything is done to it. Nitrate [mg/L NO3], KH [dKH], temperature [°C]."""

    nitrate: float
    kh: float
    ph: float
    temperature: float


def ripe_kg(tank: str, on: dt.date) -> float:
    """Kilograms of media that work for the full cycle: by quality, place and age."""
    total = 0.0
    for item in FILTERS:
        if not any(t == tank and dated(since, on, to) for t, since, to in item.stands):
            continue
        for layer in item.layers:
            if layer.kg is None or layer.medium not in POROUS or not dated(layer.since, on, layer.to):
                continue
            weeks = (on - day(layer.wetted)).days / 7 if layer.wetted else 26.0
            total += layer.kg * POROUS[layer.medium] * item.place * min(1.0, max(0.0, (weeks - 4) / 22))
    return total


def fed(tank: Tank, on: dt.date) -> float:
    """Grams of food a day, hidden food included."""
    grams = [g for since, g, _ in tank.feed if day(since) <= on][-1]
    if tank.hidden_feed and dated(tank.hidden_feed[0], on, tank.hidden_feed[1]):
        grams += tank.hidden_feed[2]
    return grams


def ph_of(kh: float, co2: float) -> float:
    """pH of fresh water from carbonate hardness [dKH] and carbon dioxide [mg/L], near 25 °C."""
    return 7.0 + math.log10(3.0 * max(kh, 0.05) / co2)


class Water:
    """The state of one tank; `step` lets a day pass, `change` swaps a share of the water."""

    def __init__(self, tank: Tank, site_supply: str) -> None:
        self.tank = tank
        self.random = Random(f"{SEED}: water of {tank.id}")
        tap_nitrate, _, tap_kh = SUPPLIES[site_supply]
        self.tap_nitrate = tap_nitrate * (1 - tank.ro)
        self.tap_kh = tap_kh * (1 - tank.ro)
        self.nitrate = tank.nitrate
        self.kh = self.tap_kh - 0.5 if tank.kh is None else tank.kh
        self.drift = 0.0

    def step(self, on: dt.date) -> None:
        if on.weekday() == 0:
            self.drift = 0.7 * self.drift + self.random.gauss(0.0, DRIFT)
        tank = self.tank
        made = fed(tank, on) * MADE_PER_GRAM / tank.litres * math.exp(self.drift)
        working = ripe_kg(tank.id, on) * REMOVED_PER_KG * tank.efficacy / tank.litres
        removed = working * self.nitrate / (self.nitrate + HALF_LEVEL) + tank.plants * made
        slowed = min(1.0, self.kh / 0.4)  # without buffer the nitrifiers slow down
        rise = (made - removed) * slowed
        self.nitrate = max(0.0, self.nitrate + rise)
        self.kh = max(0.15, self.kh - DKH_PER_NO3 * rise)

    def change(self, share: float) -> None:
        self.nitrate += share * (self.tap_nitrate - self.nitrate)
        self.kh += share * (self.tap_kh - self.kh)

    def top_up(self, share: float) -> None:
        self.nitrate += share * self.tap_nitrate
        self.kh += share * self.tap_kh

    def now(self, on: dt.date) -> Truth:
        season = 0.5 * math.sin((on - dt.date(2025, 5, 1)).days / 365 * 2 * math.pi)
        temperature = self.tank.temperature + season + self.random.gauss(0.0, 0.25)
        return Truth(self.nitrate, self.kh, ph_of(self.kh, self.tank.co2), temperature)
