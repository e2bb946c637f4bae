"""Interval-censored regression made of the engine's own cell likelihood: priors and the robust part off.

It is what the published checks of G17–G25 run: the same P, slope and bend as the nitrate fit, another optimiser.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.calc.cells import Array, cell_scores, cell_terms

FLAT = 1e-3  # a scale under this share of the data's own spread has run away to 0


def log_density(value: Array, location: Array, scale: float | Array) -> Array:
    """Log-likelihood of values known exactly, as a cell shrinks to a point (a meter without error)."""
    z = (value - location) / scale
    return -0.5 * z * z - np.log(scale) - 0.5 * np.log(2.0 * np.pi)


@dataclass(frozen=True)
class Regression:
    """Coefficients, scale, log-likelihood and standard errors (the last of the log of the scale)."""

    identified: bool
    says: str
    coefficients: np.ndarray
    scale: float
    log_likelihood: float
    errors: np.ndarray


def feasible_slopes(x: np.ndarray, low: np.ndarray, high: np.ndarray) -> tuple[float, float] | None:
    """Slopes of the lines that pass through every interval; None where no line does.

    A line of slope b fits where each low end less b·x is under each high end less b·x: every pair bounds b once.
    """
    i, j = np.nonzero(x[None, :] > x[:, None])
    run = x[j] - x[i]
    least = float(((low[j] - high[i]) / run).max())
    most = float(((high[j] - low[i]) / run).min())
    return (least, most) if least <= most else None


def interval_regression(design: np.ndarray, low: np.ndarray, high: np.ndarray) -> Regression:
    """Normal regression of values known to lie between low and high (alike: known exactly; ±∞: open)."""
    from scipy.optimize import minimize, root

    exact = low == high
    cells = ~exact

    def parts(theta: np.ndarray) -> tuple[float, np.ndarray]:
        location, scale = design @ theta[:-1], float(np.exp(theta[-1]))
        total, score, by_scale = 0.0, np.zeros(len(low)), 0.0
        if cells.any():
            found = cell_scores(low[cells], high[cells], location[cells], scale)
            terms = cell_terms((low[cells] - location[cells]) / scale, (high[cells] - location[cells]) / scale)
            total += float(found.log_chance.sum())
            score[cells] = found.score
            by_scale += float((terms.bend / np.maximum(terms.chance, 1e-300)).sum())
        if exact.any():
            z = (low[exact] - location[exact]) / scale
            total += float(log_density(low[exact], location[exact], scale).sum())
            score[exact] = z / scale
            by_scale += float((z * z - 1).sum())
        return total, np.append(design.T @ score, by_scale)

    middle = np.where(np.isfinite(low) & np.isfinite(high), 0.5 * (low + high), np.where(np.isfinite(low), low, high))
    start = np.linalg.lstsq(design, middle, rcond=None)[0]
    spread = max(float(np.std(middle)), 1e-6)
    theta = np.append(start, np.log(spread))
    rough = minimize(lambda t: tuple(-v for v in parts(t)), theta, jac=True, method="BFGS")
    theta = rough.x
    if np.exp(theta[-1]) < FLAT * spread or parts(theta)[0] > -1e-4:
        band = feasible_slopes(design[:, 1], low, high) if design.shape[1] == 2 else None
        told = "" if band is None else f"; slopes from {band[0]:.4g} to {band[1]:.4g} pass through every interval"
        return Regression(
            False, f"not identified{told}", np.full(design.shape[1], np.nan), np.nan, 0.0, np.full(3, np.nan)
        )
    theta = root(lambda t: parts(t)[1], theta, tol=1e-12).x
    step = 1e-5
    bent = [(parts(theta + e)[1] - parts(theta - e)[1]) / (2 * step) for e in step * np.eye(len(theta))]
    errors = np.sqrt(np.diag(np.linalg.inv(-np.array(bent))))
    return Regression(True, "", theta[:-1], float(np.exp(theta[-1])), parts(theta)[0], errors)
