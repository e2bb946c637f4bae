"""Nitrate of the whole round: net rise, outlook, step alarms and suspect readings, frames in and frames out; and what the
charts draw, from the same fit that the outlook stands on, so that chart and numbers agree.

`calculate_nitrate` takes many tanks and many days at once and does everything in batches; the arrays' part is in the
nitrate_* modules. An unknown is null with a state in words, never nan, 0 or ∞.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc.balance_rows import Rows, build_rows, supply_tap
from pipeline.calc.balance_windows import (
    AT_LEAST,
    BELOW,
    NUMBER,
    Spans,
    batch,
    last_reading_before,
    median_gap,
    rows_until,
    spans_of_weeks,
)
from pipeline.calc.cells import Array
from pipeline.calc.kit_shift import hold_down, trend_of
from pipeline.calc.layers import numbers, series, table
from pipeline.calc.nitrate_design import BoolArray, IntArray, sawtooth
from pipeline.calc.nitrate_outlook import (
    Ahead,
    Level,
    Range,
    Routine,
    apparent_removal,
    chance_over_ceiling,
    expected_visits,
    hand_check,
    level,
    plateau,
    present_routine,
    states_ahead,
    weeks_to_ceiling,
)
from pipeline.calc.nitrate_rates import LevelFits, Rates, chosen_spans, level_fits, rates, step_of, steps_sought
from pipeline.calc.nitrate_steps import Alarms, Scanned, alarms, scan_visits
from pipeline.calc.witness import witness
from pipeline.week import Round
from schemas import Tables, conform, empty


@dataclass(frozen=True)
class Calculated:
    """Everything calculated of the requests, as arrays [requests]: what the frames and the chart are made from."""

    assumed: Assumptions
    rows: Rows
    requests: pl.DataFrame
    tank: IntArray
    as_of: IntArray
    gap: Array
    recent: Rates
    baseline: Rates
    scanned: Scanned
    alarm: Alarms
    spans: Spans  # of the fit that the outlook stands on
    step_row: IntArray  # flat row after which that fit has a step; −1 for none
    level_fits: LevelFits
    routine: Routine
    known: BoolArray  # the outlook stands on a number


def calculate_arrays(tables: Tables, requests: pl.DataFrame, assumed: Assumptions, round_: Round) -> Calculated:
    """Fits, alarms and level fits of the requests (tank, as_of)."""
    requests = requests.select("tank", "as_of").unique(maintain_order=True)
    rows = build_rows(tables, requests["tank"].to_list(), assumed)
    tank, as_of = rows.places(requests)
    gap = median_gap(rows, tank, as_of, assumed["baseline_weeks"], round_.visit_every_days)
    weeks = np.where(gap <= assumed["sparse_gap_days"], assumed["recent_weeks"], assumed["recent_weeks_sparse"])
    recent_spans = spans_of_weeks(rows, tank, as_of, weeks)
    baseline_spans = spans_of_weeks(rows, tank, as_of, assumed["baseline_weeks"])
    recent, baseline = rates(rows, recent_spans, assumed), rates(rows, baseline_spans, assumed)
    scanned = scan_visits(rows, tank, as_of, round_.visit_every_days, assumed)
    alarm = alarms(scanned, tank, as_of, assumed)
    spans, known = chosen_spans(recent_spans, baseline_spans, recent, baseline)
    step_row, step_sd = steps_sought(rows, tank, as_of, weeks, scanned, alarm, assumed)
    found = level_fits(rows, spans, step_row, step_sd, assumed)
    routine = present_routine(rows, tank, as_of, weeks, gap, assumed)
    return Calculated(
        assumed, rows, requests, tank, as_of, gap, recent, baseline, scanned, alarm, spans, step_row, found, routine, known
    )  # fmt: skip


def calculate_nitrate(
    tables: Tables, requests: pl.DataFrame, assumed: Assumptions, round_: Round, capacity: pl.DataFrame | None = None
) -> Tables:
    """nitrate_fit, nitrate_outlook, step_alarm and suspect of the requests (tank, as_of).

    `tables` are all checked tables; `capacity`, where given, has the food's expected rise for the same requests. Alarms of
    tanks that share a kit gone off are held down among the tanks asked for: after calculation some tanks only, call
    `kit_shift.hold_down` again over all of them.
    """
    done = calculate_arrays(tables, requests, assumed, round_)
    out = {
        "nitrate_fit": pl.concat([_fit_frame(done, window) for window in ("recent", "baseline")]),
        "step_alarm": _alarm_frame(done),
        "suspect": _suspect_frame(done),
    }
    out["nitrate_outlook"] = _outlook_frame(done, tables, out, capacity)
    return hold_down(out, tables, assumed)


def _dates(days: IntArray) -> pl.Series:
    """Day numbers as dates; null where negative."""
    return pl.Series(np.where(days < 0, 0, days).astype(np.int32)).cast(pl.Date).set(pl.Series(days < 0), None)


def _numbers(**columns: Array) -> list[pl.Series]:
    """Arrays as columns, nan and ∞ as null."""
    return [series(name, np.where(np.isfinite(values), values, np.nan)) for name, values in columns.items()]


def _fit_frame(done: Calculated, window: str) -> pl.DataFrame:
    found: Rates = done.recent if window == "recent" else done.baseline
    rough = ((found.high - found.low) / 2 > done.assumed["rough_half_width"]) | found.untested
    state = np.select(
        [found.outcome == AT_LEAST, found.outcome == BELOW, found.outcome == NUMBER],
        ["at least", "below chart", np.where(rough, "rough", "ok")],
        "too few",
    )
    frame = done.requests.with_columns(
        pl.lit(window).alias("window"),
        _dates(found.first_day).alias("since"),
        pl.Series("readings", found.readings),
        *_numbers(rate=found.rate, low=found.low, high=found.high),
        pl.Series("state", state.astype(str)),
    )
    return conform("nitrate_fit", frame)


def _alarm_frame(done: Calculated) -> pl.DataFrame:
    which = np.flatnonzero(done.alarm.at >= 0)
    at = done.alarm.at[which]
    frame = done.requests[which].with_columns(
        _dates(done.scanned.since[at]).alias("since"),
        _dates(done.scanned.day[at]).alias("raised"),
        *_numbers(size=done.scanned.size[at], z=done.scanned.z[at]),
    )
    return conform("step_alarm", frame)


def _suspect_frame(done: Calculated) -> pl.DataFrame:
    request, row, weight = done.level_fits.suspects
    frame = pl.concat([done.requests[request], done.rows.source[row]], how="horizontal").with_columns(
        _dates(done.rows.day[row]).alias("day"), pl.Series("weight", weight)
    )
    return conform("suspect", frame)


def moments(done: Calculated) -> tuple[BoolArray, Ahead]:
    """Whether the level of the day is known [requests], and the visits ahead.

    It is not after a change of unknown size that no reading followed, nor where the last reading is old.
    """
    rows, row = done.rows, np.maximum(done.level_fits.end_row, 0)
    if not len(rows.day):
        nothing = np.full(len(done.tank), np.nan)
        return np.zeros(len(done.tank), bool), Ahead(nothing, nothing, done.gap)
    last = rows_until(rows, done.tank, done.as_of) - 1
    open_end = done.known & (done.level_fits.end_row >= 0) & (last == done.level_fits.end_row)
    since = (done.as_of - rows.day[row]).astype(float)
    return open_end & ~rows.lost[row] & fresh(done), Ahead(since, expected_visits(since, done.gap), done.gap)


def fresh(done: Calculated) -> BoolArray:
    """Whether the last reading of each request is young enough to speak of today, by the pace of its visits."""
    rows = done.rows
    last = last_reading_before(rows, rows_until(rows, done.tank, done.as_of))
    limit = np.maximum(done.assumed["outlook_fresh_days"], done.assumed["silent_intervals"] * done.gap)
    age = done.as_of - rows.day[np.maximum(last, 0)]
    return np.asarray((last >= rows.first[done.tank]) & (age <= limit))


def _outlook_frame(done: Calculated, tables: Tables, out: Tables, capacity: pl.DataFrame | None) -> pl.DataFrame:
    level_fit, routine, assumed = done.level_fits.level_fit, done.routine, done.assumed
    limits = done.requests.join(table(tables, "tank"), on="tank", how="left", maintain_order="left")["nitrate_ceiling"]
    ceiling = limits.cast(pl.Float64).fill_null(assumed["ceiling_default"]).to_numpy()
    settled = plateau(level_fit, routine, assumed)
    placed, ahead = moments(done)
    today = fresh(done) if len(done.rows.day) else placed
    now = level(done.level_fits.end.wait(ahead.last_row_days), level_fit, assumed)
    chance = chance_over_ceiling(done.level_fits.end, level_fit, routine, ahead, ceiling, assumed)
    weeks = weeks_to_ceiling(done.level_fits.end, level_fit, routine, ahead, ceiling, assumed)
    by_hand, intervals = hand_check(done.rows, done.tank, done.as_of, assumed)
    band = now.range(assumed["interval_z"])
    tap = supply_tap(tables, done.requests, "nitrate")
    frame = done.requests.with_columns(
        pl.Series("ceiling", ceiling),
        tap["tap"].fill_null(assumed["tap_unknown_mg_l"]),
        tap["tap_day"].cast(pl.Int32).cast(pl.Date),
        *_numbers(
            plateau=np.where(today, settled.value, np.nan),
            plateau_low=np.where(today, settled.low, np.nan),
            plateau_high=np.where(today, settled.high, np.nan),
            weeks_to_ceiling=np.where(placed, weeks, np.nan),
            over_ceiling_probability=np.where(placed, chance, np.nan),
            level=np.where(placed, now.mean, np.nan),
            level_low=np.where(placed, band.low, np.nan),
            level_high=np.where(placed, band.high, np.nan),
            mean_fraction=routine.mean_fraction,
            mean_gap_days=routine.gap_days,
            change_share=routine.change_share,
            hand_per_week=by_hand,
        ),
        pl.Series("hand_intervals", intervals),
        trend_of(done.requests, out["nitrate_fit"], out["step_alarm"], assumed),
    )
    food = empty("capacity") if capacity is None else capacity
    expected = done.requests.join(food, on=["tank", "as_of"], how="left", maintain_order="left")
    made, least, most = (numbers(expected, f"expected_{name}") for name in ("rise", "low", "high"))
    best = done.recent.outcome == NUMBER
    rise = Range(*(np.where(best, getattr(done.recent, n), getattr(done.baseline, n)) for n in ("rate", "low", "high")))
    removal = apparent_removal(rise, least, most)
    witnessed = witness(tables, done.requests, made, (frame["trend"] == "steady").to_numpy(), assumed)
    frame = frame.with_columns(*_numbers(removal_low=removal[0], removal_high=removal[1]), *witnessed)
    return conform("nitrate_outlook", frame)


# -- what the charts draw: two moments a visit, around its change --------------------------------------------


def paths(tables: Tables, requests: pl.DataFrame, assumed: Assumptions, round_: Round) -> pl.DataFrame:
    """nitrate_path of the requests (tank, as_of) whose readings carry a number: half-year's fit, fan over the horizon."""
    done = calculate_arrays(tables, requests, assumed, round_)
    known = np.flatnonzero(done.known)
    if not len(known):
        return empty("nitrate_path")
    parts = [_fitted(done, known, assumed), _forecast(done, known, assumed)]
    frame = pl.concat(parts).sort("tank", "as_of", "at", "order").drop("order")
    return conform("nitrate_path", frame)


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
    states = sawtooth(part.windows, step_of(part, done.step_row[known]))
    at = level(states, done.level_fits.level_fit.chosen(known), assumed)
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
