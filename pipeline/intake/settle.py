"""What can only be said of rows side by side: exact repeats, and two values for the same tank, time and parameter."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.intake.columns import issue_rows, join_issues
from pipeline.intake.sheets import text_columns
from pipeline.intake.visits import Rows

RETEST = r"(?i)\bre-?test"


def exact_repeats(placed: pl.DataFrame, rows: Rows, name: str) -> np.ndarray:
    """The places of rows that say exactly what an earlier row says, wherever it stands."""
    told = [c for c in text_columns(name) if c not in ("date", "time", "site", "tank") and c in placed.columns]
    # Only rows of the same tank and time can repeat: most folders have few, and comparing whole rows is slow.
    places = np.flatnonzero(rows.several(rows.of_time))
    cells = placed[places].select(pl.col(c).fill_null("").str.to_lowercase() for c in told)
    first = cells.with_columns(pl.Series("of time", rows.of_time[places])).select(
        pl.struct(pl.all()).is_first_distinct()
    )
    repeating: np.ndarray = places[~first.to_series().to_numpy()]
    return repeating


def two_values(
    frame: pl.DataFrame,
    key: list[str],
    values: list[str],
    column: pl.Expr,
    *,
    ask: bool,
    do: str = "Reject the wrong one.",
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows of the same tank and day: alike, the first is kept; different, all are held, each naming the other.

    Rows at different times stand beside each other, and are asked about where `ask` is true; a row without a time is no
    other time. `column` names the cell of each row. A row marked as a retest in its note stands beside the first test.
    """
    many = frame.filter(pl.len().over(key) > 1) if frame.height else frame
    if many.height == 0:
        return frame, join_issues([])
    timed = [*key, "at"]
    differ = pl.struct(values).n_unique()
    kit = pl.col("kit").fill_null("none") if "kit" in frame.columns else pl.lit("")
    place = (
        pl.when((pl.col("text").n_unique().over(key) == 1) & (kit != ""))
        .then(pl.format("“{}” with kit {} in {}, line {}", "text", kit, "file", "line"))
        .otherwise(pl.format("“{}” in {}, line {}", "text", "file", "line"))
    )
    told = many.with_columns(
        place.alias("place"),
        column.alias("column"),
        (pl.col("at") == pl.col("day").cast(pl.Datetime("us"))).any().over(key).alias("untimed"),
        (differ.over(key) > 1).alias("differ"),
        (differ.over(timed) > 1).alias("clash"),
    )
    wrong = pl.col("differ") & (pl.col("untimed") | pl.col("clash"))
    asked = pl.col("differ") & ~wrong & ask
    issues = []
    for test, outcome, fault, says in (
        (wrong, "held", "two values", f"The same tank and time reads {{}}: neither is used. {do}"),
        (asked, "warned", "two times", "Read at another time that day too: {}. Is one a retest? Say so in its note."),
    ):
        rows = told.filter(test).with_columns(pl.col("place").implode().over(key).list.join(" and ").alias("places"))
        issues += [
            issue_rows(
                part,
                pl.col("differ"),
                column=str(name),
                text=pl.col("text"),
                outcome=outcome,
                fault=fault,
                says=pl.format(says, "places"),
            )
            for (name,), part in rows.group_by("column", maintain_order=True)
        ]
    # Alike at one time, or alike with one of them untimed: told again, and counted once.
    moment = pl.when(pl.col("untimed") & ~pl.col("differ")).then(None).otherwise(pl.col("at"))
    kept = (
        told.filter(~wrong)
        .with_columns(pl.when(asked).then(pl.lit("warned")).otherwise(pl.col("outcome")).alias("outcome"))
        .filter(pl.struct(*key, moment.alias("moment")).is_first_distinct())
        .select(frame.columns)
    )
    return pl.concat([frame.filter(pl.len().over(key) == 1), kept]), join_issues(issues)


def two_kinds(change: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The same amount told as a change and as a top-up: neither is used until somebody says which it was."""
    by_kind = change.with_columns(pl.col("text").alias("amount"), pl.col("kind_text").alias("text"))
    key = ["tank", "day", "fraction"]
    kept, clash = two_values(
        by_kind, key, ["kind"], pl.lit("change_kind"), ask=False, do="Type the right one where it is not."
    )
    return kept.with_columns(pl.col("amount").alias("text")).drop("amount", "kind_text"), clash


def two_sights(visit: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Fish counted or judged differently in two rows of the same tank, time and stage: those cells are held."""
    key = ["tank", "at", "taken"]
    shared = visit.filter(pl.col("fish_seen").is_not_null() | pl.col("fish_look").is_not_null())
    shared = shared.filter(pl.len().over(key) > 1)
    issues = []
    for column in ("fish_seen", "fish_look"):
        said = pl.col(column).cast(pl.String).str.strip_suffix(".0")
        rivals = shared.filter(pl.col(column).is_not_null()).with_columns(said.alias("said"))
        rivals = rivals.filter(pl.col("said").n_unique().over(key) > 1)
        if rivals.height == 0:
            continue
        both = pl.format("“{}” in {}, line {}", "said", "file", "line").implode().over(key).list.join(" and ")
        issues.append(
            issue_rows(
                rivals.with_columns(both.alias("places")),
                pl.col("said").is_not_null(),
                column=column,
                text=pl.col("said"),
                outcome="held",
                fault="two values",
                says=pl.format("The same tank and time reads {}: neither is used. Reject the wrong one.", "places"),
            )
        )
        held = pl.col("row").is_in(rivals["row"].implode())
        visit = visit.with_columns(pl.when(~held).then(pl.col(column)).alias(column))
    return visit, join_issues(issues)


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
