"""Checked tables written by hand for one tank: a few readings, changes and tap tests, as a test needs them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import polars as pl

from schemas import Tables, conform

DAY_0 = dt.date(2026, 1, 5)
LADDER = (0.0, 3.0, 11.0, 26.0, 47.0, 83.0)  # invented


def day(number: int) -> dt.date:
    return DAY_0 + dt.timedelta(days=number)


def cell(value: float, ladder: Sequence[float] = LADDER) -> tuple[float, float | None]:
    """The cell of a step; a value off the ladder is known to half a unit, as from a meter."""
    if value not in ladder:
        return max(value - 0.5, 0.0), value + 0.5
    at = ladder.index(value)
    low = 0.0 if at == 0 else (ladder[at - 1] + value) / 2
    return low, None if at == len(ladder) - 1 else (value + ladder[at + 1]) / 2


def reading(
    number: int, value: float, taken: str = "before", *, parameter: str = "nitrate", kit: str = "K1", **more: object
) -> dict[str, object]:
    """One reading on day `number`."""
    low, high = more.pop("cell", cell(value))  # type: ignore[misc]
    return {
        "tank": "T1", "day": day(number), "at": dt.datetime.combine(day(number), dt.time()), "taken": taken,
        "parameter": parameter, "low": low, "high": high, "matched": value, "kit": kit, "text": f"{value:g}",
        "outcome": "accepted", "expired": False, "doubt": None, "file": "visits/a.csv", "line": number + 2, **more,
    }  # fmt: skip


def change(number: int, fraction: float | None, kind: str = "change", **more: object) -> dict[str, object]:
    """One water change or top-up on day `number`."""
    return {
        "tank": "T1", "day": day(number), "at": dt.datetime.combine(day(number), dt.time(12)), "fraction": fraction,
        "kind": kind, "source": "W1", "ro_share": 0.0, "guessed": False, "text": "x", "outcome": "accepted",
        "file": "visits/a.csv", "line": number + 2, **more,
    }  # fmt: skip


def tap(number: int, value: float, parameter: str = "nitrate", supply: str = "W1", **more: object) -> dict[str, object]:
    """One tap test on day `number`."""
    return {
        "water_supply": supply, "date": day(number), "parameter": parameter, "low": 0.95 * value,
        "high": 1.05 * value, "matched": value, "text": "x", "outcome": "accepted", "file": "tap.csv", "line": 2,
        **more,
    }  # fmt: skip


def small_log(
    readings: Sequence[dict[str, object]],
    changes: Sequence[dict[str, object]] = (),
    taps: Sequence[dict[str, object]] = (),
    **tank: object,
) -> Tables:
    """The tables of tank T1 on site S1 with supply W1; a visit stands for every day with a reading or a change."""
    days = sorted({(r["tank"], r["day"], r["at"]) for r in (*readings, *changes)}, key=str)
    visits = [
        {"tank": t, "day": d, "at": a, "taken": "before", "outcome": "accepted", "file": "visits/a.csv", "line": 2}
        for t, d, a in days
    ]
    tanks = sorted({"T1", *(str(r["tank"]) for r in (*readings, *changes))})
    frames = {
        "reading": readings,
        "water_change": changes,
        "tap": taps,
        "visit": visits,
        "tank": [{"tank": t, "site": "S1", "file": "tanks.csv", "line": 2, "net_l": 200.0, **tank} for t in tanks],
        "site": [{"site": "S1", "name": "Hall", "water_supply": "W1", "file": "sites.csv", "line": 2}],
    }
    return {name: conform(name, pl.DataFrame(list(rows), infer_schema_length=None)) for name, rows in frames.items()}


def requests(*numbers: int, tank: str = "T1") -> pl.DataFrame:
    """The tank as of some days."""
    return pl.DataFrame(
        {"tank": [tank] * len(numbers), "as_of": [day(n) for n in numbers]},
        schema={"tank": pl.String, "as_of": pl.Date},
    )
