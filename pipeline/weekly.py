"""The whole way in one short file: load → check → reckon → review → store; and back out as a Week.

The warehouse is a pure function of the log folder and the day of loading: delete it, load again, all is the same.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import intake, review, store
from pipeline.figures import FIGURES_FILE, Figures, with_overrides
from pipeline.problems import Problem
from pipeline.progress import Progress, silent
from pipeline.reckon import capacity as rating
from pipeline.reckon import dates, floworder, nitrate, nitrate_path, water
from pipeline.tellings import account_dict
from pipeline.week import Round, Week
from schemas import BASE_TABLES, DERIVED_TABLES, Tables

WEEKS_BACK = 26  # the weeks before as-of that are reckoned with it


@dataclass(frozen=True)
class LoadResult:
    """What a load did: the account as `load --format json` prints it, whether anything was new, the warehouse."""

    account: dict[str, Any]
    new: bool
    db: Path


def warehouse_of(folder: Path, db: Path | None = None) -> Path:
    """Where a folder's warehouse lies."""
    return db or folder / ".tankround" / "warehouse.duckdb"


def last_day(tables: Tables, today: dt.date) -> dt.date:
    """The last day in the logs, up to the day of loading; the day of loading where the logs are empty."""
    days = [
        tables[name].select(pl.col(column).max()).item()
        for name, column in (("visit", "day"), ("service", "date"), ("event", "date"))
    ]
    return max((day for day in days if day is not None and day <= today), default=today)


def asks_of(tables: Tables, days: Sequence[dt.date]) -> pl.DataFrame:
    """Every tank that ran on each of the days; a tank closed on the day still stands in that day's review."""
    tanks = tables["tank"].select("tank", "set_up", "closed")
    asks = tanks.join(pl.DataFrame({"as_of": list(days)}, schema={"as_of": pl.Date}), how="cross")
    runs = (pl.col("set_up").is_null() | (pl.col("set_up") <= pl.col("as_of"))) & (
        pl.col("closed").is_null() | (pl.col("closed") >= pl.col("as_of"))
    )
    return asks.filter(runs).select("tank", "as_of").sort("as_of", "tank")


def reckon(tables: Tables, asks: pl.DataFrame, figures: Figures, round_: Round) -> Tables:
    """What history keeps of the asks: capacity, its layers, the nitrate fits, outlook, alarms, suspects."""
    capacity, layers = rating.capacity(tables, asks, figures)
    found = nitrate.reckon_nitrate(tables, asks, figures, round_, capacity=capacity)
    return {"capacity": capacity, "capacity_layer": layers, **found}


def review_of(tables: Tables, asks: pl.DataFrame, figures: Figures, round_: Round) -> Tables:
    """What the review of the asks needs beyond their history: water, due, audit; and the review itself."""
    now: Tables = {
        "water": water.latest(tables, asks, figures),
        "due": dates.due(tables, asks, figures, round_),
        "audit": floworder.audit(tables, asks, figures),
    }
    return {**now, **review.findings({**tables, **now}, asks, figures, round_)}


def _reviewed(as_of: dt.date) -> list[dt.date]:
    """As-of, and the days a week and four weeks before it, which "changed" and "worse" are told against."""
    return [as_of - dt.timedelta(review.MONTH), as_of - dt.timedelta(review.WEEK), as_of]


def _derived(tables: Tables, as_of: dt.date, weeks: int, figures: Figures, round_: Round, progress: Progress) -> Tables:
    progress(0.4, "reckoning")
    days = [as_of - dt.timedelta(7 * back) for back in range(weeks, -1, -1)]
    history = reckon(tables, asks_of(tables, days), figures, round_)
    progress(0.8, "reviewing")
    now = review_of({**tables, **history}, asks_of(tables, _reviewed(as_of)), figures, round_)
    return {**history, **now}


def _fingerprint(folder: Path, files: Sequence[intake.LogFile]) -> str:
    """Changes whenever anything that the warehouse is made of changes, except the day of loading."""
    digest = hashlib.sha256(version("tankround").encode())
    digest.update(FIGURES_FILE.read_bytes())
    settings = folder / "round.toml"
    digest.update(settings.read_bytes() if settings.is_file() else b"")
    for file in files:
        digest.update(f"{file.path}\0{file.sha256}\0{file.trouble}\n".encode("utf-8", "surrogateescape"))
    return digest.hexdigest()


def _account(tables: Tables, round_: Round) -> dict[str, Any]:
    return account_dict(tables["account"], tables["unknown_column"], round_.problems)


def _still_good(target: Path, fingerprint: str, today: dt.date) -> Tables | None:
    """The account of the warehouse that is there, where a new load would build the same; else None."""
    if not target.is_file():
        return None
    try:
        con = store.read_copy(target)
    except store.Unreadable:
        return None
    try:
        told = store.meta(con)
        loaded_on = dt.date.fromisoformat(told["loaded_on"])
        tables = store.read_tables(con, ["account", "unknown_column", "held"])
    finally:
        con.close()
    # "Future" means after the day of loading: rows held for it are looked at again on a later day.
    waiting = tables["held"].filter(pl.col("fault") == "future").height > 0
    if told.get("fingerprint") != fingerprint or today < loaded_on or (waiting and today != loaded_on):
        return None
    return tables


def load(folder: Path, db: Path | None = None, today: dt.date | None = None, progress: Progress = silent) -> LoadResult:
    """Read, check, reckon, review and store a log folder; nothing is done where nothing has changed."""
    if not folder.is_dir():
        raise Problem(f"{folder} is not a folder; expected a log folder. `tankround new FOLDER` makes an empty one.")
    today = today or dt.date.today()
    target = warehouse_of(folder, db)
    round_ = intake.read_round(folder)
    figures, _ = with_overrides(round_.overrides)
    with store.building_lock(target):
        progress(0.0, "looking at the files")
        files = intake.find_files(folder, figures["file_limit_mb"])
        fingerprint = _fingerprint(folder, files)
        old = _still_good(target, fingerprint, today)
        if old is not None:
            return LoadResult(_account(old, round_), False, target)
        progress(0.1, "reading and checking")
        parts = intake.check_parts(intake.read_sheets(folder, files), round_, figures, today)
        tables = intake.with_readings(parts)
        as_of = last_day(tables, today)
        derived = _derived(tables, as_of, WEEKS_BACK, figures, round_, progress)
        progress(0.9, "storing")
        told = {"fingerprint": fingerprint, "loaded_on": today.isoformat(), "as_of": as_of.isoformat()}
        store.publish({**parts, **derived}, told, target)
    return LoadResult(_account(tables, round_), True, target)


def open_week(
    folder: Path,
    as_of: dt.date | None = None,
    db: Path | None = None,
    today: dt.date | None = None,
    progress: Progress = silent,
) -> Week:
    """The round as of a day (the last one in the logs): loaded first where the folder has changed."""
    target = load(folder, db, today, progress).db
    round_ = intake.read_round(folder)
    figures, _ = with_overrides(round_.overrides)
    con = store.read_copy(target)
    try:
        told = store.meta(con)
        stored = dt.date.fromisoformat(told["as_of"])
        kept = list(BASE_TABLES) if as_of not in (None, stored) else [*BASE_TABLES, *DERIVED_TABLES]
        tables = store.read_tables(con, kept)
    finally:
        con.close()
    loaded_on = dt.date.fromisoformat(told["loaded_on"])
    if as_of is None or as_of == stored:
        return Week(folder, round_, figures, stored, loaded_on, tables)
    if as_of > loaded_on:
        raise Problem(
            f"{as_of} is after {loaded_on}, the day of loading; expected a day up to it. Leave --as-of away for today."
        )
    derived = _derived(tables, as_of, review.MONTH // 7, figures, round_, progress)
    return Week(folder, round_, figures, as_of, loaded_on, {**tables, **derived})


def paths(week: Week, tanks: Sequence[str]) -> pl.DataFrame:
    """The fitted saw-tooth and the forecast of a few tanks as of the week's day, for their charts."""
    asks = asks_of(week.tables, [week.as_of]).filter(pl.col("tank").is_in(list(tanks)))
    return nitrate_path.paths(week.tables, asks, week.figures, week.round)
