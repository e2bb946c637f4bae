"""A large invented log folder: many tanks, a wide visit row a tank and week, a file a month. Made quickly, by seed."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import polars as pl

FIRST = dt.date(2021, 6, 7)  # a Monday
STEPS = {
    "ammonia": [0.0, 0.15, 0.4, 1.1, 2.6],
    "nitrite": [0.0, 0.04, 0.13, 0.35, 0.9],
    "nitrate": [0.0, 3.0, 11.0, 26.0, 47.0, 83.0],
}
SITE_SIZE = 6  # tanks a site


def _step(draw: np.random.Generator, steps: list[float], weights: list[float], n: int) -> pl.Series:
    return pl.Series([f"{step:g}" for step in steps]).gather(draw.choice(len(steps), size=n, p=weights))


def _plain(values: np.ndarray, digits: int) -> pl.Series:
    return pl.Series(values).round(digits).cast(pl.String).str.strip_suffix(".0")


def write_standing(folder: Path, tanks: int) -> None:
    """Sites, tanks, one kit for each site; nothing else: the filter book is small beside the visits."""
    for name in ("visits", "services", "events"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    (folder / "round.toml").write_text('[round]\nname = "A large invented round"\n')
    ids = np.arange(tanks)
    sites = pl.DataFrame({"site": [f"S{n:04}" for n in range(-(-tanks // SITE_SIZE))]}).with_columns(
        pl.format("Hall {}", "site").alias("name"), pl.lit("mains").alias("water_supply")
    )
    sites.write_csv(folder / "sites.csv")
    pl.DataFrame(
        {
            "tank": [f"T{n:05}" for n in ids],
            "site": [f"S{n // SITE_SIZE:04}" for n in ids],
            "name": [f"Room {n}" for n in ids],
            "net_l": 60 + 7 * (ids % 50),
            "set_up": "2020-02-03",
            "temperature_c": 25,
        }
    ).write_csv(folder / "tanks.csv")
    ladder = {name: "|".join(f"{step:g}" for step in steps) for name, steps in STEPS.items()}
    pl.DataFrame(
        {"kit": "K1", "parameter": list(ladder), "basis": ["NH4", "NO2", "NO3"], "steps": list(ladder.values())}
    ).write_csv(folder / "kits.csv")


def week_of(draw: np.random.Generator, tanks: int, week: int, at: np.ndarray) -> pl.DataFrame:
    """One week's visits: eight readings a row; a few ranges and blanks, as people type them.

    `at` is the nitrate step each tank stands on; it wanders now and then, and is changed here.
    """
    ids = np.arange(tanks)
    at[:] = np.clip(at + draw.choice([-1, 0, 1], tanks, p=[0.08, 0.84, 0.08]), 1, len(STEPS["nitrate"]) - 2)
    day = FIRST + dt.timedelta(7 * week + week % 2)  # the route day wanders
    nitrate = pl.Series([f"{step:g}" for step in STEPS["nitrate"]]).gather(at)
    between = pl.Series(draw.random(tanks) < 0.03)
    return pl.DataFrame(
        {
            "date": pl.Series([day]).new_from_index(0, tanks),
            "site": pl.Series([f"S{n // SITE_SIZE:04}" for n in ids]),
            "tank": pl.Series([f"T{n:05}" for n in ids]),
            "taken": pl.Series(["before"]).new_from_index(0, tanks),
            "ammonia": _step(draw, STEPS["ammonia"], [0.96, 0.03, 0.01, 0.0, 0.0], tanks),
            "nitrite": _step(draw, STEPS["nitrite"], [0.96, 0.03, 0.01, 0.0, 0.0], tanks),
            "nitrate": pl.select(pl.when(between).then(pl.lit("11-26")).otherwise(nitrate)).to_series(),
            "ph": _plain(6.8 + ids % 10 / 10 + draw.normal(0, 0.1, tanks), 1),
            "kh": _plain(3.0 + ids % 7 + (draw.random(tanks) < 0.1), 0),
            "gh": _plain(5.0 + ids % 11 + (draw.random(tanks) < 0.1), 0),
            "temperature": _plain(draw.normal(25, 0.4, tanks), 1),
            "phosphate": _plain(draw.choice([0.0, 0.25, 0.5, 1.0], tanks), 2),
            "kit": pl.Series(["K1"]).new_from_index(0, tanks),
            "water_changed": pl.Series(["30%", "25%", "40 L", ""]).gather(
                draw.choice(4, tanks, p=[0.5, 0.2, 0.15, 0.15])
            ),
            "note": pl.Series(["", "", "", "glass cleaned"]).gather(draw.choice(4, tanks)),
        }
    )  # fmt: skip


def write_visits(folder: Path, tanks: int, weeks: int, seed: int = 1) -> int:
    """The visits of `weeks` weeks, four weeks a file; the readings written."""
    draw = np.random.default_rng(seed)
    at = np.full(tanks, 2)
    for first in range(0, weeks, 4):
        rows = pl.concat([week_of(draw, tanks, week, at) for week in range(first, min(first + 4, weeks))])
        rows.write_csv(folder / "visits" / f"weeks-{first:03}.csv")
    return tanks * weeks * 8
