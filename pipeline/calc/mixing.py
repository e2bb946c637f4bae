"""Mixing of water: what a routine of changes does to a level, in closed form; and how large a change is to be, one answer
for the review, the plan, the visit sheet and the pages.

Pure functions of arrays or numbers. Levels [mg/L], fractions 0–1, days. The closed forms equal the multiple-dose
accumulation of pharmacokinetics with e^(−kτ) = 1 − f (Rowland & Tozer, Clinical Pharmacokinetics; from memory).
tests/published/test_mixing.py
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.calc.cells import Array, Assumed, array


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
    tap, rise, days, fraction = (array(x) for x in (tap, rise, days, fraction))
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
    limit, level, fraction = (array(x) for x in (limit, level, fraction))
    peak = steady_swing(tap, rise, days, fraction).peak
    with np.errstate(divide="ignore", invalid="ignore"):
        needed = np.ceil(np.round(np.log((limit - peak) / (level - peak)) / np.log1p(-fraction), 9))
    return np.where(level <= limit, 0.0, np.where((peak < limit) & (fraction < 1), needed, np.nan))


@dataclass(frozen=True)
class Sizing:
    """A water change of a size: `possible` is False where changes cannot do it, and `why` says so in a word."""

    fraction: Array  # nan where the tap forbids it
    possible: np.ndarray
    why: np.ndarray  # "" (possible), "tap" (at or over the wanted level) or "size" (more than the limit at one time)


def fraction_for_ceiling(rise_per_interval: ArrayLike, ceiling: ArrayLike, tap: ArrayLike, assumed: Assumed) -> Sizing:
    """Fraction at every change that keeps the level before a change at the ceiling: f = R/(L − tap).

    `rise_per_interval` [mg/L] is the net rise from one change to the next. Not possible where the tap is at or over
    the ceiling, or where more than `change_limit` would have to go each time.
    """
    rise, headroom = array(rise_per_interval), array(ceiling) - array(tap)
    with np.errstate(divide="ignore", invalid="ignore"):
        fraction = np.where(headroom > 0, np.maximum(rise, 0.0) / headroom, np.nan)
    fraction = np.where(rise <= 0, 0.0, fraction)
    why = np.where(np.isnan(fraction), "tap", np.where(fraction > assumed["change_limit"], "size", ""))
    return Sizing(fraction, why == "", why)


# -- the change of one tank; None is not known -----------------------------------------------------


def largest_change(ph: float | None, tap_ph: float | None, assumed: Assumed) -> float:
    """The largest change that may be made in one go: less where the tap's pH is far from the tank's."""
    most = assumed["change_at_once"]
    if ph is None or tap_ph is None or round(abs(tap_ph - ph), 6) < assumed["mix_ph_apart"]:
        return most
    return min(assumed["mix_change_share"], most)


def holding_change(
    rise: float | None, every_days: float | None, limit: float | None, tap: float | None, assumed: Assumed
) -> float | None:
    """`fraction_for_ceiling` of one tank: 0 where nitrate does not rise; None where not known, or no change can do it."""
    if rise is None or every_days is None or limit is None or tap is None:
        return None
    sized = fraction_for_ceiling(max(rise, 0.0) * every_days, limit, tap, assumed)
    return float(sized.fraction) if bool(sized.possible) else None


def way_down(
    level: float | None,
    limit: float,
    tap: float,
    rise: float | None,
    every_days: float,
    most: float,
    assumed: Assumed,
    holding: float | None = None,
) -> tuple[float, int] | None:
    """From over the limit to under it: the fraction at each visit, and how many visits; None for no way.

    The smallest of a few sizes, none under what holds the limit after, that needs no more than `way_down_visits`; else
    the largest that may be made.
    """
    if level is None or level <= limit:
        return None
    gentle, at_once = assumed["way_down_share"], most
    sizes = sorted({min(max(share, holding or 0.0), most) for share in (gentle, (gentle + at_once) / 2, at_once)})
    ways = []
    for size in sizes:
        visits = float(visits_to_reach(limit, level, tap, max(rise or 0.0, 0.0), every_days, size))
        if visits <= assumed["way_down_visits_most"]:  # nan, for never, is not
            ways.append((size, int(visits)))
    quick = [way for way in ways if way[1] <= assumed["way_down_visits"]]
    if quick:
        return quick[0]
    return ways[-1] if ways else None
