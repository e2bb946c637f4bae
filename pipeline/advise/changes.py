"""How much water to change: for a limit at every change, and the way down to it, with what changes cannot do said in words."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc import mixing
from pipeline.sentences import filled, table
from pipeline.week import Week
from pipeline.wording import change_text, counted, days, number, with_unit

USED_RATES = ("ok", "rough")
ASSUMED = "never tested: assumed"
DAYS_A_WEEK = 7.0


def _say(case: str, **shown: object) -> str:
    return filled(table(__file__, "sentences.toml")[case], **shown)


def _size(fraction: float | None, net_l: float | None, **more: object) -> dict[str, Any]:
    """A change [share of net, litres], and what more is said of it."""
    litres = None if fraction is None or net_l is None else round(fraction * net_l, 1)
    return {"fraction": None if fraction is None else round(fraction, 4), "litres": litres, **more}


def oftener(rise: float, ceiling: float, tap: float, assumed: Assumptions) -> tuple[int, float] | None:
    """Fewest changes an interval, and the fraction of each, that hold the ceiling within the limit of one change.

    rise [mg/L] is that of the whole interval. None where even the most that is thought of would not do.
    """
    for count in range(2, round(assumed["changes_a_week_most"]) + 1):
        sized = mixing.fraction_for_ceiling(rise / count, ceiling, tap, assumed)
        if bool(sized.possible):
            return count, float(sized.fraction)
    return None


# -- what is known of a tank ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Facts:
    """What sizes the changes of a tank, each with where it comes from."""

    rise_per_day: float | None
    rise_from: str
    tap: float
    tap_from: str
    ceiling: float
    every_days: float
    level: float | None
    fraction_now: float | None
    net_l: float | None
    weeks: float | None = None  # until the ceiling is reached under the present routine
    sour: str = ""  # why no big change may be made: KH used up or pH far down, in words
    ph: float | None = None
    tap_ph: float | None = None
    tap_ammonia: float | None = None  # [mg/L NH4], of the last test
    next_visit: dt.date | None = None


SOURCES = {"baseline": "the readings of half a year", "recent": "the readings of the last weeks"}  # by window


def _rates(fits: pl.DataFrame) -> dict[str, tuple[float, str]]:
    """The net rise of each tank by its fits [mg/L per day]: the recent one, else the half-year's, with its source."""
    found: dict[str, tuple[float, str]] = {}
    for row in fits.sort("window").iter_rows(named=True):  # the recent one is read last, so that it stays
        text = SOURCES[row["window"]]
        if row["rate"] is not None and row["state"] in USED_RATES:
            found[row["tank"]] = row["rate"], text
        elif row["state"] == "at least" and row["low"] is not None:
            found[row["tank"]] = row["low"], f"{text}, at least: they are off the top of the kit"
    return found


def _sour(kh: float | None, ph: float | None, assumed: Assumptions) -> str:
    """In words why a big change can kill here: KH used up or pH far down; blank where neither was read."""
    used_up = f"KH {with_unit(number(kh), 'dKH')}" if kh is not None and kh <= assumed["act_kh_at"] else ""
    far_down = f"pH {number(ph)}" if ph is not None and ph < assumed["old_tank_ph"] else ""
    return " and ".join(part for part in (used_up, far_down) if part)


def facts_of(week: Week, tanks: Sequence[str]) -> dict[str, Facts]:
    """What is known of some tanks for sizing their changes, by tank.

    The net rise is measured where it can be, else what the food makes; the tap is the one the outlook took, else its
    last test, else the assumption for an unknown tap.
    """
    own, until = pl.col("tank").is_in(list(tanks)), pl.col("day") <= week.as_of
    since = week.as_of - dt.timedelta(days=round(week.assumed["outlook_fresh_days"]))
    sites = week.table("site").select("site", "water_supply", "next_visit")
    book = week.table("tank").join(sites, on="site", how="left")
    records = book.filter(own).rows_by_key("tank", named=True, unique=True)
    outlooks, capacities = week.by_tank("nitrate_outlook"), week.by_tank("capacity")
    rates = _rates(week.now("nitrate_fit").filter(own))
    # Of these rows by what they are of, the last one stays.
    tests = week.table("tap").filter(pl.col("date") <= week.as_of).sort("date")
    taps = {row[:2]: row[2] for row in tests.select("water_supply", "parameter", "matched").iter_rows()}
    wanted = pl.col("parameter").is_in(["kh", "ph"]) & (pl.col("day") >= since)
    readings = week.table("reading").filter(own, until, wanted).sort("at")
    read = {row[:2]: row[2] for row in readings.select("tank", "parameter", "matched").iter_rows()}
    visits = dict(week.table("visit").filter(own, until).group_by("tank").agg(pl.col("day").max()).iter_rows())
    tomorrow = week.as_of + dt.timedelta(days=1)
    found = {}
    for tank in tanks:
        record, outlook, capacity = records.get(tank, {}), outlooks.get(tank, {}), capacities.get(tank, {})
        supply, planned = record.get("water_supply") or "", record.get("next_visit")
        every_days = float(outlook.get("mean_gap_days") or week.round.visit_every_days)
        # As the site's book says, else a usual gap after the last visit.
        due = visits[tank] + dt.timedelta(days=round(every_days)) if tank in visits else tomorrow
        rise, rise_from = rates.get(tank, (None, ""))
        if rise is None and outlook.get("hand_per_week") is not None:
            rise, rise_from = outlook["hand_per_week"] / DAYS_A_WEEK, "the last readings by hand"
        elif rise is None and capacity.get("expected_rise") is not None:
            rise, rise_from = capacity["expected_rise"], "the food, as if nothing were removed"
        tap, tap_from = outlook.get("tap"), "its last test" if outlook.get("tap_day") else ASSUMED
        if tap is None:
            tap, tap_from = taps.get((supply, "nitrate")), "its last test"
        if tap is None:
            tap, tap_from = week.assumed["tap_unknown_mg_l"], ASSUMED
        kh, ph = (read.get((tank, parameter)) for parameter in ("kh", "ph"))
        found[tank] = Facts(
            rise, rise_from, tap, tap_from,
            ceiling=float(outlook.get("ceiling") or record.get("nitrate_ceiling") or week.assumed["ceiling_default"]),
            every_days=every_days, level=outlook.get("level"), fraction_now=outlook.get("mean_fraction"),
            net_l=capacity.get("net_l"), weeks=outlook.get("weeks_to_ceiling"), sour=_sour(kh, ph, week.assumed), ph=ph,
            tap_ph=taps.get((supply, "ph")), tap_ammonia=taps.get((supply, "ammonia")),
            next_visit=planned if planned and planned > week.as_of else max(due, tomorrow),
        )  # fmt: skip
    return found


def facts(week: Week, tank: str, net_l: float | None) -> Facts:
    """What is known of one tank for sizing its changes, with the net volume that is calculated with."""
    return replace(facts_of(week, [tank])[tank], net_l=net_l)


def _apart(known: Facts, assumed: Assumptions) -> str:
    """What of the tap, beside its nitrate, a change has to mind."""
    text = ""
    if mixing.largest_change(known.ph, known.tap_ph, assumed) < assumed["change_at_once"]:
        text += _say("tap_ph", known=known)
    if known.tap_ammonia is not None and known.tap_ammonia > assumed["tap_ammonia_least"]:
        text += _say("tap_ammonia", known=known)
    return text


def _way_down(known: Facts, holding: dict[str, Any] | None, assumed: Assumptions) -> dict[str, Any] | None:
    """From over the limit to under it: the change at each visit, how many, the day it is under, and `says` with what holds
    it after; None for no way."""
    most = mixing.largest_change(known.ph, known.tap_ph, assumed)
    after = None if holding is None else holding["fraction"]
    way = mixing.way_down(
        known.level, known.ceiling, known.tap, known.rise_per_day, known.every_days, most, assumed, after
    )
    if way is None:
        return None
    size, visits = _size(way[0], known.net_l), way[1]
    on = known.next_visit and known.next_visit + dt.timedelta(days=round(visits * known.every_days))
    at = "the next visit" if visits == 1 else f"each of the next {visits} visits"
    says = _say("way_down", known=known, size=change_text(size["fraction"], known.net_l), visits=at, under=on)
    if holding and holding["fraction"] <= 0:
        says += " Then the usual changes."
    elif holding:
        every = round(holding["every_days"])
        says += _say("way_holds", size=change_text(holding["fraction"], known.net_l), every=every)
    return {**size, "visits": visits, "under_on": on and on.isoformat(), "says": says}


def _unchanged(known: Facts) -> str:
    """What becomes of a tank whose water is never changed: it does not level off."""
    if known.fraction_now != 0 or known.rise_per_day is None or known.rise_per_day <= 0:
        return ""
    over, weeks = known.level is not None and known.level > known.ceiling, known.weeks
    case = "unchanged_over" if over else "unchanged" if weeks is None else "unchanged_reaches"
    reached = counted(max(round(weeks or 0.0), 1), "week")
    return _say(case, known=known, weekly=DAYS_A_WEEK * known.rise_per_day, weeks=reached)


def _sized(known: Facts, rise: float | None, assumed: Assumptions) -> tuple[dict[str, Any], dict[str, Any] | None]:
    """The change at every interval that keeps nitrate before a change at the ceiling, f = R/(L − tap), where nitrate rises
    so much [mg/L] from one to the next; and the changes that do hold it: that one, or smaller ones oftener, else None.
    """
    ceiling, tap, net_l, every_days = known.ceiling, known.tap, known.net_l, known.every_days
    if rise is None:
        return _size(None, net_l, possible=None, says=_say("no_rise")), None
    if rise <= 0:
        nothing = _size(0.0, net_l, possible=True, says=_say("not_rising"))
        return nothing, _size(0.0, net_l, every_days=round(every_days, 1))
    sized = mixing.fraction_for_ceiling(rise, ceiling, tap, assumed)
    if str(sized.why) == "tap":
        return _size(None, net_l, possible=False, says=_say("tap_over", ceiling=ceiling, tap=tap)), None
    fraction = float(sized.fraction)
    shown = {"every": days(round(every_days)), "ceiling": ceiling, "rise": rise, "tap": tap, "fraction": fraction}
    if str(sized.why) == "size":
        tail, holding = _say("none_do"), None
        if (more := oftener(rise, ceiling, tap, assumed)) is not None:
            count, each = more
            gap, holding = (
                max(round(every_days / count), 1),
                _size(each, net_l, every_days=round(every_days / count, 1)),
            )
            tail = _say("smaller_ones", size=change_text(each, net_l), gap=gap)
        says = _say("too_large", **shown, limit=assumed["change_limit"]) + tail
        return _size(fraction, net_l, possible=False, says=says), holding
    says = _say("change", **shown, size=change_text(fraction, net_l))
    if fraction > assumed["change_at_once"]:
        says += _say("gentler", half=change_text(fraction / 2, net_l))
    return _size(fraction, net_l, possible=True, says=says), _size(fraction, net_l, every_days=round(every_days, 1))


def water_change(known: Facts, assumed: Assumptions) -> dict[str, Any]:
    """The water change for a tank's ceiling, as `plan` prints it, with what it was sized by.

    `holding` is the routine that holds the ceiling (fraction, litres, every_days): the same where one change an
    interval is possible, smaller ones oftener where it is not, null where changes cannot do it or must stay small.
    """
    every_days = known.every_days
    rise = None if known.rise_per_day is None else known.rise_per_day * every_days
    sized, holding = _sized(known, rise, assumed)
    over = known.level is not None and known.level > known.ceiling
    fraction = sized["fraction"]
    if rise is not None and rise <= 0 and over:
        sized["says"] = _say("down_then_usual", known=known)
    elif sized["possible"] and fraction and known.fraction_now is not None and known.fraction_now >= fraction:
        every, size = days(round(every_days)), change_text(fraction, known.net_l)
        sized["says"] = _say("enough", known=known, every=every, size=size)
    sized["says"] = _unchanged(known) + sized["says"]
    # What is printed as a size must be one that may be changed: where the water has turned sour a small share, every day.
    step = assumed["old_tank_change_share"]
    if known.sour and (over or (fraction or 0.0) > step):
        says = _say("small_steps", known=known, size=change_text(step, known.net_l))
        sized = _size(step, known.net_l, possible=False, says=says)
    if known.sour and (fraction or 0.0) > step:
        every_days, holding = 1.0, None
    way = None
    if over and not known.sour:
        way = _way_down(known, holding, assumed)
        if way is not None:
            sized["says"] = _unchanged(known) + way.pop("says")
        elif known.tap >= known.ceiling:
            sized["says"] += " No change brings it down."
    elif not over and known.level is not None and known.tap >= known.level and (fraction or 0.0) > 0:
        sized["says"] += _say("raises", known=known)
    if not known.sour:
        sized["says"] += _apart(known, assumed)
    return {
        "ceiling": known.ceiling,
        **sized,
        "every_days": round(every_days, 1),
        "rise_per_change": None if known.rise_per_day is None else round(known.rise_per_day * every_days, 2),
        "rise_from": known.rise_from or None,
        "tap": round(known.tap, 2),
        "tap_from": known.tap_from,
        "holding": holding,
        "way_down": way,
        "next_visit": None if known.next_visit is None else known.next_visit.isoformat(),
    }
