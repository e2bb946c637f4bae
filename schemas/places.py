"""Sites, tanks, their names, and the tap water of each supply."""

import datetime as dt

import polars as pl

from schemas.columns import Frame, Record, column, readings_after
from schemas.parameters import RECORDS
from schemas.rules import held, not_to_come
from schemas.words import PLANTING, STOCKING, WEEKDAYS


class Site(Record):
    """sites.csv: the premises on the round."""

    site: str = column("Site id", "Short, unique.", kind="key", required=True)
    name: str = column("Site", "Name as people say it.", required=True)
    kind: str = column("Kind", "Care home, school, surgery, library …")
    water_supply: str = column("Water supply", "Id of the tap water, as in tap.csv.", kind="key")
    visit_day: str = column("Visit day", "Weekday of the round.", kind="word", words=WEEKDAYS)
    next_visit: dt.date = column("Next visit", "Date of the next visit, where fixed.", kind="date")
    report_to: str = column("Report to", "Role that gets the report; no personal names.")
    note: str = column("Note", "Never goes into a report unless ticked.")


class Tank(Record):
    """tanks.csv: what is looked after."""

    tank: str = column("Tank id", "Short, unique.", kind="key", required=True)
    site: str = column("Site id", "As in sites.csv.", kind="key", required=True)
    name: str = column("Tank", "Unique within its site.")
    also_known_as: str = column("Also known as", "Other names it is written under, separated by |.", kind="list")
    gross_l: float = column("Gross volume", "Outside volume.", kind="number", unit="L", gt=0)
    net_l: float = column("Net volume", "Water it holds, measured by filling.", kind="number", unit="L", gt=0)
    set_up: dt.date = column("Set up", "Day the tank was started.", kind="date")
    closed: dt.date = column("Closed", "Last day it ran; blank while it runs.", kind="date")
    temperature_c: float = column("Set temperature", "What the heater is set to.", kind="number", unit="°C")
    planting: str = column("Planting", "How densely planted.", kind="word", words=PLANTING)
    stocking: str = column("Stocking", "messy: goldfish and other large messy fish.", kind="word", words=STOCKING)
    nitrate_ceiling: float = column(
        "Nitrate limit", "Blank takes the assumption ceiling_default.", kind="number", unit="mg/L NO3", gt=0
    )
    note: str = column("Note", "Never goes into a report unless ticked.")

    net_over_gross = held("net_l", "limit", "net over gross", lambda _: pl.col("net_l") > pl.col("gross_l"))
    closed_first = held("closed", "limit", "closed first", lambda _: pl.col("closed") < pl.col("set_up"))


class Alias(Frame):
    """Every name a tank answers to: `folded` is the name without case, spaces and underscores."""

    folded: str = column("Name, folded", kind="key", required=True)
    site: str = column("Site id", kind="key", required=True)
    tank: str = column("Tank id", kind="key", required=True)
    via: str = column("By", "id, name or alias.", kind="word", words=("id", "name", "alias"), required=True)


class _Test(Record):
    water_supply: str = column("Water supply", "Id of the tap water.", kind="key", required=True)
    date: dt.date = column("Date", "Day of the test.", kind="date", required=True)


class TapSheet(readings_after(_Test, (record for record in RECORDS if record.in_tap))):  # type: ignore[misc]
    """tap.csv as typed: one row a test of a supply."""

    note: str = column("Note")

    future = not_to_come("date")


class Tap(Record):
    """A tap reading as kept: one row a parameter."""

    water_supply: str = column("Water supply", kind="key", required=True)
    date: dt.date = column("Date", kind="date", required=True)
    parameter: str = column("Parameter", kind="key", required=True)
    low: float = column("Low", "Least the reading could mean.", kind="number", required=True, ge=0)
    high: float = column("High", "Greatest; blank when open above.", kind="number", ge=0)
    matched: float = column("Matched", "The value matched.", kind="number", required=True, ge=0)
    text: str = column("As typed", required=True)
    outcome: str = column("Outcome", kind="key", required=True)
