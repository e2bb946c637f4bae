"""Invented test kits of the demo round: irregular ladders, each batch with its own bias."""

from __future__ import annotations

import math
from dataclasses import dataclass
from random import Random

READING_SPREAD = 0.17  # of a nitrate, nitrite or ammonia match, on the log scale
PH_SPREAD = 0.07
KH_SPREAD = 0.3
PER_N = {"nitrate": 4.4268, "nitrite": 3.2845, "ammonia": 1.2879}
CACO3_PER_DKH = 17.848
NH4_PER_NH3 = 1.0592


@dataclass(frozen=True)
class Ladder:
    """One parameter of a kit: its basis and its steps, as printed on its card; or what a drop is worth."""

    basis: str
    steps: tuple[str, ...]
    per_drop: float = 0.0


def _ladder(basis: str, steps: str) -> Ladder:
    return Ladder(basis, tuple(steps.split("|")))


REED = {
    "nitrate": _ladder("NO3", "0|4|9|16|27|44|72|118"),
    "nitrite": _ladder("NO2", "0|0.04|0.13|0.35|0.9|2.2"),
    "ammonia": _ladder("NH4", "0|0.08|0.3|0.7|1.6|3.7"),
    "ph": _ladder("", "5.2|5.5|5.8|6.1|6.4|6.7|7|7.3|7.6|7.8|8.1|8.6"),
    "kh": _ladder("dKH", "0|0.6|1.2|1.9|2.7|3.5|4.4|5.3|6.3|7.4|8.6|9.9|11.3|12.8|14.5|16.4"),
}
REED_DROPS = {**REED, "kh": Ladder("dKH", (), 0.5)}
SEDGE = {
    "nitrate": _ladder("NO3-N", "0|0.8|1.9|3.4|5.8|9.7|16.5|27"),
    "nitrite": _ladder("NO2-N", "0|0.02|0.06|0.17|0.45|1.1"),
    "ammonia": _ladder("NH4-N", "0|0.11|0.26|0.6|1.4|3.3"),
    "ph": _ladder("", "5.4|5.9|6.3|6.6|6.9|7.1|7.4|7.7|7.9|8.2|8.7"),
    "kh": _ladder("mg/L CaCO3", "0|14|29|47|68|92|119|137|156|176|197|222|251|284"),
}
MOSS = {
    "nitrate": _ladder("NO3", "0|2|7|13|22|34|51|77|112"),
    "nitrite": _ladder("NO2", "0|0.03|0.11|0.28|0.7|1.7"),
    "ammonia": _ladder("NH3", "0|0.06|0.22|0.55|1.3|3.1"),
    "ph": _ladder("", "5.3|5.6|5.9|6.2|6.5|6.8|7.1|7.4|7.7|8|8.4|8.9"),
    "kh": _ladder("dKH", "0|0.4|0.9|1.7|2.4|3.3|4.1|5.2|6.4|7.7|9.1|10.8|12.6|14.7"),
}


@dataclass(frozen=True)
class Kit:
    """A box of reagents: `bias` is its log error on nitrate, alike for all its readings."""

    id: str
    ladders: dict[str, Ladder]
    opened: str
    expires: str
    tests_left: int
    bias: float
    note: str = ""


KITS = (
    Kit("R1", REED, "2025-06-16", "2026-08-31", 0, 0.06, "reed case; used up in February"),
    Kit("R2", REED_DROPS, "2026-02-09", "2027-10-31", 118, -0.03, "reed case; in the van; counts drops for KH"),
    Kit("G1", SEDGE, "2025-08-04", "2026-12-31", 64, -0.05, "sedge case; reads as nitrogen; kept for the school"),
    Kit("M1", MOSS, "2025-07-21", "2026-09-30", 12, 0.04, "moss case"),
    Kit("M2", MOSS, "2026-03-02", "2027-06-30", 93, -0.02, "moss case"),
    Kit("M0", MOSS, "2025-06-30", "2026-04-30", 31, 0.02, "moss case; stands in the cupboard of the big hall"),
)
KIT = {kit.id: kit for kit in KITS}


def to_kit_unit(parameter: str, basis: str, value: float) -> float:
    """A canonical value in the unit the kit's card is printed in."""
    if basis.endswith("-N"):
        return value / PER_N[parameter]
    if basis == "NH3":
        return value / NH4_PER_NH3
    if basis == "mg/L CaCO3":
        return value * CACO3_PER_DKH
    return value


def matched(kit: Kit, parameter: str, value: float, random: Random) -> str:
    """The step a person holds the tube against: the nearest to the truth after bias and error."""
    ladder = kit.ladders[parameter]
    error = random.gauss(0.0, 1.0)
    if parameter == "ph":
        read = value + error * PH_SPREAD
    elif parameter == "kh":
        read = max(0.0, value + error * KH_SPREAD)
    else:
        read = value * math.exp(error * READING_SPREAD + (kit.bias if parameter == "nitrate" else 0.0))
    shown = to_kit_unit(parameter, ladder.basis, read)
    if ladder.per_drop:  # the drop at which the colour turns
        return f"{max(1, math.ceil(shown / ladder.per_drop)) * ladder.per_drop:g}"
    nearest, second = sorted(ladder.steps, key=lambda step: abs(float(step) - shown))[:2]
    in_doubt = abs(float(second) - shown) - abs(float(nearest) - shown) < 0.15 * abs(float(second) - float(nearest))
    if parameter == "nitrate" and in_doubt and random.random() < 0.5:
        low, high = sorted((nearest, second), key=float)
        return f"between {low} and {high}"
    return nearest
