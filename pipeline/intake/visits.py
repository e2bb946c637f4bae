"""Visit sheets, wide and long, to visits, readings and water changes."""

from __future__ import annotations

import polars as pl

from pipeline.figures import Figures
from pipeline.intake import amounts
from pipeline.intake.columns import Given, issue_rows, issues_of, join_issues, read_cells, read_dates
from pipeline.intake.dates import read_time
from pipeline.intake.grammar import Cell, read_word
from pipeline.intake.ladders import KitRow, read_reading
from pipeline.intake.meanings import Meanings
from pipeline.intake.names import Resolver, fold_name
from pipeline.intake.sheets import unit_column
from schemas import Tables
from schemas.words import CANON, FISH_LOOK, PARAMETERS, TAKEN

KEY = ["file", "line"]


def tanks_meant(frame: pl.DataFrame, resolver: Resolver) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The frame with `id`, the tank meant, and the issues of its tank cells."""
    named = frame.select("tank", "site").unique(maintain_order=True)
    found = [
        resolver.find(tank, site)
        if tank
        else (None, "held", "key missing", "The row names no tank; expected one. The row waits for it.", "")
        for tank, site in named.iter_rows()
    ]
    names = ("id", "outcome", "fault", "says", "suggestion")
    told = named.with_columns(
        pl.Series(name, [entry[i] or None for entry in found], pl.String) for i, name in enumerate(names)
    )
    joined = frame.select(*KEY, "tank", "site").join(told, on=["tank", "site"], how="left", maintain_order="left")
    issues = issues_of(frame, joined.with_columns(pl.col("tank").alias("text")), "tank")
    return frame.with_columns(joined["id"]), issues


def _days(frame: pl.DataFrame, given: Given, standing: Tables) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The frame with `day`; a day the tank did not run, or to come, holds the row."""
    route = (
        standing["tank"]
        .select(pl.col("tank").alias("id"), "site", "set_up", "closed")
        .join(standing["site"].select("site", "visit_day"), on="site", how="left")
        .select("id", "visit_day", "set_up", "closed")
    )
    joined = frame.select("id").join(route, on="id", how="left", maintain_order="left")
    days, issues = read_dates(frame, "date", given, joined["visit_day"])
    dated = frame.with_columns(days.alias("day"), joined["set_up"], joined["closed"])
    blank = issue_rows(
        dated,
        (pl.col("date") == "") | (pl.col("day").is_null() & (pl.col("date") == "-")),
        column="date",
        text=pl.col("date"),
        outcome="held",
        fault="key missing",
        says=pl.lit("The row has no date; expected one such as 2026-06-01. The row waits for it."),
    )
    tests = [
        (
            pl.col("day") > given.today,
            "future",
            "The day is in the future; expected one up to the day of loading. The row waits.",
        ),
        (
            pl.col("day") < pl.col("set_up"),
            "before set up",
            "The day is before the tank was set up; expected a later one. The row waits.",
        ),
        (
            pl.col("day") > pl.col("closed"),
            "after closing",
            "The day is after the tank was closed; expected an earlier one. The row waits.",
        ),
    ]
    beyond = [
        issue_rows(
            dated,
            test.fill_null(False),
            column="date",
            text=pl.col("date"),
            outcome="held",
            fault=fault,
            says=pl.lit(says),
        )
        for test, fault, says in tests
    ]
    return dated.drop("set_up", "closed"), join_issues([issues, blank, *beyond])


def locate(frame: pl.DataFrame, given: Given, standing: Tables) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows of `tanks_meant` with their `tank_id`, day and time; rows that can't be placed are held and left out."""
    dated, dates = _days(frame, given, standing)
    texts = dated["time"].unique(maintain_order=True)
    times = [read_time(text) for text in texts.to_list()]
    clock = pl.DataFrame(
        {
            "time": texts,
            "clock": pl.Series([t[0] for t in times], dtype=pl.Time),
            "outcome": [t[1].outcome for t in times],
            "fault": [t[1].fault or None for t in times],
            "says": [t[1].says or None for t in times],
        },
        schema_overrides={"fault": pl.String, "says": pl.String},
    )
    timed = dated.join(clock, on="time", how="left", maintain_order="left")
    late = issues_of(
        dated,
        timed.select(
            pl.col("time").alias("text"), "outcome", "fault", "says", pl.lit(None, pl.String).alias("suggestion")
        ),
        "time",
    )
    issues = join_issues([dates, late])
    placed = timed.drop("outcome", "fault", "says").with_columns(
        pl.when(pl.col("clock").is_null())
        .then(pl.col("day").cast(pl.Datetime("us")))
        .otherwise(pl.col("day").dt.combine(pl.col("clock")))
        .alias("at")
    )
    stuck = issues.filter((pl.col("outcome") == "held") & (pl.col("column") == "date")).select(KEY).unique()
    placed = placed.filter(pl.col("id").is_not_null()).rename({"id": "tank_id"})
    return placed.join(stuck, on=KEY, how="anti", maintain_order="left"), issues


def kits_of(standing: Tables, figures: Figures) -> dict[tuple[str, str], KitRow]:
    """(kit id folded, parameter) -> its ladder, and the last day it was in date and not open too long."""
    months = int(figures["kit_open_months"])
    rows = standing["kit"].select(
        "kit",
        "parameter",
        "ladder",
        "factor",
        "basis",
        pl.min_horizontal("expires", pl.col("opened").dt.offset_by(f"{months}mo")),
    )
    return {
        (fold_name(kit), parameter): KitRow(
            tuple(step / times for step in ladder or ()), times, basis or "", good_until
        )
        for kit, parameter, ladder, times, basis, good_until in rows.iter_rows()
    }


def read_readings(
    placed: pl.DataFrame,
    parameter: str,
    column: str,
    kits: dict[tuple[str, str], KitRow],
    given: Given,
    meanings: Meanings,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The readings of one column, and its issues. `kit` on a reading is only a kit that has rows for the parameter."""
    typed = placed.filter(pl.col(column).fill_null("") != "")
    if typed.height == 0:
        return pl.DataFrame(), join_issues([])
    unit = pl.col(unit_column(column)).fill_null("") if unit_column(column) in typed.columns else pl.lit("")
    keyed = typed.with_columns(pl.col(column).alias("text"), unit.alias("header_unit"))
    distinct = keyed.select("text", "header_unit", "kit").unique(maintain_order=True)
    used = [kits.get((fold_name(kit), parameter)) if kit else None for kit in distinct["kit"]]
    taken = [
        read_reading(parameter, text, of, kit, given.figures)
        for (text, of, _), kit in zip(distinct.iter_rows(), used, strict=True)
    ]
    read = distinct.with_columns(
        pl.Series("low", [t.low for t in taken], pl.Float64),
        pl.Series("high", [t.high for t in taken], pl.Float64),
        pl.Series("matched", [t.matched for t in taken], pl.Float64),
        *(
            pl.Series(name, [getattr(t.cell, name) or None for t in taken], pl.String)
            for name in ("outcome", "fault", "says", "suggestion")
        ),
        pl.Series("unit", [t.cell.unit or None for t in taken], pl.String),
        pl.Series(
            "meaning",
            [
                meanings.number(parameter, text, of, kit if row else None, one) if one.matched is not None else None
                for (text, of, kit), row, one in zip(distinct.iter_rows(), used, taken, strict=True)
            ],
            pl.UInt32,
        ),
        pl.Series("mine", [kit is not None for kit in used], pl.Boolean),
        pl.Series("good_until", [kit.good_until if kit else None for kit in used], pl.Date),
    )
    joined = keyed.drop("unit", strict=False).join(
        read, on=["text", "header_unit", "kit"], how="left", nulls_equal=True, maintain_order="left"
    )
    issues = issues_of(joined, joined, column)
    readings = joined.filter(pl.col("matched").is_not_null()).select(
        "row",
        *KEY,
        "tank_id",
        "day",
        "at",
        "taken_as",
        pl.lit(parameter).alias("parameter"),
        "low",
        "high",
        "matched",
        pl.when(pl.col("header_unit") != "")
        .then(pl.col("header_unit"))
        .otherwise(pl.lit(CANON[parameter]))
        .alias("unit"),
        "text",
        pl.when(pl.col("mine")).then(pl.col("kit")).alias("kit"),
        pl.col("outcome"),
        (pl.col("day") > pl.col("good_until")).fill_null(False).alias("expired"),
        pl.lit(column).alias("cell"),
        "meaning",
    )
    return readings, issues


def taken_as(placed: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The frame with `taken_as`: blank is before on a day with a change, none otherwise; "after" needs a change."""
    cells = read_cells(placed, "taken", lambda text, _: read_word(text, TAKEN, "way of taking"))
    changed = pl.col("water_changed").fill_null("").is_in(["", "-", "none", "no", "0"]).not_()
    frame = placed.with_columns(cells["word"].alias("said"), cells["outcome"].alias("said_outcome")).with_columns(
        changed.any().over("tank_id", "day").alias("change_day")
    )
    wrong = (pl.col("said") == "after") & ~pl.col("change_day")
    told = issue_rows(
        frame,
        wrong.fill_null(False),
        column="taken",
        text=pl.col("taken"),
        outcome="held",
        fault="after without a change",
        says=pl.lit(
            "Taken “after”, but no water change stands on that day; expected the change, or none. Taken as unknown."
        ),
    )
    frame = frame.with_columns(
        pl.when(wrong.fill_null(False) | (pl.col("said_outcome") == "held"))
        .then(pl.lit("unknown"))
        .when(pl.col("said").is_not_null())
        .then(pl.col("said"))
        .when(pl.col("change_day"))
        .then(pl.lit("before"))
        .otherwise(pl.lit("none"))
        .alias("taken_as")
    )
    return frame.drop("said", "said_outcome"), join_issues([issues_of(placed, cells, "taken"), told])


def people_and_fish(placed: pl.DataFrame, kits: dict[tuple[str, str], KitRow]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Fish seen, how they look, and kits nobody knows."""
    seen = read_cells(placed, "fish_seen", lambda text, _: amounts.read_count(text))
    look = read_cells(placed, "fish_look", lambda text, _: read_word(text, FISH_LOOK, "look of fish"))
    known = {kit for kit, _ in kits}

    def kit(text: str, _: str) -> Cell:
        if not text or fold_name(text) in known:
            return Cell(word=text)
        return Cell(
            "warned",
            word=text,
            fault="kit not known",
            says=f"“{text[:40]}” is no kit of kits.csv: its readings are taken in the usual units. Add it there.",
        )

    kits_used = read_cells(placed, "kit", kit)
    frame = placed.with_columns(
        pl.when(seen["outcome"] != "held").then(seen["low"]).alias("fish"),
        pl.when(look["outcome"] != "held").then(look["word"]).alias("look"),
    )
    told = [
        issues_of(placed, seen, "fish_seen"),
        issues_of(placed, look, "fish_look"),
        issues_of(placed, kits_used, "kit"),
    ]
    return frame, join_issues(told)


def long_to_wide(frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """A long sheet with its parameter read, and one column of CANON's names filled a row."""
    cells = read_cells(frame, "parameter", lambda text, _: read_word(text, PARAMETERS, "parameter"))
    wide = frame.with_columns(pl.when(cells["outcome"] != "held").then(cells["word"]).alias("named"))
    issues = issues_of(frame, cells, "parameter")
    blank = issue_rows(
        frame,
        pl.col("parameter") == "",
        column="parameter",
        text=pl.lit(""),
        outcome="held",
        fault="key missing",
        says=pl.lit("The row names no parameter; expected one. The row waits for it."),
    )
    return wide, join_issues([issues, blank])
