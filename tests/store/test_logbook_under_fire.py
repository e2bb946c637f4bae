"""Corrections, typed visits and uploads: a kill or a lost power leaves the old file or the new one, whole."""

from __future__ import annotations

import csv
import datetime as dt
import io
import os
import random
import signal
import stat
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline import logbook
from pipeline.intake.files import find_files

DAY = dt.date(2026, 6, 1)
ROWS = 400  # enough that writing takes a while
KILLS = 20


def correction(line: int) -> dict[str, str]:
    return {"file": "visits/a.csv", "line": str(line), "column": "nitrate", "was": "1", "now": "2", "by": "x",
            "on": "2026-06-01", "why": "typed “twice”, by hand; " * 4}  # fmt: skip


def visit(line: int) -> dict[str, str]:
    return {"date": "2026-06-01", "tank": f"T{line}", "nitrate": "11-26", "note": "as it was typed, " * 4}


def put_right(folder: Path) -> None:
    logbook.add_corrections(folder, [correction(line) for line in range(ROWS)])


def enter(folder: Path) -> None:
    logbook.save_visits(folder, [visit(line) for line in range(ROWS)], DAY)


def upload(folder: Path) -> None:
    logbook.save_upload(folder, "services", "may.csv", b"date,tank,job\n" * ROWS)


WRITES = [
    pytest.param(put_right, "corrections.csv", "replace", id="corrections"),
    pytest.param(enter, "visits/entered-2026-06-01-001.csv", "link", id="visits"),
    pytest.param(upload, "services/may.csv", "link", id="upload"),
]


def kind(handle: int) -> str:
    return "folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else "file"


@pytest.mark.parametrize(("write", "target", "named_by"), WRITES)
def test_a_file_is_on_disk_before_it_has_its_name_and_its_name_before_it_is_called_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, write: Callable[[Path], None], target: str, named_by: str
) -> None:
    told: list[str] = []
    whole: list[int] = []
    real = {name: getattr(os, name) for name in ("fsync", "replace", "link")}

    def sync(handle: int) -> None:
        told.append(f"{kind(handle)} synced")
        if kind(handle) == "file":
            whole.append(os.fstat(handle).st_size)
        real["fsync"](handle)

    def name(how: str) -> Callable[[str, Path], None]:
        def named(beside: str, wanted: Path) -> None:
            told.append(how)
            assert Path(beside).parent == wanted.parent, "a name is given in one step only within a folder"
            real[how](beside, wanted)

        return named

    monkeypatch.setattr(os, "fsync", sync)
    for how in ("replace", "link"):
        monkeypatch.setattr(os, how, name(how))
    write(tmp_path)
    assert told == ["file synced", named_by, "folder synced"]
    assert whole == [(tmp_path / target).stat().st_size], "synced before all was written"


def in_a_child(write: Callable[[], None]) -> int:
    """Run it in a fork of this process and leave at once; returns the child's number."""
    child = os.fork()
    if child == 0:
        try:
            write()
        finally:
            os._exit(0)
    return child


def killed_after(seconds: float, write: Callable[[], None]) -> bool:
    """Whether the kill came before the write was done."""
    child = in_a_child(write)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)  # not reaped yet, so the number is still its own
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL


@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
def test_killed_while_adding_corrections_the_old_file_or_the_new_one_is_whole(tmp_path: Path) -> None:
    draw = random.Random(1)
    put_right(tmp_path)
    target = tmp_path / "corrections.csv"
    old = target.read_bytes()
    begun = time.monotonic()
    put_right(tmp_path)
    usual = time.monotonic() - begun
    new = target.read_bytes()
    assert len(list(csv.DictReader(io.StringIO(new.decode(), newline="")))) == 2 * ROWS
    found: Counter[str] = Counter()
    while sum(found.values()) < KILLS:
        target.write_bytes(old)
        if killed_after(draw.random() * usual * 2, lambda: put_right(tmp_path)):
            stands = target.read_bytes()
            assert stands in (old, new)
            found["old" if stands == old else "new"] += 1
        else:
            assert target.read_bytes() == new
            usual *= 0.9  # this machine has become quicker
    assert found["old"] > 0
    target.write_bytes(old)
    put_right(tmp_path)  # what a kill left, the lock included, is in nobody's way
    assert target.read_bytes() == new
    assert [file.path for file in find_files(tmp_path, 20)] == ["corrections.csv"], "a half file is nobody's sheet"


@pytest.mark.parametrize("dies", ["fsync", "link", "unlink", "close"])
@pytest.mark.parametrize("when", ["before", "after"])
@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
def test_killed_around_each_step_of_saving_visits_they_are_kept_whole_or_not_at_all(
    tmp_path: Path, dies: str, when: str
) -> None:
    whole = logbook.visits_csv([visit(line) for line in range(ROWS)]).encode()

    def doomed() -> None:
        real = getattr(os, dies)

        def last(*given: object, **named: object) -> None:
            if when == "after":
                real(*given, **named)
            os.kill(os.getpid(), signal.SIGKILL)

        setattr(os, dies, last)
        enter(tmp_path)

    _, how = os.waitpid(in_a_child(doomed), 0)
    assert os.waitstatus_to_exitcode(how) == -signal.SIGKILL, "the step was never taken"
    kept = sorted((tmp_path / "visits").glob("entered-*.csv"))
    named = (dies, when) not in {("fsync", "before"), ("fsync", "after"), ("link", "before")}
    assert [path.read_bytes() for path in kept] == ([whole] if named else [])
    enter(tmp_path)
    assert len(sorted((tmp_path / "visits").glob("entered-*.csv"))) == len(kept) + 1
