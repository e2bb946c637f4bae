"""Visits: what is typed at or after the tank, and the readings and changes that come of it."""

from __future__ import annotations

import datetime as dt

import pandera.polars as pa
import polars as pl

from schemas.base import Record
from schemas.columns import column
from schemas.words import CHANGE_KINDS, FISH_LOOK, OUTCOMES, PARAMETERS, TAKEN


class VisitSheet(Record):
    """visits/*.csv as typed, wide: one row a tank and test session."""

    date: dt.date = column("Date", kind="date", required=True)
    time: str = column("Time", kind="time")
    site: str = column("Site", "Id or name; needed where a name stands on two sites.", kind="key")
    tank: str = column("Tank", "Id, name or alias.", kind="key", required=True)
    taken: str = column("Taken", "Before or after the water change, none today, or unknown.", kind="word", words=TAKEN)
    ammonia: str = column("Ammonia", "Total.", kind="reading", unit="mg/L NH4")
    nitrite: str = column("Nitrite", kind="reading", unit="mg/L NO2")
    nitrate: str = column("Nitrate", kind="reading", unit="mg/L NO3")
    ph: str = column("pH", kind="reading")
    kh: str = column("KH", kind="reading", unit="°dH")
    gh: str = column("GH", kind="reading", unit="°dH")
    temperature: str = column("Temperature", kind="reading", unit="°C")
    phosphate: str = column("Phosphate", kind="reading", unit="mg/L PO4")
    oxygen: str = column("Oxygen", kind="reading", unit="mg/L O2")
    flow_l_h: str = column("Flow", "At the outlet, timed.", kind="reading", unit="L/h")
    kit: str = column("Kit", "Id of the kit used.", kind="key")
    water_changed: str = column("Water changed", "30%, 40 L, 9 imp gal.", kind="change")
    change_kind: str = column("Kind of change", kind="word", words=CHANGE_KINDS)
    new_water: str = column("New water", "A supply, ro, or ro 50%; blank is the site's.", kind="key")
    fish_seen: float = column("Fish seen", kind="count", ge=0)
    fish_look: str = column("How they look", kind="word", words=FISH_LOOK)
    by: str = column("By", "Role or initials.")
    note: str = column("Note", "Never goes into a report unless ticked.")


class LongVisitSheet(Record):
    """visits/*.csv as typed, long: one row a parameter."""

    date: dt.date = column("Date", kind="date", required=True)
    time: str = column("Time", kind="time")
    site: str = column("Site", kind="key")
    tank: str = column("Tank", kind="key", required=True)
    taken: str = column("Taken", kind="word", words=TAKEN)
    parameter: str = column("Parameter", kind="word", words=PARAMETERS, required=True)
    value: str = column("Value", kind="reading", required=True)
    unit: str = column("Unit", kind="key")
    kit: str = column("Kit", kind="key")
    by: str = column("By")
    note: str = column("Note")


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

    @pa.dataframe_check(name="low_to_high", error="low is above high")
    def low_to_high(cls, data: pa.PolarsData) -> pl.LazyFrame:
        """A null high passes: it is open above."""
        return data.lazyframe.select(pl.col("low") <= pl.col("high"))


class WaterChange(Record):
    """A water change as kept. A top-up replaces evaporation: it dilutes nothing and adds the tap's nitrate."""

    tank: str = column("Tank id", kind="key", required=True)
    day: dt.date = column("Day", kind="date", required=True)
    at: dt.datetime = column("At", required=True)
    fraction: float = column("Fraction", "Of the net volume; blank where net is unknown.", ge=0, le=1)
    litres: float = column("Litres", "Blank where net is unknown.", unit="L", ge=0)
    kind: str = column("Kind", kind="word", words=CHANGE_KINDS, required=True)
    source: str = column("Source", "A water supply, or ro.", kind="key")
    ro_share: float = column("RO share", "Of the new water.", kind="share", required=True, ge=0, le=1)
    guessed: bool = column("A guess", "About 30%, or buckets of no known size.", required=True)
    text: str = column("As typed", required=True)
    outcome: str = column("Outcome", kind="word", words=OUTCOMES[:3], required=True)
