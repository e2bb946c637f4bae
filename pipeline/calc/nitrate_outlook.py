"""Where nitrate stands and where it goes, from a fit: plateau, level of the day, forecast, weeks to the ceiling, by-hand check.

Arrays [tanks] unless said; levels [mg/L NO3], rates [mg/L per day]. An unknown is nan in here and null in the frames.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.calc.cells import Array, Assumed, normal_cdf
from pipeline.calc.nitrate_design import BoolArray, Columns, State
from pipeline.calc.nitrate_fit import FRACTION, N0, RISE, TAP, Fit

STEP = 4  # place of the step among the five parameters that a level hangs on


@dataclass(frozen=True)
class Range:
    """A value with its 90 % interval."""

    value: Array
    low: Array
    high: Array


@dataclass(frozen=True)
class Routine:
    """The present routine of each tank, as recorded in the recent weeks; nan without a visit in them."""

    gap_days: Array  # [days] mean between visits
    mean_fraction: Array  # a visit, visits without a change counting 0
    change_share: Array  # of visits with a change
    inflow: Array  # [mg/L] mean added by the new water a visit: its share × the tap's nitrate of today, and top-ups
    variance: Array  # of the mean fraction, relative: how well so many visits show it

    @property
    def usual_fraction(self) -> Array:
        """Mean fraction of the visits with a change; 0 without any."""
        return _ratio(self.mean_fraction, self.change_share, 0.0)

    @property
    def tap(self) -> Array:
        """[mg/L] nitrate of the new water, as the changes mix it; nan without changes."""
        return _ratio(self.inflow, self.mean_fraction, np.nan)

    @property
    def usual_inflow(self) -> Array:
        """[mg/L] added by the new water of such a change; 0 without any."""
        usual = self.usual_fraction
        return np.where(usual > 0, np.nan_to_num(usual * self.tap), 0.0)


def _ratio(a: Array, b: Array, otherwise: float) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(b > 0, a / b, otherwise)


@dataclass(frozen=True)
class LevelFit(Columns):
    """What a fit says of the level, its kit factors left behind: N0, g, φ, τ and the step δ."""

    theta: Array  # [5, tanks]
    covariance: Array  # [5, 5, tanks]

    @classmethod
    def of(cls, fit: Fit) -> LevelFit:
        """That of a fit whose last parameter is a step."""
        keep = [N0, RISE, FRACTION, TAP, len(fit.theta) - 1]
        return cls(fit.theta[keep], fit.covariance[np.ix_(keep, keep)])

    def variance(self, slopes: Mapping[int, Array]) -> Array:
        """Variance of what has these slopes by the parameters: JCJᵀ."""
        total: Array = np.zeros(())
        for p, slope in slopes.items():
            for q, other in slopes.items():
                total = total + slope * self.covariance[p, q] * other
        return total


def plateau(level_fit: LevelFit, routine: Routine, assumed: Assumed) -> Range:
    """The level before a change at which the present routine settles: tap·e^τ + g·R, R = T·e^φ/f̄.

    g is the rise of today, a step included. Interval by the delta method over g, φ and τ, and over how well so many
    visits show the routine. nan without changes: it does not level off. Never below 0.
    """
    rise = level_fit.theta[RISE] + level_fit.theta[STEP]
    stretch = _ratio(routine.gap_days * np.exp(level_fit.theta[FRACTION]), routine.mean_fraction, np.nan)
    tap = routine.tap * np.exp(level_fit.theta[TAP])
    value = tap + rise * stretch
    variance = level_fit.variance({RISE: stretch, FRACTION: rise * stretch, TAP: tap, STEP: stretch})
    half = assumed["interval_z"] * np.sqrt(variance + (rise * stretch) ** 2 * routine.variance)
    return Range(*(np.maximum(x, 0.0) for x in (value, value - half, value + half)))


@dataclass(frozen=True)
class Level(Columns):
    """The level at a moment: its mean and its standard deviation, kit bias left out."""

    mean: Array
    sd: Array

    def range(self, z: float) -> Range:
        """Mean ± z standard deviations, never below 0."""
        low, high = (np.maximum(self.mean + s * z * self.sd, 0.0) for s in (-1.0, 1.0))
        return Range(self.mean, low, high)

    def chance_over(self, limit: Array) -> Array:
        """Chance that the level is over a limit."""
        return normal_cdf((self.mean - limit) / np.maximum(self.sd, 1e-9))


def level(state: State, level_fit: LevelFit, assumed: Assumed) -> Level:
    """The level of a state of the balance; state arrays [tanks] or [moments, tanks].

    The variance is JCJᵀ over N0, g, φ, τ and the step, plus the model's own relative error.
    """
    theta, tap = level_fit.theta, np.exp(level_fit.theta[TAP])
    phi = theta[FRACTION]
    slopes = {
        N0: state.a + phi * state.da,
        RISE: state.b + phi * state.db,
        TAP: tap * (state.c + phi * state.dc),
        STEP: state.s,
    }
    mean = theta[N0] * slopes[N0] + theta[RISE] * slopes[RISE] + slopes[TAP] + theta[STEP] * state.s
    slopes[FRACTION] = theta[N0] * state.da + theta[RISE] * state.db + tap * state.dc
    mean = np.maximum(mean, 0.0)
    return Level(mean, np.sqrt(level_fit.variance(slopes) + (assumed["forecast_model_error"] * mean) ** 2))


@dataclass(frozen=True)
class Ahead(Columns):
    """The visits expected within the horizon, arrays [tanks]."""

    last_row_days: Array  # from the last row of the window to as-of
    to_first: Array  # from as-of to the first expected visit, over 0
    gap: Array  # [days] between expected visits


def expected_visits(since_visit: Array, gap: Array) -> Array:
    """Days from as-of to the next visit, if visits keep their gap from the last one, so many days before as-of."""
    return gap - np.mod(since_visit, gap)


def states_ahead(
    end: State, ahead: Ahead, usual: Array, inflow: Array, horizon: float
) -> Iterator[tuple[State, Array, BoolArray]]:
    """The states from as-of to the horizon: of the day, before and after the change of each expected visit, at the end.

    With each the days passed, and where anything has happened since the one before it, arrays [tanks]. Those at odd
    places stand before a change, the last among them. `usual` and `inflow` are a change's fraction and what it adds.
    """
    state, passed = end.wait(ahead.last_row_days), np.zeros(len(usual))
    yield state, passed, np.ones(len(usual), bool)
    for k in range(int(np.ceil(horizon / max(1.0, float(ahead.gap.min(initial=horizon)))))):
        wait = np.minimum(ahead.to_first if k == 0 else ahead.gap, horizon - passed)
        passed, state = passed + wait, state.wait(wait)
        yield state, passed, wait > 0
        happens = (passed < horizon) & (usual > 0)
        state = state.change(usual * happens, inflow * happens)
        yield state, passed, happens & (wait > 0)
    rest = horizon - passed
    yield state.wait(rest), passed + rest, rest > 0


def chance_over_ceiling(
    end: State, level_fit: LevelFit, routine: Routine, ahead: Ahead, ceiling: Array, assumed: Assumed
) -> Array:
    """Chance that the level passes the ceiling at an expected visit, or at the horizon's end, within the horizon.

    The greatest chance over the moments with the usual changes made, and without any, weighed by the share of
    visits that had a change.
    """
    usual, total = routine.usual_fraction, np.zeros(len(ceiling))
    for fraction, share in ((usual, routine.change_share), (np.zeros_like(usual), 1.0 - routine.change_share)):
        worst = np.zeros(len(ceiling))
        moments = states_ahead(end, ahead, fraction, routine.usual_inflow, assumed["forecast_days"])
        for place, (state, _, _) in enumerate(moments):
            if place % 2:
                worst = np.maximum(worst, level(state, level_fit, assumed).chance_over(ceiling))
        total = total + share * worst
    return total


def weeks_to_ceiling(
    end: State, level_fit: LevelFit, routine: Routine, ahead: Ahead, ceiling: Array, assumed: Assumed
) -> Array:
    """Weeks until the level before a change passes the ceiling under the present routine; nan when it never does.

    0 where the level of the day is over already. Further off than `weeks_ahead_limit` counts as never: nobody knows
    the routine of so far a day.
    """
    rise = level_fit.theta[RISE] + level_fit.theta[STEP]
    now = level(end.wait(ahead.last_row_days), level_fit, assumed).mean
    next_peak = level(end.wait(ahead.last_row_days + ahead.to_first), level_fit, assumed).mean
    settles = plateau(level_fit, routine, assumed).value
    with np.errstate(divide="ignore", invalid="ignore"):
        straight = np.where(rise > 0, (ceiling - now) / rise, np.inf)
        visits = np.log((settles - ceiling) / (settles - next_peak)) / np.log1p(-routine.mean_fraction)
        later = np.where(settles > ceiling, ahead.to_first + visits * routine.gap_days, np.inf)
    # Without changes, or before the next one, the way up is straight.
    direct = np.isnan(settles) | (next_peak > ceiling)
    days = np.where(now > ceiling, 0.0, np.where(direct, straight, later))
    weeks = np.maximum(days, 0.0) / 7.0
    return np.where(weeks <= assumed["weeks_ahead_limit"], weeks, np.nan)


def apparent_removal(rise: Range, expected_low: Array, expected_high: Array) -> tuple[Array, Array]:
    """Share of the food's nitrate that does not show up as a rise, least and greatest: 1 − g/expected.

    Both ranges count: that of the rise and that of what the food makes. Never credited to the filter alone.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        low = 1.0 - np.where(expected_low > 0, rise.high / expected_low, np.nan)
        high = 1.0 - np.where(expected_high > 0, rise.low / expected_high, np.nan)
    return low, high
