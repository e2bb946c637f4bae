"""The factors of the working rating, each a pure function of arrays. All house figures unless assumptions.toml says else.

Weeks, kilograms, litres, °C. A nan in gives a nan out unless a docstring says what it counts as.
"""

import numpy as np
from numpy.typing import ArrayLike

from pipeline.assumptions import Assumptions
from pipeline.calc.cells import Array, array
from schemas.words import LOAD_STATES, PLANTING, STOCKING

COMFORTABLE, WITHIN, BORDERLINE, OVER, HALF_ONLY, CANNOT_SAY = LOAD_STATES
FULL_LOAD_PCT = 100.0  # a load is a per cent of the rating: exactly this is within

# The finest stage that water has met before a layer, as a rank; nothing met and settlement both count as first.
MET_NOTHING, MET_COARSE, MET_MEDIUM, MET_FINE, MET_CARBON = 0, 1, 2, 3, 4
MET_FIGURES = ("place_first", "place_after_coarse", "place_after_medium", "place_after_fine", "place_after_carbon")


def maturity(age_weeks: ArrayLike, assumed: Assumptions) -> Array:
    """Share of its ripe work that media does at an age [weeks; nan is ripe]: 0 to week 4, a straight line to 1 at 26."""
    age = array(age_weeks)
    if not assumed["use_maturity"]:
        return np.ones_like(age)
    start, full = assumed["maturity_start_weeks"], assumed["maturity_full_weeks"]
    span = full - start  # a folder may set both alike: then it is ripe from that week on
    grown = np.clip((age - start) / span, 0.0, 1.0) if span > 0 else np.where(age >= start, 1.0, 0.0)
    return np.where(np.isnan(age), 1.0, grown)


def disturbance(
    weeks_since: ArrayLike, lowest: ArrayLike, recovery_weeks: ArrayLike, share: ArrayLike, assumed: Assumptions
) -> Array:
    """Factor of media `weeks_since` an event [weeks]: from `lowest` in a straight line to 1 at `recovery_weeks`.

    `share` (0 to 1) is the part of the media the event reached: d = 1 − share · (1 − d_full). 1 before the event.
    """
    since, low, weeks = array(weeks_since), array(lowest), array(recovery_weeks)
    if not assumed["use_disturbance"]:
        return np.ones(np.broadcast_shapes(since.shape, low.shape, weeks.shape))
    with np.errstate(divide="ignore", invalid="ignore"):
        healed = np.where(weeks > 0, np.clip(since / weeks, 0.0, 1.0), 1.0)
    full = low + (1.0 - low) * healed
    return np.where(since < 0, 1.0, 1.0 - array(share) * (1.0 - full))


def place(met: ArrayLike, assumed: Assumptions) -> Array:
    """Factor of media by the finest stage that the water has met before it (a MET_… rank)."""
    values = np.array([assumed[name] for name in MET_FIGURES])
    ranks = np.asarray(met, dtype=np.int64)
    return np.asarray(values[ranks]) if assumed["use_place"] else np.ones(ranks.shape)


def temperature(temperature_c: ArrayLike, assumed: Assumptions) -> Array:
    """How fast bacteria work at a temperature [°C]: 2^((T − 25)/10), held within 0.5 and 1.1. nan counts as 1.

    Only for loads calculated from food: with a stocking class the fish slow down too.
    """
    t = array(temperature_c)
    if not assumed["use_temperature"]:
        return np.ones_like(t)
    raw = 2.0 ** ((t - assumed["temperature_reference_c"]) / assumed["temperature_doubling_c"])
    held = np.clip(raw, assumed["temperature_factor_low"], assumed["temperature_factor_high"])
    return np.where(np.isnan(t), 1.0, held)


def clog(low_flow: ArrayLike, sludge: ArrayLike, overdue_weeks: ArrayLike, assumed: Assumptions) -> Array:
    """0.6 at low flow or sludge, 0.9 when the service is well overdue [weeks], else 1. nan weeks: nothing recorded."""
    if not assumed["use_clog"]:
        return np.ones(np.shape(overdue_weeks))
    blocked = np.asarray(low_flow, dtype=bool) | np.asarray(sludge, dtype=bool)
    late = np.nan_to_num(array(overdue_weeks), nan=-1.0) > assumed["clog_overdue_weeks"]
    return np.where(blocked, assumed["clog_low_flow"], np.where(late, assumed["clog_overdue"], 1.0))


def load_from_feed(feed_g_day: ArrayLike, net_l: ArrayLike, assumed: Assumptions) -> Array:
    """Load factor from dry food [g/day] in `net_l` [L]: grams a day per 100 L over the normal 0.5."""
    net = array(net_l)
    per_100 = 100.0 * array(feed_g_day) / np.where(net > 0, net, np.nan)
    load = per_100 / assumed["normal_feed_g_100l"]
    return np.asarray(load) if assumed["use_load"] else np.ones_like(load)


def load_by_class(assumed: Assumptions) -> dict[str, float]:
    """Stocking class -> load factor."""
    return {word: assumed[f"load_{word}"] if assumed["use_load"] else 1.0 for word in STOCKING}


def need_by_planting(assumed: Assumptions) -> dict[str, float]:
    """Planting -> factor on the need. Plants are never credited to the filter."""
    return {word: assumed[f"plants_{word}"] if assumed["use_plants"] else 1.0 for word in PLANTING}


def need_kg(net_l: ArrayLike, load: ArrayLike, plants: ArrayLike, assumed: Assumptions) -> Array:
    """Ripe, well-placed, good media [kg] that a tank of `net_l` [L] wants."""
    return np.asarray(array(net_l) / assumed["litres_per_kg"] * array(load) * array(plants))


def load_pct(wanted: ArrayLike, there: ArrayLike) -> Array:
    """Load [%]: wanted over there, rounded to 0.1 before any band looks at it. nan where nothing is there."""
    there_ = array(there)
    with np.errstate(divide="ignore", invalid="ignore"):
        raw = np.where(there_ > 0, FULL_LOAD_PCT * array(wanted) / np.where(there_ > 0, there_, 1.0), np.nan)
    return np.asarray(np.round(raw, 1))


def load_state(load: ArrayLike, assumed: Assumptions) -> np.ndarray:
    """The word for a load [%]; can't say for nan. Exactly 100 is within."""
    pct = array(load)
    bands = [assumed["comfortable_pct"], assumed["within_pct"], assumed["borderline_pct"]]
    words = np.array([COMFORTABLE, WITHIN, BORDERLINE, OVER])
    found = words[np.searchsorted(bands, np.nan_to_num(pct), side="left")]
    return np.where(np.isnan(pct), CANNOT_SAY, found)
