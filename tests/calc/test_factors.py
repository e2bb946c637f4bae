"""The factors of the working rating as pure functions: the stated assumptions, limits and directions."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.calc import factors, half_cycle
from pipeline.units import volume_l
from tests.rounds import FIGURES


def test_maturity_is_a_line_from_week_4_to_26() -> None:
    got = factors.maturity([-3, 0, 4, 10, 15, 26, 300, np.nan], FIGURES)
    assert got == pytest.approx([0, 0, 0, 6 / 22, 0.5, 1, 1, 1])


def test_maturity_with_both_weeks_alike_is_a_step() -> None:
    at_once = FIGURES.with_values(maturity_start_weeks=0, maturity_full_weeks=0)
    assert factors.maturity([0, 1, np.nan], at_once).tolist() == [1, 1, 1]


@pytest.mark.parametrize(
    ("since", "lowest", "weeks", "share", "expected"),
    [(0, 0.3, 8, 1, 0.3), (3, 0.3, 8, 1, 0.5625), (8, 0.3, 8, 1, 1), (99, 0.3, 8, 1, 1), (-1, 0.3, 8, 1, 1),
     (0, 0.3, 8, 0.5, 0.65), (2, 0.8, 4, 1, 0.9), (0, 0.5, 0, 1, 1)],
)  # fmt: skip
def test_disturbance(since: float, lowest: float, weeks: float, share: float, expected: float) -> None:
    assert float(factors.disturbance(since, lowest, weeks, share, FIGURES)) == pytest.approx(expected)


@given(st.floats(0, 20), st.floats(0, 20), st.floats(0, 1), st.floats(0.1, 12), st.floats(0, 1))
def test_disturbance_only_heals(a: float, b: float, lowest: float, weeks: float, share: float) -> None:
    early, late = factors.disturbance([min(a, b), max(a, b)], lowest, weeks, share, FIGURES)
    assert 0 <= early <= late <= 1


def test_place_by_what_the_water_has_met() -> None:
    ranks = [factors.MET_NOTHING, factors.MET_COARSE, factors.MET_MEDIUM, factors.MET_FINE, factors.MET_CARBON]
    assert factors.place(ranks, FIGURES).tolist() == [0.25, 0.6, 0.8, 1.0, 1.0]


def test_temperature_doubles_in_ten_degrees_within_its_ends() -> None:
    got = factors.temperature([18, 24, 25, 26, 40, 5, np.nan], FIGURES)
    assert got == pytest.approx([0.616, 0.933, 1, 2**0.1, 1.1, 0.5, 1], abs=5e-4)


def test_clog() -> None:
    got = factors.clog(
        [True, False, False, False, False], [False, True, False, False, False], [0, 0, 2.1, 2.0, np.nan], FIGURES
    )
    assert got.tolist() == [0.6, 0.6, 0.9, 1.0, 1.0]


def test_load_from_feed_and_class() -> None:
    assert factors.load_from_feed([0.5, 2.0, 0.0, 1.0], [100, 200, 100, 0], FIGURES) == pytest.approx(
        [1, 2, 0, np.nan], nan_ok=True
    )
    assert factors.load_by_class(FIGURES) == {"light": 0.6, "normal": 1.0, "heavy": 1.5, "messy": 2.0}
    assert factors.need_by_planting(FIGURES) == {"none": 1.0, "light": 1.0, "moderate": 0.85, "dense": 0.6}


def test_loads_are_rounded_before_their_band() -> None:
    loads = factors.load_pct([80, 80.06, 100, 100.04, 100.06, 125, 126, 5], [100] * 7 + [0])
    assert loads[:7].tolist() == [80, 80.1, 100, 100, 100.1, 125, 126]
    assert factors.load_state(loads, FIGURES).tolist() == [
        "comfortable", "within", "within", "within", "borderline", "borderline", "over", "can't say"]  # fmt: skip


# -- the half cycle ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kg", "media", "rating"), [(2.00, 800, 280), (2.30, 920, 280), (3.00, 1200, 280), (3.45, 1380, 280)]
)
def test_half_cycle_of_f07(kg: float, media: float, rating: float) -> None:
    """The trade's table of F-07, 700 L/h measured: half by media ÷ 0.25, half by flow ÷ 2.5."""
    by_media, by_flow = half_cycle.by_media_l(kg, 0, FIGURES), half_cycle.by_flow_l(700, FIGURES)
    assert (float(by_media), float(by_flow)) == pytest.approx((media, 280))
    assert float(half_cycle.rating_l(by_media, by_flow)) == rating
    assert str(half_cycle.limit_word(by_media, by_flow)) == "flow"


def test_half_cycle_without_a_flow_has_no_cap() -> None:
    assert half_cycle.rating_l([400, np.nan, 400], [np.nan, 280, 280]) == pytest.approx([400, np.nan, 280], nan_ok=True)
    assert half_cycle.limit_word([400, 200], [np.nan, 280]).tolist() == ["flow unknown", "media"]


def test_foam_counts_by_its_litres() -> None:
    assert float(half_cycle.by_media_l(0, 0.6, FIGURES)) == pytest.approx(60)


# -- volumes -----------------------------------------------------------------------------------------


def litres(shape: str, length: float, width: float = 0.0, inner: float = 0.0, depth: float = 0.0) -> float:
    cells = {"shape": shape, "length_mm": length, "width_mm": width, "inner_mm": inner, "depth_mm": depth}
    return float(pl.DataFrame(cells).select(volume_l()).item())


def test_volumes_of_the_trade() -> None:
    """A cylinder 15 cm across and 6 cm deep holds 1.06 L."""
    assert litres("cylinder", 0.0, 150.0, depth=60.0) == pytest.approx(1.06, abs=5e-3)
    assert litres("box", 200.0, 100.0, depth=50.0) == pytest.approx(1.0)
    assert litres("ring", 0.0, 92.0, 24.0, 98.0) == pytest.approx(0.607, abs=1e-3)


@given(st.floats(1, 500), st.floats(1, 500))
def test_a_ring_without_a_core_is_a_cylinder(diameter: float, depth: float) -> None:
    whole = litres("cylinder", 0.0, diameter, depth=depth)
    assert litres("ring", 0.0, diameter, 0.0, depth) == pytest.approx(whole)
    assert litres("ring", 0.0, diameter, diameter, depth) == pytest.approx(0, abs=1e-9)
