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


# -- stoichiometry ---------------------------------------------------------------------------------


def test_oxygen_c1() -> None:
    """4.57 g O2 per g N (USEPA 1975 as quoted by Zhu & Chen 2001); the steps computed with molmass 2026.1."""
    o2_per_n = float(Formula("O2").mass) / float(Formula("N").mass)
    assert c.oxygen_per_nitrogen(FIGURES) == pytest.approx(4.57, rel=1e-3)
    assert c.oxygen_per_nitrogen(FIGURES) == pytest.approx(2 * o2_per_n, rel=1e-4)
    first = c.oxygen_per_nitrogen(FIGURES, to_nitrite=True)
    assert (first, c.oxygen_per_nitrogen(FIGURES) - first) == pytest.approx((3.4268, 1.1423), rel=1e-3)


def test_alkalinity_c3_c4() -> None:
    """7.1456 mg CaCO3 per mg N, computed with molmass (7.14 in texts); 7.05–7.07 where bacteria grow (USEPA 1993;
    Ebeling et al. 2006, Aquaculture 257:346–358; both from memory); attached growth 6.3–7.4 (USEPA 1975, as quoted)."""
    used = c.alkalinity_used_nitrifying(FIGURES)
    assert used == pytest.approx(7.1456, rel=1e-4)
    assert used == pytest.approx(2 * float(Formula("CaCO3").mass) / 2 / float(Formula("N").mass), rel=1e-4)
    assert used == pytest.approx(7.06, rel=0.0125)
    assert 6.3 <= used <= 7.4


def test_alkalinity_returned_c5() -> None:
    """3.57 mg CaCO3 per mg N denitrified (from memory, sure), half of what nitrifying uses; computed with molmass."""
    assert c.alkalinity_returned_removing(FIGURES) == pytest.approx(3.5728, rel=1e-3)
    assert 2 * c.alkalinity_returned_removing(FIGURES) == pytest.approx(c.alkalinity_used_nitrifying(FIGURES))


def test_alkalinity_in_kit_units_c6() -> None:
    """Computed with molmass 2026.1: 0.4004 and 0.2002 °dH per mg/L N; 0.904 and 0.452 per 10 mg/L NO3; 0 to gas."""
    as_ammonium, from_food = c.alkalinity_used_nitrifying(FIGURES), c.alkalinity_used_from_food(FIGURES)
    assert c.kh_per_nitrogen([as_ammonium, from_food], FIGURES) == pytest.approx([0.4004, 0.2002], rel=3e-4)
    assert 10 * c.kh_per_nitrate([as_ammonium, from_food], FIGURES) == pytest.approx([0.904, 0.452], rel=2e-3)
    assert c.alkalinity_used_from_food(FIGURES, removed=True) == 0


def test_alkalinity_by_process_c8() -> None:
    """Middelburg, Soetaert & Hagens 2020, Reviews of Geophysics 58, e2019RG000681, Table 2, phosphorus left out, per
    mole N: organic to ammonia +1, nitrified −2, denitrified or taken up as nitrate +1."""
    per_equivalent = float(Formula("CaCO3").mass) / 2 / float(Formula("N").mass)
    released, nitrified, removed = 1, -2, 1
    assert c.alkalinity_used_nitrifying(FIGURES) / per_equivalent == pytest.approx(-nitrified, rel=1e-4)
    assert c.alkalinity_returned_removing(FIGURES) / per_equivalent == pytest.approx(removed, rel=1e-4)
    assert c.alkalinity_used_from_food(FIGURES) / per_equivalent == pytest.approx(-(released + nitrified), rel=1e-4)
    assert c.alkalinity_used_from_food(FIGURES, removed=True) == -(released + nitrified + removed)


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


# -- criteria for wild species ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ph", "t", "acute", "chronic"),
    [
        (7.0, 20, 16.760, 1.887), (7.0, 25, 11.073, 1.367), (7.5, 25, 6.102, 1.009), (8.0, 20, 3.904, 0.777),
        (8.0, 25, 2.580, 0.563), (8.5, 25, 0.983, 0.252), (6.5, 10, 32.608, 4.056),
    ],
)  # fmt: skip
def test_epa_2013_f1_to_f7(ph: float, t: float, acute: float, chronic: float) -> None:
    """EPA-822-R-13-001 (2013), formulas as read in state agencies' scripts; it prints 17 and 1.9 at pH 7, 20 °C."""
    assert float(c.epa_2013_acute(ph, t, FIGURES)) == pytest.approx(acute, abs=1e-3)
    assert float(c.epa_2013_chronic(ph, t, FIGURES)) == pytest.approx(chronic, abs=1e-3)


def test_epa_2013_calibration_and_edges() -> None:
    """EPA-822-R-13-001 (2013): 17 and 1.9 mg/L N as printed; F6: no fall below 7 °C; F7: 50.928 without salmonids."""
    assert round(float(c.epa_2013_acute(7.0, 20, FIGURES))) == 17
    assert round(float(c.epa_2013_chronic(7.0, 20, FIGURES)), 1) == 1.9
    assert c.epa_2013_chronic(7.0, [0.0, 7.0], FIGURES) == pytest.approx([4.363, 4.363], abs=1e-3)
    assert float(c.epa_2013_acute(6.5, 10, FIGURES, salmonids=False)) == pytest.approx(50.928, abs=1e-3)


@pytest.mark.parametrize("salmonids", [True, False])
def test_epa_2013_written_a_second_time(salmonids: bool) -> None:
    """EPA-822-R-13-001 (2013), formulas as read in state agencies' scripts, typed again with their numbers."""
    for ph, t in ((6.0, 3.0), (7.2, 12.0), (8.4, 10.0), (9.0, 4.0), (9.0, 28.0)):
        general = 0.7249 * (0.0114 / (1 + 10 ** (7.204 - ph)) + 1.6181 / (1 + 10 ** (ph - 7.204)))
        invertebrates = 23.12 * 10 ** (0.036 * (20 - t))
        trout = 0.275 / (1 + 10 ** (7.204 - ph)) + 39.0 / (1 + 10 ** (ph - 7.204))
        acute = min(trout, general * invertebrates) if salmonids else general * min(51.93, invertebrates)
        shape = 0.0278 / (1 + 10 ** (7.688 - ph)) + 1.1994 / (1 + 10 ** (ph - 7.688))
        chronic = 0.8876 * shape * 2.126 * 10 ** (0.028 * (20 - max(t, 7)))
        assert float(c.epa_2013_acute(ph, t, FIGURES, salmonids=salmonids)) == pytest.approx(acute, rel=1e-9)
        assert float(c.epa_2013_chronic(ph, t, FIGURES)) == pytest.approx(chronic, rel=1e-9)
