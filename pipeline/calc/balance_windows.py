"""Which rows a fit sees, and how they become padded arrays: windows of the flat rows, many tanks and days at once."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.calc.balance_rows import Rows, tap_of
from pipeline.calc.cells import Array, Assumed
from pipeline.calc.nitrate_design import BoolArray, Columns, IntArray, Windows
from pipeline.calc.nitrate_fit import CHUNK, Priors, priors

FAR_DAY = 10**6  # longer than any log: keys of tank and day are tank · FAR_DAY + day
TOO_FEW, AT_LEAST, BELOW, NUMBER = 0, 1, 2, 3  # what the gate lets through


@dataclass(frozen=True)
class Spans(Columns):
    """Windows as half-open ranges of rows, arrays [windows]; empty where start = end."""

    start: IntArray
    end: IntArray
    as_of: IntArray  # the day a tap value must have been known


def rows_until(rows: Rows, tank: IntArray, day: IntArray) -> IntArray:
    """Count of rows (from the very first) up to and with a day of a tank: the end of its window."""
    key = rows.tank * FAR_DAY + rows.day
    return np.searchsorted(key, tank * FAR_DAY + day, side="right").astype(np.int64)


def _first_reading_from(rows: Rows, row: IntArray) -> IntArray:
    """The first row with a reading at or after a row; the count of rows where there is none."""
    at = np.flatnonzero(rows.reading)
    at = np.append(at, len(rows.day))
    return at[np.searchsorted(at, row)].astype(np.int64)


def last_reading_before(rows: Rows, row: IntArray) -> IntArray:
    """The last row with a reading before a row; −1 where there is none."""
    at = np.concatenate([[-1], np.flatnonzero(rows.reading)])
    return at[np.searchsorted(at, row) - 1].astype(np.int64)


def spans(rows: Rows, tank: IntArray, as_of: IntArray, earliest: IntArray) -> Spans:
    """Windows from the first reading at or after row `earliest` to `as_of`, cut where the balance was broken.

    After a change of unknown size nothing before it says anything of the rise: only the last unbroken stretch is used.
    """
    end = rows_until(rows, tank, as_of)
    earliest = np.maximum(earliest, rows.first[tank])
    last = last_reading_before(rows, end)
    empty = last < earliest
    if not len(rows.day):
        return Spans(end, end, as_of)
    segment = rows.segment[np.maximum(last, 0)]
    begins = np.searchsorted(rows.segment, segment, side="left").astype(np.int64)
    ends = np.searchsorted(rows.segment, segment, side="right").astype(np.int64)
    start = _first_reading_from(rows, np.maximum(earliest, begins))
    end = np.minimum(end, ends)
    return Spans(np.where(empty, end, start), end, as_of)


def spans_of_weeks(rows: Rows, tank: IntArray, as_of: IntArray, weeks: Array | float) -> Spans:
    """Windows of the last so many weeks: from as-of − 7·weeks to as-of, both days in it."""
    earliest = rows_until(rows, tank, as_of - np.round(7 * np.asarray(weeks)).astype(np.int64) - 1)
    return spans(rows, tank, as_of, earliest)


@dataclass(frozen=True)
class Batch(Columns):
    """Windows as arrays, with what else a fit and its readers need. Right-aligned: the last row is the newest."""

    which: IntArray  # [tanks] number of each window among the spans
    row: IntArray  # [visits, tanks] flat row; −1 in padding
    windows: Windows
    visit: IntArray  # [visits, tanks]
    priors: Priors
    untested: BoolArray  # [tanks] water was changed, and most of it with a tap that was never tested


def _local(codes: IntArray) -> IntArray:
    """Codes of each window numbered from 0; −1 stays."""
    out = np.full_like(codes, -1)
    left = codes.copy()
    number = 0
    while (left >= 0).any():
        newest = left.max(axis=0)
        mine = (left == newest) & (left >= 0)
        out[mine] = number
        left[mine] = -1
        number += 1
    return out


def _local_readers(codes: IntArray) -> IntArray:
    """Readers of each window numbered from 0, but for the one who reads most: the others are set against them."""
    local = _local(codes)
    count = np.array([(local == number).sum(axis=0) for number in range(int(local.max(initial=-1)) + 1)])
    if not len(count):
        return local
    most = count.argmax(axis=0)
    return np.where(local == most, -1, np.where(local > most, local - 1, local))


def batch(rows: Rows, chosen: Spans, which: IntArray, assumed: Assumed, steps: int = 0) -> Batch:
    """Gather windows into arrays [visits, tanks]; short ones are padded in front with rows in which nothing happens."""
    longest = int((chosen.end - chosen.start).max(initial=1))
    row = chosen.end - longest + np.arange(longest)[:, None]
    real = row >= chosen.start
    row = np.where(real, row, -1)
    at = np.maximum(row, 0)
    tap, test_days = tap_of(rows, at, chosen.as_of, assumed)
    fraction = np.where(real, rows.fraction[at], 0.0)
    uptake = np.where(real, rows.uptake[at], 0.0)
    inflow = np.where(uptake > 0, uptake * tap, 0.0)
    reading = real & rows.reading[at]
    windows = Windows(
        days=np.where(real & (row > chosen.start), rows.days[at], 0.0),
        fraction=fraction,
        inflow=inflow,
        low=np.where(reading, rows.low[at], 0.0),
        high=np.where(reading, rows.high[at], np.inf),
        after=real & rows.after[at],
        kit=_local(np.where(reading, rows.kit[at], -1)),
        reader=_local_readers(np.where(reading, rows.reader[at], -1)),
        cv=rows.cv[at],
    )
    visit = np.where(real, rows.visit[at], rows.visit[np.minimum(chosen.start, len(rows.day) - 1)])
    changed = fraction > 0
    guessed = 2 * (changed & rows.guessed[at]).sum(axis=0) >= np.maximum(changed.sum(axis=0), 1)
    renewed = uptake > 0
    tested = renewed & ~np.isnan(test_days)
    tap_unknown = 2 * tested.sum(axis=0) < np.maximum(renewed.sum(axis=0), 1)
    tap_age = np.where(tested, test_days, 0.0).sum(axis=0) / np.maximum(tested.sum(axis=0), 1)
    return Batch(
        which=which,
        row=row,
        windows=windows,
        visit=visit,
        priors=priors(assumed, guessed, np.where(tap_unknown, np.nan, tap_age), windows.factors, steps),
        untested=tap_unknown & renewed.any(axis=0),
    )


def batches(rows: Rows, wanted: Spans, assumed: Assumed, steps: int = 0) -> Iterator[Batch]:
    """All windows that hold a row, a chunk of tanks at a time; windows of like length share a chunk."""
    length = wanted.end - wanted.start
    order = np.argsort(length, kind="stable")
    order = order[length[order] > 0]
    for i in range(0, len(order), CHUNK):
        which = order[i : i + CHUNK]
        yield batch(rows, wanted.chosen(which), which, assumed, steps)


def gate(windows: Windows, assumed: Assumed) -> IntArray:
    """Whether the readings of each window can carry a number: TOO_FEW, AT_LEAST, BELOW or NUMBER, [tanks].

    Fewer than five readings or under 28 days: too few. Half or more off the top: only a lower bound; half or more in
    the bottom cell: only an upper bound. Otherwise fewer than four strictly inside the chart are too few as well.
    """
    reading = windows.reading
    elapsed = np.cumsum(windows.days, axis=0)
    count = reading.sum(axis=0)
    first = np.where(reading, elapsed, np.inf).min(axis=0, initial=np.inf)
    last = np.where(reading, elapsed, -np.inf).max(axis=0, initial=-np.inf)
    top = (reading & ~np.isfinite(windows.high)).sum(axis=0)
    bottom = (reading & (windows.low <= 0)).sum(axis=0)
    inside = count - top - bottom
    with np.errstate(invalid="ignore"):
        few = (count < assumed["gate_readings"]) | (last - first < assumed["gate_days"])
    outcome = np.where(2 * top >= count, AT_LEAST, np.where(2 * bottom >= count, BELOW, NUMBER))
    outcome = np.where((outcome == NUMBER) & (inside < assumed["gate_inside"]), TOO_FEW, outcome)
    return np.where(few, TOO_FEW, outcome)


def median_gap(rows: Rows, tank: IntArray, as_of: IntArray, weeks: float, otherwise: float) -> Array:
    """Median days between the visits of the last weeks to as-of, of each request; `otherwise` with fewer than two."""
    new = np.flatnonzero(np.diff(rows.visit + FAR_DAY * rows.tank, prepend=-1) > 0)
    new = new[rows.visit[new] > 0]
    key = rows.tank[new] * FAR_DAY + rows.day[new]
    end = np.searchsorted(key, tank * FAR_DAY + as_of, side="right")
    start = np.searchsorted(key, tank * FAR_DAY + as_of - round(7 * weeks), side="right")
    out = np.full(len(tank), float(otherwise))
    for count in np.unique(end - start):  # one step a distinct count of visits, not a tank
        if count >= 2:
            mine = np.flatnonzero(end - start == count)
            days = rows.day[new[start[mine][:, None] + np.arange(count)]]
            out[mine] = np.median(np.diff(days, axis=1), axis=1)
    return out
