"""Rules about what is in doubt: a held value that would endanger fish, a reading, a kit, a tap, a fall nobody explains;
and about what nobody knows: silence is never green, unknown never 0."""

import re

from pipeline.review.causes import OF_DOUBT, doubt_text, doubted, explanation_text, explanations, recent
from pipeline.review.facts import Row, TankFacts
from pipeline.review.finding import ACT, CANT, DUE, PLAN, Finding, finding
from pipeline.review.rules_water import FREE, PH, free_over
from pipeline.review.rules_water import tap_ammonia as harmful_tap
from pipeline.sentences import table
from pipeline.wording import amount, counted, due_text, listed, spell, with_unit
from schemas.words import PARAMETER_TITLES

NUMBER = r"(\d+(?:[.,]\d+)?)"
NUMBERS = re.compile(rf"(?!\s*[-−])\D{{0,12}}{NUMBER}(?:\s*(?:-|–|to|and)\s*{NUMBER})?\D{{0,12}}$")
# Beyond these no water is: a missing point, a date that a spreadsheet made, degrees Fahrenheit.
MOST = {"ammonia": 100.0, "nitrite": 100.0, "ph": 14.0, "temperature": 60.0}


def _typed(text: str | None) -> list[float]:
    """The number of a cell, or both of its range; none where it is neither: `7..4`, `O`, `-0.6`."""
    plain = NUMBERS.match(text or "")
    return [] if plain is None else [float(number.replace(",", ".")) for number in plain.groups() if number]


def _values(row: Row, parameter: str) -> list[float]:
    """What a held cell would count if it is true: as typed, else what is suggested for it.

    As typed only where a number stands there that water can have, and where the doubt is not about how it was written.
    """
    typed, suggested = _typed(row["text"]), _typed(row["suggestion"])
    misread = bool(suggested) and row["fault"] != "beyond limits"
    return suggested if not typed or misread or max(typed) > MOST[parameter] else typed


def _dangerous(f: TankFacts, parameter: str, values: list[float]) -> bool:
    """Whether a typed value, or an end of a typed range, would be acted on today if it is true."""
    if not values:
        return False
    if parameter == "ammonia":
        return max(values) > f.assumed["ammonia_hold_above"] or free_over(f, max(values))
    if parameter == "nitrite":
        return max(values) >= f.assumed["act_nitrite"]
    if parameter == "ph":
        return 0 < min(values) < f.assumed["act_ph_below"] or max(values) > f.assumed["ph_hold_above"]
    set_c = f.set_c if f.set_c is not None else f.assumed["temperature_reference_c"]
    return any(abs(value - set_c) >= f.assumed["act_temperature_off_c"] for value in values)


def _endangers(f: TankFacts, row: Row, age: int | None) -> bool:
    """Whether a held value would be acted on today, and its parameter was not read again since."""
    parameter, read = row["parameter"], f.water.get(row["parameter"])
    settled = age is not None and read is not None and read.age_days < age
    return parameter in MOST and not settled and _dangerous(f, parameter, _values(row, parameter))


def held_danger(f: TankFacts) -> Finding | None:
    """A value on hold that would be acted on today if it is true: doubt does not lower danger."""
    dangers = [(age, row) for age, row in f.on_hold() if _endangers(f, row, age)]
    if not dangers:
        return None
    age, row = min(dangers, key=lambda one: one[0] or 0)
    parameter = row["parameter"]
    title = PARAMETER_TITLES[parameter]
    harm, what = FREE if parameter in ("ammonia", "nitrite") else PH, title if parameter == "ph" else title.lower()
    return finding(f, "held_danger", ACT, harm, title=title, what=what, age=age, row=row)


ONE_READING = ("taken after the change", "typing slip", "wrong basis", "wrong tank")  # what one reading may be instead


def reading_in_doubt(f: TankFacts) -> Finding | None:
    """A reading of the last visits that may not be what it says: told with what it would be, and no alarm of its own.

    Those after it tell by themselves, and nobody remembers longer what is to be asked.
    """
    rows = [(row["day"], OF_DOUBT[row["doubt"]], doubt_text(row)) for row in doubted(f)]
    single = [row for row in f.records("explanation") if row["cause"] in ONE_READING]
    rows += [(row["since"], row["cause"], explanation_text(row)) for row in single]
    back = f.assumed["doubt_visits"] * (f.visit_days or 7.0)
    rows = [row for row in rows if (f.as_of - row[0]).days < min(back, f.assumed["recent_cause_days"])]
    if not rows:
        return None
    day, cause, words = max(rows, key=lambda one: one[0])
    short, step = table(__file__, "explained.toml")["doubted"][cause]
    return finding(f, "reading_in_doubt", DUE, -1.5, day=day, short=short, step=step, what=words)


def kit_moved(f: TankFacts) -> Finding | None:
    """A kit whose tanks moved together since a day: doubt the kit before the filters."""
    row = explanations(f).get("kit batch")
    if row is None or row["size"] is None or f.step_kit_batch is not None:  # told by the step alarms already
        return None
    kit, tanks = row["kit"] or "of these tanks", counted(row["tanks"], "tank")
    return finding(f, "kit_moved", DUE, -2.0, row=row, kit=kit, tanks=tanks, what=explanation_text(row))


def nitrate_fell(f: TankFacts) -> Finding | None:
    """Nitrate that fell, and no record says why."""
    explained = explanations(f)
    rows = [explained[c] for c in ("fall", "unlogged change", "not shaken") if c in explained]
    row = max((r for r in rows if recent(f, r)), key=lambda r: r["gain"], default=None)
    if row is None:
        return None
    fed = f.fed
    cut = len(fed) > 1 and fed[-1]["feed_g_day"] < fed[-2]["feed_g_day"] and fed[-1]["day"] >= row["since"]
    fewer = any(r["event"] in ("fish out", "fish died") for r in f.lately("event", f.assumed["fresh_stock_days"]))
    if cut or fewer:
        return None
    return finding(f, "nitrate_fell", DUE, -1.25, row=row, what=explanation_text(row))


def tap_near_limit(f: TankFacts) -> Finding | None:
    """The tap brings much of what the tank may hold; over its limit no change of tap water can help."""
    tap, ceiling = f.tap_nitrate, f.ceiling
    if tap is None or ceiling is None or tap < f.assumed["tap_ceiling_share"] * ceiling:
        return None
    share = 100 * f.assumed["tap_ceiling_share"]
    if tap >= ceiling:
        return finding(f, "tap_over_limit", PLAN, 0.0, share=share)
    return finding(f, "tap_near_limit", DUE, -0.75, share=share)


def tap_moved(f: TankFacts) -> Finding | None:
    """A tap that went up between its last two tests, or a supply whose tanks read as if it had since the last."""
    was, now, day = f.tap_was, f.tap_nitrate, f.tap_nitrate_day
    fresh = day is not None and (f.as_of - day).days < f.assumed["long_cause_days"]
    if fresh and was is not None and now is not None and now - was >= f.assumed["explained_tap"]:
        return finding(f, "tap_tested_higher", DUE, -1.75)
    row = explanations(f).get("tap nitrate")
    if row is None or row["size"] is None:
        return None
    more, tanks = with_unit(amount(row["size"], 0), "mg/L"), counted(row["tanks"], "tank")
    return finding(f, "tap_moved", DUE, -1.75, row=row, more=more, tanks=tanks, what=explanation_text(row))


def tap_has_ammonia(f: TankFacts) -> Finding | None:
    """Ammonia in the tap at its last test, or read as if it were; where it harms it is told more urgently."""
    tap, day = f.tap_ammonia, f.tap_ammonia_day
    if tap is None or day is None or tap < f.assumed["trace_ammonia"] or harmful_tap(f) is not None:
        return None
    return finding(f, "tap_has_ammonia", DUE, -0.75) if (f.as_of - day).days <= f.assumed["tap_fresh_days"] else None


def kh_climbs(f: TankFacts) -> Finding | None:
    """KH that climbs by itself: something in the tank or in the tap hardens the water."""
    read, was = f.water.get("kh"), f.kh_was
    if read is None or was is None or round(read.matched - was, 6) < f.assumed["kh_warn_fall_month"]:
        return None
    return finding(f, "kh_climbs", DUE, -1.0, now=read.matched)


# -- what nobody knows, and jobs whose day has come. A tap test is its supply's, told once for the round; what was never
# recorded is not late --

NEVER = 10_000.0  # days: orders a tank that was never read before any that was


def no_usable_reading(f: TankFacts) -> Finding | None:
    """No usable nitrate reading for one and a half visit intervals; a tank not visited yet is no less unknown."""
    intervals = f.assumed["silent_intervals"]
    if f.last_age is not None and f.visit_days is not None and f.last_age <= intervals * f.visit_days:
        return None
    harm, since = (-NEVER, "yet") if f.last_age is None else (-float(f.last_age), f"for {spell(f.last_age)}")
    return finding(f, "no_usable_reading", CANT, harm, since=since)


def held(f: TankFacts) -> Finding | None:
    """An item of this tank is on hold: until it is settled nobody can say."""
    items = f.on_hold()
    if not items:
        return None
    age, row = min(items, key=lambda item: -1 if item[0] is None else item[0])  # of no known day, else the newest
    what = "row on hold" if row["column"] is None else f"on hold: {row['column']} {row['text']}"
    if row["parameter"] is not None:
        what = f"reading on hold: {PARAMETER_TITLES[row['parameter']]} {row['text']}"
    more = f" and {len(items) - 1} more" if len(items) > 1 else ""
    end = "." if row["suggestion"] is None else f": {row['suggestion']}?"
    rest = "" if row["column"] is None else f"Settle it under Held rows{end} The rest of its row is used."
    return finding(f, "held", CANT, -float(age or 0), row=row, what=what, more=more, age=age, rest=rest)


def kit_expired(f: TankFacts) -> Finding | None:
    """Readings on a kit past its date: they can raise an alarm, and make no tank steady."""
    if not f.last_expired or f.last_age is None:
        return None
    return finding(f, "kit_expired", DUE, -3.0, kit=f"kit {f.last_kit}" if f.last_kit else "a kit")


def not_tested(f: TankFacts) -> Finding | None:
    """Ammonia or nitrite not tested for weeks: what has not been looked for is not called absent."""
    absent = [name for name in ("ammonia", "nitrite") if name not in f.water]
    fresh = int(f.assumed["water_fresh_days"])
    return finding(f, "not_tested", DUE, -1.0, absent=absent, fresh=fresh) if absent else None


def _no_filter(f: TankFacts) -> bool:
    """No filter on record, or one of which nobody recorded what is in it."""
    return "filter on record" in (f.missing or "") or "what fills" in (f.missing or "")


def no_filter_recorded(f: TankFacts) -> Finding | None:
    """No filter on record, or no layout of it: not recorded is not none."""
    if f.plain_state not in (None, "can't say") or not _no_filter(f):
        return None
    bare = not f.filters
    what = "no filter recorded" if bare else f"what is in filter {listed(f.filters or ())} is not recorded"
    return finding(f, "no_filter_recorded", DUE, -0.25, what=what)


def rating_not_known(f: TankFacts) -> Finding | None:
    """What is needed before a rating can be said: litres, a stage, a mass."""
    if f.plain_state not in (None, "can't say") or _no_filter(f):
        return None
    return finding(f, "rating_not_known", DUE, -0.5, needs=f.missing or "the tank's litres and its filter's media")


def _come(f: TankFacts, *what: str) -> Finding | None:
    """The latest of a tank's jobs of some kinds whose day has come, with the count of the others."""
    rows = [row for row in f.records("due") if row["what"] in what and row["late_days"] >= 0]
    if not rows:
        return None
    row = min(rows, key=lambda r: (-r["late_days"], r["about"] or ""))
    more = f" (and {len(rows) - 1} more)" if len(rows) > 1 else ""
    text = due_text(row["what"], row["about"], row["on"], row["late_days"])
    says = "" if row["what"] == "promise" else f"{text[0].upper()}{text[1:]}{more}: {row['says']}."
    return Finding(DUE, f"{text}{more}", row["do"], row["basis"], -float(row["late_days"]), says)


def service_due(f: TankFacts) -> Finding | None:
    return _come(f, "check")


def carbon_due(f: TankFacts) -> Finding | None:
    return _come(f, "carbon")


def kit_due(f: TankFacts) -> Finding | None:
    return _come(f, "kit", "tests left")


def flow_test_due(f: TankFacts) -> Finding | None:
    return _come(f, "flow test")


def promise_due(f: TankFacts) -> Finding | None:
    return _come(f, "promise")
