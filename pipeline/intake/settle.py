"""What can only be said of rows side by side: two values for the same tank, time and parameter."""

from typing import Any

import polars as pl

from pipeline.intake.columns import KEY, Collected, side_by_side

RETEST = r"(?i)\bre-?test"
DO = "Reject the wrong one."


def contradicts() -> pl.Expr:
    """Whether the ranges of a group have nothing in common; ranges that only touch are neighbouring steps."""
    least, most = pl.col("low").max(), pl.col("high").fill_null(float("inf")).min()
    return (least > most) | ((least == most) & (pl.struct("low", "high").n_unique() > 1))


def _rivals(
    found: Collected, rows: pl.DataFrame, key: list[str], column: str | pl.Expr, case: str, one: str, **more: Any
) -> None:
    """An issue of each of the rows that names the others of its key, each as `one` says it."""
    if rows.height:
        named = rows.with_columns(side_by_side(rows, key, one + " in {file}, line {line}"))
        found.say(named, column, case, shown={"do": more.pop("do", DO)}, **more)


def two_values(
    frame: pl.DataFrame,
    key: list[str],
    differ: pl.Expr,
    column: pl.Expr,
    found: Collected,
    *,
    unlike: tuple[str, ...] = (),
    do: str = DO,
) -> pl.DataFrame:
    """Rows of the same tank and day: alike, the first is kept; different, all are held, each naming the other.

    `differ` says of a group whether its rows contradict each other; rows that agree though they were read in another
    unit or with another kit count once, and are marked. Rows at different times stand beside each other, and are asked
    about where they differ in `unlike`; a row without a time is no other time. `column` names the cell of each row.
    """
    many = frame.filter(pl.len().over(key) > 1) if frame.height else frame
    if many.height == 0:
        return frame
    kit = pl.col("kit").fill_null("none") if "kit" in frame.columns else pl.lit("")
    rivals = many.with_columns(
        column.alias("column"),
        kit.alias("with kit"),
        ((pl.col("text").n_unique().over(key) == 1) & (kit != "")).alias("by kit"),
        (pl.col("at") == pl.col("day").cast(pl.Datetime("us"))).any().over(key).alias("untimed"),
        differ.over(key).alias("differ"),
        differ.over([*key, "at"]).alias("clash"),
        (pl.struct(unlike).n_unique().over(key) > 1 if unlike else pl.lit(False)).alias("unlike"),
    )
    wrong = pl.col("differ") & (pl.col("untimed") | pl.col("clash"))
    told = pl.col("unlike") & ~wrong
    for test, outcome, case in (
        (wrong, "held", "two values"),
        (told & ~pl.col("untimed"), "warned", "two times"),
        (told & pl.col("untimed"), "warned", "read twice"),
    ):
        for by_kit, place in ((pl.col("by kit"), "“{text}” with kit {with kit}"), (~pl.col("by kit"), "“{text}”")):
            rows = rivals.filter(test & by_kit)
            _rivals(found, rows, key, pl.col("column"), case, place, outcome=outcome, text="text", do=do)
    # Alike at one time, or alike with one of them untimed: told again, and counted once.
    moment = pl.when(pl.col("untimed") & ~pl.col("differ")).then(None).otherwise(pl.col("at"))
    kept = rivals.filter(~wrong).filter(pl.struct(*key, moment.alias("moment")).is_first_distinct())
    return pl.concat([frame.filter(pl.len().over(key) == 1), kept.select(frame.columns)])


def two_changes(change: pl.DataFrame, found: Collected) -> pl.DataFrame:
    """Changes of one tank and day: the same amount as a change and as a top-up, or two amounts, are both held."""
    by_kind = change.sort(KEY).with_columns(pl.col("text").alias("amount"), pl.col("kind_text").alias("text"))
    kinds = pl.col("kind").n_unique() > 1
    key = ["tank", "day", "fraction"]
    kept = two_values(by_kind, key, kinds, pl.lit("change_kind"), found, do="Type the right one where it is not.")
    kept = kept.with_columns(pl.col("amount").alias("text")).drop("amount")
    amount = pl.coalesce("fraction", "litres").round(6).n_unique() > 1
    return two_values(kept, ["tank", "day", "kind"], amount, pl.lit("water_changed"), found)


def two_sights(visit: pl.DataFrame, found: Collected) -> pl.DataFrame:
    """Fish counted or judged differently in two rows of the same tank, time and stage: those cells are held."""
    key = ["tank", "at", "taken"]
    shared = visit.filter(pl.col("fish_seen").is_not_null() | pl.col("fish_look").is_not_null())
    shared = shared.filter(pl.len().over(key) > 1)
    for column in ("fish_seen", "fish_look"):
        seen = pl.col(column).cast(pl.String).str.strip_suffix(".0").alias("seen")
        rivals = shared.with_columns(seen).drop_nulls("seen").filter(pl.col("seen").n_unique().over(key) > 1)
        _rivals(found, rivals, key, column, "two values", "“{seen}”", text="seen")
        visit = emptied(visit, column, rivals)
    return visit


def emptied(frame: pl.DataFrame, column: str, rows: pl.DataFrame) -> pl.DataFrame:
    """The frame without what a column says in some rows (file, line)."""
    if rows.height == 0:
        return frame
    lost = rows.select(*KEY, pl.lit(True).alias("lost")).unique(KEY)
    marked = frame.join(lost, on=KEY, how="left", maintain_order="left")
    return marked.with_columns(pl.when(pl.col("lost").is_null()).then(pl.col(column)).alias(column)).drop("lost")


def differing_cells(
    text: pl.DataFrame, typed: pl.DataFrame, key: list[str], columns: list[str], found: Collected
) -> pl.DataFrame:
    """Rows of one key that were told again with other cells: those cells are held on both sides, the rest counts once.

    `text` holds the cells as they were typed; a row whose key has a blank at its start is no rival of another.
    """
    many = typed.filter((pl.len().over(key) > 1) & pl.col(key[0]).is_not_null())
    if many.height == 0:
        return typed
    as_typed = text.select(*KEY, *(pl.col(c).fill_null("").alias(f"as typed {c}") for c in columns))
    rivals_all = many.select(*KEY, *key).join(as_typed, on=KEY, how="left", maintain_order="left")
    for column in columns:
        cell = pl.col(f"as typed {column}")
        # A blank says nothing, so it contradicts nothing.
        again = cell.str.to_lowercase().replace("", None).drop_nulls().n_unique().over(key)
        rivals = rivals_all.with_columns(cell.alias("cell")).filter((again > 1) & (cell != ""))
        _rivals(found, rivals, key, column, "two values: of a row", "“{cell}”", text="cell")
        typed = emptied(typed, column, rivals)
    alone = (pl.len().over(key) == 1) | pl.col(key[0]).is_null()
    whole = typed.with_columns(
        pl.when(alone).then(pl.col(c)).otherwise(pl.col(c).fill_null(strategy="backward").over(key)).alias(c)
        for c in columns
    )
    return whole.filter(alone | pl.struct(key).is_first_distinct())
