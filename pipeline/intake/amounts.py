"""Plain quantities of the standing records and of water changes: numbers in a unit, shares, counts, ladders."""

import itertools
import re
from dataclasses import replace

from pipeline.assumptions import Assumptions
from pipeline.intake.grammar import BLANK, BLANKS, Cell, held, read_quantity, slip_of
from pipeline.units import fahrenheit_to_celsius, gallon_l


def unit_factors(assumed: Assumptions) -> dict[str, dict[str, float]]:
    """Unit of a column -> unit as typed (no case, no spaces) -> factor."""
    imperial, us = assumed["imperial_gallon_l"], assumed["us_gallon_l"]
    inch, pound, ounce = assumed["inch_mm"], assumed["pound_g"] / 1000, assumed["ounce_g"] / 1000
    litres = {"l": 1.0, "litre": 1.0, "litres": 1.0, "liter": 1.0, "liters": 1.0, "ltr": 1.0, "ltrs": 1.0, "ml": 0.001}
    gallons = {
        f"{k}{g}": f
        for k, f in (("imp", imperial), ("imperial", imperial), ("us", us))
        for g in ("gal", "gallon", "gallons")
    }
    lengths = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": inch, "inch": inch, "inches": inch, '"': inch}
    masses = {"kg": 1.0, "g": 0.001, "lb": pound, "lbs": pound, "oz": ounce}
    return {
        "L": {**litres, **gallons},
        "mm": lengths,
        "kg": masses,
        "°C": {"°c": 1.0, "c": 1.0, "degc": 1.0, "ºc": 1.0},
        "L/h": {"l/h": 1.0, "lph": 1.0, "l/hr": 1.0, "litres/hour": 1.0, "l/min": 60.0},
        "kg/L": {"kg/l": 1.0, "g/l": 0.001, "g/ml": 1.0},
        "g/day": {"g": 1.0, "g/day": 1.0, "g/d": 1.0, "mg": 0.001, "mg/day": 0.001},
        "%": {"%": 1.0},
        "days": {"days": 1.0, "day": 1.0, "d": 1.0, "weeks": 7.0, "wk": 7.0, "weeks.": 7.0},
        "weeks": {"weeks": 1.0, "week": 1.0, "wk": 1.0, "w": 1.0, "days": 1 / 7, "day": 1 / 7},
        "h": {"h": 1.0, "hours": 1.0, "hour": 1.0, "hrs": 1.0, "hr": 1.0, "min": 1 / 60},
        "mg/L NO3": {"mg/l": 1.0, "ppm": 1.0, "mg/lno3": 1.0},
    }


def fold_unit(unit: str) -> str:
    return re.sub(r"[\s.]+", "", unit).casefold()


def _plain(text: str, case: str, **shown: str) -> tuple[Cell, float]:
    """One number and its value, or the cell that says why it is none; a range or a limit is held."""
    cell = read_quantity(text)
    if cell.kind == "blank" or cell.kind == "number":
        return cell, cell.low or 0.0
    return held(case, text, **shown), 0.0


def _converted(cell: Cell, value: float, says: str) -> Cell:
    return replace(cell, outcome="converted", low=value, high=value, fault="unit", says=says)


def read_number(text: str, unit: str, header_unit: str, assumed: Assumptions, gallon: str = "") -> Cell:
    """A plain number in the column's unit; ranges and limits are no plain numbers and are held."""
    cell, number = _plain(text, "not a plain number", unit=f" in {unit}" if unit else "")
    typed = cell.unit or header_unit
    if cell.kind == "blank" or not typed:
        return cell
    folded = fold_unit(typed)
    if unit == "°C" and folded in ("f", "°f", "ºf", "degf"):
        value = round(fahrenheit_to_celsius(number), 4)
        return _converted(cell, value, f"{text} read as {value:g} °C")
    factors = unit_factors(assumed).get(unit, {})
    if folded in ("gal", "gallon", "gallons") and unit == "L":
        if not gallon:
            low, high = number * assumed["us_gallon_l"], number * assumed["imperial_gallon_l"]
            return held("which gallon", text, imperial=high, us=low)
        factor = gallon_l(gallon, assumed)
    elif folded in factors:
        factor = factors[folded]
    elif not unit:
        return held("unit: none", text, f"{number:g}")
    else:
        return held("unit: another", text, slip_of(text), typed=typed, unit=unit)
    value = number * factor
    if factor == 1.0 and not cell.unit:
        return cell
    return _converted(cell, value, f"{text} read as {value:.5g} {unit}")


def read_share(text: str, header_unit: str) -> Cell:
    """0 to 1, or a per cent with its sign, or a fraction such as 1/3."""
    tidy = text.strip()
    if found := re.fullmatch(r"(\d)\s*/\s*(\d)", tidy):
        top, bottom = int(found[1]), int(found[2])
        if bottom > 0 and top <= bottom:
            value = top / bottom
            return Cell("converted", value, value, "number", fault="unit", says=f"{tidy} read as {value:.3g}")
    cell, number = _plain(text, "not a plain number: a share")
    if cell.kind == "blank":
        return cell
    typed = fold_unit(cell.unit or header_unit)
    if typed in ("%", "percent", "pct"):
        value = number / 100
        if value > 1:
            return held("share over 1: in per cent", text)
        return _converted(cell, value, f"{text} read as {value:g}")
    if typed:
        return held("unit: of a share", text, slip_of(text), typed=typed)
    return held("share over 1", text, f"{number:g}%" if number <= 100 else "") if number > 1 else cell


def read_count(text: str) -> Cell:
    """A whole number, 0 or more."""
    cell, number = _plain(text, "not a count")
    return held("not a count", text) if number != int(number) or cell.unit else cell


DROPS = re.compile(r"^(?P<worth>\S+)\s*(?:dKH|dGH|°|deg\w*)?\s*(?:a|per|each|/)\s*drop$", re.IGNORECASE)


def read_per_drop(text: str) -> float | None:
    """What one drop is worth, in the kit's own unit, of `0.5 a drop` or `1 per drop`; None for any other text."""
    found = DROPS.match(" ".join(text.split()))
    cell = read_quantity(found["worth"]) if found else BLANK
    return cell.low if cell.kind == "number" and not cell.unit and cell.low else None


def read_steps(text: str) -> tuple[list[float], Cell]:
    """A kit's ladder: at least three rising numbers separated by |; none for a meter, nor where drops are counted."""
    if text.strip().casefold() in BLANKS:
        return [], BLANK
    if read_per_drop(text) is not None:
        return [], Cell()
    steps: list[float] = []
    for part in text.split("|"):
        cell = read_quantity(part.strip())
        if cell.held or cell.kind != "number" or cell.low is None or cell.unit:
            return [], held("ladder", part.strip())
        steps.append(cell.low)
    if len(steps) < 3 or any(a >= b for a, b in itertools.pairwise(steps)):
        return [], held("ladder: not rising", text)
    return steps, Cell()


BUCKETS = re.compile(
    r"^(?P<n>\d+(?:\.\d+)?)\s*(?:x|×|\*)?\s*(?:(?P<l>\d+(?:\.\d+)?)\s*(?:l|litres?)\s*)?buckets?"
    r"(?:\s*(?:of|@|at|à)?\s*\(?(?P<l2>\d+(?:\.\d+)?)\s*(?:l|litres?)\)?)?$"
)


def read_change(text: str, header_unit: str, assumed: Assumptions, gallon: str) -> Cell:
    """A water change: `unit` is % or L. A bare number is held: 50 may be litres or per cent."""
    tidy = re.sub(r"\s+", " ", text.replace("\u00a0", " ")).strip()
    folded = tidy.casefold()
    if folded in BLANKS | {"none", "no"}:
        return BLANK
    if found := BUCKETS.match(folded):
        size = found["l"] or found["l2"]
        if not size:
            return held("bucket", text)
        litres = float(found["n"]) * float(size)
        return Cell("converted", litres, litres, "number", "L", fault="bucket", says=f"{text} read as {litres:g} L")
    cell = read_quantity(tidy.rstrip("? ") if folded.endswith("?") else tidy)
    guessed = cell.guessed or folded.endswith("?")
    if cell.held or cell.kind == "blank":
        return cell
    if cell.kind not in ("number", "between") or cell.low is None or cell.high is None:
        return held("not an amount", text)
    middle = (cell.low + cell.high) / 2
    cell = replace(cell, low=middle, high=middle, guessed=guessed or cell.kind == "between")
    typed = fold_unit(cell.unit or header_unit)
    if typed in ("%", "percent", "pct"):
        return replace(cell, unit="%")
    if not typed:
        return held("change without unit", text)
    amount = read_number(f"{middle:g} {cell.unit or header_unit}", "L", "", assumed, gallon)
    if amount.held:
        says = amount.says.replace(f"“{middle:g} {cell.unit or header_unit}”", f"“{text}”")
        return replace(amount, says=says, suggestion=slip_of(text))
    outcome = "converted" if typed not in ("l", "litre", "litres") else cell.outcome
    return replace(amount, outcome=outcome, unit="L", guessed=cell.guessed)
