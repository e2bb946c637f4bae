"""The cross stage: sheets that know of each other become the checked tables, and the account of every file, in which
every row is once, by its worst cell."""

import datetime as dt
from typing import Any

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.intake import corrections
from pipeline.intake.amounts import read_count
from pipeline.intake.columns import CELL, KEY, Collected, Context, count_of, join_issues, read_columns, read_dates
from pipeline.intake.readings import read_taps
from pipeline.intake.sheets import UNKNOWN, Sheets
from pipeline.intake.standing import read_standing
from pipeline.intake.visits import read_visits
from pipeline.week import Round
from schemas import Tables, conform, empty
from schemas.tables import BASE_TABLES
from schemas.words import PARAMETERS, ROW_OUTCOMES

PLACE = {"file": pl.String, "line": pl.Int64, "tank": pl.String, "day": pl.Date, "parameter": pl.String}
# Explanations of one odd value, most checkable first: first what the sheet or the kit's box shows, then what somebody
# must be asked, last what needs a retest. All else that is said of a value is a fact and stands before them.
EXPLANATIONS = (
    "two times", "swapped", "copied down", "possible N basis", "taken after", "missed change", "top-up", "not shaken", "leap",
)  # fmt: skip
CONVERTED = len(EXPLANATIONS) + 1  # how a value was read, told last


def row_outcomes(issues: pl.DataFrame, whole: pl.DataFrame, again: pl.DataFrame) -> pl.DataFrame:
    """(file, line, outcome) of every row that was not simply accepted: `whole` rows are held, `again` rows repeat,
    others are as bad as their cells."""
    parts = [
        issues.filter(pl.col("line") > 0).select(*KEY, pl.col("outcome").replace("held", "part_held")),
        whole.with_columns(outcome=pl.lit("held")),
        again.with_columns(outcome=pl.lit("repeats")),
    ]
    in_order = pl.col("outcome").cast(pl.Enum(ROW_OUTCOMES))
    return pl.concat(parts).group_by(KEY).agg(in_order.max().cast(pl.String))


def account(sheets: Sheets, torn: pl.DataFrame, outcomes: pl.DataFrame) -> pl.DataFrame:
    """One row a file; rows of no outcome were accepted, and the rows of a file that is held whole are all held. `torn`
    are lines that are in no frame."""
    rows = pl.concat([torn.unique().select("file"), *(frame.select("file") for frame in sheets.frames.values())])
    counts = outcomes.group_by("file").agg((pl.col("outcome") == name).sum().alias(name) for name in ROW_OUTCOMES)
    files = sheets.files.join(counts, on="file", how="left").join(
        rows.group_by("file").len("read"), on="file", how="left"
    )
    files = files.with_columns(pl.col(*ROW_OUTCOMES, "read").fill_null(0).cast(pl.Int64))
    accepted = pl.col("accepted") + pl.col("read") - pl.sum_horizontal(ROW_OUTCOMES)
    files = files.with_columns(accepted, pl.col("held") + pl.col("rows_in") - pl.col("read"))
    return conform("account", files.sort("file"))


def held_and_remarks(issues: pl.DataFrame, places: pl.DataFrame) -> Tables:
    """The held table and the remarks; one cell, one sentence, which lists what may explain it."""
    where = places.join(issues.select(KEY).unique(), on=KEY, how="semi", maintain_order="left")
    where = where.sort("tank", nulls_last=True, maintain_order=True).unique(KEY, keep="first", maintain_order=True)
    placed = issues.join(where, on=KEY, how="left", maintain_order="left")
    # One reason a cell: the first that was found; others of the same cell would only repeat it.
    held = placed.filter(pl.col("outcome") == "held").unique(CELL, keep="first", maintain_order=True)
    column = pl.col("column")
    measures = pl.when(column == "value").then("parameter").when(column.is_in(PARAMETERS)).then(column)
    held = held.with_columns(measures.alias("parameter"))
    # What is not used needs no further remark.
    beside = held.filter(pl.col("line") > 0).select(CELL)
    spoken = placed.filter(pl.col("outcome") != "held").join(
        beside, on=CELL, how="anti", nulls_equal=True, maintain_order="left"
    )
    ranks = {fault: place for place, fault in enumerate(EXPLANATIONS, 1)}
    converted = pl.when(pl.col("outcome") == "converted").then(CONVERTED)
    rank = converted.otherwise(pl.col("fault").replace_strict(ranks, default=0, return_dtype=pl.Int64))
    spoken = spoken.with_columns(rank.alias("rank")).sort("rank", maintain_order=True)
    alone = pl.struct(CELL).is_unique()
    remarks = pl.concat([spoken.filter(alone), _joined(spoken.filter(~alone))])
    return {
        "held": conform("held", held.rename({"says": "reason"}).sort(CELL, nulls_last=False)),
        "remark": conform("remark", remarks.sort(CELL, nulls_last=False)),
    }


def _joined(spoken: pl.DataFrame) -> pl.DataFrame:
    """What several checks say of one cell, in order of rank, as one remark: facts, explanations, how it was read."""
    rows: dict[tuple[object, ...], list[dict[str, Any]]] = {}
    for row in spoken.iter_rows(named=True):
        rows.setdefault((row["file"], row["line"], row["column"]), []).append(row)
    remarks = []
    for several in rows.values():
        facts, reasons, reading = (
            dict.fromkeys(row["says"] for row in several if low <= row["rank"] < high)
            for low, high in ((0, 1), (1, CONVERTED), (CONVERTED, CONVERTED + 1))
        )
        says = (" ".join(facts), " Or: ".join(reasons), " ".join(reading))
        explains = next((row for row in several if 0 < row["rank"] < CONVERTED), several[0])
        remarks.append({**several[0], "fault": explains["fault"], "says": " ".join(part for part in says if part)})
    return pl.DataFrame(remarks, schema=spoken.schema)


def _once(sheets: Sheets, context: Context, accepted: pl.DataFrame) -> tuple[Tables, pl.DataFrame]:
    """One pass over the sheets: all tables, and all issues."""
    torn = (pl.col("outcome") == "held") & (pl.col("line") > 0) & pl.col("column").is_null()
    held_lines = sheets.issues.filter(torn).select(KEY)
    found = Collected(context.round, context.assumed, context.today, [sheets.issues], [held_lines])
    tables = read_standing(sheets, found)
    tables["tap"] = read_taps(sheets.frames.get("tap"), found)
    tables |= read_visits(sheets, tables, found)
    issues = join_issues(found.issues)
    # A person who accepted a value has answered what was asked about it.
    answered = accepted.with_columns(pl.lit("warned").alias("outcome"))
    issues = issues.join(answered, on=[*CELL, "outcome"], how="anti", nulls_equal=True, maintain_order="left")
    doubt = tables["doubt"].join(accepted, on=CELL, how="anti", nulls_equal=True, maintain_order="left")
    tables["doubt"] = conform("doubt", doubt)
    outcomes = row_outcomes(issues, pl.concat(found.whole), pl.concat([held_lines.clear(), *found.again]))
    visit = tables["visit"].drop("outcome").join(outcomes, on=KEY, how="left", maintain_order="left")
    tables["visit"] = conform("visit", visit.with_columns(pl.col("outcome").fill_null("accepted")))
    tables["account"] = account(sheets, held_lines, outcomes)
    unknown = pl.concat([sheets.unknown, *(part.select(list(UNKNOWN)) for part in found.unknown)])
    tables["unknown_column"] = conform("unknown_column", unknown.sort("file", "column", maintain_order=True))
    tables |= held_and_remarks(issues, pl.concat([pl.DataFrame(schema=PLACE), *found.places]))
    return tables, issues


def _correction_table(sheets: Sheets, states: corrections.States, context: Context) -> pl.DataFrame:
    frame = sheets.frames.get("correction")
    if frame is None or frame.height == 0:
        return empty("correction")
    days = read_dates(frame, ["on"], context)["on"].values("day", pl.Date)
    lines = read_columns(frame, {"of_line": lambda text, _: read_count(text)})["of_line"].values(count_of, pl.Int64)
    known = corrections.with_states(frame, states).with_columns(days, lines)
    return conform(
        "correction", known.with_columns(pl.col("state").fill_null("not understood"), pl.col("of_line").fill_null(1))
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
