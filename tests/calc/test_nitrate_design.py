"""The balance as numbers: equal to the recursion run by hand, whatever the order of changes and readings."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.calc.nitrate_design import Windows, design, step_days

visits = st.lists(
    st.tuples(st.integers(1, 20), st.sampled_from([0.0, 0.1, 0.25, 0.6, 1.0]), st.floats(0.0, 30.0), st.booleans()),
    min_size=1,
    max_size=12,
)


def windows_of(record: list[tuple[int, float, float, bool]], pad: int = 0) -> Windows:
    """One tank's windows from (days, fraction, tap, after), every row with a reading."""
    days, fraction, tap, after = (np.array(column)[:, None] for column in zip(*record, strict=True))
    days = days.astype(float)
    days[0] = 0.0
    made = Windows(
        days=days,
        fraction=fraction.astype(float),
        inflow=fraction * tap,
        low=np.full(days.shape, 5.0),
        high=np.full(days.shape, 9.0),
        after=after,
        kit=np.zeros(days.shape, np.int64),
        reader=np.full(days.shape, -1),
        cv=np.full(days.shape, 0.25),
    )
    front = {
        "days": 0.0, "fraction": 0.0, "inflow": 0.0, "low": 0.0, "high": np.inf, "after": False, "kit": -1, "reader": -1, "cv": 0.25,
    }  # fmt: skip
    return Windows(
        **{
            name: np.concatenate([np.full((pad, 1), blank, getattr(made, name).dtype), getattr(made, name)])
            for name, blank in front.items()
        }
    )


def run(
    record: list[tuple[int, float, float, bool]], n0: float, rise: list[float], phi: float, tau: float
) -> np.ndarray:
    """Levels at the readings, by hand; `rise` one a row."""
    level, seen = n0, []
    for j, (days, fraction, tap, after) in enumerate(record):
        level += rise[j] * days if j else 0.0
        before = level
        f = fraction * np.exp(-phi)
        level = (1 - f) * level + f * tap * np.exp(tau)
        seen.append(level if after else before)
    return np.array(seen)


@given(visits, st.floats(0.0, 80.0), st.floats(-2.0, 6.0), st.floats(-0.3, 0.3), st.integers(0, 3))
def test_design_is_the_recursion(record: list, n0: float, rise: float, tau: float, pad: int) -> None:
    plan = design(windows_of(record, pad))
    level = plan.a * n0 + plan.b * rise + plan.c * np.exp(tau)
    assert level[pad:, 0] == pytest.approx(run(record, n0, [rise] * len(record), 0.0, tau), abs=1e-9)


@given(visits, st.floats(0.0, 80.0), st.floats(-2.0, 6.0))
def test_slopes_by_phi_are_the_derivative(record: list, n0: float, rise: float) -> None:
    plan, step = design(windows_of(record)), 1e-5
    slope = plan.da * n0 + plan.db * rise + plan.dc
    ends = [run(record, n0, [rise] * len(record), s * step, 0.0) for s in (-1, 1)]
    assert slope[:, 0] == pytest.approx((ends[1] - ends[0]) / (2 * step), rel=1e-4, abs=1e-3)


@given(visits, st.integers(0, 11), st.floats(-0.2, 0.2))
def test_step_days_are_what_a_step_adds(record: list, begins: int, phi: float) -> None:
    windows = windows_of(record)
    got, end = step_days(windows, np.array([phi]), np.array([[min(begins, len(record))]]))
    flat = [0.0] * len(record)
    stepped = [1.0 if j > begins else 0.0 for j in range(len(record))]
    no_tap = [(d, f, 0.0, a) for d, f, _, a in record]
    assert got[0, :, 0] == pytest.approx(
        run(no_tap, 0.0, stepped, phi, 0.0) - run(no_tap, 0.0, flat, phi, 0.0), abs=1e-9
    )
    last = run([*no_tap, (0, 0.0, 0.0, False)], 0.0, [*stepped, 0.0], phi, 0.0)[-1]
    assert end[0, 0] == pytest.approx(last, abs=1e-9)


def test_a_top_up_dilutes_nothing_and_adds_the_taps_nitrate() -> None:
    windows = windows_of([(7, 0.0, 0.0, False), (7, 0.0, 0.0, False)])
    topped = replace(windows, inflow=np.array([[0.05 * 20.0], [0.0]]))
    plan = design(topped)
    assert (plan.a[1, 0], plan.b[1, 0], plan.c[1, 0]) == pytest.approx((1.0, 7.0, 1.0))
    assert plan.dc[1, 0] == 0.0  # it has no share in the bias of fractions
