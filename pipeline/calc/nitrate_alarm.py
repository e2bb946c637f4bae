"""The step alarm: has the net rise stepped up at one of the last visits?

An efficient score test on the null fit of the window: for each visit after which the rise may have stepped up, how much
would the likelihood gain from a step there, after the nuisance factors have taken what they can explain?
"""

from dataclasses import dataclass

import numpy as np

from pipeline.calc.cells import Array, Assumed
from pipeline.calc.nitrate_design import IntArray, Windows, step_days
from pipeline.calc.nitrate_fit import FRACTION, Fit

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
