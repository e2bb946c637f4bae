"""The warehouse file: built beside, swapped in whole, read where it stands.

Readers keep no lock and see the old or the new file, never a half of one. Builders take turns on a lock file.
"""

import errno
import fcntl
import glob
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import duckdb
import polars as pl

from pipeline.problems import Problem
from pipeline.sentences import table as sentences
from schemas import Tables, columns_of, conform, empty

FORMAT = "7"  # raise it when tables change, and older warehouses are built anew
CONFIG: dict[str, str | bool | int | float | list[str]] = {"autoinstall_known_extensions": "false"}
STORED = "select table_name from duckdb_tables() where database_name = current_database()"
LOCK_WAIT_S = 600.0
VIEWS = Path(__file__).with_name("views.sql")
MAGIC = (b"DUCK", 8)  # what every DuckDB file has, and how many bytes from its start
# What each tank's records came to as of a day, so that only what has changed is calculated again.
CALCULATED = {"tank": pl.String, "as_of": pl.Date, "fingerprint": pl.UInt64}


class Unreadable(Exception):
    """The file is no warehouse of this version; it is built anew."""


def _problem(case: str, **shown: object) -> Problem:
    return Problem(sentences(__file__, "problems.toml")[case].format(**shown))


def _explained(error: OSError, path: Path) -> Problem:
    reasons = sentences(__file__, "problems.toml")["why"]
    why = reasons.get(errno.errorcode.get(error.errno or 0), reasons["other"])
    return _problem("not written", path=path, why=why.format(error=error.strerror or error))


def _spare_others(target: Path) -> None:
    """A file that is no database, under a name that none would have, is somebody's: a slip of --db must not cost it."""
    if target.suffix == ".duckdb" or not target.is_file():
        return
    with target.open("rb") as file:
        start = file.read(len(MAGIC[0]) + MAGIC[1])
    if start and start[MAGIC[1] :] != MAGIC[0]:
        raise _problem("another file", path=target)


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
                    raise _problem("another load", lock=lock, minutes=LOCK_WAIT_S / 60) from None
                time.sleep(0.05)
        for left in target.parent.glob(f".{glob.escape(target.name)}.*.building*"):
            _remove_build(left)  # of a build that was killed: we hold the lock, so nobody builds it
        yield


def _of_writing(error: duckdb.Error) -> OSError | None:
    """What went wrong with the disk, where DuckDB tells of it; None where the error is of another kind."""
    message = str(error)
    for code in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EACCES):
        if os.strerror(code) in message:
            return OSError(code, os.strerror(code))
    disk = isinstance(error, duckdb.IOException | duckdb.FatalException) or "Could not write file" in message
    return OSError(errno.EIO, os.strerror(errno.EIO)) if disk else None


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


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _comments() -> str:
    """What the schemas say of every table and column, for anyone who opens the warehouse with another program."""
    from schemas.columns import describe
    from schemas.tables import TABLES

    lines = []
    for table, model in TABLES.items():
        about = (model.__doc__ or table).strip().split("\n\n")[0]
        lines.append(f'comment on table "{table}" is {_quoted(" ".join(about.split()))}')
        for name, note in describe(model).items():
            unit = f" [{note.unit}]" if note.unit else ""
            words = f"One of {', '.join(note.words)}." if note.words else ""
            remark = " ".join(part for part in (f"{note.title}{unit}.", note.description, words) if part)
            lines.append(f'comment on column "{table}"."{name}" is {_quoted(remark)}')
    return ";".join(lines)


@cache
def blank() -> bytes:
    """The file of a warehouse without rows: its tables, views and comments. They are 500 statements, made once."""
    from schemas.tables import TABLES

    columns = {**{name: columns_of(model) for name, model in TABLES.items()}, "calculated": CALCULATED}
    with tempfile.TemporaryDirectory() as place:
        file = Path(place) / "blank"
        with duckdb.connect(str(file), config=CONFIG) as con:
            con.execute("begin")  # each statement alone would wait for the disk
            for table, kinds in columns.items():
                con.register("incoming_frame", pl.DataFrame(schema=kinds).to_arrow())
                con.execute(f'create table "{table}" as from incoming_frame')
            con.execute("create table meta (key varchar primary key, value varchar)")
            con.execute(VIEWS.read_text())
            con.execute(_comments())
            con.execute("commit")
        return file.read_bytes()


def put(con: duckdb.DuckDBPyConnection, tables: Tables) -> None:
    """Put the rows of tables into those of the same name."""
    con.execute("begin")
    for name, frame in tables.items():
        if frame.height:
            con.register("incoming_frame", frame.to_arrow())
            con.execute(f'insert into "{name}" select * from incoming_frame')
            con.unregister("incoming_frame")
    con.execute("commit")


@contextmanager
def building(target: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A warehouse without rows beside the one that stands; left without an error, it is swapped in whole.

    Call it under `building_lock`.
    """
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".building", dir=target.parent)
        os.close(handle)
        os.unlink(name)  # made anew, with the rights that the user's files have
    except OSError as error:
        raise _explained(error, target) from None
    beside = Path(name)
    try:
        beside.write_bytes(blank())
        with duckdb.connect(str(beside), config=CONFIG) as con:
            yield con
            # Closing folds the log into the file too, but where the disk is full it says nothing of having failed.
            con.execute("checkpoint")
        _fsync(beside, os.O_RDWR)
        os.replace(beside, target)
        _fsync(target.parent, os.O_RDONLY)
    except OSError as error:
        raise _explained(error, target) from None
    except duckdb.Error as error:
        cause = _of_writing(error)
        if cause is None:
            raise
        raise _explained(cause, target) from None
    finally:
        for part in ("", ".wal", ".tmp"):
            _remove_build(beside.with_name(beside.name + part))


def publish(
    tables: Tables, about: Mapping[str, str], target: Path, calculate: Callable[[], Tables] = dict[str, pl.DataFrame]
) -> Tables:
    """Write a whole new warehouse with what is said about it, and swap it in; all its tables. Some are stored while the
    others are calculated. Call it under `building_lock`."""
    from schemas.tables import TABLES

    with building(target) as con, ThreadPoolExecutor(1) as beside:
        stored = {name: tables[name] for name in TABLES if name in tables}
        storing = beside.submit(put, con.cursor(), stored)
        more = calculate()
        rest = {
            name: conform(name, more[name]) if name in more else empty(name) for name in TABLES if name not in stored
        }
        storing.result()
        described = pl.DataFrame([("format", FORMAT), *about.items()], schema=["key", "value"], orient="row")
        put(con, {**rest, "calculated": more.get("calculated", pl.DataFrame(schema=CALCULATED)), "meta": described})
    return {**stored, **rest}


def stamp(path: Path) -> tuple[int, int, int] | None:
    """Changes whenever a build swaps the file; None where there is none. A key for caches."""
    try:
        info = path.stat()
    except OSError:
        return None
    return info.st_ino, info.st_mtime_ns, info.st_size


@contextmanager
def looking(path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """The file that stands, read-only, to read some of its rows; let go of at the end.

    Raises Unreadable for a file that is no warehouse, also where that shows only at a row that is read.
    """
    with duckdb.connect(config=CONFIG) as con:
        try:
            con.execute("attach $path as src (read_only)", {"path": str(path)})
            con.execute("use src")
            names = {name for (name,) in con.execute(STORED).fetchall()}
            if names and "meta" not in names:
                raise _problem("another database", path=path)
            if meta(con).get("format") != FORMAT:
                raise Unreadable(f"{path} is of another version")
            yield con
        except duckdb.Error as error:
            raise Unreadable(f"{path} is not a warehouse: {str(error)[:200]}") from None


def read_through(con: duckdb.DuckDBPyConnection) -> None:
    """Read every value, so that damage anywhere shows (`looking` raises Unreadable)."""
    for (name,) in con.execute(STORED).fetchall():
        con.execute(f'select bit_xor(hash(t)) from "{name}" t').fetchall()


def query(con: duckdb.DuckDBPyConnection, sql: str, **params: object) -> pl.DataFrame:
    """A query's rows, with what the connection itself has put in. A connection refuses to be shared between threads."""
    # By its Arrow stream: `.pl()` would import pyarrow.
    return pl.DataFrame(con.sql(sql, params=params or None))


def meta(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """What is said of the warehouse itself: format, loaded_on, as_of, fingerprint."""
    return dict(query(con, "select key, value from meta order by key").iter_rows())


def read_tables(con: duckdb.DuckDBPyConnection, names: list[str] | None = None) -> Tables:
    """Tables as frames, in the order they were stored; where none is named, all that a schema describes."""
    wanted = names or [name for (name,) in con.execute(STORED).fetchall() if name not in ("meta", "calculated")]
    return {name: query(con, f'select * from "{name}"') for name in wanted}
