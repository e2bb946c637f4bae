"""How long capacity and plans take over a large round: `python -m tests.bench.bench_capacity`."""

from __future__ import annotations

import datetime as dt
import sys
import time

import numpy as np
import polars as pl

from pipeline.advise.plan import plans
from pipeline.calc.capacity import capacity
from tests.rounds import AS_OF, FIGURES, Rounds

LAYOUTS = (
    [("cup", "coarse pad"), ("b1", "medium pad"), ("b1", "fine pad"), ("b2", "good", 1.0), ("b3", "good", 1.0)],
    [("cup", "coarse pad"), ("b1", "fine pad"), ("b2", "lava", 1.2), ("b3", "carbon", 0.5)],
    [("cup", "coarse pad"), ("b2", "smooth", 1.0)],
)


def large_round(tanks: int, seed: int = 5) -> Rounds:
    """An invented round of many tanks with a year of services, food and readings."""
    draw, r = np.random.default_rng(seed), Rounds()
    rooms = [{"compartment": name, "usable_l": 2.0, "depth_mm": 70} for name in ("cup", "b1", "b2", "b3")]
    r.model("quoin", rooms, rated_flow_l_h=1100)
    for n, size in enumerate((0.6, 1.0, 1.5, 2.5)):
        basket = {"compartment": "b2", "usable_l": 2 * size, "medium": "good"}
        pads = [{"compartment": "b1", "stage": stage, "medium": f"{stage} pad"} for stage in ("coarse", "fine")]
        r.model(f"new {n}", [*pads, basket], rated_flow_l_h=900)
        r.filter(f"spare {n}", None, [("b1", "fine pad"), ("b2", "good", size)], model=f"new {n}")
    for n in range(tanks):
        tank, name = f"T{n:04}", f"F{n:04}"
        r.tank(tank, net_l=float(draw.integers(60, 400)), temperature_c=25)
        r.filter(name, tank, list(LAYOUTS[n % 3]), model="quoin", clean=float(draw.integers(400, 900)))
        r.feed(tank, float(draw.uniform(0.2, 2.5)))
        for weeks in range(2, 50, 6):
            r.service(name, weeks, "media rinsed", media_share=float(draw.uniform(0, 1)), rinse_water="tank",
                      found="light", flow_after=float(draw.integers(300, 900)))  # fmt: skip
        for weeks in range(30):
            r.reading(tank, weeks, "temperature", float(draw.normal(25, 0.5)))
    return r


def main(tanks: int = 1000, weeks: int = 27) -> int:
    r = large_round(tanks)
    tables = r.tables()
    requests = r.requests(*(AS_OF - dt.timedelta(weeks=w) for w in range(weeks)))
    start = time.perf_counter()
    frame, layers = capacity(tables, requests, FIGURES)
    took = time.perf_counter() - start
    print(f"capacity: {frame.height} requests, {layers.height} layers in {took:.2f} s")
    assert frame.filter(pl.col("working_state") == "can't say").height == 0
    prices = {"media": {"good": 18, "fine pad": 3}, "filters": {f"new {n}": 60 + 40 * n for n in range(3)}}
    week = r.week(prices={**prices, "water_m3": 4})
    start = time.perf_counter()
    made = plans(week, [row["tank"] for row in r.rows["tank"]])
    planned = time.perf_counter() - start
    print(f"plans: {len(made)} tanks, {sum(len(p['options']) for p in made.values())} options in {planned:.2f} s")
    return 0 if took < 10 and planned < 10 else 1


if __name__ == "__main__":
    sys.exit(main(*(int(arg) for arg in sys.argv[1:])))
