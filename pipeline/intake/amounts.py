"""Texts of cells to quantities: plain numbers in a unit, shares, counts, a kit's steps and water changes of records; and
kit readings to intervals, what a matched step, a between, a "<5" could mean, in the canonical unit."""

import datetime as dt
import itertools
import math
import re
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.assumptions import Assumptions
from pipeline.intake.grammar import BLANK, BLANKS, FORMS, Cell, held, read_quantity, slip_of
from pipeline.sentences import table
from pipeline.units import factor, fahrenheit_to_celsius, fold_basis, gallon_l
from pipeline.wording import number
from schemas.parameters import BY_NAME
from schemas.words import CANON, PARAMETER_TITLES

UNITS: dict[str, dict[str, float | dict[str, float]]] = table(__file__, "units.toml")
FAHRENHEIT = frozenset({"f", "°f", "ºf", "degf"})


def fold_unit(unit: str) -> str:
    return re.sub(r"[\s.]+", "", unit).casefold()


def unit_factor(unit: str, typed: str, assumed: Assumptions) -> float | None:
    """What one of a typed unit is in the unit of its column; None where it is not known for it."""
    worth = UNITS.get(unit, {}).get(fold_unit(typed))
    return sum(times * assumed[name] for name, times in worth.items()) if isinstance(worth, dict) else worth


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
    cell, value = _plain(text, "not a plain number", unit=f" in {unit}" if unit else "")
    typed = cell.unit or header_unit
    if cell.kind == "blank" or not typed:
        return cell
    folded = fold_unit(typed)
    if unit == "°C" and folded in FAHRENHEIT:
        value = round(fahrenheit_to_celsius(value), 4)
        return _converted(cell, value, f"{text} read as {value:g} °C")
    times = unit_factor(unit, typed, assumed)
    if folded in ("gal", "gallon", "gallons") and unit == "L":
        if not gallon:
            low, high = value * assumed["us_gallon_l"], value * assumed["imperial_gallon_l"]
            return held("which gallon", text, imperial=high, us=low)
        times = gallon_l(gallon, assumed)
    elif times is None and not unit:
        return held("unit: none", text, f"{value:g}")
    elif times is None:
        return held("unit: another", text, slip_of(text), typed=typed, unit=unit)
    value *= times
    if times == 1.0 and not cell.unit:
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
    cell, value = _plain(text, "not a plain number: a share")
    if cell.kind == "blank":
        return cell
    typed = fold_unit(cell.unit or header_unit)
    if typed in ("%", "percent", "pct"):
        value /= 100
        if value > 1:
            return held("share over 1: in per cent", text)
        return _converted(cell, value, f"{text} read as {value:g}")
    if typed:
        return held("unit: of a share", text, slip_of(text), typed=typed)
    return held("share over 1", text, f"{value:g}%" if value <= 100 else "") if value > 1 else cell


def read_count(text: str) -> Cell:
    """A whole number, 0 or more."""
    cell, value = _plain(text, "not a count")
    return held("not a count", text) if value != int(value) or cell.unit else cell


def read_per_drop(text: str) -> float | None:
    """What one drop is worth, in the kit's own unit, of `0.5 a drop` or `1 per drop`; None for any other text."""
    found = FORMS["amount"]["drops"].match(" ".join(text.split()).casefold())
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


def read_change(text: str, header_unit: str, assumed: Assumptions, gallon: str) -> Cell:
    """A water change: `unit` is % or L. A bare number is held: 50 may be litres or per cent."""
    tidy = " ".join(text.split())
    folded = tidy.casefold()
    if folded in BLANKS | {"none", "no"}:
        return BLANK
    if found := FORMS["amount"]["buckets"].match(folded):
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


# -- readings of a kit or a meter -----------------------------------------------------------------------


@dataclass(frozen=True)
class KitRow:
    """A kit for one parameter: its steps in its own unit, the factor to the canonical one, its last good day."""

    steps: tuple[float, ...]
    factor: float
    basis: str
    good_until: dt.date | None = None
    per_drop: float | None = None  # of its own units, where drops are counted


def _near(a: float, b: float) -> bool:
    return math.isclose(a, b, rel_tol=1e-6, abs_tol=1e-9)


def step_interval(steps: Sequence[float], value: float) -> tuple[float, float | None, bool]:
    """(low, high, on the ladder) of a matched value; high None is open above.

    A step means halfway to each neighbour; the lowest reaches down to 0, the top has no end. A value between two
    steps lies between them; above the top it is at least the top.
    """
    place = bisect_left(steps, value - 1e-9 * max(1.0, abs(value)))
    if place < len(steps) and _near(steps[place], value):
        low = 0.0 if place == 0 else (steps[place - 1] + steps[place]) / 2
        high = None if place == len(steps) - 1 else (steps[place] + steps[place + 1]) / 2
        return low, high, True
    if place == 0:
        return 0.0, steps[0], False
    if place == len(steps):
        return steps[-1], None, False
    return steps[place - 1], steps[place], False


def drop_interval(per_drop: float, value: float) -> tuple[float, float, bool]:
    """(low, high, a whole number of drops) of a count of drops, in the kit's unit.

    The colour turns at the last drop and had not turned at the one before: the true value lies between the two, so a
    count is one drop wide (how a titration ends). A value between two counts lies within the drop around it; a 0 means
    that it turned by the first drop.
    """
    count = value / per_drop
    whole = _near(count, round(count))
    last = max(1, round(count) if whole else math.ceil(count))
    return (last - 1) * per_drop, last * per_drop, whole


def _factor(
    parameter: str, text: str, cell: Cell, header_unit: str, kit: KitRow | None, assumed: Assumptions
) -> tuple[float, Cell | None]:
    """What one typed unit is in the canonical one, or the cell that says why it can't be said."""
    typed = cell.unit or header_unit
    plain = fold_basis(typed) in ("", "mg/l") if typed else True
    title = PARAMETER_TITLES[parameter]
    if typed and plain and BY_NAME[parameter].is_hardness and (kit is None or _near(kit.factor, 1.0)):
        return 1.0, held("unit: of hardness", text, f"{text if cell.unit else text + ' mg/L'} CaCO3", title=title)
    if typed and not plain:
        stated = factor(parameter, typed)
        if stated is None and parameter == "flow_l_h":
            stated = unit_factor("L/h", typed, assumed)
        if stated is None:
            named = title.lower() if title[1].islower() else title
            return 1.0, held("unit: not known", typed, slip_of(text), title=named, unit=CANON[parameter] or "none")
        if kit is not None and not _near(stated, kit.factor):
            return 1.0, held("unit against kit", typed, kit=kit.basis or CANON[parameter])
        return stated, None
    return (kit.factor if kit is not None else 1.0), None


def read_reading(parameter: str, text: str, header_unit: str, kit: KitRow | None, assumed: Assumptions) -> Cell:
    """One reading cell to its interval."""
    cell = read_quantity(text)
    if cell.held or cell.kind == "blank":
        return cell
    typed = (cell.unit or header_unit).replace(" ", "").casefold()
    celsius = parameter == "temperature" and typed in FAHRENHEIT
    if parameter == "temperature" and typed in ("degc", "ºc", "celsius"):
        cell = replace(cell, unit="°C")
    counted = typed in ("drop", "drops") and kit is not None and kit.per_drop
    if counted and cell.low is not None:
        high = None if cell.high is None else cell.high * counted
        cell = replace(cell, low=cell.low * counted, high=high, unit="", outcome="converted", fault="unit")
        cell, header_unit = replace(cell, says=f"{text} read as {number(cell.low)}."), ""
    times, trouble = (1.0, None) if celsius else _factor(parameter, text, cell, header_unit, kit, assumed)
    if trouble is not None:
        return trouble
    outcome, fault, says = cell.outcome, cell.fault, cell.says
    steps = kit.steps if kit is not None else ()
    low, high = cell.low or 0.0, cell.high
    matched = low
    if cell.kind == "under":
        matched = 0.0
        if cell.word == "trace":
            above = next((s for s in steps if s > 0), None)
            if above is None:
                return held("trace", text)
            high = above
    elif cell.kind == "between":
        matched = (low + (high or low)) / 2
    elif cell.kind == "number":
        on, what = True, "no step of this kit"
        if kit is not None and kit.per_drop:
            low, high, on = drop_interval(kit.per_drop, matched)
            what = f"no whole number of drops of {number(kit.per_drop)} each"
        elif steps:
            low, high, on = step_interval(steps, matched)
        else:
            share = 0.0 if BY_NAME[parameter].last_digit else assumed["meter_share"] * matched
            half = max(0.5 * 10.0**-cell.digits, share)
            low, high = max(0.0, matched - half), matched + half
        if not on:
            outcome, fault = "warned", "off the ladder"
            between = f"over {number(low)}" if high is None else f"between {number(low)} and {number(high)}"
            says = f"{text} is {what}; taken as {between}."
    if celsius:
        low, matched = round(fahrenheit_to_celsius(low), 3), round(fahrenheit_to_celsius(matched), 3)
        high = None if high is None else round(fahrenheit_to_celsius(high), 3)
        outcome, fault, says = "converted", "unit", f"{text} read as {matched:.1f} °C."
    else:
        low, matched, high = low * times, matched * times, None if high is None else high * times
        if not _near(times, 1.0) and outcome == "accepted":
            outcome, fault = "converted", "basis"
            says = f"{text} read as {number(matched)} {CANON[parameter]}."
        elif cell.unit and outcome == "accepted":
            outcome, fault, says = "converted", "unit", "The unit is in the cell; the number is used."
    return Cell(outcome, low, high, cell.kind, guessed=cell.guessed, fault=fault, says=says, matched=matched)
