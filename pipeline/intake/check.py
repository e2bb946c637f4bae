"""The cross stage: sheets that know of each other become the checked tables and the account."""

from __future__ import annotations

import datetime as dt

import polars as pl

from pipeline.figures import Figures
from pipeline.intake import corrections, patterns
from pipeline.intake.accounting import account, held_and_remarks, row_outcomes
from pipeline.intake.amounts import read_count
from pipeline.intake.columns import Given, issue_rows, join_issues, read_cells, read_dates
from pipeline.intake.headers import FAMILY, required
from pipeline.intake.names import Resolver, aliases
from pipeline.intake.settle import RETEST, exact_repeats, two_values
from pipeline.intake.sheets import Sheets
from pipeline.intake.standing import PLAIN, fills, held_rows, read_standing, references, two_tanks_at_once
from pipeline.intake.taps import read_taps
from pipeline.intake.visits import (
    kits_of,
    locate,
    long_to_wide,
    people_and_fish,
    read_changes,
    read_readings,
    taken_as,
)
from pipeline.week import Round
from schemas import BASE_TABLES, Tables, conform, empty
from schemas.words import PARAMETERS

KEY = ["file", "line"]
# family -> columns that refer to another family's ids: (column, family, its id, the row waits for it)
REFERENCES: dict[str, list[tuple[str, str, str, bool]]] = {
    "tank": [("site", "site", "site", True)],
    "compartment": [("model", "filter_model", "model", True), ("medium", "medium", "medium", False)],
    "filter": [("model", "filter_model", "model", False)],
    "placement": [("filter", "filter", "filter", True), ("tank", "tank", "tank", True)],
    "fill": [("filter", "filter", "filter", True), ("medium", "medium", "medium", True)],
    "feeding": [("tank", "tank", "tank", True)],
    "service": [("tank", "tank", "tank", False), ("filter", "filter", "filter", False)],
    "event": [("tank", "tank", "tank", True)],
    "promise": [("site", "site", "site", False), ("tank", "tank", "tank", False)],
    "noted": [("tank", "tank", "tank", True)],
}


class _Checked:
    """What is gathered on the way: issues, rows held whole, rows that repeat."""

    def __init__(self, sheets: Sheets) -> None:
        self.issues: list[pl.DataFrame] = [sheets.issues]
        self.whole: list[pl.DataFrame] = [
            sheets.issues.filter((pl.col("outcome") == "held") & (pl.col("line") > 0)).select(KEY)
        ]
        self.again: list[pl.DataFrame] = []
        self.places: list[pl.DataFrame] = []


def _standing(sheets: Sheets, given: Given, told: _Checked) -> Tables:
    """Every plain family, references followed, in the order of FAMILIES."""
    typed, issues, again = read_standing(sheets, given)
    tables: Tables = {}
    for name in PLAIN:
        frame = typed.get(name)
        if frame is None:
            tables[name] = empty(name)
            continue
        own = [issues[name]]
        for column, family, ident, waits in REFERENCES.get(name, []):
            known = tables[family][ident].to_list()
            frame, strange = references(frame, column, known, family.replace("_", " "), whole_row=waits)
            own.append(strange)
        if name == "fill":
            frame, closed = fills(frame)
            own += [closed, _compartments(frame, tables)]
        if name == "placement":
            own.append(two_tanks_at_once(frame.drop_nulls(["filter", "tank", "from"])))
        mine = join_issues(own)
        held = held_rows(name, mine)
        told.issues.append(mine)
        told.whole.append(held)
        told.again.append(again[name])
        frame = frame.join(held, on=KEY, how="anti", maintain_order="left")
        frame = frame.drop_nulls([c for c in required(FAMILY[name]) if c in frame.columns])
        if "tank" in frame.columns and name != "tank":
            day = next((c for c in ("date", "from", "made_on") if c in frame.columns), None)
            told.places.append(
                frame.select(*KEY, "tank", (pl.col(day) if day else pl.lit(None)).cast(pl.Date).alias("day"))
            )
        tables[name] = conform(name, frame.sort(KEY))
    tables["alias"] = conform("alias", aliases(tables["tank"]))
    return tables


def _compartments(frame: pl.DataFrame, tables: Tables) -> pl.DataFrame:
    """Fills in a compartment that the filter's model does not have; their rows wait."""
    book = tables["compartment"].select("model", "compartment").unique().with_columns(pl.lit(True).alias("known"))
    listed = (
        tables["compartment"]
        .group_by("model")
        .agg(pl.col("compartment").unique(maintain_order=True).str.join(", ").alias("has"))
    )
    joined = (
        frame.join(tables["filter"].select("filter", "model"), on="filter", how="left", maintain_order="left")
        .join(book, on=["model", "compartment"], how="left", maintain_order="left")
        .join(listed, on="model", how="left", maintain_order="left")
    )
    return issue_rows(
        joined,
        pl.col("known").is_null() & pl.col("has").is_not_null() & pl.col("compartment").is_not_null(),
        column="compartment",
        text=pl.col("compartment"),
        outcome="held",
        fault="compartment not known",
        says=pl.format(
            "“{}” is no compartment of model {}; expected {}. The row waits.", "compartment", "model", "has"
        ),
    )


def _visits(sheets: Sheets, given: Given, standing: Tables, told: _Checked) -> Tables:
    """Visit sheets to visit, reading and water_change."""
    resolver = Resolver(standing["alias"], standing["site"], standing["tank"])
    kits = kits_of(standing, given.figures)
    supplies = set(standing["site"]["water_supply"].drop_nulls()) | set(standing["tap"]["water_supply"].drop_nulls())
    visits: list[pl.DataFrame] = []
    readings: list[pl.DataFrame] = []
    changes = pl.DataFrame()
    for name in ("visit", "visit_long"):
        frame = sheets.frames.get(name)
        if frame is None or frame.height == 0:
            continue
        if name == "visit_long":
            frame, bad = long_to_wide(frame)
            told.issues.append(bad)
            stuck = bad.filter(pl.col("outcome") == "held").select(KEY).unique()
            told.whole.append(stuck)
            frame = frame.join(stuck, on=KEY, how="anti", maintain_order="left")
            frame = frame.with_columns(
                pl.lit("").alias(c) for c in ("water_changed", "change_kind", "new_water", "fish_seen", "fish_look")
            )
        placed, unplaced = locate(frame, given, resolver, standing)
        told.issues.append(unplaced)
        told.whole.append(
            unplaced.filter((pl.col("outcome") == "held") & pl.col("column").is_in(["date", "tank"]))
            .select(KEY)
            .unique()
        )
        placed = placed.drop("tank_id", strict=False).rename({"id": "tank_id"})
        again = exact_repeats(placed, name)
        told.again.append(again)
        placed = placed.join(again, on=KEY, how="anti", maintain_order="left")
        told.places.append(placed.select(*KEY, pl.col("tank_id").alias("tank"), "day"))
        placed = placed.with_row_index("row", sum(part.height for part in visits))
        placed, taken = taken_as(placed)
        placed, others = people_and_fish(placed, kits)
        told.issues += [taken, others]
        if name == "visit":
            for parameter in PARAMETERS:
                got, bad = read_readings(placed, parameter, parameter, kits, given)
                readings.append(got)
                told.issues.append(bad)
            changes, bad = read_changes(placed, given, standing, supplies)
            told.issues.append(bad)
        else:
            for (parameter,), part in placed.group_by("named", maintain_order=True):
                of_unit = part.with_columns(pl.col("unit").alias("unit of value")) if "unit" in part.columns else part
                got, bad = read_readings(of_unit, str(parameter), "value", kits, given)
                readings.append(got)
                told.issues.append(bad)
        visits.append(
            placed.select(
                "row",
                *KEY,
                pl.col("tank_id").alias("tank"),
                "day",
                "at",
                pl.col("taken_as").alias("taken"),
                "kit",
                pl.col("fish").alias("fish_seen"),
                pl.col("look").alias("fish_look"),
                "by",
                "note",
            )
        )
    visit = pl.concat(visits, how="diagonal_relaxed") if visits else pl.DataFrame()
    some = [part for part in readings if part.height]
    reading = pl.concat(some, how="diagonal_relaxed") if some else pl.DataFrame()
    return {"visit": visit, "reading": reading, "water_change": changes}


def _settled(found: Tables, told: _Checked) -> Tables:
    """Two values for the same thing are held, on both sides; equal ones count once."""
    visit, reading, change = found["visit"], found["reading"], found["water_change"]
    if reading.height:
        reading = reading.rename({"tank_id": "tank", "taken_as": "taken"})
        # Only rows of the same tank, time and stage can clash: most folders have none.
        shared = visit.filter(pl.len().over("tank", "at", "taken") > 1).select(
            "row", pl.col("note").fill_null("").str.contains(RETEST).alias("retest")
        )
        if shared.height:
            several, clash = two_values(
                reading.join(shared, on="row", how="inner", maintain_order="left"),
                ["tank", "at", "taken", "parameter", "retest"],
                ["low", "high"],
                pl.col("cell"),
            )
            told.issues.append(clash)
            reading = pl.concat([reading.join(shared, on="row", how="anti"), several.drop("retest")])
    if change.height:
        change, clash = two_values(change, ["tank", "at", "kind"], ["fraction", "litres"], pl.lit("water_changed"))
        told.issues.append(clash)
    return {"visit": visit, "reading": reading, "water_change": change}


def _once(sheets: Sheets, given: Given, accepted: pl.DataFrame) -> tuple[Tables, pl.DataFrame]:
    """One pass over the sheets: all tables, and all issues."""
    told = _Checked(sheets)
    standing = _standing(sheets, given, told)
    tap, tap_issues, tap_again = read_taps(sheets.frames.get("tap"), given)
    standing["tap"] = tap
    told.issues.append(tap_issues)
    told.again.append(tap_again)
    told.whole.append(
        tap_issues.filter((pl.col("outcome") == "held") & pl.col("column").is_in(["water_supply", "date"]))
        .select(KEY)
        .unique()
    )
    found = _settled(_visits(sheets, given, standing, told), told)
    if found["reading"].height:
        found["reading"], spoken = patterns.look(
            found["reading"], found["visit"], found["water_change"], standing, given
        )
        told.issues.append(spoken)
    issues = join_issues(told.issues)
    # A person who accepted a value has answered what was asked about it.
    issues = issues.join(
        accepted.with_columns(pl.lit("warned").alias("outcome")),
        on=["file", "line", "column", "outcome"],
        how="anti",
        nulls_equal=True,
        maintain_order="left",
    )
    rows = pl.concat([f.select(KEY) for f in sheets.frames.values()] + [told.whole[0]]).unique()
    outcomes = row_outcomes(
        rows,
        issues,
        pl.concat(told.whole),
        pl.concat([*told.again, pl.DataFrame(schema={"file": pl.String, "line": pl.Int64})]),
    )
    if found["visit"].height:
        found["visit"] = found["visit"].join(outcomes, on=KEY, how="left", maintain_order="left")
    tables: Tables = {**standing}
    for name, frame in found.items():
        tables[name] = conform(name, frame if name == "reading" else frame.sort(KEY)) if frame.height else empty(name)
    tables["account"] = account(sheets, outcomes)
    tables["unknown_column"] = conform("unknown_column", sheets.unknown.sort("file", "column"))
    places = (
        pl.concat([p.with_columns(pl.col("tank").cast(pl.String)) for p in told.places])
        if told.places
        else pl.DataFrame(schema={"file": pl.String, "line": pl.Int64, "tank": pl.String, "day": pl.Date})
    )
    tables |= held_and_remarks(issues, places)
    return tables, issues


def _correction_table(sheets: Sheets, states: pl.DataFrame, given: Given) -> pl.DataFrame:
    frame = sheets.frames.get("correction")
    if frame is None or frame.height == 0:
        return empty("correction")
    days, _ = read_dates(frame, "on", given)
    lines = read_cells(frame, "of_line", lambda text, _: read_count(text))
    return conform(
        "correction",
        frame.drop("on", "of_line")
        .with_columns(days.alias("on"), lines["low"].cast(pl.Int64, strict=False).alias("of_line"))
        .join(states, on=KEY, how="left", maintain_order="left")
        .with_columns(pl.col("state").fill_null("not understood"), pl.col("of_line").fill_null(1)),
    )


def check(sheets: Sheets, round_: Round, figures: Figures, today: dt.date) -> Tables:
    """All base tables of a log folder."""
    given = Given(round_, figures, today)
    right, touched, states = corrections.apply(sheets)
    accepted = touched.filter(pl.col("now") == corrections.ACCEPT).select("file", "line", "column")
    tables, issues = _once(right, given, accepted)
    offered = issues.filter((pl.col("outcome") == "held") & pl.col("suggestion").is_not_null()).join(
        accepted, on=["file", "line", "column"], how="semi", nulls_equal=True
    )
    if offered.height:
        tables, issues = _once(corrections.put(right, offered), given, accepted)
    spoken = touched.select(
        "file",
        "line",
        "column",
        pl.col("was").fill_null("").alias("text"),
        pl.lit("converted").alias("outcome"),
        pl.lit("correction").alias("fault"),
        pl.format("Put right in corrections.csv: was “{}”, now {}.", pl.col("was").fill_null(""), "now").alias("says"),
        pl.lit(None, pl.String).alias("suggestion"),
        pl.lit(None, pl.String).alias("tank"),
        pl.lit(None, pl.Date).alias("day"),
    )
    tables["remark"] = pl.concat([tables["remark"], conform("remark", spoken)]).sort(
        "file", "line", "column", nulls_last=False, maintain_order=True
    )
    tables["correction"] = _correction_table(sheets, states, given)
    return {name: tables[name] for name in BASE_TABLES}
