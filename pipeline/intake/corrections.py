"""corrections.csv: a cell put right. It applies only while the cell still reads what it read when it was put right."""

import re
from dataclasses import replace

import polars as pl

from pipeline.intake.columns import KEY, issue_rows, join_issues, no_issues, whole_rows
from pipeline.intake.headers import fold
from pipeline.intake.sheets import Sheets, text_columns

ACCEPT, REJECT = "accept", "reject"
NOTHING = "not understood"  # the state of an accept where nothing was suggested
STATE = {"file": pl.String, "line": pl.Int64, "state": pl.String}
TOUCHED = {
    "file": pl.String,
    "line": pl.Int64,
    "column": pl.String,
    "was": pl.String,
    "now": pl.String,
    "by": pl.String,
}
CELL = [*KEY, "column"]


def pieces(text: str) -> frozenset[str]:
    """What stands between the separators of a row's text, quotes and case apart."""
    return frozenset(part for cut in re.split(r"[,;\t|\"\r\n]", text) if (part := cut.strip().casefold()))


def _folded(column: str) -> pl.Expr:
    return pl.col(column).map_elements(fold, return_dtype=pl.String).alias("column")


def _targets(sheets: Sheets) -> pl.DataFrame:
    """Corrections by the cell they name (file, line, column folded; blank for a whole row): was, now, by, and their own
    file and line."""
    frame = sheets.frames.get("correction")
    if frame is None:
        return pl.DataFrame()
    now = pl.col("now").str.strip_chars()
    word = now.str.to_lowercase()
    return frame.select(
        pl.col("of_file").str.replace_all(r"\\", "/").str.strip_prefix("./").alias("file"),
        pl.col("of_line").str.strip_chars().cast(pl.Int64, strict=False).alias("line"),
        _folded("of_column"),
        pl.col("was").fill_null("").str.strip_chars(),
        pl.when(word.is_in([ACCEPT, REJECT])).then(word).otherwise(now).alias("now"),
        "by",
        own_file="file",
        own_line="line",
    ).filter(pl.col("line").is_not_null())


def _in_turn(wanted: pl.DataFrame) -> list[pl.DataFrame]:
    """Corrections of cells, in the order they are applied: one cell may be put right more than once. Of two that say
    the same cell read the same, the later one counts."""
    cells = wanted.filter(pl.col("column") != "").unique([*CELL, "was"], keep="last", maintain_order=True)
    turns = cells.with_columns(pl.int_range(pl.len()).over(CELL).alias("turn"))
    return [turns.filter(pl.col("turn") == turn) for turn in turns["turn"].unique().sort()]


def _cells_put_right(
    name: str, frame: pl.DataFrame, wanted: pl.DataFrame, unread: pl.DataFrame
) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """One family's frame with its cells put right, and the cells touched. `unread` are cells held as they were typed."""
    touched = []
    for column in text_columns(name):
        mine = wanted.filter(pl.col("column") == fold(column)).select(*KEY, _was="was", _now="now", _by="by")
        if mine.height == 0:
            continue
        typed = unread.filter(pl.col("column") == column).select(*KEY, _typed="text").unique(KEY)
        joined = frame.join(mine, on=KEY, how="left", maintain_order="left")
        joined = joined.join(typed, on=KEY, how="left", maintain_order="left")
        now = pl.col("_now")
        fits = now.is_not_null() & (pl.coalesce("_typed", column).fill_null("") == pl.col("_was"))
        cells = joined.filter(fits).select(*KEY, column=pl.lit(column), was="_was", now="_now", by="_by")
        touched.append(cells)
        value = (
            pl.when(fits & (now == REJECT)).then(pl.lit("")).when(fits & (now != ACCEPT)).then(now).otherwise(column)
        )
        frame = joined.with_columns(value.alias(column)).select(frame.columns)
    return frame, touched


def _rejected(rows: pl.DataFrame, wanted: pl.DataFrame) -> pl.DataFrame:
    """Rows (file, line, text) that were rejected and still say what they said then, as cells touched; a blank `was` asks
    nothing."""
    whole = wanted.filter((pl.col("column") == "") & (pl.col("now") == REJECT))
    both = rows.select(*KEY, "text").join(whole, on=KEY, how="inner", maintain_order="left_right")
    stands = [pieces(was) <= pieces(text) for was, text in both.select("was", "text").iter_rows()]
    gone = both.filter(pl.Series(stands, dtype=pl.Boolean)).unique(KEY, keep="last", maintain_order=True)
    return gone.select(*KEY, pl.lit(None, pl.String).alias("column"), pl.lit("").alias("was"), "now", "by")


def apply(sheets: Sheets) -> tuple[Sheets, pl.DataFrame, pl.DataFrame]:
    """The sheets with their corrections in place, the cells touched, and the state of each correction.

    Cells touched: file, line, column, was, now, by; `column` is null for a whole row.
    """
    wanted = _targets(sheets)
    if wanted.height == 0:
        return sheets, pl.DataFrame(schema=TOUCHED), pl.DataFrame(schema=STATE)
    touched = [pl.DataFrame(schema=TOUCHED)]
    frames = dict(sheets.frames)
    held = sheets.issues.filter(pl.col("outcome") == "held")
    turns = _in_turn(wanted)
    for name, frame in sheets.frames.items():
        mine = pl.col("file").is_in(frame["file"].unique().implode())
        if name == "correction" or not wanted.select(mine.any()).item():
            continue
        for turn in turns:
            here = turn.filter(mine)
            if here.height:
                done = pl.concat(touched).select(CELL)
                unread = held.drop_nulls("column").join(done, on=CELL, how="anti", maintain_order="left")
                frame, put_right = _cells_put_right(name, frame, here, unread)
                touched += put_right
        named = frame.join(wanted, on=KEY, how="semi", maintain_order="left")
        texts = pl.Series("text", whole_rows(named, text_columns(name)), pl.String)
        gone = _rejected(named.select(KEY).with_columns(texts), wanted)
        touched.append(gone)
        frames[name] = frame.join(gone, on=KEY, how="anti", maintain_order="left")
    lines = _rejected(held.filter((pl.col("line") > 0) & pl.col("column").is_null()), wanted)
    cells = pl.concat([*touched, lines])
    issues = sheets.issues.join(lines, on=KEY, how="anti", maintain_order="left")
    issues = issues.join(cells.drop_nulls("column"), on=CELL, how="anti", maintain_order="left")
    return replace(sheets, frames=frames, issues=issues), cells, _states(wanted, cells)


def _states(wanted: pl.DataFrame, cells: pl.DataFrame) -> pl.DataFrame:
    """Which corrections apply, and which no longer fit what they were made for."""
    named = cells.with_columns(pl.col("column").fill_null(""))
    applied = named.select(*KEY, _folded("column"), "was", "now", state=pl.lit("applied")).unique()
    asked = wanted.with_columns(pl.when(pl.col("column") == "").then(pl.lit("")).otherwise("was").alias("was"))
    found = asked.join(applied, on=[*CELL, "was", "now"], how="left", maintain_order="left")
    return found.select(pl.col("state").fill_null("stale"), file="own_file", line="own_line").select(list(STATE))


def nothing_to_accept(sheets: Sheets, states: pl.DataFrame, cells: pl.DataFrame) -> pl.DataFrame:
    """The states, where an accept finds no suggestion in its cell."""
    wanted = _targets(sheets).filter(pl.col("now") == ACCEPT)
    lost = wanted.join(cells.select(*KEY, _folded("column")), on=CELL, how="semi")
    lost = lost.select(pl.lit(NOTHING).alias("lost"), file="own_file", line="own_line")
    known = states.join(lost, on=KEY, how="left", maintain_order="left")
    return known.select(*KEY, pl.coalesce("lost", "state").alias("state"))


def remarks_on_cells(cells: pl.DataFrame, offered: pl.DataFrame | None = None) -> pl.DataFrame:
    """What is said of the cells that were put right. `offered`: suggestions that were accepted (file, line, column)."""
    named = pl.DataFrame(schema={**dict.fromkeys(("file", "column", "suggestion"), pl.String), "line": pl.Int64})
    named = named if offered is None else offered.select(*KEY, "column", "suggestion")
    cells = cells.join(named, on=[*KEY, "column"], how="left", maintain_order="left")
    accepted, bare = pl.col("now") == ACCEPT, pl.col("suggestion").is_null()
    cells = cells.with_columns(pl.col("was").fill_null(""))
    cases = {
        "correction": ~accepted,
        "correction: accepted": accepted & bare,
        "correction: suggested": accepted & ~bare,
    }
    return join_issues(
        issue_rows(cells, test, pl.col("column"), case, outcome="converted", text="was") for case, test in cases.items()
    )


def remarks(sheets: Sheets, states: pl.DataFrame) -> pl.DataFrame:
    """What is said of corrections themselves: those that do nothing any more, and those nobody can follow."""
    frame = sheets.frames.get("correction")
    if frame is None or frame.height == 0:
        return no_issues()
    rows = frame.join(states, on=KEY, how="left", maintain_order="left")
    state = pl.col("state")
    return join_issues(
        [
            issue_rows(rows, state == "stale", "was", "correction stale", outcome="warned"),
            issue_rows(rows, state == NOTHING, "now", "nothing to accept", outcome="warned"),
            issue_rows(rows, state.is_null(), "of_line", "correction: no line"),
        ]
    )


def put(sheets: Sheets, offered: pl.DataFrame) -> Sheets:
    """The sheets with suggestions that a person accepted typed into their cells."""
    frames = dict(sheets.frames)
    for name, frame in sheets.frames.items():
        for column in text_columns(name):
            mine = offered.filter(pl.col("column") == column).select(*KEY, _now="suggestion").unique(KEY)
            if mine.height:
                joined = frame.join(mine, on=KEY, how="left", maintain_order="left")
                frame = joined.with_columns(pl.coalesce("_now", column).alias(column)).select(frame.columns)
        frames[name] = frame
    return replace(sheets, frames=frames)
