"""The balance of nitrate refitted with one thing more: designs of what may have happened, and many refits at once.

What each refit is worth is judged in explanations.py.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.calc.balance_rows import Rows
from pipeline.calc.balance_windows import Batch, batches, spans_of_weeks
from pipeline.calc.cells import Array, Assumed
from pipeline.calc.nitrate_design import BoolArray, IntArray, Windows, held
from pipeline.calc.nitrate_fit import CHUNK, FRACTION, KIT, N0, RISE, TAP, Fit, Priors, fit
from pipeline.calc.nitrate_steps import efficient_scores

LEVEL = 10.0  # mg/L NO3: the unit of a level that is lost or brought in, near 1 as Newton steps want it
SOURCE, LOST, TAP_LEVEL, FACTOR = KINDS = range(4)  # places of the explanations; the first three are `designs`


def designs(windows: Windows, later: BoolArray) -> dict[str, Array]:
    """The level that a unit of each explanation makes, arrays [days, visits, tanks]; `later` are the rows after each day."""
    first = later & (np.cumsum(later, axis=1) == 1)
    nothing = np.zeros(later.shape)
    new_water = np.where(windows.inflow > 0, windows.fraction, 0.0)
    return {
        "source": held(windows, np.asarray(later * windows.days), nothing)[0],
        "lost": held(windows, np.asarray(-LEVEL * first), nothing)[0],
        "tap": held(windows, nothing, np.asarray(LEVEL * later * new_water))[0],
    }


@dataclass
class Weighed:
    """What each explanation comes to; and the last readings, cell by cell."""

    gain: Array  # [kinds, days, requests]
    size: Array  # [kinds, days, requests]
    precision: Array  # [kinds, days, requests]
    share: Array  # [days, requests] of the water that the lost level comes to
    since: IntArray  # [days, requests] day number of the first row after each day
    readings: Array  # [requests]
    requests: pl.DataFrame  # tank, as_of
    kit: NDArray[Any]  # [requests] id of that of the last reading; None where it has none
    # request, file, line, day, level and the rest of the last readings
    cells: pl.DataFrame = field(default_factory=pl.DataFrame)
    # request, one, other, bias, precision: log-bias of one person's readings beside another's
    readers: pl.DataFrame = field(default_factory=pl.DataFrame)

    @staticmethod
    def together(parts: Sequence[Weighed]) -> Weighed:
        """Those of some tanks each as one."""
        first = np.cumsum([0, *(len(part.requests) for part in parts)])

        def frames(name: str) -> pl.DataFrame:
            own: list[pl.DataFrame] = [getattr(part, name) for part in parts]
            moved = [f.with_columns(pl.col("request") + at) for at, f in zip(first, own, strict=False) if f.height]
            return pl.concat(moved) if moved else own[0]

        arrays = ("gain", "size", "precision", "share", "since", "readings", "kit")
        return Weighed(
            **{name: np.concatenate([getattr(part, name) for part in parts], axis=-1) for name in arrays},
            requests=pl.concat([part.requests for part in parts]),
            cells=frames("cells"),
            readers=frames("readers"),
        )


def expected(windows: Windows, done: Fit) -> tuple[Array, Array, Array]:
    """Level at each reading, the same had it been taken after its row's change, and the log-bias of its kit and reader."""
    theta, plan = done.theta, done.design
    level = theta[N0] * (plan.a + theta[FRACTION] * plan.da) + theta[RISE] * (plan.b + theta[FRACTION] * plan.db)
    level += np.exp(theta[TAP]) * (plan.c + theta[FRACTION] * plan.dc)
    level = np.maximum(level, 0.0)
    share = np.clip(windows.fraction * np.exp(-theta[FRACTION]), 0.0, 1.0)
    after = level * (1 - share) + windows.inflow * np.exp(theta[TAP] - theta[FRACTION])
    bias = np.zeros_like(level)
    count = windows.factors
    for k, mine in enumerate(windows.of_factor(count)):
        bias += theta[KIT + k] * mine
    return level, after, bias


def refits(rows: Rows, requests: pl.DataFrame, assumed: Assumed) -> Weighed:
    """Every explanation that goes on from a day, for each of the days a week apart; tanks that share nothing yet."""
    tank, as_of = rows.places(requests)
    back = 7 * np.arange(1, int(assumed["explained_weeks"]) + 1)
    shape = (len(back), len(tank))
    gain, size, precision = (np.full((len(KINDS), *shape), start) for start in (-np.inf, 0.0, 0.0))
    kit, nothing = np.full(len(tank), None), np.zeros(len(tank))
    out = Weighed(gain, size, precision, np.zeros(shape), np.full(shape, -1), nothing, requests, kit)
    wanted = spans_of_weeks(rows, tank, as_of, assumed["baseline_weeks"])
    parts = [
        _of_batch(out, part, rows, as_of[part.which], back, assumed) for part in batches(rows, wanted, assumed, steps=1)
    ]
    if parts:
        out.cells, out.readers = (pl.concat(frames) for frames in zip(*parts, strict=True))
    return out


def _of_batch(
    out: Weighed, part: Batch, rows: Rows, as_of: IntArray, back: IntArray, assumed: Assumed
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Weigh one batch into `out`; its last readings, cell by cell, and how its readers differ."""
    which, w = part.which, part.windows
    quick = {**assumed, "newton_settled": assumed["explained_settled"]}
    real = part.row >= 0
    day = rows.day[np.maximum(part.row, 0)]
    later: BoolArray = real & (day > (as_of - back[:, None])[:, None])
    plain = fit(w, part.priors, assumed, np.zeros(w.days.shape))
    count = w.reading.sum(axis=0)
    enough: BoolArray = np.asarray(count >= assumed["gate_readings"])
    out.readings[which] = count
    out.since[:, which] = np.where(later, day, np.iinfo(np.int32).max).min(axis=1)
    usable = (
        enough & (later & w.reading).any(axis=1) & ((w.reading & ~later).sum(axis=1) >= assumed["explained_before"])
    )

    level, _, bias = expected(w, plain)
    made = designs(w, later)
    kits = int(w.kit.max(initial=-1)) + 1
    place, sd = KIT + kits, assumed["explained_factor_sd"]
    # First the parabola of the plain fit: near enough where little happened, and it says who needs a refit.
    suspect = ((plain.weight < assumed["suspect_weight"]) & w.reading & later[-1]).any(axis=0)
    refit = suspect.copy()
    for kind, design in zip(KINDS, (*made.values(), later * level), strict=True):
        u, v = efficient_scores(design * plain.lift, plain)
        v = np.maximum(v, 0.0) + (sd if kind == FACTOR else assumed["prior_rise_sd"]) ** -2
        gain = np.where(usable, 0.5 * u * u / v, -np.inf)
        out.gain[kind][:, which], out.size[kind][:, which], out.precision[kind][:, which] = gain, u / v, v
        refit = refit | (gain >= assumed["explained_refit"]).any(axis=0)
    chosen = np.flatnonzero(refit & enough)
    mine, theta, plainly = which[chosen], plain.theta[:, chosen], plain.objective[chosen]
    suspect, later_ = suspect[chosen], later[:, :, chosen]
    few = part.chosen(chosen)

    def fitted(
        kinds: slice, at: int, least: float, change: Callable[[IntArray, IntArray, Windows, Priors], Fit]
    ) -> None:
        """Every day of some kinds that gains at `least` so much by the parabola, many in one go. `change` fits the windows
        and priors of some tanks, each with the design whose number among those of `kinds` it is given."""
        whole = (out.gain[kinds], out.size[kinds], out.precision[kinds])
        gains, sizes, precisions = (np.concatenate(of[:, :, mine]) for of in whole)
        number, tank = np.nonzero(np.isfinite(gains) & ((gains >= least) | suspect))
        for first in range(0, len(number), CHUNK):
            pair = number[first : first + CHUNK], tank[first : first + CHUNK]
            wide = few.chosen(pair[1])
            done = change(*pair, wide.windows, wide.priors)
            gains[pair] = done.objective - plainly[pair[1]]
            sizes[pair] = done.theta[at]
            precisions[pair] = 1.0 / np.maximum(done.covariance[at, at], 1e-9)
        for of, values in zip(whole, (gains, sizes, precisions), strict=True):
            of[:, :, mine] = values.reshape(len(of), len(back), len(mine))

    levels = np.concatenate([design[:, :, chosen] for design in made.values()])

    def with_level(design: IntArray, tank: IntArray, w: Windows, p: Priors) -> Fit:
        return fit(w, p, quick, levels[design, :, tank].T, start=theta[:, tank])

    fitted(slice(0, FACTOR), -1, assumed["explained_refit"], with_level)
    middle = np.where(np.isfinite(w.high), 0.5 * (w.low + w.high), w.low)
    beside = np.log(middle + assumed["log_offset"]) - np.log(level * np.exp(bias) + assumed["log_offset"])
    beside = beside[:, chosen]

    def with_factor(day: IntArray, tank: IntArray, w: Windows, p: Priors) -> Fit:
        # The later readings as those of one more kit, whose bias may be large.
        seen = later_[day, :, tank].T & w.reading
        kit = np.where(seen, kits, w.kit)
        prior = Priors(np.insert(p.mean, place, 0.0, axis=0), np.insert(p.precision, place, sd**-2, axis=0))
        off = np.where(seen, beside[:, tank], 0.0).sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
        start = np.insert(theta[:, tank], place, off, axis=0)
        return fit(replace(w, kit=kit), prior, quick, np.zeros(w.days.shape), start=start)

    fitted(slice(FACTOR, None), place, -np.inf, with_factor)  # a factor may be large: its parabola says little
    before = np.where(real & ~later, np.arange(len(w.days))[:, None], 0).max(axis=1)  # the last row before each day
    columns = np.arange(len(which))
    stood = level[before, columns] * (1 - w.fraction[before, columns]) + w.inflow[before, columns]
    new = w.inflow.sum(axis=0) / np.maximum(w.fraction.sum(axis=0), 1e-9)
    lost = out.size[LOST][:, which] * LEVEL
    # A change of share f leaves (1 − f)·N + f·tap; more than there was cannot have been lost.
    share = np.clip(lost / np.maximum(stood - new, 1.0), 0.0, assumed["explained_change_most"])
    out.share[:, which] = np.where((lost > 0) & (lost < stood), share, 0.0)
    last = np.where(w.reading, np.arange(len(w.days))[:, None], -1).max(axis=0)
    newest = part.row[np.maximum(last, 0), np.arange(len(which))]
    kit = np.where(last >= 0, rows.kit[np.maximum(newest, 0)], -1)
    out.kit[which] = [rows.kits[k] or None if k >= 0 else None for k in kit]
    return _cells(rows, part, plain, as_of, enough, assumed), _readers(rows, part, plain, enough)


def _readers(rows: Rows, part: Batch, plain: Fit, enough: BoolArray) -> pl.DataFrame:
    """The log-bias of each reader beside who reads most, by the likelihood alone: the prior is the same for all tanks."""
    w, at = part.windows, np.maximum(part.row, 0)
    place = KIT + int(w.kit.max(initial=0)) + 1
    most = np.where(w.reading & (w.reader < 0), rows.reader[at], -1).max(axis=0)
    frames = []
    for k in range(int(w.reader.max(initial=-1)) + 1):
        who = np.where(w.reader == k, rows.reader[at], -1).max(axis=0)
        variance = plain.covariance[place + k, place + k]
        precision = np.maximum(1 / variance - part.priors.precision[place + k], 1e-9)
        bias = plain.theta[place + k] / variance / precision
        turned = most > who  # a pair is the same pair where the other reads most
        one, other = (
            [rows.readers[n] if n >= 0 else None for n in np.where(turned, a, b)] for a, b in ((most, who), (who, most))
        )
        frames.append(pl.DataFrame({
            "request": part.which, "one": pl.Series(one, dtype=pl.String), "other": pl.Series(other, dtype=pl.String),
            "bias": np.where(turned, -bias, bias), "precision": precision,
        }).filter(pl.Series(enough & (who >= 0))))  # fmt: skip
    types = {"request": pl.Int64, "one": pl.String, "other": pl.String, "bias": pl.Float64, "precision": pl.Float64}
    return pl.concat(frames) if frames else pl.DataFrame(schema=types)


def _cells(rows: Rows, part: Batch, plain: Fit, as_of: IntArray, enough: BoolArray, assumed: Assumed) -> pl.DataFrame:
    """The readings of the last weeks with what the plain balance makes of them, a row each."""
    w = part.windows
    level, after, bias = expected(w, plain)
    at = np.maximum(part.row, 0)
    young = rows.day[at] > as_of - 7 * assumed["explained_cell_weeks"]
    visit, tank = np.nonzero((part.row >= 0) & w.reading & young & enough)
    row = part.row[visit, tank]
    of = {"level": level, "after": after, "bias": bias, "low": w.low, "high": w.high, "cv": w.cv}
    count = w.reading.sum(axis=0)
    cells = pl.DataFrame({
        "request": part.which[tank], "day": rows.day[row], "count": count[tank],
        "changes": (w.fraction > 0)[visit, tank] & ~w.after[visit, tank], "matched": rows.matched[row],
        **{key: value[visit, tank] for key, value in of.items()},
    })  # fmt: skip
    return pl.concat([cells, rows.source[row]], how="horizontal")
