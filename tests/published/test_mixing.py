"""Mixing against the outside, rows H1–H9: the forms of textbooks, loops, and an integrator of scipy.

No worked example with printed numbers was found for aquaria; each test says what its numbers come from.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from pipeline.assumptions import built_in
from pipeline.calc.mixing import (
    changes_to_reach,
    continuous_exchange,
    fraction_for_ceiling,
    fraction_left,
    level_after,
    one_off_fraction,
    peak_after,
    steady_swing,
    topped_up_rise,
)

FIGURES = built_in()


def test_h1_eight_changes_in_a_row() -> None:
    """Computed a change at a time."""
    expected = [61.25, 47.1875, 36.6406, 28.7305, 22.7979, 18.3484, 15.0113, 12.5085]
    assert level_after(80, 5, 0.25, np.arange(1, 9)) == pytest.approx(expected, abs=1e-4)
    by_hand = 80.0
    for printed in expected:
        by_hand = 0.75 * by_hand + 0.25 * 5
        assert by_hand == pytest.approx(printed, abs=1e-4)


def test_h2_halving() -> None:
    """Serial dilution, a textbook form: each step halves."""
    assert level_after(100, 0, 0.5, [1, 2, 3, 4]).tolist() == [50, 25, 12.5, 6.25]


def test_h3_changes_needed() -> None:
    """Computed: ln(15/75)/ln 0.75; one change (80 − 20)/(80 − 5)."""
    needed = changes_to_reach(20, 80, 5, 0.25)
    assert float(needed) == pytest.approx(5.5945, abs=1e-4)
    assert np.ceil(needed) == 6
    assert float(one_off_fraction(80, 20, 5, FIGURES).fraction) == pytest.approx(0.8)
    assert np.isnan(changes_to_reach([4, 5], 80, 5, 0.25)).all()  # below the tap, or at it: impossible


def test_h4_fraction_left() -> None:
    """Computed: powers of the share that stays."""
    assert fraction_left([0.25, 0.10, 0.50], [4, 10, 2]) == pytest.approx([0.31640625, 0.34867844, 0.25], abs=5e-9)


@pytest.mark.parametrize(
    ("tap", "rise", "days", "fraction", "peak", "trough", "mean"),
    [(5, 2, 7, 0.25, 61, 47, 54), (20, 1.5, 14, 0.3, 90, 69, 79.5), (10, 0.5, 7, 0.5, 17, 13.5, 15.25)],
    ids=["H5", "H6", "H7"],
)
def test_steady_routine(
    tap: float, rise: float, days: float, fraction: float, peak: float, trough: float, mean: float
) -> None:
    """Computed by a loop of 400 changes, and by the accumulation of equal doses, 1/(1 − e^(−kτ)) with e^(−kτ) = 1 − f
    (Rowland & Tozer, Clinical Pharmacokinetics; from memory, sure)."""
    swing = steady_swing(tap, rise, days, fraction)
    assert (swing.peak, swing.trough, swing.mean) == pytest.approx((peak, trough, mean), abs=1e-9)
    level = float(tap)
    for _ in range(400):
        level = (level + rise * days) * (1 - fraction) + fraction * tap
    assert level == pytest.approx(trough, abs=1e-6)
    decay = -np.log(1 - fraction) / days
    assert swing.peak == pytest.approx(tap + rise * days / (1 - np.exp(-decay * days)), abs=1e-9)


def test_h5_peaks_on_the_way() -> None:
    """Computed by a loop from the tap's level."""
    level, peaks = 5.0, []
    for _ in range(8):
        peaks.append(level + 2 * 7)
        level = 0.75 * peaks[-1] + 0.25 * 5
    assert peak_after(np.arange(1, 9), 5, 5, 2, 7, 0.25) == pytest.approx(peaks, abs=1e-9)
    assert peak_after([1, 4, 8], 5, 5, 2, 7, 0.25) == pytest.approx([19, 43.28125, 55.393677], abs=1e-6)


def test_h8_continuous_exchange() -> None:
    """Washout of a stirred tank (Levenspiel, Chemical Reaction Engineering; from memory, sure); solve_ivp of scipy."""
    days = np.array([7.0, 14.0, 28.0, 400.0])
    got = continuous_exchange(days, 80, 5, 2, 0.05)
    assert got == pytest.approx([69.664083, 62.380486, 53.630894, 45.0], abs=1e-6)
    solved = solve_ivp(lambda _, n: 2 + 0.05 * (5 - n), (0, 400), [80.0], t_eval=days, rtol=1e-10, atol=1e-10)
    assert got == pytest.approx(solved.y[0], abs=1e-6)


def test_h9_evaporation() -> None:
    """Computed: 1 % a day for a week, of water at 20 mg/L."""
    assert float(topped_up_rise(0.01, 20, 7)) == pytest.approx(1.4, abs=1e-12)


def test_sizing_and_its_impossibilities() -> None:
    """The trade's examples: B needs 45 %, D 59 % at ceiling 50; a tap at the ceiling or over the limit cannot do it."""
    sized = fraction_for_ceiling([15.6, 23.4, 10.0, 30.0, -1.0], [40, 50, 40, 40, 40], [5, 10, 40, 0, 5], FIGURES)
    assert sized.fraction[:2] == pytest.approx([0.4457, 0.585], abs=1e-3)
    assert sized.why.tolist() == ["", "", "tap", "size", ""]
    assert sized.possible.tolist() == [True, True, False, False, True]
    assert sized.fraction[4] == 0  # nothing rises: nothing need be changed


def test_one_off_is_never_asked_to_go_under_the_tap() -> None:
    sized = one_off_fraction([50, 50, 50, 10], [30, 10, 4, 20], [10, 10, 10, 10], FIGURES)
    assert sized.why.tolist() == ["", "tap", "tap", ""]
    assert sized.fraction[0] == pytest.approx(0.5)
    assert sized.fraction[3] == 0


levels = st.floats(0.0, 300.0)
fractions = st.floats(0.01, 0.95)


@given(levels, levels, fractions, st.integers(1, 12))
def test_changes_move_towards_the_tap_and_count_back(level: float, tap: float, fraction: float, n: int) -> None:
    after = float(level_after(level, tap, fraction, n))
    assert min(level, tap) - 1e-9 <= after <= max(level, tap) + 1e-9
    if level > tap + 1 and after - tap > 1e-6:
        assert float(changes_to_reach(after, level, tap, fraction)) == pytest.approx(n, rel=1e-5)


@given(st.floats(0.1, 60.0), st.floats(1.0, 100.0), st.floats(0.0, 100.0))
def test_a_possible_size_holds_the_ceiling(rise: float, ceiling: float, tap: float) -> None:
    sized = fraction_for_ceiling(rise, ceiling, tap, FIGURES)
    if bool(sized.possible):
        swing = steady_swing(tap, rise / 7, 7, sized.fraction)
        assert float(swing.peak) == pytest.approx(ceiling, rel=1e-6)
