"""Words and quantities as advice says them."""

from __future__ import annotations

from pipeline.telling import number, with_unit

STOCKED = {"light": "lightly stocked", "normal": "normally stocked", "heavy": "heavily stocked",
           "messy": "stocked with goldfish or other large messy fish"}  # fmt: skip


def _said(value: float | None, unit: str) -> str:
    """A quantity; what is not known has no unit."""
    return number(value) if value is None else with_unit(number(value), unit)


def litres(value: float | None) -> str:
    return _said(value, "L")


def kilograms(value: float | None) -> str:
    return _said(value, "kg")


def flow(value: float | None) -> str:
    return _said(value, "L/h")


def money(value: float | None, currency: str = "") -> str:
    """A price as in the price list: free, a sum, or not known."""
    if value is None:
        return "cost not known"
    return "free" if value == 0 else f"{currency}{value:.2f}".removesuffix(".00")
