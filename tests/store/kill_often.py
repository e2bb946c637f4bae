"""Loads killed at random moments, and what stands afterwards; `python -m tests.kills` prints how many."""

from __future__ import annotations

import random
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from pathlib import Path
from threading import Lock

from pipeline import weekly
from pipeline.store import warehouse as store
from schemas import Tables
from tests.small_folder import STANDING, TODAY, write_folder
from tests.store.loaders import STAGES, Loader, Wish
from tests.store.sameness import assert_same_tables, tables_in

WEEKS = 3
# What the folder says: as written; a sheet changed, so that a load reads some; a kit changed, so that it reads all.
SAYINGS = ("as written", "a sheet changed", "a kit changed")
ONE_AT_A_TIME = Lock()  # loads of this process itself


def say(folder: Path, saying: str) -> None:
    """Make the folder say it."""
    sheet, kits = folder / "visits" / "week-01.csv", folder / "kits.csv"
    if not sheet.exists():
        write_folder(folder, weeks=WEEKS)
    plain = sheet.with_name("week-01.kept")
    if not plain.exists():
        plain.write_bytes(sheet.read_bytes())
    text = plain.read_text()
    more = "2026-01-15,,T2,before,0,0,47,7.2,5,K1,20%,one more\n2026-01-16,,nobody,before,0,0,1,7.2,5,K1,,held\n"
    sheet.write_text(text + more if saying == "a sheet changed" else text)
    steps = STANDING["kits.csv"]
    kits.write_text(steps.replace("|83", "|90") if saying == "a kit changed" else steps)


def leftovers(folder: Path) -> list[str]:
    """What lies beside the warehouse that should not."""
    beside = {".gitignore", "warehouse.duckdb", "warehouse.duckdb.lock"}
    place = weekly.warehouse_of(folder).parent
    return sorted({path.name for path in place.iterdir()} - beside) if place.exists() else []


def standing_in(db: Path) -> tuple[str, Tables] | None:
    """The fingerprint of the folder a warehouse was made of, and its tables, in one look; None where none stands."""
    if not db.exists():
        return None
    with store.looking(db) as con:
        return store.meta(con)["fingerprint"], tables_in(con)


class Truth:
    """What a warehouse must hold for each saying, by a load that nobody disturbed."""

    def __init__(self, place: Path) -> None:
        self.said: dict[str, str] = {}
        self.tables: dict[str, Tables] = {}
        for number, saying in enumerate(SAYINGS):
            folder, db = place / "truth", place / f"truth-{number}.duckdb"
            say(folder, saying)
            weekly.load(folder, db, TODAY)
            found = standing_in(db)
            assert found is not None
            told, self.tables[saying] = found
            self.said[told] = saying
        assert len(self.said) == len(SAYINGS)

    def stands(self, folder: Path) -> str | None:
        """Which saying the folder's warehouse is whole of; fails where it is a mixture, or can't be read."""
        found = standing_in(weekly.warehouse_of(folder))
        if found is None:
            return None
        told, tables = found
        assert_same_tables(tables, self.tables[self.said[told]])
        return self.said[told]


def usual(loader: Loader, folder: Path) -> dict[str, float]:
    """Seconds from each stage to the end of a load that is left alone."""
    say(folder, SAYINGS[0])
    ended = loader.load(Wish(str(folder)))
    assert ended.status == 0, ended.said
    return {stage: ended.at["end"] - ended.at[stage] for stage in STAGES}


def kill(folder: Path, truth: Truth, count: int, seed: int, server: Loader | None = None) -> Counter[str]:
    """Kill `count` loads of the folder, each at a random moment, and look at what stands; then load it in peace."""
    draw = random.Random(seed)
    found: Counter[str] = Counter()
    with nullcontext(server) if server else Loader() as loader:
        takes = usual(loader, folder)
        standing: str | None = SAYINGS[0]
        while found["killed"] < count:
            if draw.random() < 0.1:
                weekly.warehouse_of(folder).unlink()
                standing = None
            wanted = draw.choice([saying for saying in SAYINGS if saying != standing])
            say(folder, wanted)
            stage = STAGES[-1] if found["killed"] % 2 else draw.choice(STAGES)  # half of them where most can go wrong
            ended = loader.load(Wish(str(folder), stage=stage, delay=draw.random() * takes[stage]))
            stands = truth.stands(folder)
            where = f"seed {seed}, kill {found['killed'] + 1}, {stage}: from {standing} to {wanted} stands {stands}"
            if ended.status == -9:
                assert ended.at["end"] < 60, f"{where}; the load hung"
                assert stands in (standing, wanted), where
                found["killed"] += 1
                found[f"killed while {stage}"] += 1
                found["old stands" if stands == standing else "new stands"] += 1
                found["left something behind"] += bool(leftovers(folder))
            else:
                assert (ended.status, stands) == (0, wanted), f"{where}; {ended.said}"
                found["done before its time came"] += 1
            # In peace: mostly back to what stands, which only tidies up; now and then on to what was wanted.
            after = wanted if stands is None or stands == wanted or draw.random() < 0.15 else stands
            say(folder, after)
            with ONE_AT_A_TIME:
                assert weekly.load(folder, today=TODAY).new == (stands != after), where
            assert leftovers(folder) == [], where
            if after != stands:
                assert truth.stands(folder) == after, where
            found["loaded on in peace"] += after != stands
            standing = after
    return found


def kill_often(place: Path, count: int, seed: int = 1, at_once: int = 2) -> Counter[str]:
    """Kills shared among folders at once."""
    truth = Truth(place)
    shares = [count // at_once + (n < count % at_once) for n in range(at_once)]
    with ThreadPoolExecutor(at_once) as pool:
        runs = [pool.submit(kill, place / f"logs-{n}", truth, share, seed + n) for n, share in enumerate(shares)]
        return sum((run.result() for run in runs), Counter())
