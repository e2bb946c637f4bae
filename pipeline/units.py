"""One table of units: what one of each is in the canonical unit of its parameter. No factor stands elsewhere.

Canonical: nitrate as NO3, nitrite as NO2, ammonia as total NH4 [mg/L], KH and GH [°dH], litres, °C, kg.
"""

from functools import lru_cache

from pipeline.assumptions import Assumptions, built_in
from schemas.parameters import RECORDS


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


@lru_cache(maxsize=1)
def basis_factors() -> dict[str, dict[str, float]]:
    """parameter -> reporting basis (folded: no case, spaces or punctuation) -> factor to the canonical unit."""
    assumed = built_in()
    m, caco3, meq = molar_masses(assumed), caco3_per_dh(assumed), caco3_per_meq(assumed)
    clark, french = assumed["clark_degree_caco3"] / caco3, assumed["french_degree_caco3"] / caco3
    degrees = {
        **dict.fromkeys(("dkh", "dgh", "dh", "°dh"), 1.0),
        **dict.fromkeys(("mg/lcaco3", "caco3", "ppmcaco3"), 1 / caco3),
        **dict.fromkeys(("clark", "english", "°e"), clark),
        **dict.fromkeys(("french", "°f", "°fh"), french),
        "meq/l": meq / caco3,
    }
    # A mole of KH is of bicarbonate, one equivalent; a mole of GH of calcium or magnesium, two.
    hardness = {"kh": {**degrees, "mmol/l": meq / caco3}, "gh": {**degrees, "mmol/l": 2 * meq / caco3}}
    return hardness | {
        record.name: {basis: m[record.counted] / m[what] if what else 1.0 for basis, what in record.bases.items()}
        for record in RECORDS
        if not record.is_hardness
    }


def fold_basis(text: str) -> str:
    """A basis or unit as looked up: `mg/L NO3-N`, `ppm no3-n` and `NO3-N` are one; hardness keeps mg/L CaCO3."""
    folded = text.casefold().replace(" ", "").replace("₃", "3").replace("₂", "2").replace("₄", "4")
    folded = folded.replace("–", "-").replace("ppm", "mg/l").replace("⁻", "").replace("⁺", "")
    rest = folded.removeprefix("mg/l").removeprefix("as")
    if rest == "caco3":
        return "mg/lcaco3"
    return rest if folded.startswith("mg/l") else folded


def factor(parameter: str, basis: str) -> float | None:
    """Canonical units in one of `basis` (blank: the canonical unit) for a parameter; None where it is not known for it."""
    if not basis.strip():
        return 1.0
    return basis_factors()[parameter].get(fold_basis(basis))


def fahrenheit_to_celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


def gallon_l(kind: str, assumed: Assumptions) -> float:
    """Litres in one gallon, `imperial` or `US`."""
    return assumed["imperial_gallon_l"] if kind == "imperial" else assumed["us_gallon_l"]
