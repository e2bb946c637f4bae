"""Loading large log folders, measured against DuckDB's bare reading of the same bytes and a plain pandas version.

`python -m tests.bench.bench_load` prints every row as required, measured and ok or NOT; `--quick` only reads and checks the
larger folder. Times are without starting Python. Each way runs in a process of its own. Exit 1 where a row is not met.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from importlib import import_module
from pathlib import Path

import numpy as np

from tests.bench.large_logs import week_of, write_standing, write_visits

TODAY = dt.date(2027, 1, 4)
WEEKS = 260
Way = tuple[float, int]  # seconds, readings kept
failed: list[str] = []


def row(quantity: str, required: str, measured: str, ok: bool | None = None) -> None:
    verdict = "" if ok is None else "ok" if ok else "NOT"
    print(f"{quantity:<58} {required:>12}  {measured:<34} {verdict}", flush=True)
    if ok is False:
        failed.append(quantity)


# -- each way, in a process of its own: prints seconds, peak memory and what it kept -----------------------------------
def checked(folder: Path) -> Way:
    """Files to checked tables in memory."""
    from pipeline.assumptions import built_in
    from pipeline.intake.check import check
    from pipeline.intake.files import find_files
    from pipeline.intake.round_file import read_round
    from pipeline.intake.sheets import read_sheets

    start = time.perf_counter()
    sheets = read_sheets(folder, find_files(folder))
    tables = check(sheets, read_round(folder), built_in(), TODAY)
    return time.perf_counter() - start, tables["reading"].height


def whole(folder: Path) -> Way:
    """A load, with all that is calculated from the records."""
    from pipeline import store, weekly

    start = time.perf_counter()
    db = weekly.load(folder, today=TODAY).db
    seconds = time.perf_counter() - start
    with store.looking(db) as con:
        return seconds, int(store.query(con, "select count(*)::bigint as n from reading").item())


def bare(folder: Path) -> Way:
    import duckdb

    start = time.perf_counter()
    typed = ["ph", "kh", "gh", "temperature", "phosphate"]
    header = (folder / "visits" / "weeks-000.csv").read_text().split("\n", 1)[0].split(",")
    columns = {name: "DATE" if name == "date" else "DOUBLE" if name in typed else "VARCHAR" for name in header}
    target = folder / "bare.duckdb"
    target.unlink(missing_ok=True)
    with duckdb.connect(str(target)) as con:
        con.execute(
            f"create table visit as select * from read_csv('{folder}/visits/*.csv', header=true, auto_detect=false,"
            f" delim=',', quote='\"', filename=true, columns={columns})"
        )
    seconds = time.perf_counter() - start
    with duckdb.connect(str(target), read_only=True) as con:
        return seconds, 8 * con.sql("select count(*) from visit").fetchall()[0][0]


def pandas(folder: Path) -> Way:
    from tests.bench.plain_pandas import load

    start = time.perf_counter()
    kept = load(folder, folder / "plain.sqlite")
    return time.perf_counter() - start, kept


WAYS: dict[str, Callable[[Path], Way]] = {"checked": checked, "whole": whole, "bare": bare, "pandas": pandas}


def run(way: str, folder: Path) -> dict[str, float]:
    """One way over a folder: seconds, peak memory [GB], readings kept."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.bench_load", "--way", way, "--folder", str(folder)],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    told: dict[str, float] = json.loads(done.stdout.strip().splitlines()[-1])
    return told


def one(way: str, folder: Path) -> None:
    # Imports are not of the load; pandera puts its own off until it first validates.
    wanted = {"pandas": ("pandera.backends.pandas.builtin_checks", "tests.bench.plain_pandas")}
    for module in wanted.get(way, ("pandera.backends.polars.builtin_checks", "pipeline.weekly")):
        import_module(module)
    seconds, kept = WAYS[way](folder)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(json.dumps({"seconds": seconds, "peak": peak, "kept": kept}))


def made(folder: Path, tanks: int) -> int:
    write_standing(folder, tanks)
    return write_visits(folder, tanks, WEEKS)


def main(quick: bool) -> int:
    with tempfile.TemporaryDirectory() as place:
        for tanks, required in ((40, 2.0), (1000, 8.0)):
            folder = Path(place) / str(tanks)
            row(f"readings, {tanks:,} tanks", "", f"{made(folder, tanks):,}")
            runs = [run("checked", folder) for _ in range(3)]
            best = min(r["seconds"] for r in runs)
            told = f"{best:.2f} s, peak {runs[0]['peak']:.2f} GB"
            row("reading and checking", f"≤ {required:g} s", told, best <= required)
            if quick and tanks > 40:
                continue
            first = run("whole", folder)
            row("a load with all that is calculated", "", f"{first['seconds']:.1f} s, peak {first['peak']:.2f} GB")
            draw = np.random.default_rng(7)
            week_of(draw, tanks, WEEKS, np.full(tanks, 3)).write_csv(folder / "visits" / "weeks-new.csv")
            more = run("whole", folder)
            row("one more week", "less", f"{more['seconds']:.1f} s", more["seconds"] < first["seconds"])
            if tanks > 40:
                slow, plain = run("pandas", folder), run("bare", folder)
                row("bare DuckDB, typed read_csv into a file", "", f"{plain['seconds']:.2f} s")
                row("pandas, pandera and SQLite", "", f"{slow['seconds']:.1f} s, peak {slow['peak']:.2f} GB")
    print(f"\n{len(failed)} rows not met" if failed else "\nall rows met")
    return 1 if failed else 0


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--way", choices=list(WAYS))
    parser.add_argument("--folder", type=Path)
    chosen = parser.parse_args()
    if chosen.way:
        one(chosen.way, chosen.folder)
    else:
        sys.exit(main(chosen.quick))
