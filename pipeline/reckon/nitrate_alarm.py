"""The step alarm: has the net rise stepped up at one of the last visits?

An efficient score test on the null fit of the window: for each visit after which the rise may have stepped up, how much
would the likelihood gain from a step there, after the nuisance factors have taken what they can explain?
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.reckon.cells import Array
from pipeline.reckon.nitrate_design import IntArray, Windows, step_days
from pipeline.reckon.nitrate_fit import FRACTION, Fit


@dataclass(frozen=True)
class Scan:
    """The best step of each tank, arrays [tanks]. z is −∞ and `visits_ago` 0 where nothing could be tested."""

    z: Array
    size: Array  # [mg/L NO3 per day]
    visits_ago: IntArray  # the step begins after the visit so many visits before the last


def scan(windows: Windows, fit: Fit, visit: IntArray, nearest: int, farthest: int) -> Scan:
    """Try a step after each of the visits `nearest` … `farthest` before the last one and keep the best.

    `visit` [visits, tanks] numbers the visits of a window (rows of one day share a number; padding has the first).
    METHODS: D, Jd, u, c, v, z = u/√v, size = u/v.
    """
    tanks = windows.days.shape[1]
    ago = np.arange(nearest, farthest + 1)
    wanted = visit[-1] - ago[:, None]
    # The last row of the wanted visit; −1 where the window does not reach so far back.
    start = np.array([(visit <= one).sum(axis=0) - 1 for one in wanted])
    start = np.where(wanted >= visit[0], start, -1)
    slope, _ = step_days(windows, fit.theta[FRACTION], start)
    slope *= fit.lift
    with np.errstate(divide="ignore", invalid="ignore"):
        u = np.einsum("smt,mt->st", slope, fit.score)
        informed = slope * fit.information
        c = np.einsum("smt,pmt->spt", informed, fit.jacobian)
        v = np.einsum("smt,smt->st", informed, slope)
        v -= np.einsum("spt,pqt,sqt->st", c, fit.covariance, c)
        z = np.where((v > 1e-12) & (start >= 0), u / np.sqrt(v), -np.inf)
        best = z.argmax(axis=0)
        pick = best, np.arange(tanks)
        size = np.where(np.isfinite(z[pick]), u[pick] / v[pick], 0.0)
    return Scan(z=z[pick], size=size, visits_ago=np.where(np.isfinite(z[pick]), ago[best], 0))


def raised(scan: Scan, threshold: float | Array, figures: Mapping[str, float]) -> np.ndarray:
    """Whether a scan raises the alarm, Boolean [tanks]."""
    return (scan.z > threshold) & (scan.size > figures["alarm_size"])
