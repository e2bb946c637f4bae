"""The net rise by hand, beside the fit, for trust: what a person would work out from the log with a pencil."""

from collections.abc import Mapping

import numpy as np

from pipeline.calc.balance_rows import Rows, tap_of, unknown_tap
from pipeline.calc.balance_windows import FAR_DAY
from pipeline.calc.cells import Array
from pipeline.calc.nitrate_design import IntArray


def rise_by_hand(level: Array, fraction: Array, inflow: Array, next_level: Array, days: Array) -> Array:
    """Net rise [mg/L per week] of one interval: the next before-reading less what the change left, per 7 days.

    The change leaves C(1 − f) + f·tap; `inflow` [mg/L] is f·tap, and the tap's share of any top-up.
    """
    return (next_level - (level * (1.0 - fraction) + inflow)) / days * 7.0


def hand_check(rows: Rows, tank: IntArray, as_of: IntArray, assumed: Mapping[str, float]) -> tuple[Array, IntArray]:
    """Median of the last usable intervals to as-of [mg/L per week] and their count, of each ask; nan and 0 without.

    Usable: two readings of closed cells, the later before its change, with no change between but the earlier one's own.
    """
    read = np.flatnonzero(rows.reading)
    early, late = read[:-1], read[1:]
    tap, _ = tap_of(rows, np.arange(len(rows.day)), rows.day, unknown_tap(assumed, rows.parameter))
    inflow = np.where(rows.uptake > 0, rows.uptake * tap, 0.0)
    stray = ~rows.reading
    changes = np.concatenate([[0], np.cumsum(stray & (rows.fraction > 0))])
    topped = np.concatenate([[0.0], np.cumsum(np.where(stray, inflow, 0.0))])
    closed = np.isfinite(rows.high)
    days = (rows.day[late] - rows.day[early]).astype(float)
    usable = (
        (rows.tank[early] == rows.tank[late])
        & (rows.segment[early] == rows.segment[late])
        & (days > 0)
        & ~rows.after[late]
        & closed[early]
        & closed[late]
        & (changes[late] == changes[early])
    )
    early, late, days = early[usable], late[usable], days[usable]
    # An after-reading has its change in it already.
    own = ~rows.after[early]
    weekly = rise_by_hand(
        rows.matched[early],
        rows.fraction[early] * own,
        inflow[early] * own + topped[late] - topped[early],
        rows.matched[late],
        days,
    )
    key = rows.tank[late] * FAR_DAY + rows.day[late]
    end = np.searchsorted(key, tank * FAR_DAY + as_of, side="right")
    begin = np.searchsorted(key, tank * FAR_DAY + as_of - round(7 * assumed["baseline_weeks"]), side="right")
    count = np.minimum(end - begin, round(assumed["hand_intervals"]))
    median = np.full(len(tank), np.nan)
    for n in np.unique(count[count > 0]):
        mine = np.flatnonzero(count == n)
        median[mine] = np.median(weekly[end[mine][:, None] - 1 - np.arange(n)], axis=1)
    return median, count
