"""The likelihood of a cell: accurate far out, whole over a ladder, with the right slope and curvature."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.calc.cells import cell_scores, cell_terms, normal_cdf, upper_tail
from tests.interval_regression import log_density

finite = st.floats(-30.0, 30.0)


def test_tail_is_accurate_to_the_end() -> None:
    from scipy.stats import norm

    z = np.linspace(0.0, 37.0, 20_001)
    assert upper_tail(z, np.exp(-0.5 * z * z)) == pytest.approx(norm.sf(z), rel=1e-12)


def test_cdf_at_its_ends() -> None:
    assert normal_cdf(np.array([-np.inf, 0.0, np.inf])) == pytest.approx([0.0, 0.5, 1.0], abs=1e-12)


@given(finite, st.floats(0.01, 5.0))
def test_chance_is_scipys_in_either_tail(low: float, width: float) -> None:
    from scipy.stats import norm

    got = cell_terms(np.array([low]), np.array([low + width])).chance[0]
    mirrored = (norm.cdf(-low) - norm.cdf(-low - width)) if low > 0 else norm.cdf(low + width) - norm.cdf(low)
    assert got == pytest.approx(mirrored, rel=1e-6, abs=1e-300)


@given(finite)
def test_a_ladder_is_whole(location: float) -> None:
    edges = np.array([-np.inf, -2.0, -0.5, 0.1, 3.0, np.inf])
    terms = cell_terms(edges[:-1] - location, edges[1:] - location)
    assert terms.chance.sum() == pytest.approx(1.0, abs=1e-12)
    assert terms.slope.sum() == pytest.approx(0.0, abs=1e-12)


@given(st.floats(-6.0, 6.0), st.floats(0.1, 2.0), st.sampled_from([0.0, 0.03]))
def test_score_and_information_are_derivatives(low: float, width: float, gross: float) -> None:
    bounds, step = (np.array([low]), np.array([low + width])), 1e-4

    def at(x: float) -> tuple[float, float, float]:
        found = cell_scores(*bounds, np.array([x]), 0.7, gross, 0.05)
        return float(found.log_chance[0]), float(found.score[0]), float(found.information[0])

    below, here, above = (at(0.3 + k * step) for k in (-1, 0, 1))
    assert here[1] == pytest.approx((above[0] - below[0]) / (2 * step), rel=1e-4, abs=1e-6)
    if gross == 0.0:  # with the robust part on it is the weighed information of the cell, not of the mixture
        assert here[2] == pytest.approx(np.clip(-(above[1] - below[1]) / (2 * step), 0, 1 / 0.49), rel=1e-3, abs=1e-5)


def test_information_stays_between_none_and_a_point() -> None:
    low = np.linspace(-60, 60, 241)
    for width in (1e-6, 0.1, 5.0, np.inf):
        found = cell_scores(low, low + width, np.zeros_like(low), 0.5, 0.03, 0.05)
        assert np.isfinite(found.score).all()
        assert ((found.information >= 0) & (found.information <= 4.0 + 1e-9)).all()


def test_a_wild_reading_costs_a_bounded_amount_and_weighs_nothing() -> None:
    found = cell_scores(np.array([50.0, -1.0]), np.array([51.0, 1.0]), np.zeros(2), 1.0, 0.03, 0.05)
    assert found.log_chance[0] == pytest.approx(np.log(0.03 * 0.05))
    assert found.weight[0] < 1e-6
    assert found.weight[1] > 0.99


def test_nothing_read_says_nothing() -> None:
    found = cell_scores(np.array([-np.inf]), np.array([np.inf]), np.array([3.0]), 0.25)
    assert (found.log_chance[0], found.score[0], found.information[0]) == pytest.approx((0.0, 0.0, 0.0), abs=1e-15)


def test_a_shrinking_cell_becomes_a_point() -> None:
    width = 1e-4
    cell = cell_scores(np.array([1.0]), np.array([1.0 + width]), np.array([0.4]), 0.8).log_chance[0] - np.log(width)
    assert cell == pytest.approx(log_density(np.array([1.0 + width / 2]), np.array([0.4]), 0.8)[0], abs=1e-6)
