"""The same posterior written a second time, one tank at a time and slowly, and its optimum by scipy.

Independent of the engine on purpose: recursion by hand, scipy's normal distribution, scipy's optimiser.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from pipeline.calc.nitrate_design import Windows


class SlowTank:
    """One tank of some windows: its negative log posterior, and the optimum."""

    def __init__(self, windows: Windows, tank: int, assumed: Mapping[str, float], guessed: bool, tap_sd: float) -> None:
        self.assumed = assumed
        a, b, c, da, db, dc = 1.0, 0.0, 0.0, 0.0, 0.0, 0.0
        seen = []
        for j in range(len(windows.days)):
            b += windows.days[j, tank] if j else 0.0
            f, inflow = windows.fraction[j, tank], windows.inflow[j, tank]
            before = (a, b, c, da, db, dc)
            da, db = (1 - f) * da + f * a, (1 - f) * db + f * b
            dc = (1 - f) * dc + f * c - (inflow if f > 0 else 0.0)
            a, b, c = (1 - f) * a, (1 - f) * b, (1 - f) * c + inflow
            if windows.low[j, tank] > 0 or np.isfinite(windows.high[j, tank]):
                state = (a, b, c, da, db, dc) if windows.after[j, tank] else before
                seen.append((*state, windows.low[j, tank], windows.high[j, tank], windows.kit[j, tank]))
        table = np.array(seen, float).reshape(-1, 9).T
        self.a, self.b, self.c, self.da, self.db, self.dc, self.low, self.high = table[:8]
        self.kit = table[8].astype(int)
        kits = int(windows.kit.max(initial=0)) + 1
        f = assumed
        self.mean = np.concatenate([[f["prior_n0_mean"], f["prior_rise_mean"], 0.0, 0.0], np.zeros(kits)])
        self.sd = np.concatenate(
            [
                [f["prior_n0_sd"], f["prior_rise_sd"]],
                [f["prior_fraction_guess_sd"] if guessed else f["prior_fraction_sd"]],
                [tap_sd],
                np.full(kits, f["prior_kit_sd"]),
            ]
        )

    def level(self, theta: np.ndarray) -> np.ndarray:
        """The level at each reading, before it is held at 0 from below."""
        n0, rise, phi, tau = theta[:4]
        return n0 * (self.a + phi * self.da) + rise * (self.b + phi * self.db) + np.exp(tau) * (self.c + phi * self.dc)

    def cost(self, theta: np.ndarray) -> float:
        """Negative log posterior, constants left out."""
        from scipy.special import ndtr

        f = self.assumed
        level = self.level(theta)
        x = np.log(np.maximum(level, 0.0) * np.exp(theta[4 + self.kit]) + f["log_offset"])
        upper = ndtr((np.log(self.high + f["log_offset"]) - x) / f["reading_cv"])
        with np.errstate(divide="ignore"):
            lower = np.where(self.low > 0, ndtr((np.log(self.low + f["log_offset"]) - x) / f["reading_cv"]), 0.0)
        share = f["robust_share"]
        likelihood = (1 - share) * (upper - lower) + share * f["robust_density"]
        return float(-np.log(likelihood).sum() + 0.5 * (((theta - self.mean) / self.sd) ** 2).sum())

    def optimum(self) -> np.ndarray:
        """The best of scipy's optima from several starts."""
        from scipy.optimize import minimize

        best, found = np.inf, self.mean
        middle = np.where(np.isfinite(self.high), 0.5 * (self.low + self.high), self.low)
        straight = np.linalg.lstsq(np.stack([self.a, self.b], 1), middle - self.c, rcond=None)[0]
        for n0, rise in ((max(straight[0], 1.0), straight[1]), (float(np.median(middle)), 1.0)):
            start = self.mean.copy()
            start[:2] = n0, rise
            bounds = [(self.assumed["n0_floor"], None)] + [(None, None)] * (len(start) - 1)
            done = minimize(self.cost, start, method="L-BFGS-B", bounds=bounds, options={"maxiter": 500})
            if done.fun < best:
                best, found = float(done.fun), done.x
        return found
