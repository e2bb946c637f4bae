"""The cross stage: sheets that know of each other become the checked tables and the account."""

import datetime as dt
from collections.abc import Iterable, Mapping

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.intake import corrections
from pipeline.intake.accounting import account, held_and_remarks, row_outcomes
from pipeline.intake.amounts import read_count
from pipeline.intake.columns import KEY, Context, count_of, day_of, join_issues, read_columns, read_dates
from pipeline.intake.headers import FAMILY, required
from pipeline.intake.names import aliases, fold_name
from pipeline.intake.readings import read_taps
from pipeline.intake.sheets import UNKNOWN, Sheets
from pipeline.intake.standing import PLAIN, called, compartments, fills, read_standing, references, two_tanks_at_once
from pipeline.intake.visits import PLACE, Collected, read_visits
from pipeline.week import Round
from schemas import Tables, conform, empty
from schemas.tables import BASE_TABLES

CELL = [*KEY, "column"]
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


def _places(frame: pl.DataFrame, tanks: Iterable[str], names: Mapping[str, str], context: Context) -> pl.DataFrame:
    """Where each row of a sheet belongs, held or not: the tank it types, where it is a known one, and its day."""
    by_fold, ids = {**names, **{fold_name(tank): tank for tank in tanks}}, set(tanks)
    meant = {text: text if text in ids else by_fold.get(fold_name(text)) for text in set(frame["tank"])}
    tank = pl.col("tank").replace_strict(meant, default=None, return_dtype=pl.String)
    day = next((name for name in ("date", "from", "made_on") if name in frame.columns), None)
    days = read_dates(frame, [day], context)[day].values(day_of, pl.Date) if day else pl.lit(None, pl.Date)
    return frame.select(*KEY, tank, days.alias("day"), pl.lit(None, pl.String).alias("parameter"))


def _standing(sheets: Sheets, context: Context, found: Collected) -> Tables:
    """Every plain family, references followed, in the order of FAMILIES."""
    families = read_standing(sheets, context)
    tables: Tables = {"alias": empty("alias")}
    names: dict[str, str] = {}
    for name in PLAIN:
        family = families.get(name)
        if family is None:
            tables[name] = empty(name)
            continue
        keys = required(FAMILY[name])
        for column, other, ident, waits in REFERENCES.get(name, []):
            known = tables[other].select(ident, *(["name"] if "name" in tables[other].columns else []))
            family.rows, strange = references(
                family.rows,
                column,
                known,
                other.replace("_", " "),
                whole_row=waits,
                names=names if other == "tank" else {},
            )
            family.add(strange, [column] if waits else [])
        if name == "fill":
            family.rows, closed = fills(family.rows)
            family.add(closed)
            family.add(compartments(family.rows, tables), ["compartment"])
        if name == "placement":
            family.add(two_tanks_at_once(family.rows), [None])
        if name != "tank" and "tank" in family.rows.columns:
            found.places.append(_places(sheets.frames[name], tables["tank"]["tank"].to_list(), names, context))
        found.issues += family.issues
        found.whole += family.held
        found.again.append(family.again)
        family.drop_held()
        rows = family.rows.drop_nulls([c for c in keys if c in family.rows.columns])
        tables[name] = conform(name, rows.sort(KEY))
        if name == "tank":
            tables["alias"] = conform("alias", aliases(tables["tank"]))
            names = called(tables["alias"])
    return tables


def _once(sheets: Sheets, context: Context, accepted: pl.DataFrame) -> tuple[Tables, pl.DataFrame]:
    """One pass over the sheets: all tables, and all issues."""
    torn = (pl.col("outcome") == "held") & (pl.col("line") > 0) & pl.col("column").is_null()
    held_lines = sheets.issues.filter(torn).select(KEY)
    found = Collected(
        [sheets.issues], [held_lines], [held_lines.clear()], [pl.DataFrame(schema=PLACE)], [sheets.unknown]
    )
    tables = _standing(sheets, context, found)
    tables["tap"], tap_issues, tap_again, tap_held = read_taps(sheets.frames.get("tap"), context)
    found.issues.append(tap_issues)
    found.again.append(tap_again)
    found.whole.append(tap_held)
    tables |= read_visits(sheets, context, tables, found)
    issues = join_issues(found.issues)
    # A person who accepted a value has answered what was asked about it.
    answered = accepted.with_columns(pl.lit("warned").alias("outcome"))
    issues = issues.join(answered, on=[*CELL, "outcome"], how="anti", nulls_equal=True, maintain_order="left")
    doubt = tables["doubt"].join(accepted, on=CELL, how="anti", nulls_equal=True, maintain_order="left")
    tables["doubt"] = conform("doubt", doubt)
    outcomes = row_outcomes(issues, pl.concat(found.whole), pl.concat(found.again))
    visit = tables["visit"].drop("outcome").join(outcomes, on=KEY, how="left", maintain_order="left")
    tables["visit"] = conform("visit", visit.with_columns(pl.col("outcome").fill_null("accepted")))
    tables["account"] = account(sheets, outcomes)
    unknown = pl.concat([part.select(list(UNKNOWN)) for part in found.unknown])
    tables["unknown_column"] = conform("unknown_column", unknown.sort("file", "column", maintain_order=True))
    tables |= held_and_remarks(issues, pl.concat(found.places))
    return tables, issues


def _correction_table(sheets: Sheets, states: pl.DataFrame, context: Context) -> pl.DataFrame:
    frame = sheets.frames.get("correction")
    if frame is None or frame.height == 0:
        return empty("correction")
    days = read_dates(frame, ["on"], context)["on"].values(day_of, pl.Date)
    lines = read_columns(frame, {"of_line": lambda text, _: read_count(text)})["of_line"].values(count_of, pl.Int64)
    typed = frame.with_columns(days, lines)
    known = typed.join(states, on=KEY, how="left", maintain_order="left")
    return conform(
        "correction",
        known.with_columns(pl.col("state").fill_null("not understood"), pl.col("of_line").fill_null(1)),
    )


def check(sheets: Sheets, round_: Round, assumed: Assumptions, today: dt.date) -> Tables:
    """All base tables of a log folder."""
    context = Context(round_, assumed, today)
    right, touched, states = corrections.apply(sheets)
    cells, rows = touched.filter(pl.col("column").is_not_null()), touched.filter(pl.col("column").is_null())
    accepted = cells.filter(pl.col("now") == corrections.ACCEPT).select(CELL)
    marked = right.with_issues(corrections.remarks_on_cells(cells), corrections.remarks(sheets, states))
    tables, issues = _once(marked, context, accepted)
    mine = issues.filter(pl.col("outcome") == "held").join(accepted, on=CELL, how="semi", nulls_equal=True)
    if mine.height:
        offered = mine.filter(pl.col("suggestion").is_not_null()).unique(CELL, keep="first", maintain_order=True)
        states = corrections.nothing_to_accept(sheets, states, mine.join(offered, on=CELL, how="anti"))
        marked = corrections.put(right, offered).with_issues(
            corrections.remarks_on_cells(cells, offered), corrections.remarks(sheets, states)
        )
        tables, issues = _once(marked, context, accepted)
    gone = conform("remark", corrections.remarks_on_cells(rows))
    tables["remark"] = pl.concat([tables["remark"], gone]).sort(CELL, nulls_last=False, maintain_order=True)
    tables["correction"] = _correction_table(sheets, states, context)
    return {name: tables[name] for name in BASE_TABLES}
