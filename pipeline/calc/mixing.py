"""Mixing of water: what a routine of changes does to a level, in closed form.

Pure functions of arrays or numbers. Levels [mg/L], fractions 0–1, days. The closed forms equal the multiple-dose
accumulation of pharmacokinetics with e^(−kτ) = 1 − f (Rowland & Tozer, Clinical Pharmacokinetics; from memory).
tests/published/test_mixing.py
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.calc.cells import Array


@dataclass(frozen=True)
class Swing:
    """Where a steady routine ends: just before a change, just after it, and on average over time [mg/L]."""

    peak: Array
    trough: Array
    mean: Array


def steady_swing(tap: ArrayLike, rise: ArrayLike, days: ArrayLike, fraction: ArrayLike) -> Swing:
    """Steady levels under a change of `fraction` every `days` with a net rise [mg/L per day].

    Peak Ns + g·T/f, trough Ns + g·T(1 − f)/f, mean Ns + g·T(1/f − 1/2). nan without changes: it settles nowhere.
    """
    tap, rise, days, fraction = (np.asarray(x, float) for x in (tap, rise, days, fraction))
    with np.errstate(divide="ignore", invalid="ignore"):
        per_change = np.where(fraction > 0, rise * days / fraction, np.nan)
    return Swing(tap + per_change, tap + per_change * (1.0 - fraction), tap + per_change - 0.5 * rise * days)


def visits_to_reach(
    limit: ArrayLike, level: ArrayLike, tap: ArrayLike, rise: ArrayLike, days: ArrayLike, fraction: ArrayLike
) -> Array:
    """Changes made until the level just before the next one is at `limit` [mg/L]; whole numbers, nan for never.

    `level` [mg/L] is that before the first of them; before change k it is peak + (level − peak)(1 − f)^(k−1), with the
    peak of `steady_swing`. 0 where it is there already; never where that peak is not under the limit.
    """
    limit, level, fraction = (np.asarray(x, float) for x in (limit, level, fraction))
    peak = steady_swing(tap, rise, days, fraction).peak
    with np.errstate(divide="ignore", invalid="ignore"):
        needed = np.ceil(np.round(np.log((limit - peak) / (level - peak)) / np.log1p(-fraction), 9))
    return np.where(level <= limit, 0.0, np.where((peak < limit) & (fraction < 1), needed, np.nan))


@dataclass(frozen=True)
class Sizing:
    """A water change of a size: `possible` is False where changes cannot do it, and `why` says so in a word.

    why: "" (possible), "tap" (the tap is at or over the wanted level) or "size" (more than the limit at one time).
    """

    fraction: Array  # nan where the tap forbids it
    possible: np.ndarray
    why: np.ndarray


def _sized(needed: Array, headroom: Array, limit: float) -> Sizing:
    with np.errstate(divide="ignore", invalid="ignore"):
        fraction = np.where(headroom > 0, np.maximum(needed, 0.0) / headroom, np.nan)
    fraction = np.where(needed <= 0, 0.0, fraction)
    why = np.where(np.isnan(fraction), "tap", np.where(fraction > limit, "size", ""))
    return Sizing(fraction, why == "", why)


def fraction_for_ceiling(
    rise_per_interval: ArrayLike, ceiling: ArrayLike, tap: ArrayLike, assumed: Mapping[str, float]
) -> Sizing:
    """Fraction at every change that keeps the level before a change at the ceiling: f = R/(L − tap).

    `rise_per_interval` [mg/L] is the net rise from one change to the next. Not possible where the tap is at or over
    the ceiling, or where more than `change_limit` would have to go each time.
    """
    rise, ceiling, tap = (np.asarray(x, float) for x in (rise_per_interval, ceiling, tap))
    return _sized(rise, ceiling - tap, assumed["change_limit"])
