"""The fit that the outlook and the chart stand on: the half-year, with the rise free to have moved lately.

The half-year's readings carry the level well but answer slowly when the rise has stepped up; the recent weeks alone
answer quickly but carry little. So the half-year is fitted with a step: where an alarm is in force, from its visit on;
where the scan only suspects one, from the suspected visit; otherwise a small drift over the recent weeks.
"""

from dataclasses import dataclass, fields, replace

import numpy as np

from pipeline.calc.balance_rows import Rows
from pipeline.calc.balance_windows import NUMBER, Batch, Spans, batches, rows_until
from pipeline.calc.cells import Array, Assumed
from pipeline.calc.nitrate_design import IntArray, State, step_days
from pipeline.calc.nitrate_fit import Fit, fit
from pipeline.calc.nitrate_outlook import LevelFit
from pipeline.calc.nitrate_rates import Rates, unique_spans
from pipeline.calc.nitrate_steps import Alarms, Scanned


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
