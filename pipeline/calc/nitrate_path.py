"""The fitted saw-tooth and the forecast of a few tanks, for the chart: two moments a visit, around its change.

Calculated on demand from the same fit that the outlook stands on, so that chart and numbers agree.
"""

import numpy as np
import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc.balance_rows import Rows
from pipeline.calc.balance_windows import batch
from pipeline.calc.cells import Array
from pipeline.calc.nitrate import Calculated, calculate_arrays, moments
from pipeline.calc.nitrate_design import BoolArray, IntArray, State, Windows
from pipeline.calc.nitrate_heads import step_of
from pipeline.calc.nitrate_outlook import Head, Level, level
from pipeline.week import Round
from schemas import Tables, conform, empty


def paths(tables: Tables, asks: pl.DataFrame, assumed: Assumptions, round_: Round) -> pl.DataFrame:
    """nitrate_path of the asks (tank, as_of): the fit over the half-year and the fan over the horizon.

    Bands of 90 and of 50 %. Asks whose readings carry no number have no rows.
    """
    done = calculate_arrays(tables, asks, assumed, round_)
    known = np.flatnonzero(done.known)
    if not len(known):
        return empty("nitrate_path")
    parts = [_fitted(done, known, assumed), _forecast(done, known, assumed)]
    frame = pl.concat(parts).sort("tank", "as_of", "at", "order").drop("order")
    return conform("nitrate_path", frame)


def sawtooth(windows: Windows, stepped: BoolArray) -> State:
    """The state just before and just after each row's change; arrays [2·visits, tanks], before at even places.

    `stepped` [visits, tanks] marks rows that lie after the step.
    """
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
    done: Calculated, ask: IntArray, days: Array, order: IntArray, at: Level, part: str, assumed: Assumptions
) -> pl.DataFrame:
    """Moments as rows; `days` are day numbers, arrays [rows]."""
    wide, half = at.range(assumed["interval_z"]), at.range(assumed["half_interval_z"])
    return done.asks[ask].with_columns(
        (pl.Series("at", days * 86_400_000_000).cast(pl.Int64)).cast(pl.Datetime("us")),
        pl.lit(part).alias("part"),
        *(
            pl.Series(name, values)
            for name, values in (
                ("level", at.mean),
                ("low", wide.low),
                ("high", wide.high),
                ("low_half", half.low),
                ("high_half", half.high),
            )
        ),
        pl.Series("order", order),
    )


def _fitted(done: Calculated, known: IntArray, assumed: Assumptions) -> pl.DataFrame:
    rows: Rows = done.rows
    part = batch(rows, done.spans.chosen(known), known, assumed)
    begins = step_of(part, done.sought.row[known])
    states = sawtooth(part.windows, np.arange(len(part.row))[:, None] > begins)
    head = done.heads.head.chosen(known)
    at = level(states, head, assumed)
    # A moment a day: padding and second readings of a day show nothing new.
    moment, tank = np.nonzero(np.repeat(part.row >= 0, 2, axis=0))
    row = np.repeat(part.row, 2, axis=0)[moment, tank]
    seen = Level(at.mean[moment, tank], at.sd[moment, tank])
    return _frame(done, known[tank], rows.day[row].astype(float), moment, seen, "fit", assumed)


def _forecast(done: Calculated, known: IntArray, assumed: Assumptions) -> pl.DataFrame:
    """The fan: from the day on, with the usual changes at the visits expected, to the horizon's end."""
    placed, ahead = moments(done)
    known = known[placed[known]]
    horizon = assumed["forecast_days"]
    head: Head = done.heads.head.chosen(known)
    routine, state = done.routine, done.heads.end
    fraction = routine.usual_fraction[known]
    inflow = np.where(fraction > 0, np.nan_to_num(fraction * routine.tap[known]), 0.0)
    state = State(**{name: getattr(state, name)[known] for name in vars(state)}).wait(ahead.last_row_days[known])
    passed = np.zeros(len(known))
    first, gap = ahead.to_first[known], ahead.gap[known]
    frames = []

    def note(place: int, which: BoolArray) -> None:
        at = level(state, head, assumed)
        chosen = np.flatnonzero(which)
        days = (done.as_of[known] + passed)[chosen]
        order = np.full(len(chosen), 10**6 + place)
        frames.append(
            _frame(done, known[chosen], days, order, Level(at.mean[chosen], at.sd[chosen]), "forecast", assumed)
        )

    note(0, np.ones(len(known), bool))
    visits = int(np.ceil(horizon / max(1.0, float(gap.min(initial=horizon)))))
    for k in range(visits):
        wait = np.minimum(first if k == 0 else gap, horizon - passed)
        moved = wait > 0
        passed, state = passed + wait, state.wait(wait)
        note(2 * k + 1, moved)
        happens = (passed < horizon) & (fraction > 0)
        state = state.change(fraction * happens, inflow * happens)
        note(2 * k + 2, happens & moved)
    rest = horizon - passed
    passed, state = passed + rest, state.wait(rest)
    note(2 * visits + 1, rest > 0)
    return pl.concat(frames)
