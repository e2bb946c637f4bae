"""One table of units: what one of each is in the canonical unit of its parameter. No factor stands elsewhere.

Canonical: nitrate as NO3, nitrite as NO2, ammonia as total NH4 [mg/L], KH and GH [°dH], litres, °C, kg.
"""

from __future__ import annotations

import math
from functools import lru_cache

import polars as pl

from pipeline.assumptions import Assumptions, built_in

MM3_PER_L = 1e6


def molar_masses(assumed: Assumptions) -> dict[str, float]:
    """Molar masses [g/mol] of what kits report, from the abridged atomic weights."""
    n, o, h, c, ca, p = (assumed[f"mass_{x}"] for x in ("n", "o", "h", "c", "ca", "p"))
    return {
        "N": n,
        "NO3": n + 3 * o,
        "NO2": n + 2 * o,
        "NH4": n + 4 * h,
        "NH3": n + 3 * h,
        "P": p,
        "PO4": p + 4 * o,
        "CaO": ca + o,
        "CaCO3": ca + c + 3 * o,
    }


def caco3_per_dh(assumed: Assumptions) -> float:
    """mg/L CaCO3 in one German degree (10 mg/L CaO by definition)."""
    m = molar_masses(assumed)
    return assumed["german_degree_cao"] * m["CaCO3"] / m["CaO"]


def caco3_per_meq(assumed: Assumptions) -> float:
    """mg/L CaCO3 in one milliequivalent per litre of alkalinity."""
    return molar_masses(assumed)["CaCO3"] / 2


def basis_factors(assumed: Assumptions) -> dict[str, dict[str, float]]:
    """parameter -> reporting basis (folded: no case, spaces or punctuation) -> factor to the canonical unit."""
    m = molar_masses(assumed)
    caco3 = caco3_per_dh(assumed)
    hardness = {
        "dkh": 1.0,
        "dgh": 1.0,
        "dh": 1.0,
        "°dh": 1.0,
        "mg/lcaco3": 1 / caco3,
        "caco3": 1 / caco3,
        "ppmcaco3": 1 / caco3,
        "mmol/l": 2 * caco3_per_meq(assumed) / caco3,  # as CaCO3: two equivalents a mole
        "meq/l": caco3_per_meq(assumed) / caco3,
        "clark": assumed["clark_degree_caco3"] / caco3,
        "english": assumed["clark_degree_caco3"] / caco3,
        "°e": assumed["clark_degree_caco3"] / caco3,
        "french": assumed["french_degree_caco3"] / caco3,
        "°f": assumed["french_degree_caco3"] / caco3,
        "°fh": assumed["french_degree_caco3"] / caco3,
    }
    return {
        "nitrate": {"no3": 1.0, "no3-n": m["NO3"] / m["N"], "n": m["NO3"] / m["N"]},
        "nitrite": {"no2": 1.0, "no2-n": m["NO2"] / m["N"], "n": m["NO2"] / m["N"]},
        "ammonia": {
            "nh4": 1.0,
            "nh3": m["NH4"] / m["NH3"],
            "nh4-n": m["NH4"] / m["N"],
            "nh3-n": m["NH4"] / m["N"],
            "tan": m["NH4"] / m["N"],
            "n": m["NH4"] / m["N"],
        },
        "kh": hardness,
        "gh": hardness,
        "phosphate": {"po4": 1.0, "po4-p": m["PO4"] / m["P"], "p": m["PO4"] / m["P"]},
        "oxygen": {"o2": 1.0},
        "ph": {"": 1.0, "ph": 1.0},
        "temperature": {"c": 1.0, "°c": 1.0},  # °F is no factor: see fahrenheit_to_celsius
        "flow_l_h": {"l/h": 1.0},
    }


def fold_basis(text: str) -> str:
    """A basis or unit as looked up: `mg/L NO3-N`, `ppm no3-n` and `NO3-N` are one; hardness keeps mg/L CaCO3."""
    folded = text.casefold().replace(" ", "").replace("₃", "3").replace("₂", "2").replace("₄", "4")
    folded = folded.replace("–", "-").replace("ppm", "mg/l").replace("⁻", "").replace("⁺", "")
    rest = folded.removeprefix("mg/l").removeprefix("as")
    if rest == "caco3":
        return "mg/lcaco3"
    return rest if folded.startswith("mg/l") else folded


@lru_cache(maxsize=1)
def _built_in_factors() -> dict[str, dict[str, float]]:
    return basis_factors(built_in())


def factor(parameter: str, basis: str) -> float | None:
    """Canonical units in one of `basis` for a parameter; None where the basis is not known for it.

    A blank basis is the canonical unit.
    """
    if not basis.strip():
        return 1.0
    return _built_in_factors()[parameter].get(fold_basis(basis))


def fahrenheit_to_celsius(fahrenheit: float) -> float:
    """°F to °C."""
    return (fahrenheit - 32.0) / 1.8


def gallon_l(kind: str, assumed: Assumptions) -> float:
    """Litres in one gallon, `imperial` or `US`."""
    return assumed["imperial_gallon_l"] if kind == "imperial" else assumed["us_gallon_l"]


def volume_l() -> pl.Expr:
    """Volume of a compartment by its dimensions [L], from the columns of compartments; null where one is missing."""
    area = (
        pl.when(pl.col("shape") == "box")
        .then(pl.col("length_mm") * pl.col("width_mm"))
        .when(pl.col("shape") == "cylinder")
        .then(pl.col("width_mm") ** 2 * (math.pi / 4))
        .when(pl.col("shape") == "ring")
        .then((pl.col("width_mm") ** 2 - pl.col("inner_mm") ** 2) * (math.pi / 4))
    )
    return area * pl.col("depth_mm") / MM3_PER_L
