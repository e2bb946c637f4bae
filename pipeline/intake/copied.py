"""Sheets that look filled down: the same cells four visits running, or in several tanks of a site on one day."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.intake.columns import Given, issue_rows, join_issues
from pipeline.intake.readings import Batch
from pipeline.intake.series import REACH_DAYS
from schemas import Tables


def sessions(batch: Batch, parts: Mapping[str, pl.DataFrame]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of every sheet row: a number that stands for all its readings as typed, how many they are, and how many above 0."""
    many = batch.visit.height
    alike = np.zeros(many, dtype=np.uint64)
    count, some = np.zeros(many, dtype=np.int64), np.zeros(many, dtype=np.int64)
    for place, part in enumerate(parts.values()):
        # Once a parameter, as a sheet row reads it in one cell; and mostly in every row, which is quicker said so.
        row = slice(None) if part.height == many else part["row"].to_numpy()
        alike[row] += batch.texts.hash(place).to_numpy()[part["meaning"].to_numpy()]
        count[row] += 1
        some[row] += (part["matched"] > 0).to_numpy()
    return alike, count, some


def _ask(batch: Batch, parts: Mapping[str, pl.DataFrame], rows: pl.DataFrame, says: pl.Expr) -> pl.DataFrame:
    """One remark for each sheet row of `rows`, with its cells as typed."""
    if rows.height == 0:
        return join_issues([])
    cells = [
        batch.worded(part.filter(pl.col("row").is_in(rows["row"].implode())), name) for name, part in parts.items()
    ]
    found = (
        pl.concat([cell.select("row", "file", "line", "parameter", "text") for cell in cells])
        .join(rows, on="row", how="inner")
        .sort("row", "parameter")
        .group_by("row", "file", "line", maintain_order=True)
        .agg(
            pl.concat_str("parameter", pl.lit("="), "text").str.join("|").alias("all"),
            *(pl.col(name).first() for name in rows.columns if name != "row"),
        )
    )
    every = pl.col("line").is_not_null()
    return issue_rows(found, every, column=None, text=pl.col("all"), outcome="warned", fault="copied down", says=says)


def copied(
    batch: Batch, read: Mapping[str, pl.DataFrame], parts: Mapping[str, pl.DataFrame], standing: Tables, given: Given
) -> list[pl.DataFrame]:
    """The same cells, at least four: four visits running, or across tanks. Coarse steps repeat honestly: it only asks.

    `read` has all readings, `parts` those that are not held since.
    """
    f = given.assumed
    cells, visits, tanks = int(f["copied_cells"]), int(f["copied_visits"]), int(f["copied_tanks"])
    alike, count, some = sessions(batch, parts)
    enough = (count >= cells) & (some >= f["copied_above_zero"])
    back, rows = visits - 1, batch.rows
    down = np.zeros(alike.size, dtype=bool)
    if alike.size > back:
        run = (rows.tank[back:] == rows.tank[:-back]) & (rows.day[:-back] >= rows.day[back:] - REACH_DAYS)
        for step in range(1, visits):
            run &= alike[back:] == alike[back - step : alike.size - step]
        down[back:] = run & enough[back:]
    # One tap feeds a site, so a few cells are alike in all its tanks: here all four must be above 0.
    same = ["site", "day", "all"]
    picked = np.flatnonzero(some >= cells)
    across = (
        pl.DataFrame(
            {
                "row": picked.astype(np.uint32),
                "tank": rows.tank[picked],
                "day": rows.day[picked],
                "all": alike[picked],
            }
        )
        .filter(pl.col("all").is_duplicated())
        .filter(pl.len().over("day", "all") > 1)
    )
    across = (
        across.with_columns(standing["tank"]["site"].gather(across["tank"]).alias("site"))
        .with_columns(pl.col("tank").n_unique().over(same).alias("tanks"))
        .filter(pl.col("tanks") >= tanks)
        .select("row", "tanks")
    )
    ran = pl.DataFrame({"row": np.flatnonzero(down).astype(np.uint32)})
    return [
        _ask(batch, read, ran, pl.lit("All readings are the same as at the three visits before: copied down?")),
        _ask(
            batch,
            read,
            across,
            pl.format("All readings are the same in {} tanks of the site that day: copied?", "tanks"),
        ),
    ]
