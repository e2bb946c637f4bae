"""What the fits of many windows say: the net rise with its interval or bound, and the fit that the outlook and the chart
stand on.

That is the half-year, with the rise free to have moved lately: its readings carry the level well but answer slowly when
the rise has stepped up; the recent weeks alone answer quickly but carry little. So the half-year is fitted with a step:
where an alarm is in force, from its visit on; where the scan only suspects one, from the suspected visit; otherwise a
small drift over the recent weeks.
"""

from dataclasses import dataclass, fields, replace

import numpy as np

from pipeline.calc.balance_rows import Rows
from pipeline.calc.balance_windows import AT_LEAST, BELOW, NUMBER, TOO_FEW, Batch, Spans, batches, gate, rows_until
from pipeline.calc.cells import Array, Assumed
from pipeline.calc.nitrate_design import BoolArray, Columns, IntArray, State, Windows, step_days
from pipeline.calc.nitrate_fit import RISE, Fit, Priors, fit
from pipeline.calc.nitrate_outlook import LevelFit
from pipeline.calc.nitrate_steps import Alarms, Scanned

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


# -- the fit that the outlook stands on ----------------------------------------------------------------


def steps_sought(
    rows: Rows, tank: IntArray, as_of: IntArray, recent_weeks: Array, scanned: Scanned, alarm: Alarms, assumed: Assumed
) -> tuple[IntArray, Array]:
    """After which flat row each request's rise may have moved (−1 for none), and the prior standard deviation of by how
    much [mg/L per day]; arrays [requests]. See the module."""
    row = rows_until(rows, tank, as_of - np.round(7 * recent_weeks).astype(np.int64)) - 1
    row = np.where(row >= rows.first[tank], row, -1)
    sd = np.full(len(tank), assumed["outlook_drift_sd"])
    for at, wanted in ((alarm.latest, assumed["outlook_step_z"]), (alarm.at, -np.inf)):
        known = np.flatnonzero(at >= 0)
        which = at[known]
        called = known[
            (scanned.z[which] > wanted) & (scanned.size[which] > assumed["alarm_size"]) & (scanned.row[which] >= 0)
        ]
        row[called], sd[called] = scanned.row[at[called]], assumed["outlook_step_sd"]
    return row, sd


def chosen_spans(recent: Spans, baseline: Spans, of_recent: Rates, of_baseline: Rates) -> tuple[Spans, np.ndarray]:
    """The half-year's window where its readings carry a number, else the recent one; and whether either does."""
    use = of_baseline.outcome == NUMBER
    known = use | (of_recent.outcome == NUMBER)
    start, end = np.where(use, baseline.start, recent.start), np.where(use, baseline.end, recent.end)
    return Spans(np.where(known, start, end), end, baseline.as_of), known


def step_of(part: Batch, step_row: IntArray) -> IntArray:
    """The row of each window after which its step begins; the count of rows where the window holds no such row."""
    number = np.arange(len(part.row))[:, None]
    begins = np.where((part.row >= 0) & (part.row <= step_row), number, -1).max(axis=0)
    return np.where(begins < 0, len(part.row), begins)


def fit_with_step(part: Batch, step_row: IntArray, step_sd: Array, assumed: Assumed) -> Fit:
    """Fit a batch (its priors made with one step) with a step after the given flat rows [tanks]."""
    held, end = step_days(part.windows, np.zeros(len(step_row)), step_of(part, step_row)[None])
    precision = part.priors.precision.copy()
    precision[-1] = 1.0 / step_sd**2
    done = fit(part.windows, replace(part.priors, precision=precision), assumed, held[0])
    state = replace(done.design.end, s=end[0])
    return replace(done, design=replace(done.design, end=state))


@dataclass(frozen=True)
class LevelFits:
    """What the outlook reads of each request's fit, arrays [requests] or [parameters, requests]; nan without a fit."""

    level_fit: LevelFit
    end: State
    end_row: IntArray  # flat row the state stands after; −1 without a fit
    suspects: tuple[IntArray, IntArray, Array]  # request, flat row, weight


def level_fits(rows: Rows, wanted: Spans, step_row: IntArray, step_sd: Array, assumed: Assumed) -> LevelFits:
    """Fit every request's window with its step; equal windows once."""
    spans, one, back = unique_spans(rows, wanted, step_row, (step_sd * 1000).astype(np.int64))
    count = len(spans.start)
    level_fit = LevelFit(np.full((5, count), np.nan), np.full((5, 5, count), np.nan))
    end = State(*(np.full(count, np.nan) for _ in fields(State)))
    end_row = np.full(count, -1, np.int64)
    doubted = [(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))]
    for part in batches(rows, spans, assumed, steps=1):
        which = part.which
        done = fit_with_step(part, step_row[one[which]], step_sd[one[which]], assumed)
        mine = LevelFit.of(done)
        level_fit.theta[:, which], level_fit.covariance[..., which] = mine.theta, mine.covariance
        for field in fields(State):
            getattr(end, field.name)[which] = getattr(done.design.end, field.name)
        end_row[which] = part.row[-1]
        visit, tank = np.nonzero((done.weight < assumed["suspect_weight"]) & part.windows.reading)
        doubted.append((which[tank], part.row[visit, tank], done.weight[visit, tank]))
    window, row, weight = (np.concatenate(x) for x in zip(*doubted, strict=True))
    suspect, request = np.nonzero(window[:, None] == back)  # a window stands for every request that sees the same rows
    suspects = request, row[suspect], weight[suspect]
    return LevelFits(level_fit.chosen(back), end.chosen(back), end_row[back], suspects)
