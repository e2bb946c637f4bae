"""The standing records: sites, tanks, the filter book, kits, feeding, and what is done and owed."""

from __future__ import annotations

from difflib import get_close_matches

import polars as pl

from pipeline.intake import amounts
from pipeline.intake.coded import CELL, read_cells
from pipeline.intake.columns import Given, issue_rows, join_issues, read_dates, reader_of
from pipeline.intake.headers import FAMILY, required
from pipeline.intake.jobs import put_off, timed
from pipeline.intake.limits import limits, masses
from pipeline.intake.settle import differing_cells
from pipeline.intake.sheets import ISSUE, Sheets, text_columns
from pipeline.units import factor
from schemas import FAMILIES, Tables, empty
from schemas.columns import describe

# Read here; visits, taps and corrections have rooms of their own.
PLAIN = [f.name for f in FAMILIES if f.name not in ("visit", "tap", "correction")]
# A second row of the same key with other values is a contradiction; of the rest only exact repeats are told.
ONE_ROW_A_KEY = frozenset(
    {"site", "tank", "medium", "filter_model", "compartment", "filter", "placement", "fill", "kit", "feeding"}
)


def read_plain(name: str, frame: pl.DataFrame, given: Given) -> tuple[pl.DataFrame, pl.DataFrame]:
    """A family's text frame to typed columns, and the issues of its cells."""
    notes = {n: note for n, note in describe(FAMILY[name].model).items() if n not in ("file", "line", "state")}
    columns: list[pl.Series] = [frame["file"], frame["line"]]
    issues: list[pl.DataFrame] = []
    for column, note in notes.items():
        if note.kind == "date":
            days, told = read_dates(frame, column, given)
            columns.append(days.rename(column))
            issues.append(told)
            continue
        cells = read_cells(frame, column, reader_of(note, given))
        issues.append(cells.issues(frame, column))
        used = pl.col("outcome") != "held"
        if note.kind in ("number", "share"):
            value = pl.when(used).then(pl.col("low"))
        elif note.kind == "count":
            value = pl.when(used).then(pl.col("low").round().cast(pl.Int64))
        elif note.kind == "steps":
            value = pl.when(used & (pl.col("text") != "")).then(pl.col("text"))
        else:
            value = pl.when(used & (pl.col("word") != "")).then(pl.col("word"))
        columns.append(cells.select(value.alias(column)))
    return pl.DataFrame(columns), join_issues(issues)


def missing_keys(name: str, frame: pl.DataFrame, typed: pl.DataFrame, issues: pl.DataFrame) -> pl.DataFrame:
    """Rows whose key cell is blank are held; a key cell that was held already holds its row by itself."""
    parts = []
    for column in required(FAMILY[name]):
        if column not in typed.columns:
            continue
        blank = frame.filter((frame[column] == "") & typed[column].is_null())
        parts.append(
            issue_rows(
                blank,
                pl.lit(True),
                column=column,
                text=pl.lit(""),
                outcome="held",
                fault="key missing",
                says=pl.lit(f"The row has no {column}; expected one. The row waits for it."),
            )
        )
    return join_issues([issues, *parts])


def held_rows(name: str, issues: pl.DataFrame) -> pl.DataFrame:
    """(file, line) of the rows that are held whole: by a key cell, or as a row."""
    keys = required(FAMILY[name])
    bad = issues.filter(
        (pl.col("outcome") == "held") & (pl.col("column").is_null() | pl.col("column").is_in(list(keys)))
    )
    return bad.select("file", "line").unique()


def repeats(name: str, frame: pl.DataFrame, text_names: list[str]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Exact repeats of earlier rows (file, line), and issues for rows that share a key and differ."""
    cells = [pl.col(c).str.to_lowercase() for c in text_names]
    first = pl.struct(cells).is_first_distinct()
    again = frame.filter(~frame.select(first.alias("first"))["first"]).select("file", "line")
    issues = pl.DataFrame(schema=ISSUE)
    if name in ONE_ROW_A_KEY:
        kept = frame.filter(frame.select(first.alias("first"))["first"])
        key = [pl.col(c).str.to_lowercase() for c in FAMILY[name].key]
        place = pl.format("{}, line {}", "file", "line")
        twice = kept.with_columns(
            pl.len().over(key).alias("n"),
            place.alias("place"),
        ).with_columns(pl.col("place").implode().over(key).list.join("; ").alias("places"))
        issues = issue_rows(
            twice,
            (pl.col("n") > 1) & pl.all_horizontal(pl.col(c) != "" for c in FAMILY[name].key[:1]),
            column=None,
            text=pl.concat_str(text_names, separator=","),
            outcome="held",
            fault="same key, other values",
            says=pl.format(
                "Rows for the same {} say different things ({}); expected one. Remove the wrong one.",
                pl.lit(" and ".join(FAMILY[name].key)),
                "places",
            ),
        )
    return again, issues


def references(
    typed: pl.DataFrame, column: str, known: list[str], what: str, *, whole_row: bool
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The frame with ids in their own spelling, and issues for names nobody knows; a near one is suggested."""
    if typed.height == 0:
        return typed, pl.DataFrame(schema=ISSUE)
    by_fold = {k.casefold(): k for k in known}
    names = typed[column].drop_nulls().unique().to_list()
    right = {n: by_fold[n.casefold()] for n in names if n.casefold() in by_fold}
    strange = [n for n in names if n not in right]
    near = {n: (get_close_matches(n.casefold(), list(by_fold), 1, 0.6) or [""])[0] for n in strange}
    issues = issue_rows(
        typed,
        pl.col(column).is_in(strange),
        column=column,
        text=pl.col(column),
        outcome="held",
        fault=f"{what} not known",
        says=pl.format("“{}” is no {} we know; expected one of those in its own file.", column, pl.lit(what))
        + (pl.lit(" The row waits for it.") if whole_row else pl.lit(" Left out.")),
        suggestion=pl.col(column).replace_strict(
            {n: by_fold.get(f, "") or None for n, f in near.items()}, default=None, return_dtype=pl.String
        ),
    )
    fixed = typed.with_columns(pl.col(column).replace_strict(right, default=None, return_dtype=pl.String).alias(column))
    return fixed, issues


def kits(typed: pl.DataFrame, given: Given) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Kits with their factor and their ladder in the canonical unit; a basis nobody knows holds the row."""
    pairs = typed.select("parameter", "basis", "steps").unique()
    factors, ladders = [], []
    for parameter, basis, steps in pairs.iter_rows():
        value = factor(parameter, basis or "") if parameter else None
        factors.append(value)
        ladder = amounts.read_steps(steps)[0] if steps else []
        ladders.append([step * (value or 1.0) for step in ladder])
    told = pairs.with_columns(
        pl.Series("factor", factors, pl.Float64), pl.Series("ladder", ladders, pl.List(pl.Float64))
    )
    joined = typed.join(told, on=["parameter", "basis", "steps"], how="left", nulls_equal=True, maintain_order="left")
    issues = issue_rows(
        joined,
        pl.col("factor").is_null() & pl.col("parameter").is_not_null(),
        column="basis",
        text=pl.col("basis"),
        outcome="held",
        fault="basis",
        says=pl.format(
            "“{}” is no basis of {} we know; expected e.g. NO3, NO3-N, NO2-N, NH4, NH3-N, dKH, mg/L CaCO3. The kit waits.",
            pl.col("basis").fill_null(""),
            "parameter",
        ),
    )
    return joined, issues


def fills(typed: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """A later row for the same filter, compartment and layer closes an open one, and says so."""
    if typed.height == 0:
        return typed, pl.DataFrame(schema=ISSUE)
    key = ["filter", "compartment", "layer"]
    ordered = typed.with_columns(pl.col("layer").fill_null(1)).sort(*key, "from", "file", "line", nulls_last=True)
    ordered = ordered.with_columns(
        pl.col("from").shift(-1).over(key).alias("next"),
        pl.col("file").shift(-1).over(key).alias("next_file"),
        pl.col("line").shift(-1).over(key).alias("next_line"),
    )
    closes = pl.col("to").is_null() & pl.col("next").is_not_null() & (pl.col("next") > pl.col("from"))
    issues = issue_rows(
        ordered,
        closes,
        column="to",
        text=pl.lit(""),
        outcome="converted",
        fault="closed by a later row",
        says=pl.format(
            "Closed on the day before {} by {}, line {}.", pl.col("next").cast(pl.String), "next_file", "next_line"
        ),
    )
    closed = ordered.with_columns(
        pl.when(closes).then(pl.col("next").dt.offset_by("-1d")).otherwise(pl.col("to")).alias("to")
    )
    return closed.sort("file", "line").drop("next", "next_file", "next_line"), issues


def two_tanks_at_once(typed: pl.DataFrame) -> pl.DataFrame:
    """A filter that stands on two tanks on the same day: both rows are held."""
    if typed.height < 2:
        return pl.DataFrame(schema=ISSUE)
    other = typed.select("filter", *(pl.col(c).alias(f"other_{c}") for c in ("tank", "from", "to", "file", "line")))
    far = pl.date(9999, 12, 31)
    pairs = typed.join(other, on="filter").filter(
        (pl.col("tank") != pl.col("other_tank"))
        & (pl.col("from") <= pl.col("other_to").fill_null(far))
        & (pl.col("other_from") <= pl.col("to").fill_null(far))
    )
    return issue_rows(
        pairs.unique(["file", "line"], keep="first", maintain_order=True),
        pl.lit(True),
        column=None,
        text=pl.concat_str("filter", "tank", pl.col("from").cast(pl.String), separator=","),
        outcome="held",
        fault="filter on two tanks at once",
        says=pl.format(
            "Filter {} would stand on {} and on {} ({}, line {}) on the same days; expected one tank at a time."
            " Give the earlier row its last day.",
            "filter",
            "tank",
            "other_tank",
            "other_file",
            "other_line",
        ),
    )


def read_standing(
    sheets: Sheets, given: Given
) -> tuple[dict[str, pl.DataFrame], dict[str, pl.DataFrame], dict[str, pl.DataFrame]]:
    """Typed frames, issues and exact repeats of every plain family, references not yet followed."""
    typed: dict[str, pl.DataFrame] = {}
    issues: dict[str, pl.DataFrame] = {}
    again: dict[str, pl.DataFrame] = {}
    for name in PLAIN:
        frame = sheets.frames.get(name)
        if frame is None:
            continue
        names = [n for n in describe(FAMILY[name].model) if n not in ("file", "line", "state")]
        again[name], contradictions = repeats(name, frame, names)
        frame = frame.join(again[name], on=["file", "line"], how="anti", maintain_order="left")
        values, told = read_plain(name, frame, given)
        values, beyond = limits(name, frame, values, given)
        told = missing_keys(name, frame, values, told)
        extra = [contradictions, beyond]
        if name == "kit":
            values, bases = kits(values, given)
            extra.append(bases)
        issues[name] = join_issues([told, *extra])
        typed[name] = values.join(held_rows(name, issues[name]), on=["file", "line"], how="anti", maintain_order="left")
        if name == "kit":
            typed[name] = typed[name].filter(pl.col("factor").is_not_null())
    _side_by_side(sheets, typed, issues, given)
    return typed, issues, again


def _side_by_side(
    sheets: Sheets, typed: dict[str, pl.DataFrame], issues: dict[str, pl.DataFrame], given: Given
) -> None:
    """What is said of a family only beside others: it joins that family's own issues."""
    book: Tables = {name: typed.get(name, empty(name)) for name in ("filter", "filter_model", "compartment", "medium")}
    if "fill" in typed:
        told = masses({**book, "fill": typed["fill"]}, sheets.frames["fill"], given.assumed)
        issues["fill"] = join_issues([issues["fill"], told])
    if "service" in typed:
        text = sheets.frames["service"]
        key = list(FAMILY["service"].key)
        rest = [name for name in text_columns("service") if name not in key]
        typed["service"], twice = differing_cells(text, typed["service"], key, rest)
        typed["service"], over = timed(typed["service"], text, book, given.assumed)
        issues["service"] = join_issues([issues["service"], twice, over, put_off(typed["service"], text)])


__all__ = ["CELL", "PLAIN", "fills", "held_rows", "read_standing", "references", "two_tanks_at_once"]
