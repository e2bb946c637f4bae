"""The cross stage: sheets that know of each other become the checked tables and the account."""

from __future__ import annotations

import datetime as dt

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.intake import corrections, gate
from pipeline.intake.accounting import account, held_and_remarks, row_outcomes
from pipeline.intake.amounts import read_count
from pipeline.intake.coded import read_cells
from pipeline.intake.columns import Given, issue_rows, join_issues, read_dates
from pipeline.intake.headers import FAMILY, required
from pipeline.intake.meanings import with_readings
from pipeline.intake.names import aliases
from pipeline.intake.sheets import Sheets
from pipeline.intake.standing import PLAIN, fills, held_rows, read_standing, references, two_tanks_at_once
from pipeline.intake.taps import read_taps
from pipeline.intake.visit_batches import PLACE, Told, read_visits
from pipeline.week import Round
from schemas import BASE_TABLES, Tables, conform, empty

KEY = ["file", "line"]
CELL = ["file", "line", "column"]
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


def _standing(sheets: Sheets, given: Given, told: Told) -> Tables:
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
        tables[name], strange = gate.through(name, conform(name, frame.sort(KEY)))
        told.issues.append(strange)
        told.whole.append(strange.select(KEY).unique())
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


def _once(sheets: Sheets, given: Given, accepted: pl.DataFrame) -> tuple[Tables, pl.DataFrame]:
    """One pass over the sheets: all tables, and all issues."""
    held_lines = sheets.issues.filter(
        (pl.col("outcome") == "held") & (pl.col("line") > 0) & pl.col("column").is_null()
    ).select(KEY)
    told = Told([sheets.issues], [held_lines])
    standing = _standing(sheets, given, told)
    tap, tap_issues, tap_again = read_taps(sheets.frames.get("tap"), given)
    standing["tap"], strange = gate.through("tap", tap)
    told.issues.append(strange)
    told.whole.append(strange.select(KEY).unique())
    told.again.append(tap_again)
    told.whole_where(tap_issues, ["water_supply", "date"])
    found, strange, whole = gate.visits_through(read_visits(sheets, given, standing, told))
    told.issues.append(strange)
    told.whole.append(whole)
    issues = join_issues(told.issues)
    # A person who accepted a value has answered what was asked about it.
    if accepted.height:
        issues = issues.join(
            accepted.with_columns(pl.lit("warned").alias("outcome")),
            on=["file", "line", "column", "outcome"],
            how="anti",
            nulls_equal=True,
            maintain_order="left",
        )
    outcomes = row_outcomes(issues, pl.concat(told.whole), pl.concat([held_lines.clear(), *told.again]))
    of_visits = [n for n in ("visit", "visit_long") if n in sheets.frames]
    visit_files = {f for n in of_visits for f in sheets.frames[n]["file"].unique()}
    waiting = pl.concat(told.whole).unique().filter(pl.col("file").is_in(visit_files))
    found["sheet_row"] = pl.concat(
        [found["sheet_row"], waiting.join(found["sheet_row"], on=KEY, how="anti")], how="diagonal_relaxed"
    )
    for name in ("visit_row", "sheet_row"):
        if found[name].height:
            found[name] = (
                found[name]
                .join(outcomes, on=KEY, how="left", maintain_order="left")
                .with_columns(pl.col("outcome").fill_null("accepted"))
            )
    tables: Tables = {**standing, **found}
    tables["account"] = account(sheets, outcomes)
    tables["unknown_column"] = conform("unknown_column", sheets.unknown.sort("file", "column"))
    places = pl.concat(
        [pl.DataFrame(schema=PLACE), *(p.with_columns(pl.col("tank").cast(pl.String)) for p in told.places)]
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


def check(sheets: Sheets, round_: Round, assumed: Assumptions, today: dt.date) -> Tables:
    """All base tables of a log folder."""
    tables = with_readings(check_parts(sheets, round_, assumed, today))
    return {name: tables[name] for name in BASE_TABLES}


def check_parts(
    sheets: Sheets,
    round_: Round,
    assumed: Assumptions,
    today: dt.date,
    kept_changes: pl.DataFrame | None = None,
    kept_corrections: pl.DataFrame | None = None,
) -> Tables:
    """All base tables, the readings in parts: visit_row, reading_cell, meaning; and sheet_row, where each row belongs.

    `kept_changes` are water changes, `kept_corrections` the rows of the table `correction`, of sheets that are not among
    these, but count.
    """
    given = Given(round_, assumed, today, kept_changes)
    right, touched, states = corrections.apply(sheets, kept_corrections)
    cells, rows = touched.filter(pl.col("column").is_not_null()), touched.filter(pl.col("column").is_null())
    accepted = cells.filter(pl.col("now") == corrections.ACCEPT).select(CELL)
    told = right.telling(corrections.told_of_cells(cells), corrections.said(sheets, states))
    tables, issues = _once(told, given, accepted)
    mine = issues.filter(pl.col("outcome") == "held").join(accepted, on=CELL, how="semi", nulls_equal=True)
    if mine.height:
        offered = mine.filter(pl.col("suggestion").is_not_null()).unique(CELL, keep="first", maintain_order=True)
        states = corrections.nothing_to_accept(sheets, states, mine.join(offered, on=CELL, how="anti"))
        told = corrections.put(right, offered).telling(
            corrections.told_of_cells(cells, offered), corrections.said(sheets, states)
        )
        tables, issues = _once(told, given, accepted)
    gone = conform("remark", corrections.told_of_cells(rows))
    tables["remark"] = pl.concat([tables["remark"], gone]).sort(
        "file", "line", "column", nulls_last=False, maintain_order=True
    )
    tables["correction"] = _correction_table(sheets, states, given)
    return tables
