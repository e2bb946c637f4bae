"""The net rise of many windows: gate, fit, interval, and one-sided bounds where the readings leave the chart."""

from dataclasses import dataclass

import numpy as np

from pipeline.calc.balance_rows import Rows
from pipeline.calc.balance_windows import AT_LEAST, BELOW, NUMBER, TOO_FEW, Spans, batches, gate
from pipeline.calc.cells import Array, Assumed
from pipeline.calc.nitrate_design import BoolArray, Columns, IntArray, Windows
from pipeline.calc.nitrate_fit import RISE, Fit, Priors, fit

HELD = 1e10  # precision that holds a parameter where it is put


@dataclass(frozen=True)
class Rates(Columns):
    """Net rise of each window, arrays [windows]; nan where the gate lets no such number through."""

    readings: IntArray
    outcome: IntArray  # of the gate
    first_day: IntArray  # of the first reading used; −1 where none
    rate: Array
    low: Array
    high: Array
    untested: BoolArray  # stands on a tap that was never tested


def unique_spans(rows: Rows, wanted: Spans, *more: IntArray) -> tuple[Spans, IntArray, IntArray]:
    """Windows that differ, in what `more` says too; the index of one request for each, the number of every one's window."""
    borrowed = np.concatenate([[0], np.cumsum(np.isnan(rows.tap) & ~np.isnan(rows.next_tap))])
    as_of = np.where(borrowed[wanted.end] > borrowed[wanted.start], wanted.as_of, 0)
    keys = np.stack([wanted.start, wanted.end, as_of, *more])
    _, one, back = np.unique(keys, axis=1, return_index=True, return_inverse=True)
    return wanted.chosen(one), one, back.reshape(-1)


def rates(rows: Rows, wanted: Spans, assumed: Assumed) -> Rates:
    """Gate and fit every window; equal windows once."""
    spans, _, back = unique_spans(rows, wanted)
    count = len(spans.start)
    readings, outcome = np.zeros(count, np.int64), np.full(count, TOO_FEW)
    rate, low, high = (np.full(count, np.nan) for _ in range(3))
    untested = np.zeros(count, bool)
    for part in batches(rows, spans, assumed):
        passed = gate(part.windows, assumed)
        readings[part.which], outcome[part.which] = part.windows.reading.sum(axis=0), passed
        untested[part.which] = part.untested
        fits = np.flatnonzero(passed == NUMBER)
        if len(fits):
            mine = part.chosen(fits)
            done = fit(mine.windows, mine.priors, assumed)
            rate[mine.which] = done.theta[RISE]
            low[mine.which], high[mine.which] = interval(mine.windows, mine.priors, done, assumed)
    # Few windows leave the chart; together they still fill whole batches.
    for kind, bound, side in ((AT_LEAST, low, -1.0), (BELOW, high, 1.0)):
        which = np.flatnonzero(outcome == kind)
        for part in batches(rows, spans.chosen(which), assumed):
            bound[which[part.which]] = rise_bound(part.windows, part.priors, side, assumed)
    # A level that stays at 0 says no more than that nothing is left over.
    high[outcome == BELOW] = np.maximum(high[outcome == BELOW], 0.0)
    first_day = np.full(count, -1, np.int64)
    held = spans.end > spans.start
    first_day[held] = rows.day[spans.start[held]]
    return Rates(readings, outcome, first_day, rate, low, high, untested).chosen(back)


def interval(windows: Windows, prior: Priors, done: Fit, assumed: Assumed) -> tuple[Array, Array]:
    """The 90 % interval of the rise: by its curvature, or by profile likelihood where that is skewed; [tanks] each.

    Skewed: half the interval away on either side, the fit gets worse by amounts that would move one end by more than
    `profile_skew` of its distance. There each end is put where the profile falls by what a 90 % interval allows
    (Venzon & Moolgavkar 1988, Applied Statistics 37:87-94; from memory), by one secant step from the curvature's end.
    """
    half = assumed["interval_z"] * np.sqrt(done.covariance[RISE, RISE])
    best, allowed = done.theta[RISE], 0.5 * assumed["interval_z"] ** 2
    ends = []
    for side in (-1.0, 1.0):
        fall = done.objective - held_objective(windows, prior, best + side * half, assumed, done.theta)
        # The fall grows as the square of the distance: its root says how far off the end is.
        with np.errstate(divide="ignore", invalid="ignore"):
            stretch = np.sqrt(allowed / np.maximum(fall, 0.0))
        ends.append(np.clip(np.nan_to_num(stretch, nan=1.0, posinf=2.0), 0.5, 2.0))
    skewed = np.abs(ends[0] - ends[1]) > assumed["profile_skew"] * (ends[0] + ends[1]) / 2
    down, up = (np.where(skewed, end, 1.0) for end in ends)
    return best - down * half, best + up * half


def rise_bound(windows: Windows, prior: Priors, side: float, assumed: Assumed) -> Array:
    """The rise beyond the best one at which the fit gets worse by what a 90 % interval allows, arrays [tanks].

    side −1 looks down, +1 up. Readings off the chart bound the rise on one side only; the curvature at the best fit
    then says little, so the bound is searched: the rise is held at a value and all else fitted again.
    """
    best = fit(windows, prior, assumed)
    allowed = 0.5 * assumed["interval_z"] ** 2
    inner = best.theta[RISE].copy()
    outer = inner + side * assumed["bound_reach"]
    for _ in range(int(assumed["bound_steps"])):
        middle = 0.5 * (inner + outer)
        inside = best.objective - held_objective(windows, prior, middle, assumed, best.theta) < allowed
        inner, outer = np.where(inside, middle, inner), np.where(inside, outer, middle)
    bound: Array = 0.5 * (inner + outer)
    return bound


def held_objective(windows: Windows, prior: Priors, rise: Array, assumed: Assumed, start: Array) -> Array:
    """Log posterior at its best with the rise held at a value, arrays [tanks]; begun from the fit `start`."""
    mean, precision, start = prior.mean.copy(), prior.precision.copy(), start.copy()
    mean[RISE], precision[RISE], start[RISE] = rise, HELD, rise
    held = fit(windows, Priors(mean, precision), assumed, start=start)
    pull = 0.5 * HELD * (held.theta[RISE] - rise) ** 2
    own = 0.5 * prior.precision[RISE] * (rise - prior.mean[RISE]) ** 2
    difference: Array = held.objective + pull - own
    return difference
