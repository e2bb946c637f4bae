"""corrections.csv: a cell put right. It applies only while the cell still reads what it read when it was put right."""

from __future__ import annotations

import re

import polars as pl

from pipeline.intake.headers import fold
from pipeline.intake.sheets import Sheets, text_columns

ACCEPT, REJECT = "accept", "reject"


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
        pl.col("of_file").str.replace_all(r"\\", "/").str.strip_prefix("./").alias("at_file"),
        pl.col("of_column").map_elements(fold, return_dtype=pl.String).alias("at_column"),
        pl.when(pl.col("now").str.strip_chars().str.to_lowercase().is_in([ACCEPT, REJECT]))
        .then(pl.col("now").str.strip_chars().str.to_lowercase())
        .otherwise(pl.col("now").str.strip_chars())
        .alias("now"),
    ).filter(pl.col("at_line").is_not_null())


def apply(sheets: Sheets) -> tuple[Sheets, pl.DataFrame, pl.DataFrame]:
    """The sheets with their corrections in place, the cells touched, and the state of each correction.

    Cells touched: file, line, column, was, now, by; `column` is null for a whole row.
    """
    wanted = _targets(sheets)
    touched_schema = {
        "file": pl.String,
        "line": pl.Int64,
        "column": pl.String,
        "was": pl.String,
        "now": pl.String,
        "by": pl.String,
    }
    states = pl.DataFrame(schema={"file": pl.String, "line": pl.Int64, "state": pl.String})
    if wanted.height == 0:
        return sheets, pl.DataFrame(schema=touched_schema), states
    touched: list[pl.DataFrame] = []
    frames = dict(sheets.frames)
    for name, frame in sheets.frames.items():
        if name == "correction":
            continue
        here = wanted.join(frame.select(pl.col("file").alias("at_file")).unique(), on="at_file", how="semi")
        if here.height == 0:
            continue
        for column in text_columns(name):
            mine = here.filter(pl.col("at_column") == fold(column)).unique(
                ["at_file", "at_line"], keep="last", maintain_order=True
            )
            if mine.height == 0:
                continue
            joined = frame.join(
                mine.select(
                    pl.col("at_file").alias("file"),
                    pl.col("at_line").alias("line"),
                    pl.col("was").alias("_was"),
                    pl.col("now").alias("_now"),
                    pl.col("by").alias("_by"),
                ),
                on=["file", "line"],
                how="left",
                maintain_order="left",
            )
            fits = pl.col("_now").is_not_null() & (
                pl.col(column).fill_null("") == pl.col("_was").fill_null("").str.strip_chars()
            )
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
            ).drop("_was", "_now", "_by")
        whole = here.filter((pl.col("at_column") == "") & (pl.col("now") == REJECT)).unique(
            ["at_file", "at_line"], keep="last", maintain_order=True
        )
        if whole.height:
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
            reads = gone.select(pl.concat_str(text_columns(name), separator=",", ignore_nulls=True)).to_series()
            stands = [_still_stands(was, row) for was, row in zip(gone["_was"], reads, strict=True)]
            gone = gone.filter(pl.Series(stands, dtype=pl.Boolean))
            touched.append(_whole_rows(gone.select("file", "line", pl.col("_by").alias("by"))))
            frame = frame.join(gone.select("file", "line"), on=["file", "line"], how="anti", maintain_order="left")
        frames[name] = frame
    lines = _rejected_lines(wanted, sheets.issues)
    touched.append(_whole_rows(lines))
    issues = sheets.issues.join(lines, on=["file", "line"], how="anti", maintain_order="left")
    cells = pl.concat(touched) if touched else pl.DataFrame(schema=touched_schema)
    cells = cells.select(list(touched_schema))
    states = wanted.join(
        cells.select(
            pl.col("file").alias("at_file"),
            pl.col("line").alias("at_line"),
            pl.col("column").fill_null("").map_elements(fold, return_dtype=pl.String).alias("at_column"),
            pl.col("now"),
            pl.lit("applied").alias("state"),
        ),
        on=["at_file", "at_line", "at_column", "now"],
        how="left",
        maintain_order="left",
    ).select("file", "line", pl.col("state").fill_null("stale"))
    return Sheets(frames, issues, sheets.files, sheets.unknown), cells, states


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
