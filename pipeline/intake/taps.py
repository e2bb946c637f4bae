"""Tap tests: one row a test of a supply, kept as one row a parameter."""

import polars as pl

from pipeline.intake.columns import KEY, Context, join_issues, read_dates
from pipeline.intake.judge import judge
from pipeline.intake.readings import read_typed, typed_wide
from pipeline.intake.settle import contradicts, two_values
from pipeline.intake.standing import first_told
from schemas import conform, empty
from schemas.parameters import RECORDS
from schemas.places import TapSheet

MEASURED = [record.name for record in RECORDS if record.in_tap]


def read_taps(
    frame: pl.DataFrame | None, context: Context
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """The tap table, its issues, and the rows that repeat and that are held (file, line)."""
    if frame is None or frame.height == 0:
        nothing = pl.DataFrame(schema={"file": pl.String, "line": pl.Int64})
        return empty("tap"), join_issues([]), nothing, nothing
    frame, again = first_told(frame, ["water_supply", "date", *MEASURED, "note"])
    days, unread = read_dates(frame, "date", context)
    supply = pl.when(pl.col("water_supply") != "").then("water_supply").alias("water_supply")
    judged = judge(TapSheet, frame.with_columns(days.alias("date"), supply), context, frame)
    cells = typed_wide(judged.good, MEASURED, [*KEY, "water_supply", "date"])
    read, unreadable = read_typed(cells, {}, context)
    issues = [unread, judged.issues, unreadable]
    at = pl.col("date").cast(pl.Datetime("us")).alias("at")
    readings = read.with_columns(at, pl.col("date").alias("day")).drop("kit")
    same = ["water_supply", "day", "parameter"]
    tap, clash = two_values(readings, same, contradicts(), pl.col("parameter"))
    return conform("tap", tap.sort(*KEY, "parameter")), join_issues([*issues, clash]), again, judged.held
