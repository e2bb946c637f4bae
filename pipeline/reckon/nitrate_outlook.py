"""Where nitrate stands and heads, from a fit: plateau, level of the day, forecast, weeks to the ceiling, by-hand check.

Arrays [tanks] unless said; levels [mg/L NO3], rates [mg/L per day]. An unknown is nan in here and null in the frames.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.reckon.cells import Array, normal_cdf
from pipeline.reckon.nitrate_design import State
from pipeline.reckon.nitrate_fit import FRACTION, N0, RISE, TAP, Fit


@dataclass(frozen=True)
class Range:
    """A value with its 90 % interval."""

    value: Array
    low: Array
    high: Array


@dataclass(frozen=True)
class Routine:
    """The present routine of each tank, as recorded."""

    gap_days: Array  # [days] mean between visits
    mean_fraction: Array  # a visit, visits without a change counting 0
    change_share: Array  # of visits with a change
    inflow: Array  # [mg/L] mean added by the new water a visit: fraction × its nitrate, and top-ups

    @property
    def usual_fraction(self) -> Array:
        """Mean fraction of the visits with a change; 0 without any."""
        return _ratio(self.mean_fraction, self.change_share, 0.0)

    @property
    def tap(self) -> Array:
        """[mg/L] nitrate of the new water, as the changes mix it; nan without changes."""
        return _ratio(self.inflow, self.mean_fraction, np.nan)


def _ratio(a: Array, b: Array, otherwise: float) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(b > 0, a / b, otherwise)


def rate(fit: Fit, figures: Mapping[str, float]) -> Range:
    """The net rise with its 90 % interval."""
    half = figures["interval_z"] * np.sqrt(fit.covariance[RISE, RISE])
    return Range(fit.theta[RISE], fit.theta[RISE] - half, fit.theta[RISE] + half)


def plateau(fit: Fit, routine: Routine, figures: Mapping[str, float]) -> Range:
    """The level before a change at which the present routine settles: tap·e^τ + g·R, R = T·e^φ/f̄.

    Interval by the delta method over g, φ and τ. nan without changes: there is no plateau. Never below 0.
    """
    rise, phi, tau = fit.theta[RISE], fit.theta[FRACTION], fit.theta[TAP]
    stretch = _ratio(routine.gap_days * np.exp(phi), routine.mean_fraction, np.nan)
    tap = routine.tap * np.exp(tau)
    value = tap + rise * stretch
    slopes = {RISE: stretch, FRACTION: rise * stretch, TAP: tap}
    variance = np.zeros_like(value)
    for p, slope in slopes.items():
        for q, other in slopes.items():
            variance = variance + slope * fit.covariance[p, q] * other
    half = figures["interval_z"] * np.sqrt(variance)
    return Range(*(np.maximum(x, 0.0) for x in (value, value - half, value + half)))


@dataclass(frozen=True)
class Level:
    """The level at a moment: its mean and its standard deviation, kit bias left out."""

    mean: Array
    sd: Array

    def range(self, z: float) -> Range:
        """Mean ± z standard deviations, never below 0."""
        low, high = (np.maximum(self.mean + s * z * self.sd, 0.0) for s in (-1.0, 1.0))
        return Range(self.mean, low, high)

    def chance_over(self, limit: Array) -> Array:
        """Chance that the level is over a limit."""
        sd = np.maximum(self.sd, 1e-9)
        return normal_cdf((self.mean - limit) / sd)


def level(state: State, fit: Fit, figures: Mapping[str, float], stepped: bool = False) -> Level:
    """The level of a state of the balance; state arrays [tanks] or [moments, tanks].

    The variance is JCJᵀ over N0, g, φ, τ and, where `stepped`, the step that the fit has as its last parameter, plus
    the model's own relative error.
    """
    theta, tap = fit.theta, np.exp(fit.theta[TAP])
    slopes = {
        N0: state.a + theta[FRACTION] * state.da,
        RISE: state.b + theta[FRACTION] * state.db,
        TAP: tap * (state.c + theta[FRACTION] * state.dc),
    }
    mean = theta[N0] * slopes[N0] + theta[RISE] * slopes[RISE] + slopes[TAP]
    if stepped:
        slopes[len(theta) - 1] = state.s
        mean = mean + theta[-1] * state.s
    slopes[FRACTION] = theta[N0] * state.da + theta[RISE] * state.db + tap * state.dc
    mean = np.maximum(mean, 0.0)
    variance = (figures["forecast_model_error"] * mean) ** 2
    for p, slope in slopes.items():
        for q, other in slopes.items():
            variance = variance + slope * fit.covariance[p, q] * other
    return Level(mean, np.sqrt(variance))
