"""Loading large log folders, measured against DuckDB's bare reading of the same bytes and a plain pandas version.

`python -m tests.bench.bench_load` prints every row as required, measured and ok or NOT (about five minutes);
`--quick` leaves the largest folder out. Times are of the load itself: not of starting Python, nor of what is calculated
from the records afterwards, which is left out of the timed runs; the peak memory is of a load with all of it. Each way
runs in a process of its own. Exit 1 where a row is not met.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import math
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
def ours(folder: Path) -> Way:
    """Files to a warehouse; only what has changed where one stands. Nothing is calculated."""
    from pipeline import derive

    derive.derived = lambda *_, **__: {}  # type: ignore[assignment]
    return whole(folder)


def whole(folder: Path) -> Way:
    """The same with all that is calculated from the records."""
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


WAYS: dict[str, Callable[[Path], Way]] = {"ours": ours, "whole": whole, "bare": bare, "pandas": pandas}


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
        folder = Path(place) / "1000"
        readings = made(folder, 1000)
        row("readings, 1,000 tanks", "", f"{readings:,}")
        plain = [run("bare", folder) for _ in range(3)]
        mine = []
        for _ in range(3):
            (folder / ".tankround" / "warehouse.duckdb").unlink(missing_ok=True)
            mine.append(run("ours", folder))
        slow = run("pandas", folder)
        least, best = min(r["seconds"] for r in plain), min(r["seconds"] for r in mine)
        row("bare DuckDB, typed read_csv into a file", "", f"{least:.2f} s")
        row("our load", "", f"{best:.2f} s, peak {mine[0]['peak']:.2f} GB")
        row("pandas, pandera and SQLite", "", f"{slow['seconds']:.1f} s, peak {slow['peak']:.2f} GB")
        row("our load ÷ bare DuckDB", "≤ 6", f"{best / least:.1f}", best / least <= 6)
        row("pandas ÷ our load", "≥ 10", f"{slow['seconds'] / best:.1f}", slow["seconds"] / best >= 10)
        draw = np.random.default_rng(7)
        week_of(draw, 1000, WEEKS, np.full(1000, 3)).write_csv(folder / "visits" / "weeks-new.csv")
        more = run("ours", folder)
        row("one more week", "≤ 2 s", f"{more['seconds']:.2f} s", more["seconds"] <= 2.0)
        row("readings after it", "", f"{more['kept']:,.0f}")
        sizes = [(250, None), (1000, best)] + ([] if quick else [(4000, None)])
        points = []
        for tanks, known in sizes:
            seconds = known
            if seconds is None:
                other = Path(place) / str(tanks)
                many = made(other, tanks)
                told = run("ours", other)
                seconds = told["seconds"]
                row(f"{tanks:,} tanks, {many:,} readings", "", f"{seconds:.2f} s, peak {told['peak']:.2f} GB")
                if tanks == 4000:
                    (other / ".tankround" / "warehouse.duckdb").unlink()
                    all_of_it = run("whole", other)
                    row("the same with all that is calculated", "", f"{all_of_it['seconds']:.0f} s")
                    peak = max(told["peak"], all_of_it["peak"])
                    row("peak memory at 8.3 M readings", "< 2.5 GB", f"{peak:.2f} GB", peak < 2.5)
            points.append((tanks, seconds))
        (x0, y0), (x1, y1) = points[-2:]
        slope = math.log(y1 / y0) / math.log(x1 / x0)
        row("growth exponent over tanks", "≤ 1.05", f"{slope:.2f}", slope <= 1.05)
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
