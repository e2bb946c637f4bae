"""A load that reads only what is new: which sheets to read again beside the changed ones, and which rows they replace.

No check of a visit looks further back than REACH_DAYS, and none looks ahead, so a changed sheet can touch only rows from
its first day to REACH_DAYS after its last; to judge those, rows from REACH_DAYS before its first day are read with it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.figures import Figures
from pipeline.intake.check import check_parts
from pipeline.intake.columns import shown_orders
from pipeline.intake.corrections import of_file
from pipeline.intake.files import LogFile
from pipeline.intake.series import REACH_DAYS
from pipeline.intake.sheets import Sheets, read_sheets
from pipeline.week import Round
from schemas import Tables

# What the checks of a visit look at besides visits: where any of it has changed, every visit is read again.
LEANS_ON = ("site", "tank", "alias", "feeding", "filter_model", "filter", "placement", "kit", "tap")
OF_VISITS = ("visit", "visit_long")


@dataclass(frozen=True)
class Delta:
    """What has changed: checked tables of the sheets read, the visit files whose rows all go, rows of other files that
    go with them (file, line), and the files those stand in."""

    parts: Tables
    changed: list[str]
    zone: pl.DataFrame
    context: list[str]


def leans_on(tables: Tables) -> str:
    """A fingerprint of what the checks of visits look at besides visits, to be told by the same polars only."""
    told = []
    for name in LEANS_ON:
        frame = tables[name].drop("file", "line", strict=False)
        told.append(f"{name} {frame.height} {np.sum(frame.hash_rows(1).to_numpy()) if frame.height else 0}")
    return f"polars {pl.__version__}; " + "; ".join(told)


def _some_rows(sheets: Sheets, files: Sequence[str], wanted: pl.DataFrame) -> Sheets:
    """The sheets, of `files` only the `wanted` rows; what a file shows of its date order is settled first, by all of it."""
    frames = dict(sheets.frames)
    for name in OF_VISITS:
        if name in frames:
            frame = shown_orders(frames[name], "date")
            partly = pl.col("file").is_in(list(files))
            frames[name] = pl.concat(
                [frame.filter(~partly), frame.filter(partly).join(wanted, on=["file", "line"], how="semi")]
            ).sort("file", "line")
    return Sheets(frames, sheets.issues, sheets.files, sheets.unknown)


def read_partly(
    folder: Path,
    files: Sequence[LogFile],
    held: Tables,
    leaned_on: str,
    round_: Round,
    figures: Figures,
    today: dt.date,
) -> Delta | None:
    """What a load has to change in a warehouse; None where all must be read anew.

    `held` has the warehouse's `account`, `sheet_row`, `water_change` and `correction`; `leaned_on` is the `leans_on` of what stands in it.
    """
    before = dict(held["account"].filter(pl.col("family") == "visit").select("file", "sha256").iter_rows())
    now = {file.path: file for file in files if file.family == "visit"}
    changed = [path for path, file in now.items() if before.get(path) != file.sha256 or file.trouble]
    gone = [path for path in before if path not in now]
    others = [file for file in files if file.family != "visit"]
    read = [*others, *(now[path] for path in changed)]
    going = pl.col("file").is_in([*changed, *gone])
    kept_changes = held["water_change"].filter(~going)
    # corrections.csv is the same, so what it does to a sheet that is the same is known.
    kept_corrections = held["correction"].filter(of_file().is_in(list(now)) & ~of_file().is_in(changed))
    parts = check_parts(read_sheets(folder, read), round_, figures, today, kept_changes, kept_corrections)
    if leans_on(parts) != leaned_on:
        return None
    old = held["sheet_row"].filter(going)
    days = (
        pl.concat([old["day"], parts["sheet_row"]["day"].cast(pl.Date)]).drop_nulls()
        if parts["sheet_row"].height
        else old["day"].drop_nulls()
    )
    first, last = days.min(), days.max()
    nothing = held["sheet_row"].select("file", "line").clear()
    if not isinstance(first, dt.date) or not isinstance(last, dt.date):
        return Delta(parts, [*changed, *gone], nothing, [])
    reach = dt.timedelta(REACH_DAYS)
    kept = held["sheet_row"].filter(~going)
    near = kept.filter(pl.col("day").is_between(first - reach, last + reach))
    zone = near.filter(pl.col("day") >= first).select("file", "line")
    context = near["file"].unique().sort().to_list()
    if context:
        sheets = read_sheets(folder, [*others, *(now[path] for path in sorted({*changed, *context}))])
        again = near.select("file", "line")
        kept_changes = kept_changes.join(again, on=["file", "line"], how="anti")
        some = _some_rows(sheets, context, again)
        parts = check_parts(some, round_, figures, today, kept_changes, kept_corrections)
    return Delta(parts, [*changed, *gone], zone, context)
