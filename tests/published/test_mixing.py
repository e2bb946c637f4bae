"""Mixing against the outside, rows H1–H9: the forms of textbooks, loops, and an integrator of scipy.

No worked example with printed numbers was found for aquaria; each test says what its numbers come from.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.assumptions import built_in
from pipeline.calc.mixing import (
    fraction_for_ceiling,
    steady_swing,
)

FIGURES = built_in()


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


def test_sizing_and_its_impossibilities() -> None:
    """The trade's examples: B needs 45 %, D 59 % at ceiling 50; a tap at the ceiling or over the limit cannot do it."""
    sized = fraction_for_ceiling([15.6, 23.4, 10.0, 30.0, -1.0], [40, 50, 40, 40, 40], [5, 10, 40, 0, 5], FIGURES)
    assert sized.fraction[:2] == pytest.approx([0.4457, 0.585], abs=1e-3)
    assert sized.why.tolist() == ["", "", "tap", "size", ""]
    assert sized.possible.tolist() == [True, True, False, False, True]
    assert sized.fraction[4] == 0  # nothing rises: nothing need be changed


levels = st.floats(0.0, 300.0)
fractions = st.floats(0.01, 0.95)


@given(st.floats(0.1, 60.0), st.floats(1.0, 100.0), st.floats(0.0, 100.0))
def test_a_possible_size_holds_the_ceiling(rise: float, ceiling: float, tap: float) -> None:
    sized = fraction_for_ceiling(rise, ceiling, tap, FIGURES)
    if bool(sized.possible):
        swing = steady_swing(tap, rise / 7, 7, sized.fraction)
        assert float(swing.peak) == pytest.approx(ceiling, rel=1e-6)
