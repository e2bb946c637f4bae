"""The warehouse under fire: loads killed, loads at once, readers meanwhile, a full disk, a read-only folder."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb
import pytest

from pipeline import weekly
from pipeline.problems import Problem
from pipeline.store import warehouse as store
from tests.commands import run_command
from tests.kills import WRITES, kill_writes, raw, tidied
from tests.small_folder import TODAY, write_folder
from tests.store.kill_often import SAYINGS, Truth, kill, leftovers, say
from tests.store.loaders import Loader, Wish
from tests.store.sameness import assert_same_tables, tables_of

PLAIN, SHEET, KIT = SAYINGS


@pytest.fixture(scope="module")
def truth(tmp_path_factory: pytest.TempPathFactory) -> Truth:
    return Truth(tmp_path_factory.mktemp("truth"))


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plain") / "logs"
    say(folder, PLAIN)
    weekly.load(folder, today=TODAY)
    return folder


@pytest.fixture
def folder(loaded: Path, tmp_path: Path) -> Path:
    """A folder as written, with its warehouse."""
    return shutil.copytree(loaded, tmp_path / "logs")


@pytest.fixture(scope="module")
def loader() -> Iterator[Loader]:
    with Loader() as one:
        yield one


# `python -m tests.kills 200` kills two hundred times, at other moments with another seed.
@pytest.mark.slow
def test_killed_at_any_moment_the_old_or_the_new_warehouse_stands_whole(
    tmp_path: Path, truth: Truth, loader: Loader
) -> None:
    found = kill(tmp_path / "logs", truth, 2, seed=1, server=loader)
    assert found["killed"] == 2
    assert found["killed while storing"] > 0, "killed too early to prove anything"


@pytest.mark.slow
def test_killed_at_any_moment_a_write_is_whole_or_not_at_all(folder: Path, loader: Loader) -> None:
    before = raw(folder)
    for what in ("issue", "keep", "correction"):  # the first two look up what the warehouse says
        assert kill_writes(folder, what, 1, 1, loader)[f"{what} killed"] == 1
    tidied(folder, tuple(WRITES), before)


def test_killed_at_the_swap(folder: Path, truth: Truth, loader: Loader) -> None:
    say(folder, SHEET)
    for dies, stands in (("before replace", PLAIN), ("after replace", SHEET)):
        assert loader.load(Wish(str(folder), dies=dies)).status == -9
        assert truth.stands(folder) == stands
    assert not weekly.load(folder, today=TODAY).new
    assert leftovers(folder) == []


def test_what_a_build_leaves_beside_it_is_cleared(tmp_path: Path) -> None:
    """Also the folder that DuckDB makes where memory is short, and beside a name with brackets and a star."""
    db = tmp_path / "a[1]" / "ware[b]*.duckdb"
    db.parent.mkdir()
    start = f".{db.name}.abc.building"
    for name in (start, f"{start}.wal"):
        (db.parent / name).write_bytes(b"half")
    spilt = db.parent / f"{start}.tmp"
    spilt.mkdir()
    (spilt / "block").write_bytes(b"half")
    other = db.parent / ".other.duckdb.abc.building"
    other.write_bytes(b"of another warehouse")
    with store.building_lock(db):
        store.publish({}, {}, db)
    assert {path.name for path in db.parent.iterdir()} == {db.name, f"{db.name}.lock", other.name}


def test_two_loads_at_once_take_turns(folder: Path, truth: Truth, loader: Loader) -> None:
    say(folder, SHEET)
    loader.start(Wish(str(folder)))
    mine, ended = weekly.load(folder, today=TODAY), loader.ended()
    assert ended.status == 0, ended.said
    assert sorted([mine.new, bool(ended.new)]) == [False, True], "the second finds all done"
    assert truth.stands(folder) == SHEET
    assert leftovers(folder) == []


def test_a_reader_meanwhile_sees_a_whole_warehouse(folder: Path, truth: Truth, loader: Loader) -> None:
    seen: list[str | None] = []
    failed: list[BaseException] = []
    done = threading.Event()

    def read() -> None:
        try:
            while not done.is_set():
                seen.append(truth.stands(folder))
        except BaseException as error:  # told to the test, below
            failed.append(error)

    reader = threading.Thread(target=read)
    reader.start()
    try:
        say(folder, SHEET)
        assert loader.load(Wish(str(folder))).status == 0
        swapped = len(seen)
        patience = time.monotonic() + 60
        while len(seen) < swapped + 2 and not failed and time.monotonic() < patience:
            time.sleep(0.01)
    finally:
        done.set()
        reader.join()
    assert failed == []
    order = [saying for n, saying in enumerate(seen) if n == 0 or saying != seen[n - 1]]
    assert order == [PLAIN, SHEET]


# A place of limited size, or that may only be read, by the kernel itself; only root may make one.


def _mount(*words: str) -> None:
    done = subprocess.run(["mount", *words], capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"no place can be mounted here ({done.stderr.strip()}), so the kernel can't be asked")


@contextmanager
def _mounted(place: Path, *words: str) -> Iterator[Path]:
    if os.geteuid() != 0:
        pytest.skip("only root may mount a place")
    place.mkdir()
    _mount(*words, str(place))
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


@pytest.mark.parametrize("room", ["64k", "6m"])
def test_a_full_disk_is_told_and_nothing_stands_for_a_warehouse(tmp_path: Path, truth: Truth, room: str) -> None:
    """Full while building, or just before its end."""
    with _mounted(tmp_path / "small", "-t", "tmpfs", "-o", f"size={room}", "none") as place:
        db = place / "w.duckdb"
        with (
            pytest.raises(Problem, match="could not be written: the disk is full; make room and load again"),
            store.building_lock(db),
        ):
            store.publish(truth.tables[PLAIN], {}, db)
        assert [path.name for path in place.iterdir()] == ["w.duckdb.lock"]


def test_a_disk_that_fills_up_keeps_the_old_warehouse(folder: Path, tmp_path: Path, truth: Truth) -> None:
    with _mounted(tmp_path / "small", "-t", "tmpfs", "-o", "size=12m", "none") as place:
        db = place / "w.duckdb"
        before = shutil.copyfile(weekly.warehouse_of(folder), db).read_bytes()
        assert len(before) < 12 * 2**20 < 2 * len(before), "room for one, not for two"
        say(folder, KIT)
        with pytest.raises(Problem, match="the disk is full"):
            weekly.load(folder, db, TODAY)
        assert db.read_bytes() == before
        assert sorted(path.name for path in place.iterdir()) == ["w.duckdb", "w.duckdb.lock"]
        subprocess.run(["mount", "-o", "remount,size=64m", str(place)], check=True)
        assert weekly.load(folder, db, TODAY).new
        assert_same_tables(tables_of(db), truth.tables[KIT])


def test_a_folder_that_may_only_be_read_is_loaded_elsewhere(tmp_path: Path) -> None:
    real = write_folder(tmp_path / "logs", weeks=1)
    with _mounted(tmp_path / "shown", "--bind", str(real)) as place:
        _mount("-o", "remount,bind,ro", str(place))
        code, out, err = run_command("load", place)
        assert (code, out, len(err.splitlines())) == (1, "", 1), err
        assert "the folder is read-only; give --db FILE in a folder that is not" in err
        assert run_command("load", place, "--db", tmp_path / "w.duckdb")[0] == 0
    assert not (real / ".tankround").exists()


# The same without root: the functions that touch the disk refuse.


def _refuse(code: int) -> Callable[..., object]:
    def refused(*given: object, **named: object) -> object:
        raise OSError(code, os.strerror(code))

    return refused


@pytest.mark.parametrize("where", ["tempfile.mkstemp", "os.fsync", "os.replace"])
@pytest.mark.parametrize(
    ("code", "says"),
    [
        (errno.ENOSPC, "the disk is full; make room"),
        (errno.EROFS, "read-only; give --db FILE"),
        (errno.EACCES, "may not be written to; give --db FILE"),
        (errno.EDQUOT, "no more may be stored there; make room"),
        (errno.EIO, "Input/output error; check the place"),
    ],
)
def test_whatever_refuses_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str, code: int, says: str
) -> None:
    base = tmp_path / "w.duckdb"
    with store.building_lock(base):
        store.publish({}, {}, base)
    before = base.read_bytes()
    monkeypatch.setattr(where, _refuse(code))
    with pytest.raises(Problem, match=says), store.building(base):
        pass
    assert base.read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["w.duckdb", "w.duckdb.lock"]


@pytest.mark.parametrize(
    "error",
    [
        duckdb.IOException("Could not write file: No space left on device"),
        duckdb.TransactionException("Failed to commit: Could not write file: No space left on device"),
        duckdb.FatalException("database has been invalidated: No space left on device"),
    ],
)
def test_a_full_disk_that_duckdb_tells_of_is_told(tmp_path: Path, error: duckdb.Error) -> None:
    with pytest.raises(Problem, match="the disk is full"), store.building(tmp_path / "w.duckdb"):
        raise error
    assert list(tmp_path.iterdir()) == []


def test_a_mistake_of_ours_is_not_put_down_to_the_disk(tmp_path: Path) -> None:
    with pytest.raises(duckdb.CatalogException), store.building(tmp_path / "w.duckdb") as con:
        con.execute("select * from nothing_of_that_name")
    assert list(tmp_path.iterdir()) == []


def test_a_load_that_waits_too_long_for_another_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.store.warehouse.LOCK_WAIT_S", 0.2)
    with (
        store.building_lock(tmp_path / "w.duckdb"),
        pytest.raises(Problem, match="Another load has held"),
        store.building_lock(tmp_path / "w.duckdb"),
    ):
        pass
