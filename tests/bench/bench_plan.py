"""How long the plans of a large round take, from a log folder on disk: `python -m tests.bench.bench_plan`.

An invented round is drawn, written as CSVs and loaded once; then the plans of all its tanks and of a quarter of them
are timed. Prints seconds, the ratio of the two and the exponent of growth. Judged by the processor's seconds: those of
the clock hold what else the machine is doing. Exit 1 where all tanks take 10 s or more.
"""

from __future__ import annotations

import csv
import datetime as dt
import math
import sys
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from pipeline import weekly
from pipeline.advise.plan import plans
from pipeline.week import Week

LAST_DAY = dt.date(2026, 6, 1)
MOST_SECONDS = 10.0
TANKS_A_SITE = 4
VISITS = 12
ROUND = """\
[round]
name = "Invented large round"
visit_every_days = 7
[prices]
water_m3 = 4
carbon = 7
[prices.media]
"hearth stone" = 18
"dross chips" = 8
"close pad" = 3
[prices.filters]
"brook-2" = 60
"brook-4" = 140
"weir" = 220
"""
MEDIA: list[tuple[str, str, float, float | str]] = [
    ("hearth stone", "biological", 1.0, 0.5), ("dross chips", "biological", 0.6, 0.8),
    ("glazed rings", "biological", 0.25, 0.7), ("block foam", "biological", 0.0, ""), ("open pad", "coarse", 0.0, ""),
    ("mid pad", "medium", 0.0, ""), ("close pad", "fine", 0.0, ""), ("nut carbon", "chemical", 0.0, 0.45),
]  # fmt: skip
# model: kind, rated flow, litres of a basket, baskets for media
MODELS = {
    "brook-2": ("canister", 700, 1.2, 2), "brook-4": ("canister", 1100, 2.0, 3), "weir": ("sump", 1800, 4.0, 3),
    "rill": ("canister", 900, 1.6, 3), "drip": ("trickle", 800, 2.0, 2), "burr": ("internal", 400, 0.6, 1),
}  # fmt: skip
PADS = {"after fine": ("open pad", "mid pad", "close pad"), "after medium": ("open pad", "mid pad"),
        "after coarse": ("open pad",)}  # fmt: skip


def _write(path: Path, header: str, rows: Iterable[Iterable[object]]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as handle:
        out = csv.writer(handle)
        out.writerow(header.split(","))
        out.writerows(rows)


def _book() -> list[tuple[object, ...]]:
    """Compartments of every model: a cup, a basket of pads, then the baskets for media."""
    rows: list[tuple[object, ...]] = []
    for model, (kind, _, litres, baskets) in MODELS.items():
        medium = "block foam" if kind == "internal" else "hearth stone"
        if kind != "internal":
            rows.append((model, 1, "cup", "coarse", "open pad", 0.8, 60))
            rows += [(model, 2, "pads", "medium", "mid pad", litres, 90), (model, 3, "pads", "fine", "close pad",
                      litres, 90)]  # fmt: skip
        rows += [(model, 4 + n, f"basket {n + 1}", "biological", medium, litres, 90) for n in range(baskets)]
    return rows


def _fills(draw: np.random.Generator, name: str, model: str) -> list[tuple[object, ...]]:
    """What lies in a filter: pads of some sort, media of any grade, carbon or nothing in the last basket."""
    kind, _, litres, baskets = MODELS[model]
    wetted = LAST_DAY - dt.timedelta(weeks=int(draw.choice([8, 20, 60, 150])))
    if kind == "internal":
        return [(name, "basket 1", 1, "block foam", "", "", "2024-01-01")]
    pads = PADS[str(draw.choice(list(PADS)))]
    rows: list[tuple[object, ...]] = [(name, "cup", 1, pads[0], "", "", "2024-01-01")]
    rows += [(name, "pads", n, pad, "", "", "2024-01-01") for n, pad in enumerate(pads[1:], start=1)]
    bulk = {medium: density for medium, _, _, density in MEDIA}
    for n in range(baskets):
        last = n == baskets - 1
        medium = str(draw.choice(["hearth stone", "dross chips", "glazed rings"], p=[0.6, 0.2, 0.2]))
        if last and draw.random() < 0.6:
            if draw.random() < 0.5:
                continue
            medium = "nut carbon"
        kg = round(litres * float(bulk[medium] or 0) * float(draw.choice([0.7, 1.0])), 2)
        rows.append((name, f"basket {n + 1}", 1, medium, kg, "" if medium == "nut carbon" else wetted, "2024-01-01"))
    return rows


def write_round(folder: Path, tanks: int, seed: int = 11) -> None:
    """The log folder of an invented round, most of whose tanks are over their rating."""
    draw = np.random.default_rng(seed)
    names = [f"T{n:04}" for n in range(tanks)]
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "round.toml").write_text(ROUND, encoding="utf-8")
    sites = [f"S{n // TANKS_A_SITE:03}" for n in range(tanks)]
    _write(folder / "sites.csv", "site,name,water_supply", [(s, f"House {s}", "W1") for s in dict.fromkeys(sites)])
    _write(folder / "tap.csv", "water_supply,date,nitrate", [("W1", "2026-05-01", 6)])
    net = [int(x) for x in draw.integers(80, 420, tanks)]
    planting = draw.choice(["none", "light", "moderate", "dense"], tanks)
    _write(
        folder / "tanks.csv", "tank,site,name,net_l,temperature_c,planting,stocking,nitrate_ceiling",
        [(t, s, f"Tank {t}", n, 25, p, "normal", 40) for t, s, n, p in zip(names, sites, net, planting, strict=True)],
    )  # fmt: skip
    food = [
        (t, "2025-01-01", round(n * 0.005 * float(draw.uniform(0.6, 2.2)), 2)) for t, n in zip(names, net, strict=True)
    ]
    _write(folder / "feeding.csv", "tank,from,feed_g_day", [row for row in food if draw.random() < 0.8])
    _write(folder / "media.csv", "medium,stage,quality,bulk_kg_l", MEDIA)
    _write(folder / "filter_models.csv", "model,kind,rated_flow_l_h", [(m, v[0], v[1]) for m, v in MODELS.items()])
    _write(folder / "compartments.csv", "model,position,compartment,stage,medium,usable_l,depth_mm", _book())
    filters, fills, placed, services = [], [], [], []
    for n, tank in enumerate(names):
        for k in range(2 if n % 3 == 0 else 1):
            model = str(draw.choice(list(MODELS), p=[0.25, 0.3, 0.1, 0.2, 0.05, 0.1]))
            name = f"F{n:04}{'ab'[k]}"
            filters.append((name, model, int(0.6 * MODELS[model][1])))
            fills += _fills(draw, name, model)
            placed.append((name, tank, "2024-01-01"))
            services += [
                (LAST_DAY - dt.timedelta(weeks=weeks), tank, name, "media rinsed",
                 round(float(draw.uniform(0, 1)), 2), str(draw.choice(["tank", "tap"])), "light", 8)
                for weeks in range(int(draw.integers(1, 9)), 40, 8)
            ]  # fmt: skip
    for n in range(3):
        filters.append((f"spare {n}", "brook-2", 420))
        fills += _fills(draw, f"spare {n}", "brook-2")
    _write(folder / "filters.csv", "filter,model,clean_flow_l_h", filters)
    _write(folder / "fills.csv", "filter,compartment,layer,medium,mass_kg,wetted,from", fills)
    _write(folder / "placements.csv", "filter,tank,from", placed)
    _write(folder / "services" / "all.csv", "date,tank,filter,job,media_share,rinse_water,found,next_weeks", services)
    for back in range(VISITS):
        day = LAST_DAY - dt.timedelta(weeks=back)
        _write(
            folder / "visits" / f"{day}.csv", "date,tank,taken,nitrate,temperature,water_changed",
            [(day, t, "before", int(draw.integers(8, 70)), 25, f"{int(draw.integers(15, 40))}%") for t in names],
        )  # fmt: skip


def timed(week: Week, tanks: list[str]) -> tuple[float, float, int, int]:
    """Seconds by the clock and of the processor for the plans of some tanks, how many are over, how many options."""
    start, worked = time.perf_counter(), time.process_time()
    made = plans(week, tanks)
    took, worked = time.perf_counter() - start, time.process_time() - worked
    over = sum((plan["now"]["working_load_pct"] or math.inf) > week.assumed["within_pct"] for plan in made.values())
    return took, worked, over, sum(len(plan["options"]) for plan in made.values())


def main(tanks: int = 1000) -> int:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "logs"
        write_round(folder, tanks)
        start = time.perf_counter()
        week = weekly.open_week(folder, today=LAST_DAY)
        print(f"loaded {tanks} tanks in {time.perf_counter() - start:.2f} s")
    names = week.table("tank")["tank"].sort().to_list()
    some = names[: tanks // 4]
    timed(week, some)  # once unmeasured, so that both measure the plans and not the first use of the libraries
    part, part_worked, _, _ = timed(week, some)
    took, worked, over, options = timed(week, names)
    times = math.log(tanks / len(some))
    print(f"plans of {len(some)} tanks in {part:.2f} s ({part_worked:.2f} s of the processor)")
    print(
        f"plans of {tanks} tanks in {took:.2f} s ({worked:.2f} s of the processor), required under {MOST_SECONDS:g} s"
    )
    print(f"    {over} over their rating, {options} options")
    print(f"ratio {took / part:.2f}, growth exponent {math.log(took / part) / times:.2f}; of the processor's seconds"
          f" {worked / part_worked:.2f} and {math.log(worked / part_worked) / times:.2f}")  # fmt: skip
    return 0 if worked < MOST_SECONDS else 1


if __name__ == "__main__":
    sys.exit(main(*(int(arg) for arg in sys.argv[1:])))
