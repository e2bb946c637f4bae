"""Kit readings to intervals: what a matched step, a between, a "<5" could mean, in the canonical unit."""

import datetime as dt
import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.assumptions import Assumptions
from pipeline.intake.amounts import fold_unit, unit_factors
from pipeline.intake.grammar import Cell, held, read_quantity, slip_of
from pipeline.units import factor, fahrenheit_to_celsius, fold_basis
from pipeline.wording import number
from schemas.parameters import BY_NAME
from schemas.words import CANON, PARAMETER_TITLES

FAHRENHEIT = frozenset({"f", "°f", "ºf", "degf"})


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
            stated = unit_factors(assumed)["L/h"].get(fold_unit(typed))
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
