"""The account of every file, what is held and what was said: every row is in the sum, once, by its worst cell."""

from typing import Any

import polars as pl

from pipeline.intake.columns import KEY
from pipeline.intake.sheets import Sheets
from schemas import Tables, conform
from schemas.words import PARAMETERS, ROW_OUTCOMES

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
    counted = pl.sum_horizontal(ROW_OUTCOMES)
    files = files.with_columns((pl.col("accepted") + pl.col("read") + pl.col("torn") - counted).alias("accepted"))
    files = files.with_columns((pl.col("held") + pl.col("rows_in") - counted).alias("held"))
    return conform("account", files.sort("file"))


def held_and_remarks(issues: pl.DataFrame, places: pl.DataFrame) -> Tables:
    """The held table and the remarks; one cell, one sentence, which lists what may explain it."""
    cell = ["file", "line", "column"]
    where = places.join(issues.select(KEY).unique(), on=KEY, how="semi", maintain_order="left")
    where = where.sort("tank", nulls_last=True, maintain_order=True).unique(KEY, keep="first", maintain_order=True)
    placed = issues.join(where, on=KEY, how="left", maintain_order="left")
    # One reason a cell: the first that was found; others of the same cell would only repeat it.
    held = placed.filter(pl.col("outcome") == "held").unique(cell, keep="first", maintain_order=True)
    column = pl.col("column")
    measures = pl.when(column == "value").then("parameter").when(column.is_in(PARAMETERS)).then(column)
    held = held.with_columns(measures.alias("parameter"))
    # What is not used needs no further remark.
    beside = held.filter(pl.col("line") > 0).select(cell)
    spoken = placed.filter(pl.col("outcome") != "held").join(
        beside, on=cell, how="anti", nulls_equal=True, maintain_order="left"
    )
    ranks = {fault: place for place, fault in enumerate(EXPLANATIONS, 1)}
    converted = pl.when(pl.col("outcome") == "converted").then(CONVERTED)
    rank = converted.otherwise(pl.col("fault").replace_strict(ranks, default=0, return_dtype=pl.Int64))
    spoken = spoken.with_columns(rank.alias("rank")).sort("rank", maintain_order=True)
    alone = pl.struct(cell).is_unique()
    remarks = pl.concat([spoken.filter(alone), _joined(spoken.filter(~alone))])
    return {
        "held": conform("held", held.rename({"says": "reason"}).sort(cell, nulls_last=False)),
        "remark": conform("remark", remarks.sort(cell, nulls_last=False)),
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
