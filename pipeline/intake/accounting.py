"""The account of every file, what is held and what was said: every row is in the sum, once, by its worst cell."""

from __future__ import annotations

import polars as pl

from pipeline.intake.sheets import Sheets
from schemas import Tables, conform
from schemas.words import ROW_OUTCOMES

# Explanations of one odd value, most checkable first: first what the sheet or the kit's box shows, then what somebody
# must be asked, last what needs a retest. All else that is said of a value is a fact and stands before them.
EXPLANATIONS = (
    "two times",
    "swapped",
    "copied down",
    "possible N basis",
    "taken after",
    "missed change",
    "top-up",
    "not shaken",
    "leap",
)
CONVERTED = len(EXPLANATIONS) + 1  # how a value was read, told last
RANK = {"accepted": 0, "converted": 1, "warned": 2, "part_held": 3, "held": 4}


def row_outcomes(issues: pl.DataFrame, whole: pl.DataFrame, again: pl.DataFrame) -> pl.DataFrame:
    """(file, line, outcome) of every row that was not simply accepted: `whole` rows are held, `again` rows repeat,
    others are as bad as their cells."""
    worst = (
        issues.filter(pl.col("line") > 0)
        .with_columns(
            pl.when(pl.col("outcome") == "held")
            .then(pl.lit("part_held"))
            .otherwise(pl.col("outcome"))
            .replace_strict(RANK, return_dtype=pl.Int64)
            .alias("rank")
        )
        .group_by("file", "line")
        .agg(pl.col("rank").max())
    )
    said = [
        worst,
        whole.unique().with_columns(pl.lit(RANK["held"], pl.Int64).alias("rank")),
        again.unique().with_columns(pl.lit(len(RANK), pl.Int64).alias("rank")),
    ]
    names = {**{rank: outcome for outcome, rank in RANK.items()}, len(RANK): "repeats"}
    return (
        pl.concat(said)
        .group_by("file", "line")
        .agg(pl.col("rank").max())
        .select("file", "line", pl.col("rank").replace_strict(names, return_dtype=pl.String).alias("outcome"))
    )


def account(sheets: Sheets, outcomes: pl.DataFrame) -> pl.DataFrame:
    """One row a file; rows of no outcome were accepted, and the rows of a file that is held whole are all held."""
    read = pl.concat(
        [pl.DataFrame(schema={"file": pl.String, "read": pl.UInt32})]
        + [f.group_by("file").agg(pl.len().alias("read")) for f in sheets.frames.values()]
    )
    known = read.group_by("file").agg(pl.col("read").sum().cast(pl.Int64))
    counts = outcomes.group_by("file").agg(
        *((pl.col("outcome") == name).sum().cast(pl.Int64).alias(name) for name in ROW_OUTCOMES)
    )
    torn = (
        sheets.issues.filter((pl.col("outcome") == "held") & (pl.col("line") > 0) & pl.col("column").is_null())
        .group_by("file")
        .agg(pl.col("line").n_unique().cast(pl.Int64).alias("torn"))
    )
    files = (
        sheets.files.join(counts, on="file", how="left")
        .join(known, on="file", how="left")
        .join(torn, on="file", how="left")
        .with_columns(pl.col([*ROW_OUTCOMES, "read", "torn"]).fill_null(0))
    )
    told = pl.sum_horizontal(ROW_OUTCOMES)
    files = files.with_columns((pl.col("accepted") + pl.col("read") + pl.col("torn") - told).alias("accepted"))
    files = files.with_columns((pl.col("held") + pl.col("rows_in") - told).alias("held"))
    return conform("account", files.sort("file"))


def held_and_remarks(issues: pl.DataFrame, places: pl.DataFrame) -> Tables:
    """The held table and the remarks; one cell, one sentence, which lists what may explain it."""
    asked = places.join(issues.select("file", "line").unique(), on=["file", "line"], how="semi", maintain_order="left")
    told = issues.join(
        asked.unique(["file", "line"], keep="first", maintain_order=True), on=["file", "line"], how="left"
    )
    held = told.filter(pl.col("outcome") == "held").with_columns(pl.col("says").alias("reason"))
    # One reason a cell: the first that was found; others of the same cell would only repeat it.
    held = held.unique(["file", "line", "column"], keep="first", maintain_order=True)
    beside = held.filter(pl.col("line") > 0).select("file", "line", "column")
    # What is not used needs no further remark.
    spoken = told.filter(pl.col("outcome") != "held").join(
        beside, on=["file", "line", "column"], how="anti", nulls_equal=True, maintain_order="left"
    )
    ranks = {fault: place for place, fault in enumerate(EXPLANATIONS, 1)}
    spoken = spoken.with_columns(
        pl.when(pl.col("outcome") == "converted")
        .then(CONVERTED)
        .otherwise(pl.col("fault").replace_strict(ranks, default=0, return_dtype=pl.Int64))
        .alias("rank")
    ).sort("rank", maintain_order=True)
    alone = pl.struct("file", "line", "column").is_unique()
    explains = pl.col("rank").is_between(1, CONVERTED - 1)
    says = pl.col("says")
    several = (
        spoken.filter(~alone)
        .group_by("file", "line", "column", maintain_order=True)
        .agg(
            pl.col("text").first(),
            pl.coalesce(pl.col("fault").filter(explains).first(), pl.col("fault").first()).alias("fault"),
            pl.col("outcome").first(),
            pl.concat_list(
                says.filter(pl.col("rank") == 0).unique(maintain_order=True).str.join(" "),
                says.filter(explains).unique(maintain_order=True).str.join(" Or: "),
                says.filter(pl.col("rank") == CONVERTED).unique(maintain_order=True).str.join(" "),
            ).alias("says"),
            pl.col("tank").first(),
            pl.col("day").first(),
        )
        .with_columns(pl.col("says").list.eval(pl.element().filter(pl.element() != "")).list.join(" "))
    )
    remarks = pl.concat([spoken.filter(alone).select(several.columns), several])
    order = ["file", "line", "column"]
    return {
        "held": conform("held", held.sort(order, nulls_last=False)),
        "remark": conform("remark", remarks.sort(order, nulls_last=False)),
    }
