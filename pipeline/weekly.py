"""The whole way in one short file: load → check → calculate → review → store; and back out as a Week.

The warehouse is a pure function of the log folder and the day of loading: delete it, load again, all is the same.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import derive, intake, reuse, review, store
from pipeline.assumptions import ASSUMPTIONS_FILE, Assumptions, with_overrides
from pipeline.calc import nitrate_path
from pipeline.console import account_dict
from pipeline.problems import Problem
from pipeline.progress import Progress, silent
from pipeline.week import Round, Week
from schemas import BASE_TABLES, DERIVED_TABLES, Tables

WEEKS_BACK = 26  # the weeks before as-of that are calculated with it
LOOK_BACK_DAYS = 1100  # no window of a calculation is longer; the last reading and visit of each tank are always there


@dataclass(frozen=True)
class LoadResult:
    """What a load did: the account as `load --format json` prints it, whether anything was new, the warehouse."""

    account: dict[str, Any]
    new: bool
    db: Path


def warehouse_of(folder: Path, db: Path | None = None) -> Path:
    """Where a folder's warehouse lies."""
    return db or folder / ".tankround" / "warehouse.duckdb"


def _since(as_of: dt.date) -> dt.date:
    """From when records are looked at: a new year's day, as each move of the window has all of it calculated anew."""
    return dt.date((as_of - dt.timedelta(LOOK_BACK_DAYS)).year, 1, 1)


def _settings(folder: Path, files: Sequence[intake.LogFile]) -> str:
    """Changes with what every sheet is read by: our code, the assumptions, round.toml, the corrections."""
    digest = hashlib.sha256(derive.code_print().encode())
    digest.update(ASSUMPTIONS_FILE.read_bytes())
    settings = folder / "round.toml"
    digest.update(settings.read_bytes() if settings.is_file() else b"")
    for file in files:
        if file.family == "correction":
            digest.update(f"{file.sha256}\0{file.trouble}".encode("utf-8", "surrogateescape"))
    return digest.hexdigest()


def _fingerprint(folder: Path, files: Sequence[intake.LogFile]) -> str:
    """Changes whenever anything that the warehouse is made of changes, except the day of loading."""
    digest = hashlib.sha256(_settings(folder, files).encode())
    for file in files:
        digest.update(f"{file.path}\0{file.sha256}\0{file.trouble}\n".encode("utf-8", "surrogateescape"))
    return digest.hexdigest()


def _account(tables: Tables, round_: Round) -> dict[str, Any]:
    return account_dict(tables["account"], tables["unknown_column"], round_.problems)


@dataclass(frozen=True)
class _Job:
    """What a load is to do: a folder with its files and settings into a warehouse, as of a day."""

    folder: Path
    target: Path
    files: list[intake.LogFile]
    told: dict[str, str]
    round: Round
    assumed: Assumptions
    today: dt.date
    progress: Progress


@dataclass(frozen=True)
class _Old:
    """The warehouse that stands: what is told of it, and what a load looks at first."""

    told: dict[str, str]
    tables: Tables
    waits: bool  # whether a row is held that was of a day to come


def _old(job: _Job) -> _Old | None:
    if not job.target.is_file():
        return None
    try:
        with store.looking(job.target) as con:
            told = store.meta(con)
            tables = store.read_tables(con, ["account", "unknown_column", "correction"])
            if told.get("settings") == job.told["settings"] and told.get("fingerprint") != job.told["fingerprint"]:
                tables |= store.rows_standing(con, job.assumed["service_change_share"])
            return _Old(told, tables, store.waits_for_a_day(con))
    except store.Unreadable:
        return None


def _old_history(target: Path) -> Tables | None:
    if not target.is_file():
        return None
    try:
        with store.looking(target) as con:
            return store.read_tables(con, ["calculated", *reuse.HISTORY])
    except store.Unreadable:
        return None


def _is_whole(target: Path) -> bool:
    """Whether every row of the warehouse that stands can still be read."""
    try:
        store.read_copy(target).close()
    except store.Unreadable:
        return False
    return True


def _reads_on(old: _Old, today: dt.date) -> bool:
    """Whether what stands was read as it would be read today: "future" means after the day of loading."""
    if "loaded_on" not in old.told:
        return False
    loaded_on = dt.date.fromisoformat(old.told["loaded_on"])
    return today == loaded_on or (today > loaded_on and not old.waits)


def _delta(job: _Job, old: _Old) -> intake.Delta | None:
    if old.told.get("settings") != job.told["settings"]:
        return None
    return intake.read_partly(
        job.folder, job.files, old.tables, old.told["leans_on"], job.round, job.assumed, job.today
    )


def _build(job: _Job, delta: intake.Delta | None) -> LoadResult:
    """A new warehouse in place of the one that stands: a copy of it with what has changed, or all of it anew."""
    today, assumed, progress = job.today, job.assumed, job.progress
    with store.building(job.target, job.target if delta is not None else None) as con:
        if delta is not None:
            leans_on = intake.leans_on(delta.parts)
            store.apply_delta(con, delta.parts, delta.changed, delta.zone, delta.context)
        else:
            parts = intake.check_parts(intake.read_sheets(job.folder, job.files), job.round, assumed, today)
            leans_on = intake.leans_on(parts)
            store.put_whole(con, parts)
            del parts  # a large folder fits in memory once, not twice
        progress(0.4, "calculation")
        as_of = store.last_day(con, today) or today
        standing = store.read_standing(con)
        since = _since(as_of)

        def records(tanks: Sequence[str] | None, parameter: str | None = None) -> Tables:
            return standing | store.read_recent(con, since, tanks, parameter)

        known = _old_history(job.target)
        store.put(con, derive.derived(records, standing, as_of, WEEKS_BACK, assumed, job.round, progress, known))
        progress(0.9, "storing")
        day = {"loaded_on": today.isoformat(), "as_of": as_of.isoformat(), "leans_on": leans_on}
        store.put_meta(con, {**job.told, **day})
    return LoadResult(_account(standing, job.round), True, job.target)


def load(folder: Path, db: Path | None = None, today: dt.date | None = None, progress: Progress = silent) -> LoadResult:
    """Read, check, calculate, review and store a log folder: only what has changed, and nothing where nothing has."""
    if not folder.is_dir():
        raise Problem(f"{folder} is not a folder; expected a log folder. `tankround new FOLDER` makes an empty one.")
    today = today or dt.date.today()
    target = warehouse_of(folder, db)
    round_ = intake.read_round(folder)
    assumed, _ = with_overrides(round_.overrides)
    with store.building_lock(target):
        progress(0.0, "looking at the files")
        files = intake.find_files(folder, assumed["file_limit_mb"])
        told = {"fingerprint": _fingerprint(folder, files), "settings": _settings(folder, files)}
        job = _Job(folder, target, files, told, round_, assumed, today, progress)
        old = _old(job)
        if old is not None and not _reads_on(old, today):
            old = None
        if old is not None and old.told.get("fingerprint") == told["fingerprint"]:
            if _is_whole(target):
                return LoadResult(_account(old.tables, round_), False, target)
            old = None
        progress(0.1, "reading and checking")
        delta = _delta(job, old) if old is not None else None
        if delta is not None:
            # A damage that no first look has met comes out at the latest here: then nothing of the old one is kept.
            with suppress(store.Unreadable):
                return _build(job, delta)
        return _build(job, None)


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
    assumed, _ = with_overrides(round_.overrides)
    try:
        con = store.read_copy(target)
    except store.Unreadable:  # damaged in rows that a load of one more sheet has no need of: a second look sees it
        con = store.read_copy(load(folder, db, today, progress).db)
    try:
        told = store.meta(con)
        stored = dt.date.fromisoformat(told["as_of"])
        kept = list(BASE_TABLES) if as_of not in (None, stored) else [*BASE_TABLES, *DERIVED_TABLES]
        tables = store.read_tables(con, kept)
    finally:
        con.close()
    loaded_on = dt.date.fromisoformat(told["loaded_on"])
    if as_of is None or as_of == stored:
        return Week(folder, round_, assumed, stored, loaded_on, tables)
    if as_of > loaded_on:
        raise Problem(
            f"{as_of} is after {loaded_on}, the day of loading; expected a day up to it. Leave --as-of away for today."
        )
    progress(0.4, "calculation")
    derived = derive.derived(
        lambda tanks, parameter=None: tables, tables, as_of, review.MONTH // 7, assumed, round_, progress
    )
    return Week(folder, round_, assumed, as_of, loaded_on, {**tables, **derived})


def paths(week: Week, tanks: Sequence[str]) -> pl.DataFrame:
    """The fitted saw-tooth and the forecast of a few tanks as of the week's day, for their charts."""
    asks = derive.asks_of(week.tables, [week.as_of]).filter(pl.col("tank").is_in(list(tanks)))
    return nitrate_path.paths(week.tables, asks, week.assumed, week.round)
