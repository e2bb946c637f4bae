"""corrections.csv: a cell put right. It applies only while the cell still reads what it read when it was put right."""

import re

import polars as pl

from pipeline.intake.columns import KEY, issue_rows, join_issues, no_issues, whole_rows
from pipeline.intake.headers import fold
from pipeline.intake.sheets import Sheets, text_columns

ACCEPT, REJECT = "accept", "reject"
NOTHING = "not understood"  # the state of an accept where nothing was suggested
STATE = {"file": pl.String, "line": pl.Int64, "state": pl.String}


def of_file() -> pl.Expr:
    """The file a correction names, as the files of the folder are named."""
    return pl.col("of_file").str.replace_all(r"\\", "/").str.strip_prefix("./")


def pieces(text: str) -> frozenset[str]:
    """What stands between the separators of a row's text, quotes and case apart."""
    return frozenset(part for cut in re.split(r"[,;\t|\"\r\n]", text) if (part := cut.strip().casefold()))


def _still_stands(was: str | None, row: str) -> bool:
    """Whether a row still says what it said when it was rejected; a blank `was` asks nothing."""
    return pieces(was or "") <= pieces(row)


def _rejected_lines(wanted: pl.DataFrame, issues: pl.DataFrame) -> pl.DataFrame:
    """Lines that are no rows (too many fields) and were rejected: file, line, was, by."""
    whole = wanted.filter((pl.col("at_column") == "") & (pl.col("now") == REJECT))
    lines = issues.filter((pl.col("outcome") == "held") & (pl.col("line") > 0) & pl.col("column").is_null())
    both = whole.select(pl.col("at_file").alias("file"), pl.col("at_line").alias("line"), "was", "by").join(
        lines.select("file", "line", "text"), on=["file", "line"], how="inner"
    )
    stands = [_still_stands(was, text) for was, text in both.select("was", "text").iter_rows()]
    return both.filter(pl.Series(stands, dtype=pl.Boolean)).unique(["file", "line"], keep="last", maintain_order=True)


def _targets(sheets: Sheets) -> pl.DataFrame:
    """Corrections as typed, with the column they name folded; the last one of a cell counts."""
    frame = sheets.frames.get("correction")
    if frame is None:
        return pl.DataFrame()
    return frame.with_columns(
        pl.col("of_line").str.strip_chars().cast(pl.Int64, strict=False).alias("at_line"),
        of_file().alias("at_file"),
        pl.col("of_column").map_elements(fold, return_dtype=pl.String).alias("at_column"),
        pl.when(pl.col("now").str.strip_chars().str.to_lowercase().is_in([ACCEPT, REJECT]))
        .then(pl.col("now").str.strip_chars().str.to_lowercase())
        .otherwise(pl.col("now").str.strip_chars())
        .alias("now"),
    ).filter(pl.col("at_line").is_not_null())


TOUCHED = {
    "file": pl.String,
    "line": pl.Int64,
    "column": pl.String,
    "was": pl.String,
    "now": pl.String,
    "by": pl.String,
}
CELL = ["at_file", "at_line", "at_column"]


def _in_turn(wanted: pl.DataFrame) -> list[pl.DataFrame]:
    """Corrections of cells, in the order they are applied: one cell may be put right more than once.

    Of two that say the same cell read the same, the later one counts.
    """
    cells = wanted.filter(pl.col("at_column") != "").unique([*CELL, "was"], keep="last", maintain_order=True)
    turns = cells.with_columns(pl.int_range(pl.len()).over(CELL).alias("turn"))
    return [turns.filter(pl.col("turn") == turn) for turn in turns["turn"].unique().sort()]


def _cells_put_right(
    name: str, frame: pl.DataFrame, wanted: pl.DataFrame, unread_cells: pl.DataFrame
) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """One family's frame with its cells put right, and the cells touched. `told` are cells that were held unread."""
    touched = []
    for column in text_columns(name):
        mine = wanted.filter(pl.col("at_column") == fold(column))
        if mine.height == 0:
            continue
        asked = mine.select(
            pl.col("at_file").alias("file"),
            pl.col("at_line").alias("line"),
            pl.col("was").fill_null("").str.strip_chars().alias("_was"),
            pl.col("now").alias("_now"),
            pl.col("by").alias("_by"),
        )
        unread = unread_cells.filter(pl.col("column") == column).select("file", "line", pl.col("text").alias("_told"))
        joined = frame.join(asked, on=["file", "line"], how="left", maintain_order="left").join(
            unread.unique(["file", "line"]), on=["file", "line"], how="left", maintain_order="left"
        )
        fits = pl.col("_now").is_not_null() & (pl.coalesce("_told", column).fill_null("") == pl.col("_was"))
        touched.append(
            joined.filter(fits).select(
                "file",
                "line",
                pl.lit(column).alias("column"),
                pl.col("_was").alias("was"),
                pl.col("_now").alias("now"),
                pl.col("_by").alias("by"),
            )
        )
        frame = joined.with_columns(
            pl.when(fits & (pl.col("_now") == REJECT))
            .then(pl.lit(""))
            .when(fits & (pl.col("_now") != ACCEPT))
            .then(pl.col("_now"))
            .otherwise(pl.col(column))
            .alias(column)
        ).drop("_was", "_now", "_by", "_told")
    return frame, touched


def _rows_rejected(name: str, frame: pl.DataFrame, wanted: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """One family's frame without the rows that were rejected and still stand, and those rows as cells touched."""
    whole = wanted.filter((pl.col("at_column") == "") & (pl.col("now") == REJECT)).unique(
        ["at_file", "at_line"], keep="last", maintain_order=True
    )
    gone = frame.join(
        whole.select(
            pl.col("at_file").alias("file"),
            pl.col("at_line").alias("line"),
            pl.col("was").alias("_was"),
            pl.col("by").alias("_by"),
        ),
        on=["file", "line"],
        how="inner",
    )
    reads = whole_rows(gone, text_columns(name))
    stands = [_still_stands(was, row) for was, row in zip(gone["_was"], reads, strict=True)]
    gone = gone.filter(pl.Series(stands, dtype=pl.Boolean))
    left = frame.join(gone.select("file", "line"), on=["file", "line"], how="anti", maintain_order="left")
    return left, _whole_rows(gone.select("file", "line", pl.col("_by").alias("by")))


def apply(sheets: Sheets) -> tuple[Sheets, pl.DataFrame, pl.DataFrame]:
    """The sheets with their corrections in place, the cells touched, and the state of each correction.

    Cells touched: file, line, column, was, now, by; `column` is null for a whole row.
    """
    wanted = _targets(sheets)
    if wanted.height == 0:
        return sheets, pl.DataFrame(schema=TOUCHED), pl.DataFrame(schema=STATE)
    touched = [pl.DataFrame(schema=TOUCHED)]
    frames = dict(sheets.frames)
    unread_cells = sheets.issues.filter((pl.col("outcome") == "held") & pl.col("column").is_not_null())
    turns = _in_turn(wanted)
    for name, frame in sheets.frames.items():
        own = frame.select(pl.col("file").alias("at_file")).unique()
        if name == "correction" or wanted.join(own, on="at_file", how="semi").height == 0:
            continue
        for turn in turns:
            here = turn.join(own, on="at_file", how="semi", maintain_order="left")
            if here.height:
                done = pl.concat(touched).select("file", "line", "column")
                open_ = unread_cells.join(done, on=["file", "line", "column"], how="anti", maintain_order="left")
                frame, put_right = _cells_put_right(name, frame, here, open_)
                touched += put_right
        frame, rows = _rows_rejected(name, frame, wanted.join(own, on="at_file", how="semi", maintain_order="left"))
        touched.append(rows)
        frames[name] = frame
    lines = _rejected_lines(wanted, sheets.issues)
    touched.append(_whole_rows(lines))
    cells = pl.concat(part.select(list(TOUCHED)) for part in touched)
    issues = sheets.issues.join(lines, on=["file", "line"], how="anti", maintain_order="left").join(
        cells.drop_nulls("column"), on=["file", "line", "column"], how="anti", maintain_order="left"
    )
    return Sheets(frames, issues, sheets.files, sheets.unknown), cells, _states(wanted, cells)


def _states(wanted: pl.DataFrame, cells: pl.DataFrame) -> pl.DataFrame:
    """Which corrections apply, and which no longer fit what they were made for."""
    applied = cells.select(
        pl.col("file").alias("at_file"),
        pl.col("line").alias("at_line"),
        pl.col("column").fill_null("").map_elements(fold, return_dtype=pl.String).alias("at_column"),
        pl.when(pl.col("column").is_null()).then(pl.lit("")).otherwise(pl.col("was")).alias("as_was"),
        "now",
        pl.lit("applied").alias("state"),
    ).unique()
    asked = wanted.with_columns(
        pl.when(pl.col("at_column") == "")
        .then(pl.lit(""))
        .otherwise(pl.col("was").fill_null("").str.strip_chars())
        .alias("as_was")
    )
    return asked.join(applied, on=[*CELL, "as_was", "now"], how="left", maintain_order="left").select(
        "file", "line", pl.col("state").fill_null("stale")
    )


def nothing_to_accept(sheets: Sheets, states: pl.DataFrame, cells: pl.DataFrame) -> pl.DataFrame:
    """The states, where an accept finds no suggestion in its cell."""
    wanted = _targets(sheets).filter(pl.col("now") == ACCEPT)
    idle = cells.select(
        pl.col("file").alias("at_file"),
        pl.col("line").alias("at_line"),
        pl.col("column").map_elements(fold, return_dtype=pl.String).alias("at_column"),
    )
    lost = wanted.join(idle, on=CELL, how="semi").select("file", "line", pl.lit(NOTHING).alias("told"))
    return states.join(lost, on=["file", "line"], how="left", maintain_order="left").select(
        "file", "line", pl.coalesce("told", "state").alias("state")
    )


def remarks_on_cells(cells: pl.DataFrame, offered: pl.DataFrame | None = None) -> pl.DataFrame:
    """What is said of the cells that were put right. `offered`: suggestions that were accepted (file, line, column)."""
    named = pl.DataFrame(schema={**dict.fromkeys(("file", "column", "suggestion"), pl.String), "line": pl.Int64})
    named = named if offered is None else offered.select(*KEY, "column", "suggestion")
    cells = cells.join(named, on=[*KEY, "column"], how="left", maintain_order="left")
    accepted, bare = pl.col("now") == ACCEPT, pl.col("suggestion").is_null()
    cells = cells.with_columns(pl.col("was").fill_null(""))
    issues = []
    for test, says in (
        (~accepted, "Put right in corrections.csv: was “{was}”, now {now}."),
        (accepted & bare, "Accepted as it is, in corrections.csv."),
        (accepted & ~bare, "“{was}” read as {suggestion}, as accepted in corrections.csv."),
    ):
        issues.append(issue_rows(cells, test, pl.col("column"), "correction", says, outcome="converted", text="was"))
    return join_issues(issues)


def remarks(sheets: Sheets, states: pl.DataFrame) -> pl.DataFrame:
    """What is said of corrections themselves: those that do nothing any more, and those nobody can follow."""
    frame = sheets.frames.get("correction")
    if frame is None or frame.height == 0:
        return no_issues()
    rows = frame.join(states, on=KEY, how="left", maintain_order="left")
    state = pl.col("state")
    stale = "{of_file}, line {of_line}, no longer reads like this, so the correction does nothing. Take it out, or put it right."
    nothing = "{of_file}, line {of_line}, has no suggestion to accept: type the value."
    unknown = "“{of_line}” is not a line of a file; expected a number such as 7. The correction is on hold."
    return join_issues(
        [
            issue_rows(rows, state == "stale", "was", "correction stale", stale, outcome="warned"),
            issue_rows(rows, state == NOTHING, "now", "nothing to accept", nothing, outcome="warned"),
            issue_rows(rows, state.is_null(), "of_line", "correction", unknown),
        ]
    )


def _whole_rows(rows: pl.DataFrame) -> pl.DataFrame:
    """Rejected rows as cells touched."""
    return rows.select(
        "file",
        "line",
        pl.lit(None, pl.String).alias("column"),
        pl.lit("").alias("was"),
        pl.lit(REJECT).alias("now"),
        "by",
    )


def put(sheets: Sheets, offered: pl.DataFrame) -> Sheets:
    """The sheets with suggestions that a person accepted typed into their cells."""
    frames = dict(sheets.frames)
    for name, frame in sheets.frames.items():
        for column in text_columns(name):
            mine = offered.filter(pl.col("column") == column).select("file", "line", pl.col("suggestion").alias("_now"))
            mine = mine.join(frame.select("file").unique(), on="file", how="semi").unique(["file", "line"])
            if mine.height:
                frame = (
                    frame.join(mine, on=["file", "line"], how="left", maintain_order="left")
                    .with_columns(pl.coalesce("_now", column).alias(column))
                    .drop("_now")
                )
        frames[name] = frame
    return Sheets(frames, sheets.issues, sheets.files, sheets.unknown)
