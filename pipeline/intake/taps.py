"""Tap tests: one row a test of a supply, kept as one row a parameter."""

from __future__ import annotations

import polars as pl

from pipeline.intake.coded import TOLD, Cells, texts_of
from pipeline.intake.columns import Given, issue_rows, join_issues, read_dates
from pipeline.intake.ladders import read_reading
from pipeline.intake.settle import two_values
from schemas import conform, empty

MEASURED = ("nitrate", "ph", "kh", "ammonia")
KEY = ["file", "line"]


def _readings(frame: pl.DataFrame, parameter: str, given: Given) -> tuple[pl.DataFrame, pl.DataFrame]:
    typed = frame.filter(pl.col(parameter).fill_null("") != "")
    if typed.height == 0:
        return pl.DataFrame(), join_issues([])
    texts = texts_of(typed, parameter)
    taken = [read_reading(parameter, text, of, None, given.assumed) for text, of in texts.values.iter_rows()]
    read = texts.values.with_columns(
        pl.Series("low", [t.low for t in taken], pl.Float64),
        pl.Series("high", [t.high for t in taken], pl.Float64),
        pl.Series("matched", [t.matched for t in taken], pl.Float64),
        *(pl.Series(name, [getattr(t.cell, name) or None for t in taken], pl.String) for name in TOLD),
    )
    cells = Cells(texts.codes, read)
    kept = (
        typed.select(*KEY, "water_supply", "day", pl.lit(parameter).alias("parameter"))
        .with_columns(cells[name].alias(name) for name in ("low", "high", "matched", "text", "outcome"))
        .filter(pl.col("matched").is_not_null())
    )
    return kept, cells.issues(typed, parameter)


def read_taps(frame: pl.DataFrame | None, given: Given) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """The tap table, its issues, and the rows that repeat."""
    nothing = pl.DataFrame(schema={"file": pl.String, "line": pl.Int64})
    if frame is None or frame.height == 0:
        return empty("tap"), join_issues([]), nothing
    cells = [pl.col(c).fill_null("").str.to_lowercase() for c in ("water_supply", "date", *MEASURED, "note")]
    first = frame.select(pl.struct(cells).is_first_distinct().alias("first"))["first"]
    again = frame.filter(~first).select(KEY)
    frame = frame.filter(first)
    days, told = read_dates(frame, "date", given)
    frame = frame.with_columns(days.alias("day"))
    blank = [
        issue_rows(
            frame,
            pl.col(name) == "",
            column=name,
            text=pl.lit(""),
            outcome="held",
            fault="key missing",
            says=pl.lit(f"The row has no {name.replace('_', ' ')}; expected one. The row waits for it."),
        )
        for name in ("water_supply", "date")
    ]
    future = issue_rows(
        frame,
        (pl.col("day") > given.today).fill_null(False),
        column="date",
        text=pl.col("date"),
        outcome="held",
        fault="future",
        says=pl.lit("The day is in the future; expected one up to the day of loading. The row waits."),
    )
    issues = [told, *blank, future]
    stuck = join_issues(issues).filter(pl.col("outcome") == "held").select(KEY).unique()
    good = frame.join(stuck, on=KEY, how="anti", maintain_order="left")
    parts = []
    for parameter in MEASURED:
        kept, told = _readings(good, parameter, given)
        issues.append(told)
        if kept.height:
            parts.append(kept)
    if not parts:
        return empty("tap"), join_issues(issues), again
    timeless = pl.concat(parts).with_columns(pl.col("day").cast(pl.Datetime("us")).alias("at"))
    same = ["water_supply", "day", "parameter"]
    tap, clash = two_values(timeless, same, ["low", "high"], pl.col("parameter"), ask=False)
    tap = tap.drop("date", strict=False).rename({"day": "date"})
    return conform("tap", tap.sort(*KEY, "parameter")), join_issues([*issues, clash]), again
