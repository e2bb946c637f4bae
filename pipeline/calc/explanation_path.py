"""The nitrate of one tank as an explanation would have it: the path it implies, and the readings it would move."""

import datetime as dt
from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from pipeline.calc.balance_rows import build_rows
from pipeline.calc.balance_windows import batches, spans_of_weeks
from pipeline.calc.nitrate_fit import TAP, fit
from pipeline.calc.refits import LEVEL, designs, expected
from schemas import Tables

DESIGN = {"rise": "source", "fall": "source", "unlogged change": "lost", "tap nitrate": "tap"}
MOMENT: dict[str, Any] = {"at": pl.Datetime("us")}
PATH: dict[str, Any] = {**MOMENT, "level": pl.Float64}
MOVED: dict[str, Any] = {**MOMENT, "day": pl.Date, "low": pl.Float64, "high": pl.Float64}


def _at(days: np.ndarray, hour: int) -> pl.Series:
    """Day numbers as moments of the day."""
    return pl.Series("at", days.astype(np.int64) * 86_400_000_000 + hour * 3_600_000_000).cast(pl.Datetime("us"))


def implied(
    tables: Tables, tank: str, as_of: dt.date, told: Mapping[str, Any], assumed: Mapping[str, float]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Path (at, level) over the half-year, two moments a visit, and moved readings (at, day, low, high) of a row of
    table `explanation`. Both empty where the tank has no readings."""
    rows = build_rows(tables, [tank], assumed, also=("basis",))
    day = np.array([(as_of - dt.date(1970, 1, 1)).days])
    wanted = spans_of_weeks(rows, np.zeros(1, np.int64), day, np.array([assumed["baseline_weeks"]]))
    part = next(iter(batches(rows, wanted, assumed, steps=1)), None)
    if part is None:
        return pl.DataFrame(schema=PATH), pl.DataFrame(schema=MOVED)
    w, days = part.windows, rows.day[part.row[:, 0]]
    later = (days >= (told["since"] - dt.date(1970, 1, 1)).days)[:, None]
    kind = DESIGN.get(told["cause"])
    design = np.zeros(w.days.shape) if kind is None else designs(w, later[None])[kind][0]
    done = fit(w, part.priors, assumed, design)
    level, _, _ = expected(w, done)
    level = np.maximum(level + done.theta[-1] * design, 0.0)
    inflow = w.inflow * np.exp(done.theta[TAP])
    if kind == "tap":
        inflow = inflow + done.theta[-1] * LEVEL * w.fraction * later
    after = level * (1 - w.fraction) + inflow
    path = pl.concat(
        [pl.DataFrame({"at": _at(days, hour), "level": of[:, 0]}) for hour, of in ((9, level), (10, after))]
    )
    size, would = told["size"], told["would_be"]
    seen = (w.reading & later)[:, 0]
    if would is not None:
        seen &= days == (told["since"] - dt.date(1970, 1, 1)).days
        low = high = np.full(int(seen.sum()), float(would))
    elif kind is None and size:
        low, high = w.low[seen, 0] / size, w.high[seen, 0] / size
    else:
        return path.sort("at"), pl.DataFrame(schema=MOVED)
    at = _at(days[seen], 9)
    high = np.where(np.isfinite(high), high, np.nan)
    moved = pl.DataFrame({"at": at, "day": at.cast(pl.Date), "low": low, "high": high}).with_columns(
        pl.col("high").fill_nan(None)
    )
    return path.sort("at"), moved
