"""Where nitrate stands and where it goes: plateau, level of the day, forecast, weeks to the ceiling, from a fit; and beside
the fit what the log itself says: the present routine of each tank, and the net rise by hand.

Arrays [tanks] unless said; levels [mg/L NO3], rates [mg/L per day]. An unknown is nan in here and null in the frames.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Self

import numpy as np

from pipeline.calc.balance_rows import Rows, tap_of
from pipeline.calc.balance_windows import FAR_DAY, rows_until
from pipeline.calc.cells import Array, Assumed, normal_cdf
from pipeline.calc.nitrate_design import BoolArray, Columns, IntArray, State
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
    """The present routine of each tank, as recorded in the recent weeks: nitrate settles by it, not by the half-year that
    the rise is fitted to. nan without a visit in them."""

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
    def of(cls, fit: Fit) -> Self:
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


# -- what the log itself says --------------------------------------------------------------------------


def present_routine(
    rows: Rows, tank: IntArray, as_of: IntArray, weeks: Array, usual_gap: Array, assumed: Assumed
) -> Routine:
    """The routine of the last `weeks` to as-of (eight weeks hold eight weekly visits), arrays [requests].

    How often a visit changes water is counted over the half-year while the recent weeks do not speak against it: they
    alone are too few to tell a share. A gap between visits of more than `routine_pause` times the usual one [days] is
    a pause, no routine. The new water is that of the last change, as the tap was known on the day. nan where no visit
    lies in the window.
    """
    nothing = np.full(len(tank), np.nan)
    if not len(rows.day) or not len(tank):
        return Routine(nothing, nothing, nothing, nothing, nothing)
    end = rows_until(rows, tank, as_of)
    long = np.maximum(round(7 * assumed["baseline_weeks"]), np.round(7 * weeks)).astype(np.int64)
    start = rows_until(rows, tank, as_of - long)
    row = end - np.arange(int((end - start).max(initial=1)), 0, -1)[:, None]
    real = row >= start
    row = np.maximum(row, 0)
    recent = real & (rows.day[row] > as_of - np.round(7 * weeks))
    key = rows.tank * FAR_DAY + rows.visit
    begins = real & (np.diff(key, prepend=-1) != 0)[row] & (rows.visit[row] > 0)
    day = rows.day[row]
    last = np.maximum.accumulate(np.where(begins, day, -FAR_DAY), axis=0)
    gap = np.where(begins[1:] & recent[1:] & (last[:-1] > -FAR_DAY), day[1:] - last[:-1], 0)
    counted = (gap > 0) & (gap <= assumed["routine_pause"] * usual_gap)
    fraction, uptake = (np.where(recent, of[row], 0.0) for of in (rows.fraction, rows.uptake))
    tap, _ = tap_of(rows, row, as_of, assumed)
    renewed = uptake > 0
    newest = len(row) - 1 - np.argmax(renewed[::-1], axis=0)
    changes, visits, gaps = (fraction > 0).sum(axis=0), (begins & recent).sum(axis=0), counted.sum(axis=0)
    share, counted_visits = _share(begins, recent, real & (rows.fraction[row] > 0), assumed)
    with np.errstate(divide="ignore", invalid="ignore"):
        usual = np.where(changes > 0, fraction.sum(axis=0) / changes, 0.0)
        spread = np.maximum((fraction**2).sum(axis=0) / changes - usual**2, 0.0) / (usual**2 * changes)
        mean = share * usual
        per_share = np.where(mean > 0, uptake.sum(axis=0) / fraction.sum(axis=0), 0.0)
        top_ups = np.where(mean > 0, 0.0, uptake.sum(axis=0) / visits)
        return Routine(
            gap_days=np.where(visits == 0, np.nan, np.where(gaps > 0, (gap * counted).sum(axis=0) / gaps, usual_gap)),
            mean_fraction=mean,
            change_share=share,
            inflow=(mean * per_share + top_ups) * np.where(renewed.any(axis=0), tap[newest, np.arange(len(tank))], 0.0),
            variance=np.where(mean > 0, spread + (1.0 - share) / (share * counted_visits), 0.0),
        )


def _share(begins: BoolArray, recent: BoolArray, changed: BoolArray, assumed: Assumed) -> tuple[Array, Array]:
    """Share of visits with a change, and how many visits show it; masks [rows, requests] in, [requests] out.

    The recent weeks and those before are taken together unless they differ by more than chance (two proportions,
    normal approximation at `routine_share_z`), or nothing was changed in the recent weeks.
    """
    lately, before = (begins & recent).sum(axis=0), (begins & ~recent).sum(axis=0)
    with_change, earlier = (changed & recent).sum(axis=0), (changed & ~recent).sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        own = np.minimum(with_change / lately, 1.0)
        both = np.minimum((with_change + earlier) / (lately + before), 1.0)
        apart = np.abs(own - np.minimum(earlier / before, 1.0))
        chance = assumed["routine_share_z"] * np.sqrt(both * (1.0 - both) * (1.0 / lately + 1.0 / before))
    pooled = (before > 0) & (with_change > 0) & (apart <= chance)
    share = np.where(lately > 0, np.where(pooled, both, own), np.nan)
    return share, np.where(pooled, lately + before, lately).astype(float)


def rise_by_hand(level: Array, fraction: Array, inflow: Array, next_level: Array, days: Array) -> Array:
    """Net rise [mg/L per week] of one interval: the next before-reading less what the change left, per 7 days.

    The change leaves C(1 − f) + f·tap; `inflow` [mg/L] is f·tap, and the tap's share of any top-up.
    """
    return (next_level - (level * (1.0 - fraction) + inflow)) / days * 7.0


def hand_check(rows: Rows, tank: IntArray, as_of: IntArray, assumed: Assumed) -> tuple[Array, IntArray]:
    """Median of the last usable intervals to as-of [mg/L per week] and their count, of each request; nan and 0 without.

    Usable: two readings of closed cells, the later before its change, with no change between but the earlier one's own.
    """
    read = np.flatnonzero(rows.reading)
    early, late = read[:-1], read[1:]
    tap, _ = tap_of(rows, np.arange(len(rows.day)), rows.day, assumed)
    inflow = np.where(rows.uptake > 0, rows.uptake * tap, 0.0)
    stray = ~rows.reading
    changes = np.concatenate([[0], np.cumsum(stray & (rows.fraction > 0))])
    topped = np.concatenate([[0.0], np.cumsum(np.where(stray, inflow, 0.0))])
    closed = np.isfinite(rows.high)
    days = (rows.day[late] - rows.day[early]).astype(float)
    usable = (
        (rows.tank[early] == rows.tank[late])
        & (rows.segment[early] == rows.segment[late])
        & (days > 0)
        & ~rows.after[late]
        & closed[early]
        & closed[late]
        & (changes[late] == changes[early])
    )
    early, late, days = early[usable], late[usable], days[usable]
    # An after-reading has its change in it already.
    own = ~rows.after[early]
    fraction, came = rows.fraction[early] * own, inflow[early] * own + topped[late] - topped[early]
    weekly = rise_by_hand(rows.matched[early], fraction, came, rows.matched[late], days)
    key = rows.tank[late] * FAR_DAY + rows.day[late]
    end = np.searchsorted(key, tank * FAR_DAY + as_of, side="right")
    begin = np.searchsorted(key, tank * FAR_DAY + as_of - round(7 * assumed["baseline_weeks"]), side="right")
    count = np.minimum(end - begin, round(assumed["hand_intervals"]))
    median = np.full(len(tank), np.nan)
    for n in np.unique(count[count > 0]):
        mine = np.flatnonzero(count == n)
        median[mine] = np.median(weekly[end[mine][:, None] - 1 - np.arange(n)], axis=1)
    return median, count
