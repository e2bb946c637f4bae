"""Visits: what is typed at or after the tank, and the readings and changes that come of it."""

import datetime as dt
import math

import polars as pl

from schemas.columns import Frame, Record, column, readings_after
from schemas.parameters import BY_NAME, RECORDS
from schemas.rules import Limits, Row, held, not_to_come, warned
from schemas.words import CHANGE_KINDS, FISH_LOOK, OUTCOMES, PARAMETERS, SUSPICIONS, TAKEN


class _Session(Record):
    """A tank, its day and how its water was taken."""

    date: dt.date = column("Date", kind="date", required=True)
    time: str = column("Time", kind="time")
    site: str = column("Site", "Id or name; needed where a name is used at two sites.", kind="key")
    tank: str = column("Tank", "Id, name or alias.", kind="key", required=True)
    taken: str = column("Taken", "Before or after the water change, none today, or unknown.", kind="word", words=TAKEN)


class VisitSheet(readings_after(_Session, RECORDS)):  # type: ignore[misc]
    """visits/*.csv as typed, wide: one row a tank and test session."""

    kit: str = column("Kit", "Id of the kit used.", kind="key")
    water_changed: str = column("Water changed", "30%, 40 L, 9 imp gal.", kind="change")
    change_kind: str = column("Kind of change", kind="word", words=CHANGE_KINDS)
    new_water: str = column("New water", "A supply, ro, or ro 50%; blank is the site's.", kind="key")
    fish_seen: float = column("Fish seen", kind="count", ge=0)
    fish_look: str = column("How they look", kind="word", words=FISH_LOOK)
    by: str = column("By", "Role or initials.")
    note: str = column("Note", "Never goes into a report unless ticked.")


class LongVisitSheet(_Session):
    """visits/*.csv as typed, long: one row a parameter."""

    parameter: str = column("Parameter", kind="word", words=PARAMETERS, required=True)
    value: str = column("Value", kind="reading", required=True)
    unit: str = column("Unit", kind="key")
    kit: str = column("Kit", kind="key")
    by: str = column("By")
    note: str = column("Note")


class PlacedRow(Record):
    """A sheet row whose tank is known, with the days its tank ran."""

    day: dt.date = column("Day", kind="date")
    set_up: dt.date = column("Set up", kind="date")
    closed: dt.date = column("Closed", kind="date")

    future = not_to_come("day")
    before_set_up = held("day", "before set up", "before set up", lambda _: pl.col("day") < pl.col("set_up"))
    after_closing = held("day", "after closing", "after closing", lambda _: pl.col("day") > pl.col("closed"))


class Visit(Record):
    """A visit as kept: one row a sheet row that was read."""

    tank: str = column("Tank id", kind="key", required=True)
    day: dt.date = column("Day", kind="date", required=True)
    at: dt.datetime = column("At", "Day and time; midnight where no time was typed.", required=True)
    taken: str = column("Taken", kind="word", words=TAKEN, required=True)
    kit: str = column("Kit id", kind="key")
    fish_seen: float = column("Fish seen", kind="count")
    fish_look: str = column("How they look", kind="word", words=FISH_LOOK)
    by: str = column("By")
    note: str = column("Note")
    outcome: str = column("Outcome", "Of the row.", kind="key", required=True)


def _outside(f: Limits) -> pl.Expr:
    """Whether a matched value is outside what is accepted of its parameter."""
    matched, wrong = pl.col("matched"), pl.lit(False)
    for name, record in BY_NAME.items():
        least, most = record.limits
        inside = matched.is_between(f.get(least, -math.inf), f.get(most, math.inf))
        wrong = wrong | ((pl.col("parameter") == name) & ~inside)
    return wrong


def _meant(row: Row, f: Limits) -> tuple[str, str]:
    """What a value outside its limits may have been: (suggestion, hint)."""
    record, value = BY_NAME[row["parameter"]], row["matched"]
    low, high = (f.get(limit) for limit in record.limits)
    least, most = low or 0.0, high if high is not None else math.inf
    tenth = f"{value / 10:g}" if least <= value / 10 <= most else ""
    in_degrees = value / f["caco3_per_degree"]
    if record.is_hardness and in_degrees <= most:
        degrees = f"{float(f'{in_degrees:.3g}'):g}"
        point = f": {tenth}" if tenth else ""
        return degrees, f" It may be mg/L CaCO3: that is {degrees} {record.unit}. Or a point may be missing{point}."
    celsius = (value - 32.0) / 1.8
    if record.unit == "°C" and least <= celsius <= most:
        return f"{celsius:.1f}", f" It may be °F: that is {celsius:.1f} °C."
    if record.last_digit and tenth and low is not None:
        return tenth, f" A point may be missing: {tenth}?"
    return "", ""


def _outside_says(row: Row, f: Limits) -> str:
    record = BY_NAME[row["parameter"]]
    low, high = (f.get(limit) for limit in record.limits)
    bound = f"under {high:g}" if high is not None and row["matched"] > high else f"{low:g} or more"
    unit = f" {record.unit}" if record.unit else ""
    return f"{record.title} “{row['text']}” is outside what is accepted ({bound}{unit}).{_meant(row, f)[1]}"


class TypedReading(Frame):
    """What a distinct text of a parameter, unit and kit was read as."""

    parameter: str = column("Parameter", kind="word", words=PARAMETERS, required=True)
    text: str = column("As typed", required=True)
    low: float = column("Low", "In the canonical unit.", kind="number", required=True)
    high: float = column("High", "Blank when open above.", kind="number")
    matched: float = column("Matched", "The value matched; the middle of a between, 0 for under.", required=True)

    beyond = held("text", "beyond limits", _outside_says, _outside, suggestion=lambda row, f: _meant(row, f)[0])
    turned = held("text", "turned range", "turned range", lambda _: pl.col("low") > pl.col("high"))


class Reading(Record):
    """A reading as kept: an interval, never a point. `high` blank is open above."""

    tank: str = column("Tank id", kind="key", required=True)
    day: dt.date = column("Day", kind="date", required=True)
    at: dt.datetime = column("At", "Day and time; midnight where no time was typed.", required=True)
    taken: str = column("Taken", kind="word", words=TAKEN, required=True)
    parameter: str = column("Parameter", kind="word", words=PARAMETERS, required=True)
    low: float = column("Low", "In the canonical unit.", kind="number", required=True)
    high: float = column("High", "Blank when open above.", kind="number")
    matched: float = column("Matched", "The value matched; the middle of a between, 0 for under.", required=True)
    unit: str = column("Unit as entered", kind="key")
    text: str = column("As typed", required=True)
    kit: str = column("Kit id", "The kit that measures this parameter, where known.", kind="key")
    outcome: str = column("Outcome", kind="word", words=OUTCOMES[:3], required=True)
    doubt: str = column("Left out of the trend", "basis, nitrite or taken; blank when it counts.", kind="key")
    expired: bool = column("Kit expired", "On the day of the reading.", required=True)


class Doubt(Record):
    """What may be wrong with a reading that is used: a row a reading and suspicion."""

    tank: str = column("Tank id", kind="key", required=True)
    day: dt.date = column("Day", kind="date", required=True)
    parameter: str = column("Parameter", kind="word", words=PARAMETERS, required=True)
    text: str = column("As typed", required=True)
    matched: float = column("Matched", "In the canonical unit.", kind="number", required=True)
    doubt: str = column("What may be wrong", kind="word", words=SUSPICIONS, required=True)
    size: float = column("Size", "Share changed, times too much, or nitrite beside it [mg/L].", kind="number")
    would_be: float = column("What it would be if so", "In the canonical unit.", kind="number")
    other: str = column("The other tank", "Whose reading it may be.", kind="key")


def _too_much(row: Row, _: Limits) -> str:
    net = "" if row["litres"] is None else f" ({row['litres'] / row['fraction']:.0f} L net)"
    return f"“{row['text']}” is more than the tank holds{net}; expected 100 % or less."


class WaterChange(Record):
    """A water change as kept. A top-up replaces evaporation: it dilutes nothing and adds the tap's nitrate."""

    tank: str = column("Tank id", kind="key", required=True)
    day: dt.date = column("Day", kind="date", required=True)
    at: dt.datetime = column("At", required=True)
    fraction: float = column("Fraction", "Of the net volume; blank where net is unknown.", ge=0)
    litres: float = column("Litres", "Blank where net is unknown.", unit="L", ge=0)
    kind: str = column("Kind", kind="word", words=CHANGE_KINDS, required=True)
    source: str = column("Source", "A water supply, or ro.", kind="key")
    ro_share: float = column("RO share", "Of the new water.", kind="share", required=True, ge=0, le=1)
    guessed: bool = column("A guess", "About 30%, or buckets of no known size.", required=True)
    text: str = column("As typed", required=True)
    outcome: str = column("Outcome", kind="word", words=OUTCOMES[:3], required=True)

    more_than_tank = held("water_changed", "more than the tank", _too_much, lambda _: pl.col("fraction") > 1.0 + 1e-9)
    large = warned(
        "water_changed", "large change", "large change",
        lambda f: pl.col("fraction").is_between(f["change_warn_share"], 1.0 + 1e-9, closed="none"),
        shows={"per_cent": lambda _: pl.col("fraction") * 100},
    )  # fmt: skip
