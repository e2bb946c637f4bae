"""A simulated world as the checked tables of a log folder, and as the CSVs that a person would have typed."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path

import numpy as np
import polars as pl

from schemas import Tables, conform
from tests.simulate import LADDERS, Simulated

FIRST_DAY = dt.date(2025, 3, 3)
HELD_ABOVE = 250.0  # intake holds nitrate over this: such a typing slip never reaches the fit


def tank_names(sim: Simulated) -> list[str]:
    return [f"T{number:05d}" for number in range(sim.tanks)]


def day_of(sim: Simulated, visit: int) -> dt.date:
    return FIRST_DAY + dt.timedelta(days=int(sim.day[visit]))


def tables_of(sim: Simulated, visits: int | None = None, held_above: float = HELD_ABOVE) -> Tables:
    """The checked tables of the first so many visits (all without)."""
    count = len(sim.day) if visits is None else visits
    names = tank_names(sim)
    visit, tank = (grid.ravel() for grid in np.meshgrid(np.arange(count), np.arange(sim.tanks), indexing="ij"))
    value, fraction = sim.value[visit, tank], sim.fraction[visit, tank]
    frame = pl.DataFrame(
        {
            "tank": np.array(names)[tank],
            "day": np.array([day_of(sim, v) for v in range(count)], "datetime64[D]")[visit],
            "line": np.arange(len(visit)) + 2,
            "value": value,
            "low": sim.low[visit, tank],
            "high": sim.high[visit, tank],
            "fraction": fraction,
            "kit": np.char.add("K", sim.kit[visit, tank].astype(str)),
            "by": np.array(["A", "B"])[sim.reader[visit, tank]],
        }
    ).with_columns(
        pl.lit("visits/simulated.csv").alias("file"),
        pl.col("day").cast(pl.Datetime("us")).alias("at"),
        pl.when(pl.col("fraction") > 0).then(pl.lit("before")).otherwise(pl.lit("none")).alias("taken"),
        pl.lit("accepted").alias("outcome"),
    )
    # A visit in a pause was none: nobody came.
    first, end = sim.world.pause
    frame = frame.filter(~pl.col("day").is_in([day_of(sim, v) for v in range(first, min(end, count))]))
    reading = frame.filter(pl.col("value").is_not_nan() & (pl.col("value") <= held_above)).with_columns(
        pl.lit("nitrate").alias("parameter"),
        pl.when(pl.col("high").is_finite()).then("high").alias("high"),
        pl.col("value").alias("matched"),
        pl.col("value").cast(pl.String).alias("text"),
        pl.lit(False).alias("expired"),
    )
    change = frame.filter(pl.col("fraction") > 0).with_columns(
        pl.lit("change").alias("kind"),
        pl.format("W{}", "tank").alias("source"),
        pl.lit(0.0).alias("ro_share"),
        pl.lit(sim.world.fractions_guessed).alias("guessed"),
        (pl.col("fraction") * 200).alias("litres"),
        pl.format("{}%", (pl.col("fraction") * 100).round(0)).alias("text"),
    )
    tanks = pl.DataFrame({"tank": names, "nitrate_ceiling": sim.ceiling, "net_l": 200.0}).with_columns(
        pl.format("S{}", "tank").alias("site"), pl.lit("tanks.csv").alias("file"), line=pl.int_range(2, sim.tanks + 2)
    )
    sites = tanks.select(
        "site", pl.col("site").alias("name"), pl.format("W{}", "tank").alias("water_supply"), "line"
    ).with_columns(pl.lit("sites.csv").alias("file"))
    # A supply for each tank, since each simulated tank has a tap of its own.
    tests = [
        pl.DataFrame({"matched": value, "tank": names}).with_columns(
            pl.lit(FIRST_DAY + dt.timedelta(days=day)).alias("date")
        )
        for day, value in sim.tap_tests
        if visits is None or day <= sim.day[visits - 1]
    ]
    tap = pl.concat(tests).select(
        pl.format("W{}", "tank").alias("water_supply"),
        "date",
        pl.lit("nitrate").alias("parameter"),
        (pl.col("matched") * 0.95).alias("low"),
        (pl.col("matched") * 1.05).alias("high"),
        "matched",
        pl.col("matched").cast(pl.String).alias("text"),
        pl.lit("accepted").alias("outcome"),
        pl.lit("tap.csv").alias("file"),
        pl.int_range(2, pl.len() + 2).alias("line"),
    )
    frames = {
        "visit": frame,
        "reading": reading,
        "water_change": change,
        "tank": tanks,
        "site": sites,
        "tap": tap if sim.world.tap_measured else tap.clear(),
    }
    return {name: conform(name, found) for name, found in frames.items()}


def _write(path: Path, rows: list[dict[str, object]]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.DictWriter(handle, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def write_logs(sim: Simulated, folder: Path, visits: int | None = None) -> None:
    """The log folder of a simulated world: what `load` reads. Typing slips stand in it as they were typed."""
    count = len(sim.day) if visits is None else visits
    names = tank_names(sim)
    every = sim.world.gap_days
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "round.toml").write_text(f'[round]\nname = "simulated"\nvisit_every_days = {every}\n', encoding="utf-8")
    _write(
        folder / "sites.csv",
        [{"site": f"S{name}", "name": f"Site {name}", "water_supply": f"W{name}"} for name in names],
    )
    _write(
        folder / "tanks.csv",
        [
            {"tank": name, "site": f"S{name}", "name": f"Tank {name}", "net_l": 200, "nitrate_ceiling": f"{ceiling:g}"}
            for name, ceiling in zip(names, sim.ceiling, strict=True)
        ],
    )
    if sim.world.tap_measured:
        tested = (FIRST_DAY - dt.timedelta(days=7)).isoformat()
        _write(
            folder / "tap.csv",
            [
                {"water_supply": f"W{name}", "date": tested, "nitrate": f"{value:.1f}"}
                for name, value in zip(names, sim.tap, strict=True)
            ],
        )
    kits = sorted(
        {(int(kit), int(ladder)) for row in sim.kit[:count] for kit, ladder in zip(row, sim.ladder, strict=True)}
    )
    _write(
        folder / "kits.csv",
        [
            {
                "kit": f"K{kit}",
                "parameter": "nitrate",
                "basis": "NO3",
                "steps": "|".join(f"{step:g}" for step in LADDERS[ladder]),
            }
            for kit, ladder in kits
        ],
    )
    for visit in range(count):
        day = day_of(sim, visit)
        _write(
            folder / "visits" / f"{day.isoformat()}.csv",
            [
                {
                    "date": day.isoformat(),
                    "tank": name,
                    "nitrate": "" if np.isnan(sim.value[visit, t]) else f"{sim.value[visit, t]:g}",
                    "kit": f"K{sim.kit[visit, t]}",
                    "water_changed": f"{100 * sim.fraction[visit, t]:.0f}%" if sim.fraction[visit, t] else "",
                }
                for t, name in enumerate(names)
            ],
        )
