"""Whole commands on large log folders, everything calculated, beside DuckDB's bare typed read of the same files, pandas, and
scipy a tank at a time for the fit: all in the same run, so that the ratios mean something on any machine.

`python -m tests.bench.bench_load` prints every row as required, measured and ok or NOT; `--quick` leaves out 3,000 tanks and
pandas; `--tanks N` measures other sizes, N and three times N. Our commands are timed from the start of their process; the
others without the start of Python and their imports. Memory is that of the command and its workers together, once a
second: to ask more often takes a tenth of the command's own time. Exit 1 where a row is not met.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import math
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

import numpy as np

from tests.bench.large_logs import FIRST, week_of, write_standing, write_visits

WEEKS = 260
TODAY = FIRST + dt.timedelta(7 * WEEKS - 5)  # two days after the last visits; a week on, two after the next ones
DEMO_DAY = dt.date(2026, 6, 1)
SAMPLE = Path(__file__).parents[2] / "sample_logs"
FITS = 20  # tanks that scipy fits
COMMAND = (
    "import datetime, sys; from pipeline import cli, weekly; sys.argv[0] = 'tankround';"
    " weekly._today = lambda: datetime.date.fromisoformat('{day}'); cli.main()"
)
failed: list[str] = []


def row(quantity: str, required: str, measured: str, ok: bool | None = None) -> None:
    verdict = "" if ok is None else "ok" if ok else "NOT"
    print(f"{quantity:<52} {required:>10}  {measured:<52} {verdict}", flush=True)
    if ok is False:
        failed.append(quantity)


@dataclass(frozen=True)
class Cost:
    """What a process took: seconds, processor seconds, peak memory with its workers [GiB]."""

    seconds: float
    processor: float
    peak: float

    def beside(self, other: Cost) -> str:
        times = self.seconds / other.seconds, self.processor / other.processor
        return f"{self.seconds:.1f} s, {times[0]:.1f} × (processor {self.processor:.1f} s, {times[1]:.1f} ×), {self.peak:.2f} GiB"


# -- each way, in a process of its own ---------------------------------------------------------------------------------
def bare(folder: Path) -> None:
    import duckdb

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


def pandas(folder: Path) -> None:
    from tests.bench.plain_pandas import load

    load(folder, folder / "plain.sqlite")


def _windows(folder: Path) -> tuple[object, object]:
    from pipeline.assumptions import built_in
    from pipeline.calc.balance_rows import build_rows
    from pipeline.calc.balance_windows import batches, spans_of_weeks
    from pipeline.store import warehouse as store

    with store.looking(folder / ".tankround" / "warehouse.duckdb") as con:
        tables = store.read_tables(con)
    tanks = tables["tank"]["tank"].sort().to_list()[:192]
    rows = build_rows(tables, tanks, built_in())
    day = np.full(len(tanks), (TODAY - dt.date(1970, 1, 1)).days)
    wanted = spans_of_weeks(rows, np.arange(len(tanks)), day, np.full(len(tanks), 26.0))
    part = next(iter(batches(rows, wanted, built_in())))
    return part.windows, part.priors


def fits(folder: Path) -> tuple[float, float]:
    """Milliseconds of processor a tank: ours, all at once; and scipy, one after the other."""
    from pipeline.assumptions import built_in
    from pipeline.calc.nitrate_fit import fit
    from tests.reference_fit import SlowTank

    windows, priors = _windows(folder)
    assumed = dict(built_in().items())
    fit(windows, priors, assumed)  # type: ignore[arg-type]
    start = time.process_time()
    fit(windows, priors, assumed)  # type: ignore[arg-type]
    ours = (time.process_time() - start) / windows.days.shape[1]  # type: ignore[attr-defined]
    start = time.process_time()
    for tank in range(FITS):
        SlowTank(windows, tank, assumed, False, assumed["prior_tap_sd"]).optimum()  # type: ignore[arg-type]
    return 1e3 * ours, 1e3 * (time.process_time() - start) / FITS


WAYS: dict[str, Callable[[Path], object]] = {"bare": bare, "pandas": pandas, "fits": fits}


# -- measuring ---------------------------------------------------------------------------------------------------------
def _held(session: int) -> float:
    """Memory of all processes of a session [GiB]."""
    pages = 0
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            if int(stat.read_text().rsplit(")", 1)[1].split()[3]) == session:
                pages += int((stat.parent / "statm").read_text().split()[1])
        except (OSError, IndexError):
            continue
    return pages * resource.getpagesize() / 2**30


def measured(words: list[str]) -> tuple[Cost, str]:
    """Python in a process of its own: what it took, and what it printed."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    with tempfile.TemporaryFile("w+") as out:
        done = subprocess.Popen([sys.executable, *words], stdout=out, start_new_session=True)
        peak = looked = 0.0
        while done.poll() is None:
            if time.perf_counter() - start > looked:
                peak, looked = max(peak, _held(done.pid)), looked + 1.0
            time.sleep(0.02)
        seconds, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
        out.seek(0)
        text = out.read()
    assert done.returncode == 0, text
    return Cost(seconds, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, peak), text


def ours(today: dt.date, *words: str) -> Cost:
    """A command of ours on a day, as the console script runs it."""
    return measured(["-c", COMMAND.format(day=today), *words])[0]


def way(name: str, folder: Path) -> str:
    return measured(["-m", "tests.bench.bench_load", "--way", name, "--folder", str(folder)])[1].splitlines()[-1]


def other(name: str, folder: Path) -> Cost:
    """A way without the start of its process."""
    told = json.loads(way(name, folder))
    return Cost(told["seconds"], told["processor"], told["peak"])


def round_of(tanks: int, place: Path, whole: bool) -> Cost:
    """All commands on one size; the first load."""
    folder = place / str(tanks)
    write_standing(folder, tanks)
    row(f"readings, {tanks:,} tanks × {WEEKS} weeks", "", f"{write_visits(folder, tanks, WEEKS):,}")
    plain = min((other("bare", folder) for _ in range(3)), key=lambda one: one.seconds)
    row("bare DuckDB, typed read_csv into a file", "", f"{plain.seconds:.2f} s (processor {plain.processor:.2f} s)")
    logs = str(folder)

    def told(quantity: str, most: float | None, cost: Cost) -> Cost:
        fits_ = None if most is None else cost.seconds <= most * plain.seconds
        row(quantity, "" if most is None else f"≤ {most:g} ×", cost.beside(plain), fits_)
        return cost

    first = told("first load", 24 if whole else None, ours(TODAY, "load", logs))
    if not whole:
        return first
    told("nothing new", 3, ours(TODAY, "load", logs))
    told("review, nothing new", None, ours(TODAY, "review", logs))
    told("held, nothing new", None, ours(TODAY, "held", logs))
    mine, scipys = json.loads(way("fits", folder))["found"]
    row(
        "fit of a half-year, processor ms a tank",
        "",
        f"{mine:.2f}; scipy in a loop {scipys:.0f}, {scipys / mine:.0f} ×",
    )
    draw = np.random.default_rng(7)
    week_of(draw, tanks, WEEKS, np.full(tanks, 3)).write_csv(folder / "visits" / "weeks-new.csv")
    told("one more week for all", 10, ours(TODAY + dt.timedelta(7), "load", logs))
    return first


def demo(place: Path) -> None:
    folder = place / "demo"
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns(".tankround"))
    ours(DEMO_DAY, "load", str(folder))
    for name in ("review", "held"):
        spent = min(ours(DEMO_DAY, name, str(folder)).processor for _ in range(3))
        row(f"{name} of sample_logs, nothing new, processor", "≤ 1.0 s", f"{spent:.2f} s", spent <= 1.0)


def main(quick: bool, tanks: int) -> int:
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        demo(place)
        first = round_of(tanks, place, whole=True)
        if not quick:
            slow = other("pandas", place / str(tanks))
            row("pandas, pandera and SQLite, nothing calculated", "", f"{slow.seconds:.1f} s, {slow.peak:.2f} GiB")
            shutil.rmtree(place / str(tanks))
            large = round_of(3 * tanks, place, whole=False)
            for what in ("seconds", "processor"):
                power = math.log(getattr(large, what) / getattr(first, what)) / math.log(3)
                row(f"exponent of {what} to {3 * tanks:,} tanks", "≤ 1.05", f"{power:.2f}", power <= 1.05)
            row("memory at that size", "< 2.5 GiB", f"{large.peak:.2f} GiB", large.peak < 2.5)
    print(f"\n{len(failed)} rows not met" if failed else "\nall rows met")
    return 1 if failed else 0


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--tanks", type=int, default=1000)
    parser.add_argument("--way", choices=list(WAYS))
    parser.add_argument("--folder", type=Path)
    given = parser.parse_args()
    if given.way:
        for module in {
            "bare": ["duckdb"],
            "pandas": ["pandera.backends.pandas.builtin_checks", "tests.bench.plain_pandas"],
        }.get(given.way, []):
            import_module(module)
        start, spent = time.perf_counter(), time.process_time()
        found = WAYS[given.way](given.folder)
        seconds, spent = time.perf_counter() - start, time.process_time() - spent
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        print(json.dumps({"seconds": seconds, "processor": spent, "peak": peak, "found": found}))
    else:
        sys.exit(main(given.quick, given.tanks))
