"""Chemistry against the outside: rows A1–A9, C1–C8, D1–D6 and F1–F7, each with its source beside it."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from molmass import Formula

from pipeline.assumptions import built_in
from pipeline.calc import chemistry as c
from pipeline.calc.witness import kh_per_nitrate
from pipeline.units import caco3_per_dh

if TYPE_CHECKING:
    from collections.abc import Iterator

    from phreeqpython import PhreeqPython, Solution

FIGURES = built_in()


def share(ph: float, temperature: float) -> float:
    return float(c.unionised_ammonia_fraction(ph, temperature, FIGURES))


# -- free ammonia ----------------------------------------------------------------------------------


def test_pka_a1() -> None:
    """Arithmetic of Emerson et al. 1975, J. Fish. Res. Board Can. 32:2379–2383 (second constant from memory, sure)."""
    expected = [10.0844, 9.9047, 9.7314, 9.5641, 9.4025, 9.2464, 9.0954]
    assert c.ammonium_pka(np.arange(0, 31, 5), FIGURES) == pytest.approx(expected, abs=5e-5)


def test_table_at_ph_7_a2() -> None:
    """Francis-Floyd & Watson, Univ. of Florida IFAS FA16 (1990/1996), table from Emerson 1975 (seen in a reprint)."""
    printed = [13, 16, 18, 22, 25, 29, 34, 39, 46, 52, 60, 69, 80, 93]
    got = c.unionised_ammonia_fraction(7.0, np.arange(6, 33, 2), FIGURES)
    assert got == pytest.approx(np.array(printed) * 1e-4, abs=2e-4)
    assert np.sum(np.round(got * 1e4) == np.array(printed)) >= 11  # three differ in the last printed digit


def test_worked_example_a3() -> None:
    """IFAS FA16: pH 8.0, 24 °C, 1.0 mg/L of ammonia nitrogen gives 0.0502."""
    assert share(8.0, 24.0) == pytest.approx(0.0502, abs=1e-4)


@pytest.mark.parametrize(("temperature", "clegg"), [(10, 0.0183), (25, 0.0539)])
def test_second_model_a4(temperature: float, clegg: float) -> None:
    """Context: Clegg & Whitfield 1995 at salinity 0, as printed in the ammFrac example of R package wq, is another
    model; Emerson is a little under it, by at most 0.5 %."""
    assert 0.994 * clegg < share(8.0, temperature) < clegg


def test_pyco2sys_a5() -> None:
    """Computed with PyCO2SYS 1.8.3.4, salinity 0: Emerson is 0.22–0.44 % lower over 5–30 °C, pH 6.5–9, 36 points."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its own, about its dependencies
        import PyCO2SYS

        ph, t = (grid.ravel() for grid in np.meshgrid(np.arange(6.5, 9.01, 0.5), np.arange(5, 31, 5)))
        other = PyCO2SYS.sys(
            par1=2000, par1_type=1, par2=ph, par2_type=3, salinity=0, temperature=t, total_ammonia=1, opt_pH_scale=3
        )["alkalinity_ammonia"]
    assert len(other) == 36
    at_ph_8 = [float(other[(ph == 8) & (t == x)][0]) for x in (5, 15, 20, 25, 30)]
    assert at_ph_8 == pytest.approx([0.012353, 0.026667, 0.038224, 0.053870, 0.074595], abs=1e-6)
    lower = 1 - c.unionised_ammonia_fraction(ph, t, FIGURES) / other
    assert lower.min() > 0.0021
    assert lower.max() < 0.0045


@pytest.fixture(scope="module", params=["phreeqc.dat", "vitens.dat"])
def phreeqc(request: pytest.FixtureRequest) -> Iterator[PhreeqPython]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from phreeqpython import PhreeqPython

        yield PhreeqPython(database=request.param)


def share_in(water: Solution) -> float:
    free, bound = float(water.species["NH3"]), float(water.species["NH4+"])
    water.forget()
    return free / (free + bound)


@pytest.mark.parametrize("temperature", [5, 15, 20, 25, 30])
def test_phreeqc_a6(phreeqc: PhreeqPython, temperature: float) -> None:
    """Computed with phreeqpython 1.6.2, both databases, 0.01 mmol/kg: Emerson is 0.00–0.25 % lower, pH 6.5–8.5."""
    printed = {5.0: 0.012300, 20: 0.038162, 25: 0.053778, 30: 0.074430}
    for ph in (6.5, 7.0, 7.5, 8.0, 8.5):
        dilute = {"pH": ph, "temp": temperature, "units": "mmol/kgw", "N(-3)": 0.01}
        other = share_in(phreeqc.add_solution(dilute))
        if ph == 8 and temperature in printed:
            assert other == pytest.approx(printed[temperature], abs=1e-6)
        assert 0.0 < 1 - share(ph, temperature) / other < 0.0026


@pytest.mark.parametrize(("ph", "temperature"), [(7.0, 15), (7.0, 28), (7.5, 25), (8.0, 15), (8.0, 28)])
def test_hard_tap_water_a8(phreeqc: PhreeqPython, ph: float, temperature: float) -> None:
    """Computed with phreeqpython 1.6.2, calcium 2, alkalinity 3, chloride 1 mmol/L: Emerson errs high by under 10 %."""
    water = {"pH": ph, "temp": temperature, "units": "mmol/kgw", "Ca": 2, "Alkalinity": 3, "Cl": 1, "N(-3)": 0.001}
    other = share_in(phreeqc.add_solution(water))
    assert 0.07 < 1 - other / share(ph, temperature) < 0.08


def test_an_error_of_the_ph_outweighs_all_that_a8() -> None:
    """Computed from the formula: a tenth of pH moves the share by about −20 to +26 %."""
    assert share(6.9, 25) / share(7.0, 25) == pytest.approx(0.80, abs=0.01)
    assert share(7.1, 25) / share(7.0, 25) == pytest.approx(1.26, abs=0.01)


@pytest.mark.parametrize(
    ("ph", "temperature", "expected"),
    [
        (6.5, 15, 0.000862), (6.5, 20, 0.001250), (6.5, 25, 0.001790), (7, 15, 0.002721), (7, 20, 0.003942),
        (7, 25, 0.005639), (7.5, 20, 0.012361), (7.5, 25, 0.017616), (8, 20, 0.038071), (8, 25, 0.053662),
        (8.5, 20, 0.111235), (8.5, 25, 0.152052), (9, 20, 0.283555), (9, 25, 0.361859),
    ],
)  # fmt: skip
def test_grid_a9(ph: float, temperature: float, expected: float) -> None:
    """Arithmetic of the formula of Emerson et al. 1975, computed apart."""
    assert share(ph, temperature) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(("ph", "t", "per_cent"), [(7.0, 24, 0.5), (8.0, 25, 5.4), (8.2, 26, 8.8)])
def test_shares_the_trade_quotes(ph: float, t: float, per_cent: float) -> None:
    """pH 7.0/24 °C 0.5 %, 8.0/25 5.4 %, 8.2/26 8.8 % (from memory, rounded)."""
    assert 100 * share(ph, t) == pytest.approx(per_cent, abs=0.05)


def test_free_ammonia_goes_through_nitrogen() -> None:
    """1 mg/L NH4 is 0.9441 mg/L NH3 if all were free (row B11, molmass); the share scales it."""
    everything_free = float(Formula("NH3").mass) / float(Formula("NH4").mass)
    got = float(c.free_ammonia_mg_l(1.0, 8.0, 25.0, FIGURES))
    assert got == pytest.approx(0.053662 * everything_free, rel=1e-4)


def test_range_of_validity() -> None:
    """Emerson et al. 1975, stated for 0–50 °C: both ends are given, beyond them nothing is."""
    assert np.isfinite(c.unionised_ammonia_fraction(7.0, [0.0, 50.0], FIGURES)).all()
    assert np.isnan(c.unionised_ammonia_fraction(7.0, [-0.1, 50.1, np.nan], FIGURES)).all()


@given(st.floats(4, 10), st.floats(0, 49), st.floats(0.01, 1.0))
def test_share_rises_with_ph_and_temperature(ph: float, temperature: float, step: float) -> None:
    here = share(ph, temperature)
    assert 0 < here < 1
    assert share(ph + step, temperature) > here
    assert share(ph, temperature + step) > here


# -- alkalinity ------------------------------------------------------------------------------------


def test_alkalinity_that_the_nitrate_of_food_costs_c6_c8() -> None:
    """One equivalent a mole (organic N to ammonia +1, nitrified −2: Middelburg, Soetaert & Hagens 2020, Reviews of
    Geophysics 58, e2019RG000681, Table 2): 0.452 °dH per 10 mg/L NO3, 3.5728 mg CaCO3 per mg N, computed with molmass."""
    assert 10 * kh_per_nitrate(FIGURES) == pytest.approx(0.452, rel=2e-3)
    per_n = kh_per_nitrate(FIGURES) * caco3_per_dh(FIGURES) * float(Formula("NO3").mass) / float(Formula("N").mass)
    assert per_n == pytest.approx(3.5728, rel=1e-3)
    assert per_n == pytest.approx(float(Formula("CaCO3").mass) / 2 / float(Formula("N").mass), rel=1e-4)


# -- food ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("feed", "protein", "tan"), [(100, 35, 3.22), (50, 42, 1.932), (1, 45, 0.0414)])
def test_ammonia_from_feed_d1(feed: float, protein: float, tan: float) -> None:
    """Timmons & Ebeling, Recirculating Aquaculture, mass balance, P_TAN = F · PC · 0.092 (form from memory, sure)."""
    assert float(c.ammonia_from_feed(feed, protein, FIGURES)) == pytest.approx(tan, abs=1e-9)


def test_where_0092_comes_from_d2() -> None:
    """16 % N, 80 % assimilated, 80 % excreted, 90 % as ammonia (from memory, fairly sure)."""
    assert FIGURES["tan_per_protein"] == pytest.approx(0.16 * 0.8 * 0.8 * 0.9, rel=2e-3)


def test_thirty_grams_a_kilogram_d3() -> None:
    """Rule of thumb, 30 g of ammonia nitrogen per kg of food (from memory): 27.6 at 30 %, 32.2 at 35 %."""
    assert 1000 * c.ammonia_from_feed(1, [30, 35], FIGURES) == pytest.approx([27.6, 32.2], abs=1e-9)
    assert 1000 * c.ammonia_from_feed(1, [30, 35], FIGURES) == pytest.approx([30, 30], rel=0.1)


def test_our_range_of_the_share_lies_in_the_published_one_d4() -> None:
    """Summerfelt & Penne 2007, Int. J. Recirc. Aquac. 8:43–64 (abstract): 56–88 % of feed nitrogen lost."""
    assumption = FIGURES.assumption("feed_n_share")
    assert 0.56 <= assumption.value <= 0.88
    assert assumption.low is not None
    assert assumption.low >= 0.56


@pytest.mark.parametrize(
    ("feed", "protein", "net", "rise"), [(1.0, 45, 100, 1.8326), (2.0, 40, 200, 1.6290), (5.0, 35, 500, 1.4254)]
)
def test_nitrate_all_nitrified_d6(feed: float, protein: float, net: float, rise: float) -> None:
    """Computed from the line above (Timmons & Ebeling) and molar masses of molmass 2026.1, all nitrified, no loss."""
    assert float(c.nitrate_from_feed_published(feed, protein, net, FIGURES)) == pytest.approx(rise, rel=1e-4)


def test_a_gram_of_food_makes() -> None:
    """Arithmetic: 1 g at 45 %: 72 mg N, 319 mg NO3 if all became nitrate; 223 (191–287) with the house share."""
    assert float(c.nitrate_per_g_food(45, 1.0, FIGURES)) == pytest.approx(319, abs=0.5)
    made = c.nitrate_from_feed(1.0, np.nan, 1.0, FIGURES)
    assert (made.rise, made.low, made.high) == pytest.approx((223, 191, 287), abs=0.5)


def test_the_rule_implies_a_removal() -> None:
    """Arithmetic: 0.5 g a day per 100 L makes 1.1 mg/L a day, 7.8 a week (6.7–10.0), 112 mg a day a kilogram."""
    made = c.nitrate_from_feed(0.5, 45, 100, FIGURES)
    assert float(made.rise) == pytest.approx(1.1, abs=0.05)
    assert (7 * made.rise, 7 * made.low, 7 * made.high) == pytest.approx((7.8, 6.7, 10.0), abs=0.05)
    assert 100 * float(made.rise) == pytest.approx(112, abs=0.5)


def test_food_in_no_water_is_not_known() -> None:
    made = c.nitrate_from_feed([1.0, 1.0], 45, [0.0, np.nan], FIGURES)
    assert np.isnan([made.rise, made.low, made.high]).all()
    assert np.isnan(c.nitrate_from_feed_published(1.0, 45, 0.0, FIGURES))


def test_an_overridden_share_stays_inside_its_range() -> None:
    made = c.nitrate_from_feed(1.0, 45, 100, FIGURES.with_values(feed_n_share=0.95))
    assert made.low <= made.rise <= made.high
