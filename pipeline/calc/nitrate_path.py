"""What the charts draw of a few tanks, two moments a visit, around its change: the fitted saw-tooth and the forecast, from
the same fit that the outlook stands on, so that chart and numbers agree; and the path that an explanation implies.
"""

import datetime as dt
from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc.balance_rows import build_rows
from pipeline.calc.balance_windows import batch, batches, spans_of_weeks
from pipeline.calc.cells import Array, Assumed
from pipeline.calc.layers import series
from pipeline.calc.nitrate import Calculated, calculate_arrays, moments
from pipeline.calc.nitrate_design import BoolArray, IntArray, State, Windows
from pipeline.calc.nitrate_fit import TAP, fit
from pipeline.calc.nitrate_outlook import Level, level, states_ahead
from pipeline.calc.nitrate_rates import step_of
from pipeline.calc.refits import LEVEL, designs, expected
from pipeline.week import Round
from schemas import Tables, conform, empty


def paths(tables: Tables, requests: pl.DataFrame, assumed: Assumptions, round_: Round) -> pl.DataFrame:
    """nitrate_path of the requests (tank, as_of) whose readings carry a number: half-year's fit, fan over the horizon."""
    done = calculate_arrays(tables, requests, assumed, round_)
    known = np.flatnonzero(done.known)
    if not len(known):
        return empty("nitrate_path")
    parts = [_fitted(done, known, assumed), _forecast(done, known, assumed)]
    frame = pl.concat(parts).sort("tank", "as_of", "at", "order").drop("order")
    return conform("nitrate_path", frame)


def sawtooth(windows: Windows, stepped: BoolArray) -> State:
    """The state before (at even places) and after each row's change, [2·visits, tanks]; `stepped` are rows after the step."""
    state = State.start(windows.days.shape[1])
    seen: list[State] = []
    for j in range(len(windows.days)):
        on = stepped[j]
        waited = state.wait(windows.days[j])
        waited = State(**{**vars(waited), "s": np.where(on, waited.s, 0.0)})
        state = waited.change(windows.fraction[j], windows.inflow[j])
        seen += [waited, state]
    return State(**{name: np.stack([getattr(s, name) for s in seen]) for name in vars(state)})


def _frame(
    done: Calculated, request: IntArray, days: Array, order: IntArray, at: Level, part: str, assumed: Assumptions
) -> pl.DataFrame:
    """Moments as rows; `days` are day numbers, arrays [rows]."""
    wide, half = at.range(assumed["interval_z"]), at.range(assumed["half_interval_z"])
    return done.requests[request].with_columns(
        pl.Series("at", days * 86_400_000_000).cast(pl.Int64).cast(pl.Datetime("us")),
        *pl.DataFrame(
            {"level": at.mean, "low": wide.low, "high": wide.high, "low_half": half.low, "high_half": half.high}
        ),
        order=order,
        part=pl.lit(part),
    )


def _fitted(done: Calculated, known: IntArray, assumed: Assumptions) -> pl.DataFrame:
    rows = done.rows
    part = batch(rows, done.spans.chosen(known), known, assumed)
    begins = step_of(part, done.step_row[known])
    states = sawtooth(part.windows, np.arange(len(part.row))[:, None] > begins)
    level_fit = done.level_fits.level_fit.chosen(known)
    at = level(states, level_fit, assumed)
    # A moment a day: padding and second readings of a day show nothing new.
    moment, tank = np.nonzero(np.repeat(part.row >= 0, 2, axis=0))
    row = np.repeat(part.row, 2, axis=0)[moment, tank]
    seen = Level(at.mean[moment, tank], at.sd[moment, tank])
    return _frame(done, known[tank], rows.day[row].astype(float), moment, seen, "fit", assumed)


def _forecast(done: Calculated, known: IntArray, assumed: Assumptions) -> pl.DataFrame:
    """The fan: from the day on, with the usual changes at the visits expected, to the horizon's end."""
    placed, ahead = moments(done)
    known = known[placed[known]]
    level_fit, end = done.level_fits.level_fit.chosen(known), done.level_fits.end.chosen(known)
    usual, inflow = done.routine.usual_fraction[known], done.routine.usual_inflow[known]
    frames = []
    steps = states_ahead(end, ahead.chosen(known), usual, inflow, assumed["forecast_days"])
    for place, (state, passed, happened) in enumerate(steps):
        at, chosen = level(state, level_fit, assumed), np.flatnonzero(happened)
        days, order = (done.as_of[known] + passed)[chosen], np.full(len(chosen), 10**6 + place)
        frames.append(_frame(done, known[chosen], days, order, at.chosen(chosen), "forecast", assumed))
    return pl.concat(frames)


# -- explanations ----------------------------------------------------------------------------------

DESIGN = {"rise": "source", "fall": "source", "unlogged change": "lost", "tap nitrate": "tap"}
MOMENT: dict[str, Any] = {"at": pl.Datetime("us")}
PATH: dict[str, Any] = {**MOMENT, "level": pl.Float64}
MOVED: dict[str, Any] = {**MOMENT, "day": pl.Date, "low": pl.Float64, "high": pl.Float64}


def _at(days: np.ndarray, hour: int) -> pl.Series:
    """Day numbers as moments of the day."""
    return pl.Series("at", days.astype(np.int64) * 86_400_000_000 + hour * 3_600_000_000).cast(pl.Datetime("us"))


def implied(
    tables: Tables, tank: str, as_of: dt.date, explanation: Mapping[str, Any], assumed: Assumed
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
    later = (days >= (explanation["since"] - dt.date(1970, 1, 1)).days)[:, None]
    kind = DESIGN.get(explanation["cause"])
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
    size, would = explanation["size"], explanation["would_be"]
    seen = (w.reading & later)[:, 0]
    if would is not None:
        seen &= days == (explanation["since"] - dt.date(1970, 1, 1)).days
        low = high = np.full(int(seen.sum()), float(would))
    elif kind is None and size:
        low, high = w.low[seen, 0] / size, w.high[seen, 0] / size
    else:
        return path.sort("at"), pl.DataFrame(schema=MOVED)
    at, top = _at(days[seen], 9), series("high", np.where(np.isfinite(high), high, np.nan))
    return path.sort("at"), pl.DataFrame({"at": at, "day": at.cast(pl.Date), "low": low, "high": top})
