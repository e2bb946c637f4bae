"""The step alarm: has the net rise stepped up at one of the last visits?

An efficient score test on the null fit of the window: for each visit after which the rise may have stepped up, how much
would the likelihood gain from a step there, after the nuisance factors have taken what they can explain? So each visit
is scanned, and alarms are followed with the quiet after each. The alarm as of a day hangs only on what was recorded by
then, so that last week's review can be told again.
"""

from dataclasses import dataclass, fields

import numpy as np

from pipeline.calc.balance_rows import Rows
from pipeline.calc.balance_windows import FAR_DAY, TOO_FEW, Spans, batches, gate, median_gap, spans
from pipeline.calc.cells import Array, Assumed
from pipeline.calc.nitrate_design import BoolArray, Columns, IntArray, Windows, step_days
from pipeline.calc.nitrate_fit import FRACTION, Fit, fit

RESIDUAL_MOST = 3.0  # one wild reading is no memory
NO_INFORMATION = 1e-12  # information under this is rounding


@dataclass(frozen=True)
class Scan:
    """The best step of each tank, arrays [tanks]. z is −∞ and `visits_ago` 0 where nothing could be tested."""

    z: Array
    size: Array  # [mg/L NO3 per day]
    visits_ago: IntArray  # the step begins after the visit so many visits before the last
    row: IntArray  # the row of the window after which it begins; −1 where nothing could be tested


def efficient_scores(slope: Array, fit: Fit) -> tuple[Array, Array]:
    """Score u and information v of added terms, what the fit's own parameters can explain taken out.

    `slope` [terms, visits, tanks] is how the log level would change with each term. Returns [terms, tanks] twice:
    z = u/√v, and u/v estimates the term. v is not over 0 where the term cannot be told from the rest.
    """
    informed = slope * fit.information
    c = np.einsum("smt,pmt->spt", informed, fit.jacobian)
    v = np.einsum("smt,smt->st", informed, slope)
    v -= np.einsum("spt,pqt,sqt->st", c, fit.covariance, c)
    return np.einsum("smt,mt->st", slope, fit.score), v


def error_memory(fit: Fit, windows: Windows, explained: Array, assumed: Assumed) -> Array:
    """How many times the variance of a sum of scores is that of independent errors, arrays [tanks]; 1 or more.

    `explained` [visits, tanks] is what the best step adds to the log level: it is no memory. (1 + ρ)/(1 − ρ) of a
    first-order autoregression (Box & Jenkins, Time series analysis; from memory). ρ is the correlation of neighbouring
    residuals of the fit, with what the fit takes away put back.
    """
    read = windows.reading
    root = np.sqrt(np.maximum(fit.information, NO_INFORMATION))
    residual = fit.score / root - explained * root
    residual = np.where(read, np.clip(residual, -RESIDUAL_MOST, RESIDUAL_MOST), 0.0)
    pairs, count = (read[1:] & read[:-1]).sum(axis=0), read.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = (residual**2).sum(axis=0) / count
        rho = (residual[1:] * residual[:-1]).sum(axis=0) / pairs / variance
    rho = np.clip(np.nan_to_num(rho) + assumed["alarm_rho_taken"], 0.0, assumed["alarm_rho_most"])
    return np.asarray((1.0 + rho) / (1.0 - rho))


def scan(windows: Windows, fit: Fit, visit: IntArray, nearest: IntArray, farthest: IntArray, assumed: Assumed) -> Scan:
    """Try a step after each of the visits `nearest` … `farthest` [tanks] before the last one and keep the best.

    `visit` [visits, tanks] numbers the visits of a window (rows of one day share a number; padding has the first).
    With u and v of each step's score: z = u/√v less what errors that remember explain, size = u/v; the best z has it.
    """
    tanks = windows.days.shape[1]
    ago = np.arange(int(nearest.min(initial=1)), int(farthest.max(initial=1)) + 1)
    wanted = visit[-1] - ago[:, None]
    # The last row of the wanted visit; −1 where the window does not reach so far back.
    start = np.array([(visit <= one).sum(axis=0) - 1 for one in wanted])
    possible = (wanted >= visit[0]) & (ago[:, None] >= nearest) & (ago[:, None] <= farthest)
    start = np.where(possible, start, len(visit))
    slope, _ = step_days(windows, fit.theta[FRACTION], start)
    slope *= fit.lift
    u, v = efficient_scores(slope, fit)
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where((v > NO_INFORMATION) & possible, u / np.sqrt(v), -np.inf)
        best = z.argmax(axis=0)
        pick = best, np.arange(tanks)
        found = np.isfinite(z[pick])
        size = np.where(found, u[pick] / v[pick], 0.0)
    # Errors that remember make a sum of scores wander further: z is smaller, the size of the step the same.
    stepped = np.take_along_axis(slope, best[None, None, :], axis=0)[0]
    shared = np.einsum("pqt,qt->pt", fit.covariance, np.einsum("mt,pmt->pt", stepped * fit.information, fit.jacobian))
    explained = size * (stepped - np.einsum("pt,pmt->mt", shared, fit.jacobian))
    wander = np.sqrt(error_memory(fit, windows, explained, assumed))
    return Scan(z[pick] / wander, size, np.where(found, ago[best], 0), np.where(found, start[pick], -1))


# -- through a tank's history -------------------------------------------------------------------------


@dataclass(frozen=True)
class Visits(Columns):
    """Visits that can be scanned, in order of tank and day: the flat row of each, its median gap [days], its window."""

    row: IntArray
    gap: Array
    window: Spans


@dataclass(frozen=True)
class Scanned:
    """The scan as of each visit, in order of tank and day. Arrays [scanned visits]."""

    tank: IntArray
    day: IntArray
    z: Array  # −∞ where nothing could be tested
    size: Array
    row: IntArray  # flat row after which the step begins; −1 where none
    since: IntArray  # day of that row; the scan's own day where none
    over: BoolArray  # z and size are over what raises an alarm


@dataclass(frozen=True)
class Alarms:
    """The alarm in force as of each request, arrays [requests]; `at` is −1 where there is none."""

    at: IntArray  # number of the scanned visit at which it was raised
    latest: IntArray  # number of the last scanned visit up to as-of; −1 where none


def cadence(gap: Array, assumed: Assumed, name: str) -> Array:
    """An assumption of the alarm that has a weekly and a fortnightly value, by the median gap [days]."""
    weekly, sparse = assumed[f"{name}_weekly"], assumed[f"{name}_fortnightly"]
    return np.where(gap <= assumed["sparse_gap_days"], weekly, sparse)


def _testable(rows: Rows, since: IntArray, until: int, usual_gap: float, assumed: Assumed) -> Visits:
    """Every visit of every tank from day since[tank] to day `until` that has visits enough before it, with its window."""
    first = (np.diff(rows.visit, prepend=0) != 0) | (np.diff(rows.tank, prepend=-1) != 0)
    row = np.flatnonzero(first & (rows.visit > 0) & (rows.day >= since[rows.tank]) & (rows.day <= until))
    tank, day, number = rows.tank[row], rows.day[row], rows.visit[row]
    gap = median_gap(rows, tank, day, assumed["baseline_weeks"], usual_gap)
    length, needed = (cadence(gap, assumed, name).astype(np.int64) for name in ("alarm_visits", "alarm_first"))
    key = rows.tank * FAR_DAY + rows.visit
    earliest = np.searchsorted(key, tank * FAR_DAY + number - length + 1, side="left").astype(np.int64)
    wanted = spans(rows, tank, day, earliest)
    # After a change of unknown size the visits are counted anew.
    last = np.maximum(wanted.end - 1, 0)
    unbroken = rows.segment[np.maximum(rows.first[tank], 0)] == rows.segment[last]
    within = rows.visit[last] - rows.visit[np.minimum(wanted.start, last)] + 1
    tested = (number >= needed) & (wanted.end > wanted.start) & (unbroken | (within >= needed))
    return Visits(row, gap, wanted).chosen(tested)


def _scan(rows: Rows, visits: Visits, assumed: Assumed) -> Scanned:
    """Fit the window of each visit and look for the best step in it."""
    gap, count = visits.gap, len(visits.row)
    z, size, row = np.full(count, -np.inf), np.zeros(count), np.full(count, -1, np.int64)
    near, far = (cadence(gap, assumed, name).astype(np.int64) for name in ("alarm_near", "alarm_far"))
    for part in batches(rows, visits.window, assumed):
        done = fit(part.windows, part.priors, assumed)
        found = scan(part.windows, done, part.visit, near[part.which], far[part.which], assumed)
        usable = (gate(part.windows, assumed) != TOO_FEW) & (found.row >= 0)
        z[part.which] = np.where(usable, found.z, -np.inf)
        size[part.which] = found.size
        begins = part.row[np.maximum(found.row, 0), np.arange(len(part.which))]
        row[part.which] = np.where(usable, begins, -1)
    over = (z > cadence(gap, assumed, "alarm_z")) & (size > assumed["alarm_size"])
    day = rows.day[visits.row]
    since = np.where(row >= 0, rows.day[np.maximum(row, 0)], day) if len(rows.day) else day
    return Scanned(rows.tank[visits.row], day, z, size, row, since, over)


def scan_visits(rows: Rows, tank: IntArray, as_of: IntArray, usual_gap: float, assumed: Assumed) -> Scanned:
    """The scans that the `alarms` of the requests hang on: `tank` (its number) and `as_of` [day number], arrays [requests].

    `usual_gap` [days] between visits stands in where a tank has too few to tell.
    An alarm in force was raised in the quiet time to as-of, so only where a visit of that time is over the threshold
    does it matter what was raised before.
    """
    quiet, memory = round(7 * assumed["alarm_quiet_weeks"]), round(7 * assumed["alarm_memory_weeks"])
    since = np.full(len(rows.tanks), np.iinfo(np.int64).max)
    np.minimum.at(since, tank, as_of)
    visits = _testable(rows, since - memory, int(as_of.max(initial=0)), usual_gap, assumed)
    key, request = rows.tank[visits.row] * FAR_DAY + rows.day[visits.row], tank * FAR_DAY + as_of
    upto = np.searchsorted(key, request, side="right")
    late = np.searchsorted(key, request - quiet, side="right")
    early = np.searchsorted(key, request - memory, side="right")
    # The last visit is always looked at: the outlook allows for the step that it suspects.
    chosen = _within(np.maximum(np.minimum(late, upto - 1), early), upto, len(key))
    near = _scan(rows, visits.chosen(chosen), assumed)
    over = np.zeros(len(key), bool)
    over[chosen] = near.over
    so_far = np.concatenate([[0], np.cumsum(over)])
    lately = so_far[upto] > so_far[late]
    more = _within(early[lately], late[lately], len(key)) & ~chosen
    far = _scan(rows, visits.chosen(more), assumed)
    order = np.argsort(np.concatenate([np.flatnonzero(chosen), np.flatnonzero(more)]), kind="stable")
    return Scanned(*(np.concatenate([getattr(near, f.name), getattr(far, f.name)])[order] for f in fields(Scanned)))


def _within(begin: IntArray, end: IntArray, count: int) -> BoolArray:
    """Which of `count` places lie in any of the ranges [begin, end)."""
    edge = np.zeros(count + 1, np.int64)
    begin, end = begin[begin < end], end[begin < end]
    np.add.at(edge, begin, 1)
    np.add.at(edge, end, -1)
    return np.cumsum(edge)[:count] > 0


def alarms(scanned: Scanned, tank: IntArray, as_of: IntArray, assumed: Assumed) -> Alarms:
    """The last alarm raised in the quiet time to as-of, of each request.

    From as-of back by `alarm_memory_weeks`, the first visit over the threshold raises an alarm, and then the first one
    after each quiet time whose step is another one: a step that was told is not told again.
    """
    quiet = round(7 * assumed["alarm_quiet_weeks"])
    memory = round(7 * assumed["alarm_memory_weeks"])
    key = scanned.tank * FAR_DAY + scanned.day
    latest = np.searchsorted(key, tank * FAR_DAY + as_of, side="right") - 1
    found = latest >= 0
    if found.any():
        found &= scanned.tank[np.maximum(latest, 0)] == tank
    over = np.flatnonzero(scanned.over)
    over_key = key[over]
    begin = np.searchsorted(over_key, tank * FAR_DAY + as_of - memory, side="right")
    end = np.searchsorted(over_key, tank * FAR_DAY + as_of, side="right")
    raised_on, last_since = np.full(len(tank), -FAR_DAY), np.full(len(tank), -FAR_DAY)
    at = np.full(len(tank), -1, np.int64)
    for j in range(int((end - begin).max(initial=0))):
        candidate = over[np.minimum(begin + j, len(over) - 1)]
        day, since = scanned.day[candidate], scanned.since[candidate]
        rings = (begin + j < end) & (day - raised_on >= quiet) & (since - last_since > assumed["alarm_same_step_days"])
        raised_on, last_since = np.where(rings, day, raised_on), np.where(rings, since, last_since)
        at = np.where(rings, candidate, at)
    in_force = raised_on > as_of - quiet
    return Alarms(np.where(in_force, at, -1), np.where(found, latest, -1))
