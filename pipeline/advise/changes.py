"""How much water to change: for a limit at every change, and the way down to it, with what changes cannot do said in words."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc import mixing
from pipeline.sentences import filled, table
from pipeline.week import Week
from pipeline.wording import change_text, counted, day, days, number, with_unit

USED_RATES = ("ok", "rough")
ASSUMED = "never tested: assumed"
DAYS_A_WEEK = 7.0


def _say(case: str, **shown: object) -> str:
    return filled(table(__file__, "sentences.toml")[case], **shown)


def _size(fraction: float | None, net_l: float | None) -> dict[str, Any]:
    return {
        "fraction": None if fraction is None else round(fraction, 4),
        "litres": None if fraction is None or net_l is None else round(fraction * net_l, 1),
    }


def _answer(fraction: float | None, net_l: float | None, possible: bool | None, says: str) -> dict[str, Any]:
    return {**_size(fraction, net_l), "possible": possible, "says": says}


def oftener(rise: float, ceiling: float, tap: float, assumed: Assumptions) -> tuple[int, float] | None:
    """Fewest changes an interval, and the fraction of each, that hold the ceiling within the limit of one change.

    rise [mg/L] is that of the whole interval. None where even the most that is thought of would not do.
    """
    for count in range(2, round(assumed["changes_a_week_most"]) + 1):
        sized = mixing.fraction_for_ceiling(rise / count, ceiling, tap, assumed)
        if bool(sized.possible):
            return count, float(sized.fraction)
    return None


def fraction_for_ceiling(
    rise: float | None, ceiling: float, tap: float, net_l: float | None, every_days: float, assumed: Assumptions
) -> dict[str, Any]:
    """The change at every interval that keeps nitrate before a change at the ceiling [mg/L]: f = R/(L − tap).

    rise [mg/L] from one change to the next, tap [mg/L], net_l [L]. Keys fraction, litres, possible, says; fraction is
    null where there is none to give.
    """
    if rise is None:
        return _answer(None, net_l, None, _say("no_rise"))
    if rise <= 0:
        return _answer(0.0, net_l, True, _say("not_rising"))
    sized = mixing.fraction_for_ceiling(rise, ceiling, tap, assumed)
    if str(sized.why) == "tap":
        return _answer(None, net_l, False, _say("tap_over", ceiling=ceiling, tap=tap))
    fraction = float(sized.fraction)
    shown = {"every": days(round(every_days)), "ceiling": ceiling, "rise": rise, "tap": tap, "fraction": fraction}
    if str(sized.why) == "size":
        more = oftener(rise, ceiling, tap, assumed)
        tail = _say("none_do")
        if more is not None:
            gap = max(round(every_days / more[0]), 1)
            tail = _say("smaller_ones", size=change_text(more[1], net_l), gap=gap)
        return _answer(fraction, net_l, False, _say("too_large", **shown, limit=assumed["change_limit"]) + tail)
    says = _say("change", **shown, size=change_text(fraction, net_l))
    if fraction > assumed["change_at_once"]:
        says += _say("gentler", half=change_text(fraction / 2, net_l))
    return _answer(fraction, net_l, True, says)


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


def _rows(week: Week, name: str, tanks: Sequence[str]) -> dict[str, dict[str, Any]]:
    """The rows of a derived table for the day, by tank."""
    rows = week.now(name).filter(pl.col("tank").is_in(list(tanks)))
    return {row["tank"]: row for row in rows.iter_rows(named=True)}


def _rates(week: Week, tanks: Sequence[str]) -> dict[str, tuple[float, str]]:
    """The net rise of each tank by its fits [mg/L per day]: the recent one, else the half-year's, with its source."""
    found: dict[str, tuple[float, str]] = {}
    fits = week.now("nitrate_fit").filter(pl.col("tank").is_in(list(tanks)))
    # The recent window is read last, so that it is the one that stays.
    for window, text in (("baseline", "the readings of half a year"), ("recent", "the readings of the last weeks")):
        for row in fits.filter(pl.col("window") == window).iter_rows(named=True):
            if row["rate"] is not None and row["state"] in USED_RATES:
                found[row["tank"]] = row["rate"], text
            elif row["state"] == "at least" and row["low"] is not None:
                found[row["tank"]] = row["low"], f"{text}, at least: they are off the top of the kit"
    return found


def _latest(week: Week, tanks: Sequence[str], parameters: Sequence[str]) -> dict[tuple[str, str], float]:
    """The latest reading of the last weeks of some parameters, by tank and parameter."""
    since = week.as_of - dt.timedelta(days=round(week.assumed["outlook_fresh_days"]))
    last = (
        week.table("reading")
        .filter(pl.col("parameter").is_in(list(parameters)) & pl.col("tank").is_in(list(tanks)))
        .filter((pl.col("day") <= week.as_of) & (pl.col("day") >= since))
        .sort("at")
        .unique(["tank", "parameter"], keep="last", maintain_order=True)
    )
    return {(row[0], row[1]): row[2] for row in last.select("tank", "parameter", "matched").iter_rows()}


def _next_visits(week: Week, tanks: Sequence[str], gaps: Mapping[str, float]) -> dict[str, dt.date]:
    """When each tank is visited next: as the site's book says, else a usual gap after the last visit."""
    own = week.table("tank").filter(pl.col("tank").is_in(list(tanks))).select("tank", "site")
    book = own.join(week.table("site").select("site", "next_visit"), on="site", how="left")
    planned = {tank: day for tank, day in book.select("tank", "next_visit").iter_rows() if day and day > week.as_of}
    seen = week.table("visit").filter(pl.col("tank").is_in(list(tanks)) & (pl.col("day") <= week.as_of))
    last = dict(seen.group_by("tank").agg(pl.col("day").max()).iter_rows())
    due = {tank: day + dt.timedelta(days=round(gaps[tank])) for tank, day in last.items()}
    tomorrow = week.as_of + dt.timedelta(days=1)
    return {tank: planned.get(tank) or max(due.get(tank, tomorrow), tomorrow) for tank in tanks}


def _sour(kh: float | None, ph: float | None, assumed: Assumptions) -> str:
    """In words why a big change can kill here: KH used up or pH far down; blank where neither was read."""
    parts = []
    if kh is not None and kh <= assumed["act_kh_at"]:
        parts.append(f"KH {with_unit(number(kh), 'dKH')}")
    if ph is not None and ph < assumed["old_tank_ph"]:
        parts.append(f"pH {number(ph)}")
    return " and ".join(parts)


def facts_of(week: Week, tanks: Sequence[str]) -> dict[str, Facts]:
    """What is known of some tanks for sizing their changes, by tank.

    The net rise is measured where it can be, else what the food makes; the tap is the one the outlook took, else its
    last test, else the assumption for an unknown tap.
    """
    outlooks, capacities = _rows(week, "nitrate_outlook", tanks), _rows(week, "capacity", tanks)
    tests = week.table("tap").filter(pl.col("date") <= week.as_of).sort("date")  # the last of each supply stays
    taps = {(row[0], row[1]): row[2] for row in tests.select("water_supply", "parameter", "matched").iter_rows()}
    rates, read = _rates(week, tanks), _latest(week, tanks, ("kh", "ph"))
    own = week.table("tank").filter(pl.col("tank").is_in(list(tanks)))
    book = own.join(week.table("site").select("site", "water_supply"), on="site", how="left")
    records = {row["tank"]: row for row in book.iter_rows(named=True)}
    gaps = {tank: float(outlooks.get(tank, {}).get("mean_gap_days") or week.round.visit_every_days) for tank in tanks}
    visits = _next_visits(week, tanks, gaps)
    found = {}
    for tank in tanks:
        supply = records.get(tank, {}).get("water_supply") or ""
        outlook, capacity, record = outlooks.get(tank, {}), capacities.get(tank, {}), records.get(tank, {})
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
        found[tank] = Facts(
            rise_per_day=rise,
            rise_from=rise_from,
            tap=tap,
            tap_from=tap_from,
            ceiling=float(outlook.get("ceiling") or record.get("nitrate_ceiling") or week.assumed["ceiling_default"]),
            every_days=gaps[tank],
            level=outlook.get("level"),
            fraction_now=outlook.get("mean_fraction"),
            net_l=capacity.get("net_l"),
            weeks=outlook.get("weeks_to_ceiling"),
            sour=_sour(read.get((tank, "kh")), read.get((tank, "ph")), week.assumed),
            ph=read.get((tank, "ph")),
            tap_ph=taps.get((supply, "ph")),
            tap_ammonia=taps.get((supply, "ammonia")),
            next_visit=visits[tank],
        )
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


def way_down(known: Facts, holding: float | None, assumed: Assumptions) -> dict[str, Any] | None:
    """From over the limit to under it: the change at each visit, how many, and the day it is under; None for no way."""
    most = mixing.largest_change(known.ph, known.tap_ph, assumed)
    way = mixing.way_down(
        known.level, known.ceiling, known.tap, known.rise_per_day, known.every_days, most, assumed, holding
    )
    if way is None:
        return None
    size, visits = way
    days_on = dt.timedelta(days=round(visits * known.every_days))
    under_on = None if known.next_visit is None else (known.next_visit + days_on).isoformat()
    return {**_size(size, known.net_l), "visits": visits, "under_on": under_on}


def _way_says(way: dict[str, Any], known: Facts, holding: dict[str, Any] | None) -> str:
    """The way down in a sentence, and what holds it after."""
    visits = "the next visit" if way["visits"] == 1 else f"each of the next {way['visits']} visits"
    on = way["under_on"]
    under = "" if on is None else f"; under the limit by {day(dt.date.fromisoformat(on))}"
    size = change_text(way["fraction"], known.net_l)
    text = _say("way_down", known=known, size=size, visits=visits, under=under)
    if holding is None:
        return text
    if holding["fraction"] <= 0:
        return f"{text} Then the usual changes."
    size = change_text(holding["fraction"], known.net_l)
    return text + _say("way_holds", size=size, every=round(holding["every_days"]))


def _unchanged(known: Facts) -> str:
    """What becomes of a tank whose water is never changed: it does not level off."""
    if known.fraction_now != 0 or known.rise_per_day is None or known.rise_per_day <= 0:
        return ""
    over, weeks = known.level is not None and known.level > known.ceiling, known.weeks
    case = "unchanged_over" if over else "unchanged" if weeks is None else "unchanged_reaches"
    reached = counted(max(round(weeks or 0.0), 1), "week")
    return _say(case, known=known, weekly=DAYS_A_WEEK * known.rise_per_day, weeks=reached)


def _holding(sized: dict[str, Any], rise: float | None, known: Facts, assumed: Assumptions) -> dict[str, Any] | None:
    """The changes that do hold the ceiling: the sized one, or smaller ones oftener; None where none do."""
    if sized["possible"]:
        return {"fraction": sized["fraction"], "litres": sized["litres"], "every_days": round(known.every_days, 1)}
    more = None if rise is None or sized["fraction"] is None else oftener(rise, known.ceiling, known.tap, assumed)
    if more is None:
        return None
    count, fraction = more
    return {**_size(fraction, known.net_l), "every_days": round(known.every_days / count, 1)}


def water_change(known: Facts, assumed: Assumptions) -> dict[str, Any]:
    """The water change for a tank's ceiling, as `plan` prints it, with what it was sized by.

    `holding` is the routine that holds the ceiling (fraction, litres, every_days): the same where one change an
    interval is possible, smaller ones oftener where it is not, null where changes cannot do it or must stay small.
    """
    every_days = known.every_days
    rise = None if known.rise_per_day is None else known.rise_per_day * every_days
    sized = fraction_for_ceiling(rise, known.ceiling, known.tap, known.net_l, every_days, assumed)
    holding = _holding(sized, rise, known, assumed)
    over = known.level is not None and known.level > known.ceiling
    every = f"every {days(round(every_days))}"
    fraction = sized["fraction"]
    if rise is not None and rise <= 0 and over:
        sized["says"] = _say("down_then_usual", known=known)
    elif sized["possible"] and fraction and known.fraction_now is not None and known.fraction_now >= fraction:
        sized["says"] = _say("enough", known=known, every=every, size=change_text(fraction, known.net_l))
    sized["says"] = _unchanged(known) + sized["says"]
    # What is printed as a size must be one that may be changed: where the water has turned sour a small share, every day.
    step = assumed["old_tank_change_share"]
    small = _say("small_steps", known=known, size=change_text(step, known.net_l))
    if known.sour and (over or (fraction or 0.0) > step):
        sized = _answer(step, known.net_l, False, small)
    if known.sour and (fraction or 0.0) > step:
        every_days, holding = 1.0, None
    way = None
    if over and not known.sour:
        way = way_down(known, None if holding is None else holding["fraction"], assumed)
        if way is not None:
            sized["says"] = _unchanged(known) + _way_says(way, known, holding)
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
