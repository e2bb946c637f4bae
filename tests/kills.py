"""Kills at random moments of all that is written: loads, issued reports, kept visits, corrections; nothing is lost.

`python -m tests.kills 200 1` kills 200 times, from the seed 1, and prints what stood afterwards.
"""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from unittest import mock

from pipeline import logbook, weekly
from pipeline.papers import issued
from tests.small_folder import TODAY, write_folder
from tests.store.kill_often import kill_often
from tests.store.loaders import Loader, Wish

ROWS = 20  # of a kept sheet, and of what is put right at once
MOST_TRIES = 20  # for each kill: a write may be done before its time comes


def keep(folder: Path, number: int) -> Callable[[], object]:
    rows = [{"date": "2026-01-06", "tank": "T1", "nitrate": "11-26", "note": f"{number}/{n}"} for n in range(ROWS)]
    return lambda: logbook.save_visits(folder, rows, TODAY)


def correct(folder: Path, number: int) -> Callable[[], object]:
    rows = [
        {"file": "visits/week-00.csv", "line": "2", "column": "note", "was": "x", "now": str(n), "by": "me",
         "on": "2026-01-06", "why": str(number)} for n in range(ROWS)
    ]  # fmt: skip
    return lambda: logbook.add_corrections(folder, rows)


def issue(folder: Path, number: int) -> Callable[[], object]:
    from pipeline.papers.site_report import site_report

    week = weekly.open_week(folder, today=TODAY)
    report = site_report(week, "S1", week.as_of - dt.timedelta(7 + number), week.as_of)

    def write() -> object:
        """Nothing is drawn: drawing takes so long that hardly a kill would fall among the files."""
        with (
            mock.patch.object(issued, "report_pdf", return_value=b"%PDF " + b"drawn " * 50_000),
            mock.patch.object(issued, "report_html", return_value="<p>drawn " * 50_000),
        ):
            return issued.issue(folder, report, TODAY)

    return write


# Each looks up what it needs and gives back the write itself, the part that is killed.
WRITES: dict[str, Callable[[Path, int], Callable[[], object]]] = {"keep": keep, "correction": correct, "issue": issue}


def unfinished(folder: Path) -> list[str]:
    return [path.name for path in folder.rglob(".*.unfinished")]


def written(folder: Path, what: str) -> list[str]:
    """One entry for each whole write that stands; fails where one stands by half."""
    if what == "issue":
        found = issued.all_issued(folder)
        assert all(one.state == "whole" for one in found), found
        assert issued.lost(folder, "S1") == []
        return sorted(str(one.first) for one in found)
    if what == "keep":
        counts = Counter()
        for path in (folder / "visits").glob("entered-*.csv"):
            with path.open(newline="") as file:
                counts.update(row["note"].split("/")[0] for row in csv.DictReader(file))
    else:
        target = folder / "corrections.csv"
        with target.open(newline="") as file:
            counts = Counter(row["why"] for row in csv.DictReader(file))
    assert set(counts.values()) <= {ROWS}, counts
    return sorted(counts)


def raw(folder: Path) -> dict[str, str]:
    """The files a person wrote, by their hash."""
    files = (
        path for path in folder.rglob("*.csv") if path.name not in ("corrections.csv",) and "entered" not in path.name
    )
    return {str(path): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def kill_writes(folder: Path, what: str, count: int, seed: int, loader: Loader) -> Counter[str]:
    """Kill `count` writes of a kind in a loaded folder; `tidied` then loads it."""
    draw, found = random.Random(seed), Counter[str]()
    if what == "correction":
        (folder / "corrections.csv").write_text(",".join(logbook.CORRECTION_COLUMNS) + "\n")
    ended = loader.load(Wish(str(folder), what=what))
    assert ended.status == 0, ended.said
    usual = ended.at["end"] - ended.at["writing"]
    stands = written(folder, what)
    for number in range(1, count * MOST_TRIES):
        wish = Wish(str(folder), stage="writing", delay=draw.random() * usual, what=what, number=number)
        ended = loader.load(wish)
        now = written(folder, what)
        where = f"{what}, seed {seed}, write {number}"
        assert set(stands) <= set(now), f"{where}: lost {set(stands) - set(now)}"
        assert len(now) - len(stands) == 1 if ended.status == 0 else len(now) - len(stands) in (0, 1), where
        assert ended.status in (0, -9), f"{where}: {ended.said}"
        if ended.status == -9:
            found[f"{what} killed"] += 1
            found[f"{what} killed, {'written all the same' if len(now) > len(stands) else 'as if never begun'}"] += 1
        else:
            found[f"{what} done before its time"] += 1
            usual *= 0.9
        stands = now
        if found[f"{what} killed"] >= count:
            break
    assert found[f"{what} killed"] >= count, f"{what}: only {found} of {count}"
    return found


def tidied(folder: Path, wrote: tuple[str, ...], before: dict[str, str]) -> int:
    """How many files the next load removes that kills left by half; it leaves all that was written, and the raw files."""
    left, stands = len(unfinished(folder)), [written(folder, what) for what in wrote]
    weekly.load(folder, today=TODAY)
    assert unfinished(folder) == []
    assert [written(folder, what) for what in wrote] == stands
    assert raw(folder) == before
    return left


def main() -> None:
    count, seed = (int(word) for word in [*sys.argv[1:], *("200", "1")[len(sys.argv) - 1 :]])
    with tempfile.TemporaryDirectory() as scratch:
        for n, what in enumerate(("load", *WRITES)):
            share = count // 4 + (n < count % 4)
            place = Path(scratch) / what
            place.mkdir()
            if what == "load":
                found = kill_often(place, share, seed)
            else:
                weekly.load(write_folder(place, weeks=3), today=TODAY)
                before = raw(place)
                with Loader() as loader:
                    found = kill_writes(place, what, share, seed, loader)
                found[f"{what}: files left by half, removed by the next load"] += tidied(place, (what,), before)
            for said, times in found.items():
                print(f"{times:5} {said}", flush=True)


if __name__ == "__main__":
    main()
