"""What the log itself says beside the fit: the present routine of each tank, and the net rise by hand.

The routine: how often it is visited, how much is changed, and with what water, as of late. Where nitrate levels off
hangs on it as it is now, not on the half-year that the rise is fitted to. By hand: for trust, what a person would work
out from the log with a pencil.
"""

import numpy as np

from pipeline.calc.balance_rows import Rows, tap_of, unknown_tap
from pipeline.calc.balance_windows import FAR_DAY, rows_until
from pipeline.calc.cells import Array, Assumed
from pipeline.calc.nitrate_design import BoolArray, IntArray
from pipeline.calc.nitrate_outlook import Routine


def present_routine(
    rows: Rows, tank: IntArray, as_of: IntArray, weeks: Array, usual_gap: Array, assumed: Assumed
) -> Routine:
    """The routine of the last `weeks` to as-of (eight weeks hold eight weekly visits), arrays [requests].

    How often a visit changes water is counted over the half-year while the recent weeks do not speak against it: they
    alone are too few to tell a share. A gap between visits of more than `routine_pause` times the usual one [days] is
    a pause, no routine. The new water is that of the last change, as the tap was known on the day. nan where no visit
    lies in the window.
    """
    nothing = np.full(len(tank), np.nan)
    if not len(rows.day) or not len(tank):
        return Routine(nothing, nothing, nothing, nothing, nothing)
    end = rows_until(rows, tank, as_of)
    long = np.maximum(round(7 * assumed["baseline_weeks"]), np.round(7 * weeks)).astype(np.int64)
    start = rows_until(rows, tank, as_of - long)
    row = end - np.arange(int((end - start).max(initial=1)), 0, -1)[:, None]
    real = row >= start
    row = np.maximum(row, 0)
    recent = real & (rows.day[row] > as_of - np.round(7 * weeks))
    key = rows.tank * FAR_DAY + rows.visit
    begins = real & (np.diff(key, prepend=-1) != 0)[row] & (rows.visit[row] > 0)
    day = rows.day[row]
    last = np.maximum.accumulate(np.where(begins, day, -FAR_DAY), axis=0)
    gap = np.where(begins[1:] & recent[1:] & (last[:-1] > -FAR_DAY), day[1:] - last[:-1], 0)
    counted = (gap > 0) & (gap <= assumed["routine_pause"] * usual_gap)
    fraction, uptake = (np.where(recent, of[row], 0.0) for of in (rows.fraction, rows.uptake))
    tap, _ = tap_of(rows, row, as_of, unknown_tap(assumed, rows.parameter))
    renewed = uptake > 0
    newest = len(row) - 1 - np.argmax(renewed[::-1], axis=0)
    changes, visits, gaps = (fraction > 0).sum(axis=0), (begins & recent).sum(axis=0), counted.sum(axis=0)
    share, counted_visits = _share(begins, recent, real & (rows.fraction[row] > 0), assumed)
    with np.errstate(divide="ignore", invalid="ignore"):
        usual = np.where(changes > 0, fraction.sum(axis=0) / changes, 0.0)
        spread = np.maximum((fraction**2).sum(axis=0) / changes - usual**2, 0.0) / (usual**2 * changes)
        mean = share * usual
        per_share = np.where(mean > 0, uptake.sum(axis=0) / fraction.sum(axis=0), 0.0)
        top_ups = np.where(mean > 0, 0.0, uptake.sum(axis=0) / visits)
        return Routine(
            gap_days=np.where(visits == 0, np.nan, np.where(gaps > 0, (gap * counted).sum(axis=0) / gaps, usual_gap)),
            mean_fraction=mean,
            change_share=share,
            inflow=(mean * per_share + top_ups) * np.where(renewed.any(axis=0), tap[newest, np.arange(len(tank))], 0.0),
            variance=np.where(mean > 0, spread + (1.0 - share) / (share * counted_visits), 0.0),
        )


def _share(begins: BoolArray, recent: BoolArray, changed: BoolArray, assumed: Assumed) -> tuple[Array, Array]:
    """Share of visits with a change, and how many visits show it; masks [rows, requests] in, [requests] out.

    The recent weeks and those before are taken together unless they differ by more than chance (two proportions,
    normal approximation at `routine_share_z`), or nothing was changed in the recent weeks.
    """
    lately, before = (begins & recent).sum(axis=0), (begins & ~recent).sum(axis=0)
    with_change, earlier = (changed & recent).sum(axis=0), (changed & ~recent).sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        own = np.minimum(with_change / lately, 1.0)
        both = np.minimum((with_change + earlier) / (lately + before), 1.0)
        apart = np.abs(own - np.minimum(earlier / before, 1.0))
        chance = assumed["routine_share_z"] * np.sqrt(both * (1.0 - both) * (1.0 / lately + 1.0 / before))
    pooled = (before > 0) & (with_change > 0) & (apart <= chance)
    share = np.where(lately > 0, np.where(pooled, both, own), np.nan)
    return share, np.where(pooled, lately + before, lately).astype(float)


def rise_by_hand(level: Array, fraction: Array, inflow: Array, next_level: Array, days: Array) -> Array:
    """Net rise [mg/L per week] of one interval: the next before-reading less what the change left, per 7 days.

    The change leaves C(1 − f) + f·tap; `inflow` [mg/L] is f·tap, and the tap's share of any top-up.
    """
    return (next_level - (level * (1.0 - fraction) + inflow)) / days * 7.0


def hand_check(rows: Rows, tank: IntArray, as_of: IntArray, assumed: Assumed) -> tuple[Array, IntArray]:
    """Median of the last usable intervals to as-of [mg/L per week] and their count, of each request; nan and 0 without.

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
    fraction, came = rows.fraction[early] * own, inflow[early] * own + topped[late] - topped[early]
    weekly = rise_by_hand(rows.matched[early], fraction, came, rows.matched[late], days)
    key = rows.tank[late] * FAR_DAY + rows.day[late]
    end = np.searchsorted(key, tank * FAR_DAY + as_of, side="right")
    begin = np.searchsorted(key, tank * FAR_DAY + as_of - round(7 * assumed["baseline_weeks"]), side="right")
    count = np.minimum(end - begin, round(assumed["hand_intervals"]))
    median = np.full(len(tank), np.nan)
    for n in np.unique(count[count > 0]):
        mine = np.flatnonzero(count == n)
        median[mine] = np.median(weekly[end[mine][:, None] - 1 - np.arange(n)], axis=1)
    return median, count
