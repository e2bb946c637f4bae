"""What can only be said of rows side by side: exact repeats, and two values for the same tank, time and parameter."""

from __future__ import annotations

import polars as pl

from pipeline.intake.columns import issue_rows, join_issues
from pipeline.intake.sheets import text_columns

RETEST = r"(?i)\bre-?test"


def exact_repeats(placed: pl.DataFrame, name: str) -> pl.DataFrame:
    """(file, line) of rows that say exactly what an earlier row says, wherever it stands."""
    told = [c for c in text_columns(name) if c not in ("date", "time", "site", "tank") and c in placed.columns]
    cells = ["tank_id", "day", "at", *(pl.col(c).fill_null("").str.to_lowercase() for c in told)]
    # Only rows of the same tank and time can repeat: most folders have few, and comparing whole rows is slow.
    several = placed.filter(pl.len().over("tank_id", "at") > 1)
    first = several.select(pl.struct(cells).is_first_distinct().alias("first"))["first"]
    return several.filter(~first).select("file", "line")


def two_values(
    frame: pl.DataFrame, key: list[str], values: list[str], column: pl.Expr
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows of the same key: alike, the first is kept; different, all are held, each naming the other.

    `column` names the cell of each row. A row marked as a retest in its note stands beside the first test.
    """
    if frame.height == 0:
        return frame, join_issues([])
    many = frame.filter(pl.len().over(key) > 1)
    if many.height == 0:
        return frame, join_issues([])
    n = pl.struct(values).n_unique().over(key)
    place = pl.format("“{}” in {}, line {}", "text", "file", "line")
    clash = many.with_columns(n.alias("n"), place.alias("place"), column.alias("column")).filter(pl.col("n") > 1)
    clash = clash.with_columns(pl.col("place").implode().over(key).list.join(" and ").alias("places"))
    issues = [
        issue_rows(
            part,
            pl.lit(True),
            column=str(name),
            text=pl.col("text"),
            outcome="held",
            fault="two values",
            says=pl.format("The same tank and time reads {}: neither is used. Reject the wrong one.", "places"),
        )
        for (name,), part in clash.group_by("column", maintain_order=True)
    ]
    kept = frame.filter(~((pl.len().over(key) > 1) & (n > 1)))
    return kept.unique(key, keep="first", maintain_order=True), join_issues(issues)


def differing_cells(
    text: pl.DataFrame, typed: pl.DataFrame, key: list[str], columns: list[str]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows of one key that were told again with other cells: those cells are held on both sides, the rest counts once.

    `text` holds the cells as they were typed; a row whose key has a blank at its start is no rival of another.
    """
    many = typed.filter((pl.len().over(key) > 1) & pl.col(key[0]).is_not_null())
    if many.height == 0:
        return typed, join_issues([])
    place = pl.format("{}, line {}", "file", "line")
    told = many.select("file", "line", *key).join(
        text.select("file", "line", *(pl.col(c).fill_null("").alias(f"as typed {c}") for c in columns)),
        on=["file", "line"],
        how="left",
        maintain_order="left",
    )
    issues = []
    for column in columns:
        said = pl.col(f"as typed {column}")
        # A blank says nothing, so it contradicts nothing.
        told_again = said.str.to_lowercase().replace("", None).drop_nulls().n_unique().over(key)
        rivals = told.with_columns(said.alias("said"), told_again.alias("n"), place.alias("place")).filter(
            (pl.col("n") > 1) & (pl.col("said") != "")
        )
        if rivals.height == 0:
            continue
        both = pl.format("“{}” in {}", "said", "place").implode().over(key).list.join(" and ")
        rivals = rivals.with_columns(both.alias("places"))
        issues.append(
            issue_rows(
                rivals,
                pl.col("n") > 1,
                column=column,
                text=pl.col("said"),
                outcome="held",
                fault="two values",
                says=pl.format("The same row reads {}: neither is used. Reject the wrong one.", "places"),
            )
        )
        lost = pl.struct("file", "line").is_in(rivals.select(pl.struct("file", "line")).to_series().implode())
        typed = typed.with_columns(pl.when(~lost).then(pl.col(column)).alias(column))
    alone = (pl.len().over(key) == 1) | pl.col(key[0]).is_null()
    whole = typed.with_columns(
        pl.when(alone).then(pl.col(c)).otherwise(pl.col(c).fill_null(strategy="backward").over(key)).alias(c)
        for c in columns
    )
    return whole.filter(alone | pl.struct(key).is_first_distinct()), join_issues(issues)
