"""The criterion that explanations are ranked by, against statsmodels' BIC and scipy's optimum of the same likelihood."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.assumptions import built_in
from pipeline.calc.explanations import penalised
from pipeline.calc.nitrate_design import Windows
from pipeline.calc.nitrate_fit import fit, priors
from pipeline.calc.refits import designs
from tests.calc.test_nitrate_fit import windows_of
from tests.reference_fit import SlowTank
from tests.simulate import World, simulate

FIGURES = built_in()


@pytest.mark.parametrize("more", [1, 2, 3])
def test_twice_the_penalised_gain_is_the_fall_of_bic(more: int) -> None:
    """Computed with statsmodels 0.15, OLS of nested models."""
    import statsmodels.api as sm

    rng = np.random.default_rng(4)
    x = rng.standard_normal((30, 1 + more))
    y = 0.5 + 0.8 * x[:, 0] + 0.4 * x[:, -1] + 0.3 * rng.standard_normal(30)
    small, large = sm.OLS(y, sm.add_constant(x[:, :1])).fit(), sm.OLS(y, sm.add_constant(x)).fit()
    gain = penalised(np.array(large.llf - small.llf), 30, more)
    assert 2 * gain == pytest.approx(small.bic - large.bic, rel=1e-9)


class Stepped(SlowTank):
    """The same with a step of the source: one parameter more, its design written by hand."""

    def __init__(self, windows: Windows, tank: int, begins: int) -> None:
        super().__init__(windows, tank, FIGURES, guessed=False, tap_sd=FIGURES["prior_tap_sd"])
        self.plain = len(self.mean)
        self.mean, self.sd = np.append(self.mean, 0.0), np.append(self.sd, FIGURES["prior_rise_sd"])
        held, days = 0.0, []
        for j in range(len(windows.days)):
            held += windows.days[j, tank] if j > begins else 0.0
            if windows.low[j, tank] > 0 or np.isfinite(windows.high[j, tank]):
                days.append(held)
            held *= 1 - windows.fraction[j, tank]
        self.days = np.array(days)

    def level(self, theta: np.ndarray) -> np.ndarray:
        return super().level(theta) + theta[self.plain :].sum() * self.days


def test_the_gain_of_a_step_is_that_of_scipys_optimum() -> None:
    """The engine's refit with a step gains what a slow optimum of the same posterior, by scipy 1.17, gains."""
    windows = windows_of(
        simulate(World(visits=18, kit_visits=18, step_at=11, step_size=1.5, tap_season=None, typos=0.0), 2, 3)
    )
    tanks, begins = 2, 11
    later = np.repeat((np.arange(18) > begins)[:, None], tanks, axis=1)
    design = designs(windows, later[None])["source"][0]
    prior = priors(FIGURES, np.zeros(tanks, bool), np.zeros(tanks), windows.factors, steps=1)
    plain = fit(windows, prior, FIGURES, np.zeros(design.shape))
    stepped = fit(windows, prior, FIGURES, design, start=plain.theta)
    for t in range(tanks):
        slow = Stepped(windows, t, begins)
        without = SlowTank(windows, t, FIGURES, guessed=False, tap_sd=FIGURES["prior_tap_sd"])
        gain = without.cost(without.optimum()) - slow.cost(slow.optimum())
        assert stepped.objective[t] - plain.objective[t] == pytest.approx(gain, abs=0.02), t
