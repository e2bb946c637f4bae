"""The whole way in one short file: load → check → calculate → review → store; and back out as a Week.

The warehouse is a pure function of the log folder and the day of loading: delete it, load again, all is the same.
"""

import datetime as dt
import hashlib
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import reuse, safe_write
from pipeline.assumptions import ASSUMPTIONS_FILE, with_overrides
from pipeline.console import account_dict
from pipeline.intake.files import LogFile, find_files, read_round
from pipeline.problems import Problem
from pipeline.progress import Progress, silent
from pipeline.sentences import table
from pipeline.store import warehouse as store
from pipeline.week import Round, Week
from schemas import Tables, conform


@dataclass(frozen=True)
class LoadResult:
    """What a load did: the account as `load --format json` prints it, whether anything was new, the warehouse, and its
    tables where they were made now."""

    account: dict[str, Any]
    new: bool
    db: Path
    tables: Tables | None = field(default=None, repr=False)


def warehouse_of(folder: Path, db: Path | None = None) -> Path:
    """Where a folder's warehouse lies."""
    return db or folder / ".tankround" / "warehouse.duckdb"


def _fingerprint(folder: Path, files: Sequence[LogFile]) -> str:
    """Changes whenever anything that the warehouse is made of changes, except the day of loading."""
    digest = hashlib.sha256(reuse.code_fingerprint().encode())
    digest.update(ASSUMPTIONS_FILE.read_bytes())
    settings = folder / "round.toml"
    digest.update(settings.read_bytes() if settings.is_file() else b"")
    for file in files:
        digest.update(f"{file.path}\0{file.sha256}\0{file.trouble}\n".encode("utf-8", "surrogateescape"))
    return digest.hexdigest()


def _account(tables: Tables, round_: Round) -> dict[str, Any]:
    return account_dict(tables["account"], tables["unknown_column"], round_.problems)


def _old(target: Path, about: dict[str, str]) -> tuple[dict[str, str], Tables, Tables] | None:
    """What a load can use of the warehouse that stands: what is said of it, its account, and what was calculated. None
    where there is none, or what is used of it is damaged. All of it is used where it is `about` the same files and day."""
    if not target.is_file():
        return None
    try:
        with store.looking(target) as con:
            its = store.meta(con)
            if about.items() <= its.items():
                store.read_through(con)
            account = store.read_tables(con, ["account", "unknown_column"])
            return its, account, store.read_tables(con, ["calculated", *reuse.REUSED])
    except store.Unreadable:
        return None


def _today() -> dt.date:
    return dt.date.today()


def load(
    folder: Path,
    db: Path | None = None,
    today: dt.date | None = None,
    progress: Progress = silent,
    scheduler: str | None = None,
) -> LoadResult:
    """Read, check, calculate, review and store a log folder; nothing where nothing is new and the day is the same.

    A large round is calculated over the cores of this machine, or over the cluster of a Dask scheduler's address."""
    if not folder.is_dir():
        raise Problem(f"{folder} is not a folder; expected a log folder. `tankround new FOLDER` makes an empty one.")
    today = today or _today()
    target = warehouse_of(folder, db)
    round_ = read_round(folder)
    assumed, _ = with_overrides(round_.overrides)
    with store.building_lock(target):
        safe_write.clear_leftovers(folder)
        progress(0.0, "looking at the files")
        files = _files(folder)
        fingerprint = _fingerprint(folder, files)
        about = {"fingerprint": fingerprint, "loaded_on": today.isoformat()}
        old_about, old_account, known = _old(target, about) or ({}, None, None)
        if old_account is not None and about.items() <= old_about.items():
            return LoadResult(_account(old_account, round_), False, target)
        # What checks and calculates takes longer to import than to see that nothing is new.
        from pipeline import derive, parts
        from pipeline.intake.check import check
        from pipeline.intake.sheets import read_sheets

        size = sum(file.size for file in files if file.family == "tank")
        with parts.workers(size, scheduler) as run, ThreadPoolExecutor(1) as beside:
            progress(0.1, "reading and checking")
            beside.submit(store.blank)  # needed when all is read
            sheets = read_sheets(folder, files, most_columns=assumed["columns_limit"], own=round_.columns)
            tables = check(sheets, round_, assumed, today)
            del sheets  # the texts of all cells
            progress(0.4, "calculation")
            records = derive.looked_back(tables, today, assumed)

            def calculate() -> Tables:
                derived = derive.derived(records, today, assumed, round_, progress, known, run)
                progress(0.9, "storing")
                return derived

            stored = store.publish(tables, about, target, calculate)
        # On another day a row of a day to come may come free: that is new, though no file is.
        account = _account(tables, round_)
        same = old_account is not None and old_about.get("fingerprint") == fingerprint
        new = not same or account != _account(old_account or {}, round_)
        return LoadResult(account, new, target, stored)


def _standing(folder: Path, db: Path | None, today: dt.date | None) -> tuple[dt.date, Tables] | None:
    """The day of loading and the tables of the warehouse that stands, read once; None where it is damaged or, for a day
    of loading, not that of the folder as it is."""
    target = warehouse_of(folder, db)
    if not target.is_file() or not folder.is_dir():
        return None
    try:
        with store.looking(target) as con:
            about = store.meta(con)
            loaded_on = dt.date.fromisoformat(about["loaded_on"])
            if today is not None and (
                loaded_on != today or about["fingerprint"] != _fingerprint(folder, _files(folder))
            ):
                return None
            return loaded_on, store.read_tables(con)
    except store.Unreadable:
        return None


def _files(folder: Path) -> Sequence[LogFile]:
    assumed, _ = with_overrides(read_round(folder).overrides)
    return find_files(folder, assumed["file_limit_mb"], assumed["folder_limit_mb"])


def open_week(
    folder: Path,
    as_of: dt.date | None = None,
    db: Path | None = None,
    today: dt.date | None = None,
    progress: Progress = silent,
) -> Week:
    """The round as of a day (the day of loading): loaded first where the folder has changed."""
    day = today or _today()
    standing = _standing(folder, db, day)
    for _ in range(2):  # the second mends what was damaged after the first
        if standing is None:
            made = load(folder, db, day, progress).tables
            read_back = {name: conform(name, frame) for name, frame in (made or {}).items()}
            standing = (day, read_back) if read_back else _standing(folder, db, None)
    if standing is None:
        raise Problem(f"{warehouse_of(folder, db)} was damaged while it was read; run the command again.")
    loaded_on, tables = standing
    round_ = read_round(folder)
    assumed, _ = with_overrides(round_.overrides)
    if as_of is None or as_of == loaded_on:
        return Week(folder, round_, assumed, loaded_on, loaded_on, tables)
    if as_of > loaded_on:
        says = table(__file__, "problems.toml")["after the load"]
        raise Problem(says.format(as_of=as_of, loaded_on=loaded_on))
    from pipeline import derive

    progress(0.4, "calculation")
    derived = derive.derived(derive.looked_back(tables, as_of, assumed), as_of, assumed, round_, progress)
    return Week(folder, round_, assumed, as_of, loaded_on, {**tables, **derived})


def history(week: Week, tanks: Sequence[str], weeks: int) -> Tables:
    """Capacity, rates and outlook of a few tanks on the Mondays of the weeks before the week's day, and on that day."""
    from pipeline import derive

    monday = week.as_of - dt.timedelta(week.as_of.weekday())
    days = sorted({week.as_of, *(monday - dt.timedelta(7 * back) for back in range(weeks))})
    requests = derive.requests_of(week.tables, days).filter(pl.col("tank").is_in(list(tanks)))
    return derive.calc(derive.records_of(week, tanks), requests, week.assumed, week.round)


def paths(week: Week, tanks: Sequence[str]) -> pl.DataFrame:
    """The fitted saw-tooth and the forecast of a few tanks as of the week's day, for their charts."""
    from pipeline import derive
    from pipeline.calc import nitrate

    requests = derive.requests_of(week.tables, [week.as_of]).filter(pl.col("tank").is_in(list(tanks)))
    return nitrate.paths(derive.records_of(week, tanks), requests, week.assumed, week.round)


def implied(week: Week, tank: str, explanation: Mapping[str, Any]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """What an explanation of a tank's nitrate (a row of table `explanation`) would have: its path and moved readings."""
    from pipeline import derive
    from pipeline.calc import explanations

    return explanations.implied(derive.records_of(week, [tank]), tank, week.as_of, explanation, week.assumed)
