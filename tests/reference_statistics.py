"""Small reference statistics, written plainly: cross-checks of the engine and rivals on the bench, never used by it."""

from __future__ import annotations

import numpy as np


def theil_sen_slope(x: np.ndarray, y: np.ndarray) -> float:
    """Median slope of all pairs (Theil 1950; Sen 1968, J. Am. Stat. Assoc. 63:1379-1389); nan without a pair."""
    i, j = np.triu_indices(len(x), 1)
    run = x[j] - x[i]
    usable = run != 0
    return float(np.median((y[j] - y[i])[usable] / run[usable])) if usable.any() else float("nan")


def mann_kendall(y: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """S, its variance corrected for ties, and z with the continuity correction; series along the last axis, nan absent.

    Mann 1945, Econometrica 13:245-259; Kendall, Rank Correlation Methods. z is 0 where nothing varies.
    """
    y = np.atleast_2d(np.asarray(y, float))
    pairs = np.sign(y[:, None, :] - y[:, :, None])
    s = np.nansum(np.triu(np.nan_to_num(pairs), 1), axis=(1, 2))
    n = np.isfinite(y).sum(axis=1)
    equal = (y[:, None, :] == y[:, :, None]).sum(axis=2)  # size of the tie that each value is in
    tied = np.where(np.isfinite(y), (equal - 1) * (2 * equal + 5), 0).sum(axis=1)
    variance = (n * (n - 1) * (2 * n + 5) - tied) / 18.0
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(variance > 0, (s - np.sign(s)) / np.sqrt(variance), 0.0)
    return s, variance, z


def ewma(x: np.ndarray, target: float, weight: float) -> np.ndarray:
    """Exponentially weighted moving average, begun at the target (Roberts 1959, Technometrics 1:239-250)."""
    out, last = np.empty(len(x)), target
    for i, value in enumerate(x):
        last = weight * value + (1 - weight) * last
        out[i] = last
    return out


def ewma_half_width(sd: float, weight: float, width: float, i: np.ndarray | float = np.inf) -> np.ndarray:
    """Half-width of the EWMA's limits after i values; the steady one for i = ∞."""
    grown = 1.0 - (1.0 - weight) ** (2 * np.asarray(i, float))
    return width * sd * np.sqrt(weight / (2.0 - weight) * grown)


def cusum(x: np.ndarray, target: float, slack: float, head_start: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Tabular CUSUM, upper and lower, as positive sums (Page 1954, Biometrika 41:100-115)."""
    high, low = np.empty(len(x)), np.empty(len(x))
    up = down = head_start
    for i, value in enumerate(x):
        up, down = max(0.0, up + value - target - slack), max(0.0, down + target - slack - value)
        high[i], low[i] = up, down
    return high, low
