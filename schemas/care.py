"""What is done and owed: feeding, kits, services, events, promises, notes, corrections."""

import datetime as dt

import polars as pl

from schemas.columns import Record, column
from schemas.rules import held, not_to_come, warned
from schemas.words import EVENTS, FOUND, JOBS, PARAMETERS, RINSE_WATER


class Feeding(Record):
    """feeding.csv: food in force from a day on."""

    tank: str = column("Tank id", kind="key", required=True)
    from_: dt.date = column("From", "First day.", kind="date", required=True, alias="from")
    feed_g_day: float = column("Food", "Dry, a day.", kind="number", unit="g/day", required=True, ge=0)
    protein_pct: float = column("Protein", "From the tub.", kind="number", unit="%", ge=0, le=100)
    note: str = column("Note")


class KitSheet(Record):
    """kits.csv as typed: one row a kit and parameter."""

    kit: str = column("Kit id", kind="key", required=True)
    parameter: str = column("Parameter", kind="word", words=PARAMETERS, required=True)
    basis: str = column("Basis", "What its numbers count: NO3, NO3-N, dKH …", kind="key")
    steps: str = column(
        "Steps",
        "The kit's own steps, separated by |; where drops are counted, what one is worth: 0.5 a drop.",
        kind="steps",
    )
    opened: dt.date = column("Opened", kind="date")
    expires: dt.date = column("Expires", kind="date")
    tests_left: float = column("Tests left", kind="number", ge=0)
    note: str = column("Note")


class Kit(KitSheet):
    """A kit as kept. `ladder` is its steps in the canonical unit; `factor` is what one of its units is in it."""

    factor: float = column("Factor", "Canonical units in one unit of the kit.", kind="number", required=True)
    ladder: list[float] = column(
        "Ladder", "Steps in the canonical unit, rising; empty for a meter or a drop count.", required=True
    )
    per_drop: float = column("Per drop", "Canonical units a drop, where drops are counted.", kind="number", gt=0)


class Service(Record):
    """services/*.csv: work on a filter."""

    date: dt.date = column("Date", kind="date", required=True)
    tank: str = column("Tank id", kind="key")
    filter: str = column("Filter id", "Blank: the tank's only filter that day.", kind="key")
    job: str = column("Job", kind="word", words=JOBS, required=True)
    compartment: str = column("Compartment", kind="key")
    media_share: float = column("Media share", "Of the biological media handled.", kind="share", ge=0, le=1)
    rinse_water: str = column("Rinse water", kind="word", words=RINSE_WATER)
    found: str = column("Found", "How dirty it was.", kind="word", words=FOUND)
    flow_before: float = column("Flow before", kind="number", unit="L/h", ge=0)
    flow_after: float = column("Flow after", kind="number", unit="L/h", ge=0)
    hours_stopped: float = column("Hours stopped", kind="number", unit="h", ge=0)
    next_weeks: float = column("Next in", kind="number", unit="weeks", gt=0)
    by: str = column("By", "Role or initials.")
    note: str = column("Note")

    future = not_to_come("date")
    much_media = warned(
        "media_share", "limit", "much media", lambda f: pl.col("media_share") > f["disturb_free_share"] + 0.01
    )
    tap_rinse = warned("rinse_water", "limit", "tap rinse", lambda _: pl.col("rinse_water") == "tap")
    out_of_reach = held(
        "next_weeks", "out of reach", "weeks out of reach", lambda f: pl.col("next_weeks") > f["next_weeks_hold_above"]
    )
    long_interval = warned("next_weeks", "limit", "long interval", lambda f: pl.col("next_weeks").is_between(
        f["check_third_weeks"], f["next_weeks_hold_above"], closed="right"
    ))  # fmt: skip


class Event(Record):
    """events/*.csv: what happened to a tank."""

    date: dt.date = column("Date", kind="date", required=True)
    tank: str = column("Tank id", kind="key", required=True)
    event: str = column("Event", kind="word", words=EVENTS, required=True)
    count: float = column("Count", "Of fish.", kind="number", ge=0)
    hours: float = column("Hours", kind="number", unit="h", ge=0)
    note: str = column("Note")

    future = not_to_come("date")


class Promise(Record):
    """promises.csv: what was promised to a site."""

    made_on: dt.date = column("Made on", kind="date", required=True)
    site: str = column("Site id", kind="key")
    tank: str = column("Tank id", kind="key")
    promise: str = column("Promise", required=True)
    due: dt.date = column("Due", kind="date")
    done_on: dt.date = column("Done on", kind="date")


class Noted(Record):
    """noted.csv: known and reviewed; quiet until then, back at once if it worsens."""

    tank: str = column("Tank id", kind="key", required=True)
    rule: str = column("Rule", "As the review prints it.", kind="key", required=True)
    until: dt.date = column("Until", "Last quiet day.", kind="date", required=True)
    by: str = column("By", "Role or initials.")
    why: str = column("Why")


class Correction(Record):
    """corrections.csv: a cell put right; it applies only while the cell still reads `was`."""

    # `file` and `line` of Record say where the correction itself stands.
    of_file: str = column("File", "File of the cell.", kind="key", required=True)
    of_line: int = column("Line", "Line of the cell.", kind="count", required=True, ge=1)
    of_column: str = column("Column", "Blank for the whole row.", kind="key")
    was: str = column("Was", "What the cell reads.")
    now: str = column("Now", "A value, or reject, or accept.", required=True)
    by: str = column("By", "Role or initials.")
    on: dt.date = column("On", kind="date")
    why: str = column("Why")
    state: str = column("State", "applied, stale or not understood.", kind="key", required=True)
