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

from pipeline.assumptions import Assumptions
from pipeline.intake import corrections
from pipeline.intake.check import check_parts
from pipeline.intake.columns import Given, read_dates, shown_orders
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


def _with_rows_of(fresh: Sheets, others: Sheets, wanted: pl.DataFrame) -> Sheets:
    """Sheets read anew, and of visit sheets beside them the `wanted` rows, in order of file and line; what a file shows of
    its date order is settled first, by all of it."""
    frames = dict(fresh.frames)
    for name in OF_VISITS:
        parts = [frames[name]] if name in frames else []
        if name in others.frames:
            whole = shown_orders(others.frames[name], "date")
            parts.append(whole.join(wanted, on=["file", "line"], how="semi", maintain_order="left"))
        if parts:
            parts = [part if "shown order" in part.columns else shown_orders(part, "date") for part in parts]
            frames[name] = pl.concat(parts, how="diagonal").sort("file", "line")
    return Sheets(
        frames,
        pl.concat([fresh.issues, others.issues]),
        pl.concat([fresh.files, others.files]),
        pl.concat([fresh.unknown, others.unknown]),
    )


def _days_typed(sheets: Sheets, kept_corrections: pl.DataFrame, given: Given) -> pl.Series:
    """Every day that a row of the visit sheets may come to stand on; some of the rows may yet be held."""
    right, _, _ = corrections.apply(sheets, kept_corrections)
    frames = [right.frames[name] for name in OF_VISITS if name in right.frames]
    days = [read_dates(frame, "date", given)[0] for frame in frames if frame.height]
    typed = pl.concat([pl.Series(dtype=pl.Date), *days])
    return typed.filter(typed <= given.today)


def _span(days: pl.Series) -> tuple[dt.date, dt.date] | None:
    """The first and the last of some days."""
    first, last = days.min(), days.max()
    return (first, last) if isinstance(first, dt.date) and isinstance(last, dt.date) else None


def _near(rows: pl.DataFrame, span: tuple[dt.date, dt.date] | None) -> pl.DataFrame:
    """The rows that a span of days can touch, and those they are judged by."""
    if span is None:
        return rows.clear()
    reach = dt.timedelta(REACH_DAYS)
    return rows.filter(pl.col("day").is_between(span[0] - reach, span[1] + reach))


def read_partly(
    folder: Path,
    files: Sequence[LogFile],
    held: Tables,
    leaned_on: str,
    round_: Round,
    assumed: Assumptions,
    today: dt.date,
) -> Delta | None:
    """What a load has to change in a warehouse; None where all must be read anew.

    `held` has what stands in it: `account` and `correction`; of `sheet_row` file, line and day; and of `water_change` what
    services are held against. `leaned_on` is the `leans_on` of it.
    """
    before = dict(held["account"].filter(pl.col("family") == "visit").select("file", "sha256").iter_rows())
    now = {file.path: file for file in files if file.family == "visit"}
    changed = [path for path, file in now.items() if before.get(path) != file.sha256 or file.trouble]
    gone = [path for path in before if path not in now]
    others = [file for file in files if file.family != "visit"]
    going = pl.col("file").is_in([*changed, *gone])
    kept_changes = held["water_change"].filter(~going)
    # corrections.csv is the same, so what it does to a sheet that is the same is known.
    of_file = corrections.of_file()
    kept_corrections = held["correction"].filter(of_file.is_in(list(now)) & ~of_file.is_in(changed))
    fresh = read_sheets(folder, [*others, *(now[path] for path in changed)])
    stood = held["sheet_row"].filter(going)["day"].drop_nulls()
    days = pl.concat([stood, _days_typed(fresh, kept_corrections, Given(round_, assumed, today))])
    while True:
        span = _span(days)
        near = _near(held["sheet_row"], span).filter(~going)
        context = near["file"].unique().sort().to_list()
        sheets = fresh
        if context:
            sheets = _with_rows_of(fresh, read_sheets(folder, [now[path] for path in context]), near)
        far_changes = kept_changes.join(near, on=["file", "line"], how="anti")
        parts = check_parts(sheets, round_, assumed, today, far_changes, kept_corrections)
        if leans_on(parts) != leaned_on:
            return None
        zone = near.filter(pl.col("day") >= span[0]) if span else near
        came_to = parts["sheet_row"].filter(pl.col("file").is_in(changed))["day"].cast(pl.Date)
        days = pl.concat([days, came_to])
        if _span(days) == span:
            return Delta(parts, [*changed, *gone], zone.select("file", "line"), context)
