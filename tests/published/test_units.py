"""Units against the outside, rows B1–B11. Each assumption names its source beside it.

Base: IUPAC abridged atomic weights. The second opinions are the packages molmass (molar masses) and pint
(gallons, pounds, degrees); neither is used by the pipeline.
"""

from __future__ import annotations

import pytest
from molmass import Formula

from pipeline import units
from pipeline.assumptions import built_in

FIGURES = built_in()


def mass(formula: str) -> float:
    return float(Formula(formula).mass)


@pytest.mark.parametrize(
    ("parameter", "basis", "ratio", "outside"),
    [
        # computed with periodictable 2.1 (the printed ratio) and molmass 2026.1 (the function beside it)
        ("nitrate", "NO3-N", 4.426644, lambda: mass("NO3") / mass("N")),
        ("nitrite", "NO2-N", 3.284429, lambda: mass("NO2") / mass("N")),
        ("ammonia", "NH4-N", 1.287856, lambda: mass("NH4") / mass("N")),
        ("ammonia", "TAN", 1.287856, lambda: mass("NH4") / mass("N")),
        ("ammonia", "NH3", 1.0592, lambda: mass("NH4") / mass("NH3")),
        # phosphate as phosphorus, molmass
        ("phosphate", "PO4-P", 3.0662, lambda: mass("PO4") / mass("P")),
    ],
)
def test_nitrogen_and_phosphorus_bases_b1_b2_b3(parameter: str, basis: str, ratio: float, outside) -> None:  # type: ignore[no-untyped-def]
    """Ratios of molar masses, from the IUPAC abridged atomic weights."""
    assert units.factor(parameter, basis) == pytest.approx(ratio, rel=1e-4)
    assert units.factor(parameter, basis) == pytest.approx(outside(), rel=1e-4)


def test_free_ammonia_is_counted_as_nh3_b3() -> None:
    """NH3 over N, 1.215892 (molmass, computed)."""
    m = units.molar_masses(FIGURES)
    assert m["NH3"] / m["N"] == pytest.approx(1.215892, rel=1e-4)


def test_health_canada_equivalences_b4() -> None:
    """Health Canada, Guideline Technical Document Nitrate and Nitrite, 2013: 45 mg/L nitrate is 10 mg/L as N,
    3 mg/L nitrite is 1 mg/L as N, both rounded."""
    assert 10 * units.factor("nitrate", "NO3-N") == pytest.approx(45, rel=0.017)  # type: ignore[operator]
    assert 1 * units.factor("nitrite", "NO2-N") == pytest.approx(3, rel=0.095)  # type: ignore[operator]


def test_one_german_degree_b5() -> None:
    """10 mg/L CaO by definition: 17.8480 mg/L CaCO3, 0.17832 mmol/L, 0.35665 meq/L (molmass, computed)."""
    assert units.caco3_per_dh(FIGURES) == pytest.approx(17.8480, rel=1e-4)
    assert units.caco3_per_dh(FIGURES) == pytest.approx(10 * mass("CaCO3") / mass("CaO"), rel=1e-4)
    assert units.factor("gh", "mmol/L") == pytest.approx(5.6077, rel=1e-4)
    assert 1 / units.factor("gh", "mmol/L") == pytest.approx(0.17832, rel=1e-4)  # type: ignore[operator]
    assert 1 / units.factor("kh", "meq/L") == pytest.approx(0.35665, rel=1e-4)  # type: ignore[operator]


@pytest.mark.parametrize(
    ("basis", "caco3"),
    # definitions (from memory): French 10, Clark one grain in an imperial gallon, 14.2538 mg/L CaCO3
    [
        ("french", 10.0),
        ("°fH", 10.0),
        ("English", 14.2538),
        ("Clark", 14.2538),
        ("mg/L CaCO3", 1.0),
        ("ppm CaCO3", 1.0),
    ],
)
def test_other_degrees_of_hardness_b5(basis: str, caco3: float) -> None:
    """The definitions of the French and the English degree (from memory), over the German one (molmass)."""
    assert units.factor("kh", basis) == pytest.approx(caco3 / 17.8480, rel=1e-4)


def test_the_clark_degree_is_a_grain_in_an_imperial_gallon_b5() -> None:
    """Computed with pint 0.25; a grain in a US gallon is then 17.1181 mg/L CaCO3 (computed with molmass and pint)."""
    import pint

    reg = pint.UnitRegistry()
    grain_per_gallon = (1 * reg.grain / reg.imperial_gallon).to(reg.milligram / reg.liter).magnitude
    assert FIGURES["clark_degree_caco3"] == pytest.approx(grain_per_gallon, rel=1e-5)
    in_us_gallon = FIGURES["clark_degree_caco3"] * units.gallon_l("imperial", FIGURES) / units.gallon_l("US", FIGURES)
    assert in_us_gallon == pytest.approx(17.1181, rel=1e-4)


def test_a_milliequivalent_of_alkalinity_b6() -> None:
    """50.0435 mg/L CaCO3 (molmass, computed)."""
    assert units.caco3_per_meq(FIGURES) == pytest.approx(50.0435, rel=1e-4)


# The river Rhône, mg/L calcium, magnesium and hardness as CaCO3 as measured (Carrel et al. 1986, Acta Oecologica
# 7:189–203; data set rhone of the R package ade4): the ends, the worst and some between of its 39 samples.
RHONE = [
    (62.9, 7.1, 186), (58.9, 4.9, 167), (57.3, 5.3, 165), (44.1, 2.9, 122), (37.3, 5.6, 116), (46.9, 5.4, 139),
    (56.1, 5.3, 162), (66.5, 8.8, 202), (75.8, 9.2, 227),
]  # fmt: skip


def test_a_mole_of_hardness_is_one_of_calcium_or_magnesium_b7() -> None:
    """2.4973 Ca + 4.1179 Mg (computed with molmass) is within 0.5 mg/L of hardness titrated in real water."""
    mmol_l = units.factor("gh", "mmol/L")
    assert mmol_l is not None
    per_mmol = mmol_l * units.caco3_per_dh(FIGURES)
    per_ca, per_mg = per_mmol / FIGURES["mass_ca"], per_mmol / mass("Mg")
    assert (per_ca, per_mg) == pytest.approx((2.4973, 4.1179), rel=1e-4)
    for ca, mg, hardness in RHONE:
        assert per_ca * ca + per_mg * mg == pytest.approx(hardness, abs=0.5)


def test_gallons_b8() -> None:
    """US 231 cubic inches, 3.785411784 L; imperial 4.54609 L, both exact (from memory, pint agrees)."""
    import pint

    reg = pint.UnitRegistry()
    assert units.gallon_l("US", FIGURES) == pytest.approx((1 * reg.gallon).to(reg.liter).magnitude, rel=1e-12)
    assert units.gallon_l("imperial", FIGURES) == pytest.approx(
        (1 * reg.imperial_gallon).to(reg.liter).magnitude, rel=1e-12
    )
    assert (units.gallon_l("US", FIGURES), units.gallon_l("imperial", FIGURES)) == (3.785411784, 4.54609)


def test_pound_ounce_inch_b9() -> None:
    """453.59237 g and 28.349523125 g, exact; the inch 25.4 mm, so 16.387064 mL and 28.316846592 L when cubed (pint)."""
    import pint

    reg = pint.UnitRegistry()
    assert FIGURES["pound_g"] == pytest.approx((1 * reg.pound).to(reg.gram).magnitude, rel=1e-12)
    assert FIGURES["ounce_g"] == pytest.approx((1 * reg.ounce).to(reg.gram).magnitude, rel=1e-12)
    assert FIGURES["inch_mm"] == pytest.approx((1 * reg.inch).to(reg.millimeter).magnitude, rel=1e-12)
    assert (FIGURES["pound_g"], FIGURES["ounce_g"]) == (453.59237, 28.349523125)
    cubic_inch_ml = (FIGURES["inch_mm"] / 10) ** 3
    assert cubic_inch_ml == pytest.approx(16.387064, rel=1e-9)
    assert 12**3 * cubic_inch_ml / 1000 == pytest.approx(28.316846592, rel=1e-9)
    assert 231 * cubic_inch_ml / 1000 == pytest.approx(units.gallon_l("US", FIGURES), rel=1e-12)


@pytest.mark.parametrize(("f", "c"), [(68, 20), (77, 25), (78, 25.5556), (82, 27.7778), (-40, -40)])
def test_fahrenheit_b10(f: float, c: float) -> None:
    """The definition of the degree Fahrenheit; computed with pint 0.25."""
    import pint

    reg = pint.UnitRegistry()
    assert units.fahrenheit_to_celsius(f) == pytest.approx(c, abs=5e-5)
    assert units.fahrenheit_to_celsius(f) == pytest.approx(reg.Quantity(f, reg.degF).to(reg.degC).magnitude, abs=1e-9)


def test_label_traps_b11() -> None:
    """50 mg/L NO3 is 11.295 as N, 20 is 4.518; 10 mg/L NO3-N is 44.27 NO3; 1 mg/L NH4 is 0.7765 N, 0.9441 NH3
    (computed with molmass 2026.1)."""
    per_n = units.factor("nitrate", "mg/L NO3-N")
    assert per_n is not None
    assert 50 / per_n == pytest.approx(11.295, rel=1e-3)
    assert 20 / per_n == pytest.approx(4.518, rel=1e-3)
    assert 10 * per_n == pytest.approx(44.27, rel=1e-3)
    assert 1 / units.factor("ammonia", "N") == pytest.approx(0.7765, rel=1e-3)  # type: ignore[operator]
    assert 1 / units.factor("ammonia", "NH3") == pytest.approx(0.9441, rel=1e-3)  # type: ignore[operator]


@pytest.mark.parametrize("text", ["mg/L NO3-N", "ppm no3-n", "NO3–N", "mg/l as NO₃-N", " no3 -n "])
def test_one_basis_however_it_is_typed(text: str) -> None:
    assert units.factor("nitrate", text) == units.factor("nitrate", "NO3-N")


@pytest.mark.parametrize(("parameter", "text"), [("nitrate", "dKH"), ("kh", "NO3"), ("nitrate", "XX"), ("ph", "dKH")])
def test_a_basis_that_is_not_known_has_no_factor(parameter: str, text: str) -> None:
    assert units.factor(parameter, text) is None
