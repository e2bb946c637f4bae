"""The record that points to a cause, one function a cause: its sentence, or None. It points to, it never is. What
refitted readings say of a cause is in causes.py."""

import re
from collections.abc import Callable
from functools import partial
from itertools import pairwise
from typing import NamedTuple

from pipeline.review.facts import Row, TankFacts
from pipeline.wording import NBSP, aged, amount, counted, day_month, pct, reading, rise_text, span, with_unit
from schemas.words import CAUSES


class Evidence(NamedTuple):
    """Why a cause is possible, and how much that says: the name of an assumption [log units]."""

    weight: str
    because: str


# A dated record of the thing itself; a reading that shows it; a state that favours it.
record, shown, state = (partial(Evidence, f"says_{weight}") for weight in ("record", "reading", "state"))


def _last(f: TankFacts, name: str, days: float, wanted: Callable[[Row], bool]) -> Row | None:
    """The last dated record of so many days that is wanted."""
    return next((row for row in reversed(f.lately(name, days)) if wanted(row)), None)


def _event(f: TankFacts, name: str, days: float, words: str) -> Evidence | None:
    """The last event of a kind in so many days: `6 fish in on 13 April`."""
    row = _last(f, "event", days, lambda row: row["event"] == name)
    if row is None:
        return None
    count = "" if row["count"] is None else f"{amount(row['count'], 0)} "
    return record(f"{count}{words} on {day_month(row['day'])}")


def overfeeding(f: TankFacts) -> Evidence | None:
    """Food raised or overfed lately, or more of it than normal; or nitrate that outruns the food that is recorded."""
    if fed := _event(f, "overfed", f.assumed["recent_cause_days"], "overfed"):
        return fed
    rows = sorted((row for row in f.records("feeding") if row["day"] <= f.as_of), key=lambda row: row["day"])
    for was, now in reversed(list(pairwise(rows))):
        lately = (f.as_of - now["day"]).days < f.assumed["long_cause_days"]
        if lately and now["feed_g_day"] > was["feed_g_day"]:
            grams = f"{amount(was['feed_g_day'], 2)} to {amount(now['feed_g_day'], 2)}{NBSP}g a day"
            return record(f"food went up from {grams} on {day_month(now['day'])}")
    heavy = f.load_basis == "feed" and f.load is not None and f.load >= f.assumed["heavy_feed_load"]
    if heavy and f.feed_g_day is not None and f.net_l is not None:
        food, litres = with_unit(amount(f.feed_g_day, 2), "g"), with_unit(amount(f.net_l, 0), "L")
        return state(f"{food} of food a day is {amount(f.load)} times normal for {litres}")
    if f.recent_low is not None and f.expected_high is not None and f.recent_low > f.expected_high:
        made = span(7 * (f.expected_low or 0.0), 7 * f.expected_high)
        rises = rise_text("ok", f.recent_rate, f.recent_low, f.recent_high)
        return shown(f"nitrate {rises}, and the recorded food makes {made}")
    return None


def new_fish(f: TankFacts) -> Evidence | None:
    return _event(f, "fish in", f.assumed["fresh_stock_days"], "fish in")


def too_much_stock(f: TankFacts) -> Evidence | None:
    return state(f"stocking is recorded as {f.stocking}") if f.stocking in ("heavy", "messy") else None


def too_little_media(f: TankFacts) -> Evidence | None:
    """A plain bioload over 100 %, or no media that counts."""
    if not (f.over_full_cycle or f.plain_state == "half cycle only") or f.net_l is None or f.media_kg is None:
        return None
    needs = with_unit(amount(f.net_l / f.assumed["litres_per_kg"], 2), "kg")
    return state(f"{amount(f.media_kg, 2)}{NBSP}kg of media on {amount(f.net_l, 0)}{NBSP}L, which needs {needs}")


def media_not_ripe(f: TankFacts) -> Evidence | None:
    """Media that counts and is not mature yet."""
    full, ripe = f.assumed["maturity_full_weeks"], f.assumed["ripe_share"]
    young = [
        row for row in f.records("capacity_layer")
        if row["counts"] and row["maturity"] is not None and row["maturity"] < ripe
        and row["age_weeks"] is not None and row["age_weeks"] < full and row["mass_kg"] is not None
    ]  # fmt: skip
    if not young:
        return None
    youngest = min(row["age_weeks"] for row in young)
    age = counted(int(youngest), "week")
    kind = record if 7 * youngest < f.assumed["long_cause_days"] else state  # wetted lately: a dated record
    kg = amount(sum(row["mass_kg"] for row in young), 2)
    return kind(f"{kg}{NBSP}kg of its media is {age} old; mature at {full:g}")


def media_clogged(f: TankFacts) -> Evidence | None:
    """Found heavy or full of sludge at the last look, or a service well overdue."""
    looked = _last(f, "service", f.assumed["long_cause_days"], lambda row: row["found"] is not None)
    if looked is not None and looked["found"] in ("heavy", "sludge"):
        return record(f"found {looked['found']} on {day_month(looked['day'])}")
    for row in f.records("due"):
        if row["what"] == "check" and row["late_days"] > 7 * f.assumed["clog_overdue_weeks"]:
            return state(f"the service of filter {row['about']} is overdue by {counted(row['late_days'], 'day')}")
    return None


def flow_lost(f: TankFacts) -> Evidence | None:
    """Timed flow well under clean flow."""
    if f.flow_basis != "timed" or f.flow_of_clean is None or f.flow_day is None or f.flow_l_h is None:
        return None
    if f.flow_of_clean >= f.assumed["flow_lost_share"]:
        return None
    flow, share = reading("flow_l_h", f.flow_l_h), pct(100 * f.flow_of_clean)
    return shown(f"flow {flow} on {day_month(f.flow_day)}, {share} of clean")


def bypass(f: TankFacts) -> Evidence | None:
    """A basket half empty, in the audit of the layout."""
    for row in f.records("audit"):
        if "half" in row["fault"] or "empty" in row["fault"]:
            return shown(f"the book shows a compartment of {row['filter']} half empty")
    return None


HANDLED = ("media rinsed", "full")


def rinsed_in_tap_water(f: TankFacts) -> Evidence | None:
    """Media rinsed in tap water while that still holds it back."""
    weeks = f.assumed["disturb_tap_rinse_weeks"]
    row = _last(f, "service", 7 * weeks, lambda row: row["job"] in HANDLED and row["rinse_water"] == "tap")
    return None if row is None else record(f"media rinsed in tap water on {day_month(row['day'])}")


def over_cleaned(f: TankFacts) -> Evidence | None:
    """More than a third of the media handled in the days before; a share not recorded counts as all of it."""
    most = f.assumed["media_share_at_once"] + 0.01

    def wanted(row: Row) -> bool:
        much = row["job"] == "full" or row["media_share"] is None or row["media_share"] > most
        return row["job"] in HANDLED and row["rinse_water"] != "tap" and much

    row = _last(f, "service", f.assumed["after_clean_days"], wanted)
    if row is None:
        return None
    share = "its media" if row["media_share"] is None else f"{pct(100 * row['media_share'])} of its media"
    return record(f"{share} handled on {day_month(row['day'])}")


def medication(f: TankFacts) -> Evidence | None:
    return _event(f, "medication", 7 * f.assumed["disturb_medication_weeks"], "medicine")


def filter_stopped(f: TankFacts) -> Evidence | None:
    """A stop or a power cut, recorded with a service or as an event."""
    back = 7 * f.assumed["disturb_stopped_weeks"]
    short = f.assumed["stop_short_hours"]
    row = _last(f, "service", back, lambda row: row["hours_stopped"] is not None and row["hours_stopped"] >= short)
    if row is not None:
        return record(f"stopped {amount(row['hours_stopped'])}{NBSP}hours on {day_month(row['day'])}")
    row = _last(f, "event", back, lambda row: row["event"] in ("filter stopped", "power cut"))
    if row is None:
        return None
    hours = "" if row["hours"] is None else f", {amount(row['hours'])}{NBSP}hours"
    return record(f"{row['event']} on {day_month(row['day'])}{hours}")


def dead_fish(f: TankFacts) -> Evidence | None:
    """Fish that died, or fewer seen than at the visit before."""
    if died := _event(f, "fish died", f.assumed["death_cause_days"], "fish died"):
        return died
    seen = [row for row in f.lately("visit", f.assumed["recent_cause_days"]) if row["fish_seen"] is not None]
    out = _event(f, "fish out", f.assumed["recent_cause_days"], "")
    for was, now in reversed(list(pairwise(seen))):
        if now["fish_seen"] < was["fish_seen"] and out is None:
            count, before = amount(now["fish_seen"], 0), amount(was["fish_seen"], 0)
            return shown(f"{count} fish seen {aged(now['ago'])}, {before} before")
    return None


def heater(f: TankFacts) -> Evidence | None:
    """Water away from the set temperature."""
    read = f.water.get("temperature")
    if read is None or f.set_c is None or abs(read.matched - f.set_c) < f.assumed["temperature_warn_off_c"]:
        return None
    return shown(f"{reading('temperature', read.matched)} read, set to {reading('temperature', f.set_c)}")


def tap_nitrate(f: TankFacts) -> Evidence | None:
    """A tap that brings much of it, or more than at the test before."""
    if f.tap is None:
        return None
    if f.tap_was is not None and f.tap_nitrate is not None and f.tap_nitrate - f.tap_was >= f.assumed["explained_tap"]:
        return record(f"the tap went up from {amount(f.tap_was, 0)} to {reading('nitrate', f.tap_nitrate)}")
    high = f.tap >= f.assumed["tap_nitrate_high"]
    much = f.ceiling is not None and f.tap >= f.assumed["tap_ceiling_share"] * f.ceiling
    return state(f"the tap brings {reading('nitrate', f.tap)}") if high or much else None


def tap_ammonia(f: TankFacts) -> Evidence | None:
    """Ammonia in the tap, or more of it after a change than before."""
    if f.tap_ammonia and f.tap_ammonia_day is not None:
        return record(f"the tap had {reading('ammonia', f.tap_ammonia)} ammonia on {day_month(f.tap_ammonia_day)}")
    if not f.shows("ammonia"):
        return None
    if f.ammonia_after is not None and f.ammonia_before is not None and f.ammonia_after > f.ammonia_before:
        was, now = reading("ammonia", f.ammonia_before), reading("ammonia", f.ammonia_after)
        return shown(f"ammonia {was} before the change and {now} after it")
    return None


def left_out(f: TankFacts) -> str | None:
    """Where changes were usual and most visits of late had none: at how many of them water was changed."""
    made, of, before, of_before = f.changes_lately, f.visits_lately, f.changes_before, f.visits_before
    if made is None or of is None or before is None or of_before is None or of < f.assumed["missed_visits"]:
        return None
    few = f.assumed["few_changes_share"]
    if of_before < of or before < few * of_before or made > (1 - few) * of:
        return None
    return f"water changed at {made} of the last {of} visits, at {before} of {of_before} before"


def too_few_changes(f: TankFacts) -> Evidence | None:
    """Visits without a change. Small changes at every visit are not few."""
    kind = state if top_ups_only(f) else record  # water that was only topped up has its own name
    if f.change_share is None or f.change_share >= f.assumed["few_changes_share"]:
        few = left_out(f)
        return None if few is None else kind(few)
    if f.change_share == 0:
        return kind("no water changed at recent visits")
    return kind(f"water changed at {pct(100 * f.change_share)} of recent visits")


def top_ups_only(f: TankFacts) -> Evidence | None:
    """Top-ups and no change for some weeks."""
    kinds = [row["kind"] for row in f.lately("water_change", f.assumed["change_cause_days"])]
    if not kinds or any(kind != "top-up" for kind in kinds):
        return None
    return record(f"{counted(len(kinds), 'top-up')} and no change in {f.assumed['change_cause_days'] / 7:g} weeks")


def kit_expired(f: TankFacts) -> Evidence | None:
    if not f.last_expired or f.last_age is None:
        return None
    past = f"kit {f.last_kit} was past its date {aged(f.last_age)}"
    return record(past if f.last_kit else "the last kit was past its date")


def kit_batch(f: TankFacts) -> Evidence | None:
    kit = f.step_kit_batch
    return None if kit is None else shown(f"other tanks of kit {kit} stepped at the same time")


def not_shaken(f: TankFacts) -> Evidence | None:
    """KH falls as if all the nitrate were there, and the nitrate test does not show it."""
    return shown(f.witness_says) if f.witness_says and f.witness == "doubt the nitrate test" else None


def plants_or_algae(f: TankFacts) -> Evidence | None:
    return state(f"planting is {f.planting}") if f.planting in ("moderate", "dense") else None


def limestone(f: TankFacts) -> Evidence | None:
    """KH that climbs within some weeks."""
    read = f.water.get("kh")
    before = [] if read is None else [was for was in (read.before_matched, f.kh_was) if was is not None]
    if read is None or not before or round(read.matched - min(before), 6) < f.assumed["kh_warn_fall_month"]:
        return None
    return shown(f"KH rose from {amount(min(before))} to {reading('kh', read.matched)}")


def tank_still_new(f: TankFacts) -> Evidence | None:
    if f.established or f.age_weeks is None:
        return None
    return record(f"set up {counted(int(f.age_weeks), 'week')} ago")


def typing_slip(f: TankFacts) -> Evidence | None:
    """An item that is held, or a reading that the fit weighs at under half."""
    for row in f.records("held"):
        age = None if row["day"] is None else (f.as_of - row["day"]).days
        if age is None or 0 <= age <= f.assumed["held_fresh_days"]:
            # A row that waits for something else is no slip in a reading.
            kind = shown if row["parameter"] else state
            return kind(f"{row['file']} line {row['line']}: {row['reason']}".rstrip("."))
    odd = [row for row in f.records("suspect") if 0 <= (f.as_of - row["day"]).days < f.assumed["recent_cause_days"]]
    if not odd:
        return None
    row = max(odd, key=lambda r: r["day"])
    return state(f"the reading of {day_month(row['day'])} does not fit the others ({row['file']} line {row['line']})")


# A function bears the name of its cause.
EVIDENCE: dict[str, Callable[[TankFacts], Evidence | None]] = {
    cause: globals()[name] for cause in CAUSES if (name := re.sub("[ -]", "_", cause)) in globals()
}
