"""The warehouse file: built beside, swapped in whole, read as a copy in memory.

Readers keep no lock and see the old or the new file, never a half of one. Builders take turns on a lock file.
"""

from __future__ import annotations

import errno
import fcntl
import glob
import os
import shutil
import tempfile
import time
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.problems import Problem
from pipeline.store.views import VIEWS
from schemas import TABLES, Tables, columns_of, conform, empty

FORMAT = "5"  # raise it when tables change, and older warehouses are built anew
CONFIG: dict[str, str | bool | int | float | list[str]] = {"autoinstall_known_extensions": "false"}
LOCK_WAIT_S = 600.0
MAGIC = (b"DUCK", 8)  # what every DuckDB file has, and how many bytes from its start
# Tables that are views over parts: what a typed cell means is stored once, not with each of a million readings.
PARTED = ("visit", "reading")
PARTS: dict[str, dict[str, Any]] = {
    "visit_row": {"row": pl.UInt32, **columns_of(TABLES["visit"])},
    # `marks`: 1 warned, 2 expired, and 4 times the place of its doubt, counted from 1.
    "reading_cell": {"row": pl.UInt32, "meaning": pl.UInt32, "marks": pl.UInt8},
    "meaning": {
        "meaning": pl.UInt32, "parameter": pl.String, "unit": pl.String, "text": pl.String, "kit": pl.String,
        "low": pl.Float64, "high": pl.Float64, "matched": pl.Float64, "outcome": pl.String,
    },
    # The rows of visit sheets that are no visits: those that are held or repeat.
    "row_beside": {"file": pl.String, "line": pl.Int64, "tank": pl.String, "day": pl.Date, "outcome": pl.String},
    # What each tank's records came to as of a day, so that only what has changed is calculated again.
    "calculated": {"tank": pl.String, "as_of": pl.Date, "print": pl.UInt64},
}  # fmt: skip
BY_ROW = ("file", "line")
SORTED: dict[str, tuple[str, ...]] = {
    "visit": BY_ROW,
    "water_change": BY_ROW,
    "reading": (*BY_ROW, "parameter"),
    "held": (*BY_ROW, "column"),
    "remark": (*BY_ROW, "column"),
    "account": ("file",),
}


class Unreadable(Exception):
    """The file is no warehouse of this version; it is built anew."""


def _explained(error: OSError, path: Path) -> Problem:
    why = {
        errno.ENOSPC: "the disk is full; make room and load again",
        errno.EDQUOT: "no more may be stored there; make room and load again",
        errno.EFBIG: "no file so large may be stored there; give --db FILE in a place that takes it",
        errno.EACCES: "the folder may not be written to; give --db FILE in a folder that may",
        errno.EPERM: "the folder may not be written to; give --db FILE in a folder that may",
        errno.EROFS: "the folder is read-only; give --db FILE in a folder that is not",
    }.get(error.errno or 0, f"{error.strerror or error}; check the place and load again")
    return Problem(f"The warehouse {path} could not be written: {why}. The log folder itself is unchanged.")


def _spare_others(target: Path) -> None:
    """A file that is no database, under a name that none would have, is somebody's: a slip of --db must not cost it."""
    if target.suffix == ".duckdb" or not target.is_file():
        return
    with target.open("rb") as file:
        start = file.read(len(MAGIC[0]) + MAGIC[1])
    if start and start[MAGIC[1] :] != MAGIC[0]:
        raise Problem(
            f"{target} is there already and is no warehouse; expected a new name, or a warehouse to bring up to date."
            " Give --db another name. Nothing was changed."
        )


@contextmanager
def building_lock(target: Path) -> Iterator[None]:
    """Two loads at once queue. The lock goes with the process, however it ends."""
    _spare_others(target)
    lock = target.with_name(f"{target.name}.lock")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle = lock.open("w")
    except OSError as error:
        raise _explained(error, target) from None
    with handle:
        patience = time.monotonic() + LOCK_WAIT_S
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > patience:
                    raise Problem(
                        f"Another load has held {lock} for {LOCK_WAIT_S / 60:.0f} minutes; expected it to be done."
                        " End that load, then load again."
                    ) from None
                time.sleep(0.05)
        for left in target.parent.glob(f".{glob.escape(target.name)}.*.building*"):
            _remove_build(left)  # of a build that was killed: we hold the lock, so nobody builds it
        yield


def _of_writing(error: duckdb.Error) -> OSError | None:
    """What went wrong with the disk, where DuckDB tells of it; None where the error is of another kind."""
    told = str(error)
    for code in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EACCES):
        if os.strerror(code) in told:
            return OSError(code, os.strerror(code))
    disk = isinstance(error, duckdb.IOException | duckdb.FatalException) or "Could not write file" in told
    return OSError(errno.EIO, os.strerror(errno.EIO)) if disk else None


def _of_reading(error: duckdb.Error, cause: OSError | None) -> bool:
    """Whether a build on an older warehouse has met a damage of that one: neither a full disk nor a mistake of ours."""
    ours = duckdb.ProgrammingError | duckdb.DataError | duckdb.IntegrityError | duckdb.NotSupportedError
    return not isinstance(error, ours) and (cause is None or cause.errno == errno.EIO)


def _remove_build(path: Path) -> None:
    """A file of a build, or the folder that DuckDB makes beside it where memory is short."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)


def _fsync(path: Path, flags: int) -> None:
    handle = os.open(path, flags)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def put(con: duckdb.DuckDBPyConnection, tables: Tables) -> None:
    """Put tables in whole, in place of those of the same name."""
    for name, frame in tables.items():
        columns = PARTS.get(name)
        fitting = conform(name, frame) if columns is None else _part(frame, columns)
        con.register("incoming_frame", fitting.to_arrow())
        con.execute(f'create or replace table "{name}" as select * from incoming_frame')
        con.unregister("incoming_frame")


def _work(frame: pl.DataFrame) -> int:
    """About what a table costs to put in: a text as much as five numbers, an empty table as much as a few rows."""
    return (frame.height + 100) * sum(5 if kind == pl.String else 1 for kind in frame.dtypes)


def _halves(tables: Tables) -> tuple[Tables, Tables]:
    """Tables in two lots of about as much work, the largest first."""
    lots: tuple[Tables, Tables] = ({}, {})
    work = [0, 0]
    for name in sorted(tables, key=lambda name: -_work(tables[name])):
        lighter = work.index(min(work))
        lots[lighter][name] = tables[name]
        work[lighter] += _work(tables[name])
    return lots


def _put_apart(con: duckdb.DuckDBPyConnection, tables: Tables) -> None:
    """Put tables in as one transaction of a connection of their own, and close it."""
    try:
        con.execute("begin")
        put(con, tables)
        con.execute("commit")
    finally:
        con.close()


def _part(frame: pl.DataFrame, columns: Mapping[str, Any]) -> pl.DataFrame:
    if frame.height == 0:
        return pl.DataFrame(schema=dict(columns))
    return frame.select(pl.col(name).cast(kind) for name, kind in columns.items())


def parts_stored(parts: Tables) -> Tables:
    """Checked tables as they are stored: a reading's marks as one number, and no row of a sheet twice."""
    stored = {name: frame for name, frame in parts.items() if name != "sheet_row"}
    cells, visit, rows = parts.get("reading_cell"), parts.get("visit_row"), parts.get("sheet_row")
    if cells is not None and cells.height:
        marks = pl.col("warned").cast(pl.UInt8) + 2 * pl.col("expired").cast(pl.UInt8)
        marks += 4 * (pl.col("doubt") + 1).fill_null(0)
        stored["reading_cell"] = cells.select("row", "meaning", marks.alias("marks"))
    if rows is not None:
        stored["row_beside"] = _beside(rows, visit)
    return stored


def _beside(rows: pl.DataFrame, visit: pl.DataFrame | None) -> pl.DataFrame:
    """The rows of sheets that are not among the visits."""
    if visit is None or visit.height == 0:
        return rows
    if rows.height == visit.height and all(rows[name].equals(visit[name]) for name in BY_ROW):
        return rows.clear()  # mostly, and seen sooner than by a join
    return rows.join(visit, on=BY_ROW, how="anti", maintain_order="left")


def put_whole(con: duckdb.DuckDBPyConnection, parts: Tables) -> None:
    """Every checked table into a new warehouse, and the views over them; derived tables empty for now."""
    stored = parts_stored(parts)
    tables = {name: stored[name] if name in stored else empty(name) for name in TABLES if name not in PARTED}
    tables |= {name: stored.get(name, pl.DataFrame(schema=columns)) for name, columns in PARTS.items()}
    con.execute("commit")
    with ThreadPoolExecutor(2) as pool:  # each with a connection of its own: together they keep two cores busy
        for done in [pool.submit(_put_apart, con.cursor(), half) for half in _halves(tables)]:
            done.result()
    con.execute("begin")
    con.execute("create table meta (key varchar primary key, value varchar)")
    for view in VIEWS.values():
        con.execute(view)
    settle(con)


def settle(con: duckdb.DuckDBPyConnection) -> None:
    """Commit what a building has so far: what is calculated from it then reads it from the file, not from memory."""
    con.execute("commit")
    con.execute("begin")


def put_meta(con: duckdb.DuckDBPyConnection, told: Mapping[str, str]) -> None:
    """What is told of the warehouse itself, in place of what was told."""
    con.execute("delete from meta")
    con.executemany("insert into meta values (?, ?)", [["format", FORMAT], *([k, v] for k, v in told.items())])


@contextmanager
def building(target: Path, base: Path | None = None) -> Iterator[duckdb.DuckDBPyConnection]:
    """A warehouse under way beside the one that stands: empty, or a copy of `base`.

    Left without an error, it is swapped in whole. Call it under `building_lock`.
    """
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".building", dir=target.parent)
        os.close(handle)
        os.unlink(name)  # DuckDB refuses an empty file that is already there
    except OSError as error:
        raise _explained(error, target) from None
    beside = Path(name)
    try:
        if base is not None:
            shutil.copyfile(base, beside)
        with duckdb.connect(str(beside), config=CONFIG) as con:
            con.execute("begin")
            yield con
            con.execute("commit")
            # Closing folds the log into the file too, but where the disk is full it says nothing of having failed.
            con.execute("checkpoint")
        _fsync(beside, os.O_RDWR)
        os.replace(beside, target)
        _fsync(target.parent, os.O_RDONLY)
    except OSError as error:
        raise _explained(error, target) from None
    except duckdb.Error as error:
        cause = _of_writing(error)
        if base is not None and _of_reading(error, cause):
            raise Unreadable(f"{base} is damaged: {str(error)[:200]}") from None
        if cause is None:
            raise
        raise _explained(cause, target) from None
    finally:
        for part in ("", ".wal", ".tmp"):
            _remove_build(beside.with_name(beside.name + part))


def publish(tables: Tables, told: Mapping[str, str], target: Path) -> None:
    """Write a whole new warehouse and swap it in. Call it under `building_lock`."""
    with building(target) as con:
        put_whole(con, tables)
        put_meta(con, told)


def stamp(path: Path) -> tuple[int, int, int] | None:
    """Changes whenever a build swaps the file; None where there is none. A key for caches."""
    try:
        info = path.stat()
    except OSError:
        return None
    return info.st_ino, info.st_mtime_ns, info.st_size


@contextmanager
def _attached(path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection that has the warehouse at hand, read-only; closed where anything goes wrong.

    Raises Unreadable for a file that is no warehouse, also where that shows only at a row that is read.
    """
    con = duckdb.connect(config=CONFIG)
    try:
        con.execute("attach $path as src (read_only)", {"path": str(path)})
        con.execute("use src")
        names = {name for (name,) in con.execute("select table_name from duckdb_tables()").fetchall()}
        if names and "meta" not in names:
            raise Problem(
                f"{path} is a database, but no warehouse of tankround; expected a new name, or a warehouse to bring up"
                " to date. Give --db another name. Nothing was changed."
            )
        if meta(con).get("format") != FORMAT:
            raise Unreadable(f"{path} is of another version")
        yield con
    except duckdb.Error as error:
        con.close()
        raise Unreadable(f"{path} is not a warehouse: {str(error)[:200]}") from None
    except BaseException:
        con.close()
        raise


@contextmanager
def looking(path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """The file that stands, to read a few of its rows. It is let go of at the end."""
    with _attached(path) as con:
        yield con
        con.close()


def read_copy(path: Path) -> duckdb.DuckDBPyConnection:
    """A private copy in memory; no lock on the file stays. Raises Unreadable for a file that is no warehouse."""
    with _attached(path) as con:
        con.execute("copy from database src to memory")
        con.execute("use memory")
        con.execute("detach src")
    return con


def query(con: duckdb.DuckDBPyConnection, sql: str, **params: object) -> pl.DataFrame:
    """A query's rows, with what the connection itself has put in. A connection refuses to be shared between threads."""
    rows: pl.DataFrame = con.sql(sql, params=params or None).pl()
    return rows


def meta(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """What is told of the warehouse itself: format, loaded_on, as_of, hashes."""
    return dict(query(con, "select key, value from meta order by key").iter_rows())


def read_tables(con: duckdb.DuckDBPyConnection, names: list[str] | None = None) -> Tables:
    """Tables as frames with the types of their schemas, in the order they were stored."""
    found = {name: query(con, f'select * from "{name}"') for name in (names or list(TABLES))}
    return {name: typed(name, frame) if name in TABLES else frame for name, frame in found.items()}


def typed(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """With the types of the schema; what was put in by several loads comes in order of file and line all the same."""
    wanted = columns_of(TABLES[name])
    typed = frame if frame.schema == pl.Schema(wanted) else conform(name, frame)
    order = [column for column in SORTED.get(name, ()) if column in typed.columns]
    return typed.sort(order, nulls_last=False, maintain_order=True) if order else typed
