"""The record that points to a cause, one function a cause: its sentence, or None. It points to, it never is. What
refitted readings say of a cause is in causes.py."""

import re
from collections.abc import Callable
from functools import partial
from itertools import pairwise
from typing import NamedTuple

from pipeline.review.facts import Row, TankFacts
from pipeline.sentences import filled, table
from pipeline.wording import NotKnown, counted, rise_text, span
from schemas.words import CAUSES


class Evidence(NamedTuple):
    """Why a cause is possible, and how much that says: the name of an assumption [log units]."""

    weight: str
    because: str


def _evidence(weight: str, f: TankFacts, case: str, **values: object) -> Evidence | None:
    """The sentence of a case of explained.toml; where what it shows is not known, nothing points to the cause."""
    try:
        because = filled(table(__file__, "explained.toml")["evidence"][case], f=f, **values)
    except NotKnown:
        return None
    return Evidence(f"says_{weight}", because)


# A dated record of the thing itself; a reading that shows it; a state that favours it.
record, shown, state = (partial(_evidence, weight) for weight in ("record", "reading", "state"))


def _last(f: TankFacts, name: str, days: float, wanted: Callable[[Row], bool]) -> Row | None:
    """The last dated record of so many days that is wanted."""
    return next((row for row in reversed(f.lately(name, days)) if wanted(row)), None)


def _event(f: TankFacts, name: str, days: float, words: str) -> Evidence | None:
    """The last event of a kind in so many days: `6 fish in on 13 April`."""
    row = _last(f, "event", days, lambda row: row["event"] == name)
    return None if row is None else record(f, "event", row=row, words=words)


def overfeeding(f: TankFacts) -> Evidence | None:
    """Food raised or overfed lately, or more of it than normal; or nitrate that outruns the food that is recorded."""
    if fed := _event(f, "overfed", f.assumed["recent_cause_days"], "overfed"):
        return fed
    for was, now in reversed(list(pairwise(f.fed))):
        lately = (f.as_of - now["day"]).days < f.assumed["long_cause_days"]
        if lately and now["feed_g_day"] > was["feed_g_day"]:
            return record(f, "food raised", was=was, now=now)
    heavy = f.load_basis == "feed" and f.load is not None and f.load >= f.assumed["heavy_feed_load"]
    if heavy and (much := state(f, "much food")):
        return much
    if f.recent_low is not None and f.expected_high is not None and f.recent_low > f.expected_high:
        rises = rise_text("ok", f.recent_rate, f.recent_low, f.recent_high)
        made = span(7 * (f.expected_low or 0.0), 7 * f.expected_high)
        return shown(f, "more than its food", rises=rises, made=made)
    return None


def new_fish(f: TankFacts) -> Evidence | None:
    return _event(f, "fish in", f.assumed["fresh_stock_days"], "fish in")


def too_much_stock(f: TankFacts) -> Evidence | None:
    return state(f, "stocking") if f.stocking in ("heavy", "messy") else None


def too_little_media(f: TankFacts) -> Evidence | None:
    """A plain bioload over 100 %, or no media that counts."""
    if not (f.over_full_cycle or f.plain_state == "half cycle only") or f.net_l is None:
        return None
    return state(f, "little media", needs=f.net_l / f.assumed["litres_per_kg"])


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
    youngest, kg = min(row["age_weeks"] for row in young), sum(row["mass_kg"] for row in young)
    kind = record if 7 * youngest < f.assumed["long_cause_days"] else state  # wetted lately: a dated record
    return kind(f, "young media", kg=kg, age=counted(int(youngest), "week"), full=full)


def media_clogged(f: TankFacts) -> Evidence | None:
    """Found heavy or full of sludge at the last look, or a service well overdue."""
    looked = _last(f, "service", f.assumed["long_cause_days"], lambda row: row["found"] is not None)
    if looked is not None and looked["found"] in ("heavy", "sludge"):
        return record(f, "found dirty", row=looked)
    for row in f.records("due"):
        if row["what"] == "check" and row["late_days"] > 7 * f.assumed["clog_overdue_weeks"]:
            return state(f, "service overdue", row=row)
    return None


def flow_lost(f: TankFacts) -> Evidence | None:
    """Timed flow well under clean flow."""
    share = f.flow_of_clean
    if f.flow_basis != "timed" or share is None or share >= f.assumed["flow_lost_share"]:
        return None
    return shown(f, "flow lost", share=100 * share)


def bypass(f: TankFacts) -> Evidence | None:
    """A basket half empty, in the audit of the layout."""
    for row in f.records("audit"):
        if "half" in row["fault"] or "empty" in row["fault"]:
            return shown(f, "half empty", row=row)
    return None


HANDLED = ("media rinsed", "full")


def rinsed_in_tap_water(f: TankFacts) -> Evidence | None:
    """Media rinsed in tap water while that still holds it back."""
    weeks = f.assumed["disturb_tap_rinse_weeks"]
    row = _last(f, "service", 7 * weeks, lambda row: row["job"] in HANDLED and row["rinse_water"] == "tap")
    return None if row is None else record(f, "rinsed", row=row)


def over_cleaned(f: TankFacts) -> Evidence | None:
    """More than a third of the media handled in the days before; a share not recorded counts as all of it."""
    most = f.assumed["media_share_at_once"] + 0.01

    def wanted(row: Row) -> bool:
        much = row["job"] == "full" or row["media_share"] is None or row["media_share"] > most
        return row["job"] in HANDLED and row["rinse_water"] != "tap" and much

    row = _last(f, "service", f.assumed["after_clean_days"], wanted)
    if row is None:
        return None
    return record(f, "handled", row=row, share=None if row["media_share"] is None else 100 * row["media_share"])


def medication(f: TankFacts) -> Evidence | None:
    return _event(f, "medication", 7 * f.assumed["disturb_medication_weeks"], "medicine")


def filter_stopped(f: TankFacts) -> Evidence | None:
    """A stop or a power cut, recorded with a service or as an event."""
    back, short = 7 * f.assumed["disturb_stopped_weeks"], f.assumed["stop_short_hours"]
    row = _last(f, "service", back, lambda row: row["hours_stopped"] is not None and row["hours_stopped"] >= short)
    if row is not None:
        return record(f, "stopped", row=row)
    row = _last(f, "event", back, lambda row: row["event"] in ("filter stopped", "power cut"))
    return None if row is None else record(f, "stopped by event", row=row)


def dead_fish(f: TankFacts) -> Evidence | None:
    """Fish that died, or fewer seen than at the visit before."""
    if died := _event(f, "fish died", f.assumed["death_cause_days"], "fish died"):
        return died
    seen = [row for row in f.lately("visit", f.assumed["recent_cause_days"]) if row["fish_seen"] is not None]
    out = _event(f, "fish out", f.assumed["recent_cause_days"], "")
    for was, now in reversed(list(pairwise(seen))):
        if now["fish_seen"] < was["fish_seen"] and out is None:
            return shown(f, "fewer seen", was=was, now=now)
    return None


def heater(f: TankFacts) -> Evidence | None:
    """Water away from the set temperature."""
    read = f.water.get("temperature")
    if read is None or f.set_c is None or abs(read.matched - f.set_c) < f.assumed["temperature_warn_off_c"]:
        return None
    return shown(f, "off its temperature", read=read)


def tap_nitrate(f: TankFacts) -> Evidence | None:
    """A tap that brings much of it, or more than at the test before."""
    if f.tap is None:
        return None
    if f.tap_was is not None and f.tap_nitrate is not None and f.tap_nitrate - f.tap_was >= f.assumed["explained_tap"]:
        return record(f, "tap went up")
    high = f.tap >= f.assumed["tap_nitrate_high"]
    much = f.ceiling is not None and f.tap >= f.assumed["tap_ceiling_share"] * f.ceiling
    return state(f, "tap brings") if high or much else None


def tap_ammonia(f: TankFacts) -> Evidence | None:
    """Ammonia in the tap, or more of it after a change than before."""
    if f.tap_ammonia and f.tap_ammonia_day is not None:
        return record(f, "tap had ammonia")
    after, before = f.ammonia_after, f.ammonia_before
    if f.shows("ammonia") and after is not None and before is not None and after > before:
        return shown(f, "ammonia with the change")
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
        return kind(f, "changes left out", few=left_out(f))
    return kind(f, "few changes" if f.change_share else "no changes", share=100 * f.change_share)


def top_ups_only(f: TankFacts) -> Evidence | None:
    """Top-ups and no change for some weeks."""
    days = f.assumed["change_cause_days"]
    kinds = [row["kind"] for row in f.lately("water_change", days)]
    if not kinds or any(kind != "top-up" for kind in kinds):
        return None
    return record(f, "only top-ups", many=counted(len(kinds), "top-up"), weeks=days / 7)


def kit_expired(f: TankFacts) -> Evidence | None:
    if not f.last_expired or f.last_age is None:
        return None
    return record(f, "kit past its date" if f.last_kit else "last kit past its date")


def kit_batch(f: TankFacts) -> Evidence | None:
    return shown(f, "kit stepped")


def not_shaken(f: TankFacts) -> Evidence | None:
    """KH falls as if all the nitrate were there, and the nitrate test does not show it."""
    return shown(f, "witness") if f.witness_says and f.witness == "doubt the nitrate test" else None


def plants_or_algae(f: TankFacts) -> Evidence | None:
    return state(f, "planting") if f.planting in ("moderate", "dense") else None


def limestone(f: TankFacts) -> Evidence | None:
    """KH that climbs within some weeks."""
    read = f.water.get("kh")
    before = [] if read is None else [was for was in (read.before_matched, f.kh_was) if was is not None]
    if read is None or not before or round(read.matched - min(before), 6) < f.assumed["kh_warn_fall_month"]:
        return None
    return shown(f, "KH rose", was=min(before), read=read)


def tank_still_new(f: TankFacts) -> Evidence | None:
    if f.established or f.age_weeks is None:
        return None
    return record(f, "set up", age=counted(int(f.age_weeks), "week"))


def typing_slip(f: TankFacts) -> Evidence | None:
    """An item that is held, or a reading that the fit weighs at under half."""
    for row in f.records("held"):
        age = None if row["day"] is None else (f.as_of - row["day"]).days
        if age is None or 0 <= age <= f.assumed["held_fresh_days"]:
            # A row that waits for something else is no slip in a reading.
            return (shown if row["parameter"] else state)(f, "on hold", row=row, reason=row["reason"].rstrip("."))
    odd = f.lately("suspect", f.assumed["recent_cause_days"])
    return state(f, "odd reading", row=max(odd, key=lambda row: row["day"])) if odd else None


# A function bears the name of its cause.
EVIDENCE: dict[str, Callable[[TankFacts], Evidence | None]] = {
    cause: globals()[name] for cause in CAUSES if (name := re.sub("[ -]", "_", cause)) in globals()
}
