"""Rules about what is in doubt: a held value that would endanger fish, a reading, a kit, a tap, a fall nobody explains."""

from __future__ import annotations

import re
from collections.abc import Iterator

from pipeline.review.explained import OF_DOUBT, doubt_words, doubted, explanation_words, explanations, recent
from pipeline.review.facts import Row, TankFacts
from pipeline.review.finding import ACT, CP, DUE, HOUSE, PLAN, Finding
from pipeline.review.rules_water import FREE, PH, free_over
from pipeline.review.rules_water import tap_ammonia as harmful_tap
from pipeline.wording import aged, amount, counted, day_month, pct, reading, sentence, with_unit
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


def _held_dangers(f: TankFacts) -> Iterator[tuple[Row, int | None]]:
    for row in f.records("held"):
        known = row["day"] is not None and row["fault"] != "future"
        age = (f.as_of - row["day"]).days if known else None
        parameter = row["parameter"]
        if parameter not in MOST or (age or 0) < 0:
            continue
        read = f.water.get(parameter)
        settled = age is not None and read is not None and read.age_days < age
        if settled or (age or 0) > f.assumed["held_fresh_days"]:
            continue
        if _dangerous(f, parameter, _values(row, parameter)):
            yield row, age


def held_danger(f: TankFacts) -> Finding | None:
    """A value on hold that would be acted on today if it is true: doubt does not lower danger."""
    dangers = sorted(_held_dangers(f), key=lambda found: found[1] or 0)
    if not dangers:
        return None
    row, age = dangers[0]
    parameter = row["parameter"]
    title = PARAMETER_TITLES[parameter]
    when = "" if age is None else f", {aged(age)}"
    return Finding(
        ACT,
        f"{title} {row['text']} typed{when}, on hold: dangerous if true",
        f"Retest {title if parameter == 'ph' else title.lower()} now, then settle the reading on hold",
        f"a held value that would be acted on today if it is true; {HOUSE}",
        FREE if parameter in ("ammonia", "nitrite") else PH,
        f"{title} {row['text']} was typed{when} ({row['file']} line {row['line']}) and is on hold: {row['reason']} If it"
        " is true, the fish are in danger.",
        "Retest now and look at the fish. Then settle it under Held rows.",
    )


REFITTED = "the balance refitted with and without it, penalised (Schwarz 1978); house figures for the rest"
ONE_READING = ("taken after the change", "typing slip", "wrong basis", "wrong tank")  # what one reading may be instead
ASK, SHEET = "Ask when the sample was drawn", "Look at the paper sheet, then correct it under At the tank"
# In a few words, and the cheapest check.
DOUBTED = {
    "typing slip": ("a typing slip?", SHEET),
    "wrong basis": ("given as nitrogen?", "Read the kit's leaflet: NO3 or NO3-N"),
    "nitrite interference": ("nitrite beside it", "Disregard nitrate until nitrite is 0"),
    "taken after the change": ("before or after the change?", ASK),
    "unlogged change": ("a change not in the log?", "Ask whether water was changed between the visits"),
    "not shaken": ("bottle not shaken?", "Shake the bottle for as long as the leaflet says, retest"),
    "wrong tank": ("that of another tank?", "Compare with the sheet of the tank beside it"),
}


def reading_in_doubt(f: TankFacts) -> Finding | None:
    """A reading of the last visits that may not be what it says: told with what it would be, and no alarm of its own.

    Those after it tell by themselves, and nobody remembers longer what is to be asked.
    """
    rows = [(row["day"], OF_DOUBT[row["doubt"]], doubt_words(row)) for row in doubted(f)]
    rows += [
        (row["since"], row["cause"], explanation_words(row))
        for row in f.records("explanation")
        if row["cause"] in ONE_READING
    ]
    back = f.assumed["doubt_visits"] * (f.visit_days or 7.0)
    rows = [row for row in rows if (f.as_of - row[0]).days < min(back, f.assumed["recent_cause_days"])]
    if not rows:
        return None
    day, cause, words = max(rows, key=lambda one: one[0])
    short, step = DOUBTED[cause]
    return Finding(
        DUE,
        f"reading of {day_month(day)} in doubt: {short}",
        step,
        f"held against the readings before it, the changes and the tanks beside it; {HOUSE}",
        -1.5,
        f"{sentence(words)}.",
        f"{step}; retest at the next visit. Until then it is no reason to act.",
    )


def kit_moved(f: TankFacts) -> Finding | None:
    """A kit whose tanks moved together since a day: doubt the kit before the filters."""
    row = explanations(f).get("kit batch")
    if row is None or row["size"] is None or f.step_kit_batch is not None:  # told by the step alarms already
        return None
    return Finding(
        DUE,
        f"kit {row['kit'] or 'of these tanks'} reads {amount(row['size'], 2)} times the expected in {counted(row['tanks'], 'tank')}",
        "Retest three tanks with another kit before any change of plan",
        f"all readings of a kit by one factor; {REFITTED}",
        -2.0,
        f"{sentence(explanation_words(row))}.",
        "Retest three of these tanks with another kit, and one sample diluted by half, which should read half.",
    )


def nitrate_fell(f: TankFacts) -> Finding | None:
    """Nitrate that fell, and no record says why."""
    told = explanations(f)
    row = max(
        (told[c] for c in ("fall", "unlogged change", "not shaken") if c in told and recent(f, told[c])),
        key=lambda r: r["gain"],
        default=None,
    )
    fed = sorted((r for r in f.records("feeding") if r["day"] <= f.as_of), key=lambda r: r["day"])
    cut = (
        len(fed) > 1
        and fed[-1]["feed_g_day"] < fed[-2]["feed_g_day"]
        and fed[-1]["day"] >= (row or fed[-1]).get("since", fed[-1]["day"])
    )
    fewer = any(r["event"] in ("fish out", "fish died") for r in f.lately("event", f.assumed["fresh_stock_days"]))
    if row is None or cut or fewer:
        return None
    return Finding(
        DUE,
        f"nitrate fell about {day_month(row['since'])} and no record says why",
        "Ask about changes of water; look at plants and algae; retest",
        f"{REFITTED}",
        -1.25,
        f"{sentence(explanation_words(row))}.",
        "Ask whether water was changed between the visits; look at the growth of plants and algae; shake the bottle and"
        " retest. A fall is no praise for the filter until it is explained.",
    )


def tap_near_limit(f: TankFacts) -> Finding | None:
    """The tap brings much of what the tank may hold; over its limit no change of tap water can help."""
    tap, ceiling = f.tap_nitrate, f.ceiling
    if tap is None or ceiling is None or tap < f.assumed["tap_ceiling_share"] * ceiling:
        return None
    over = tap >= ceiling
    said = reading("nitrate", tap)
    step = "Mix in RO water: tap water cannot bring it under" if over else "Test the tap again; size the changes by it"
    return Finding(
        PLAN if over else DUE,
        f"the tap brings {said} nitrate; limit {ceiling:g}",
        step,
        f"tap from {pct(100 * f.assumed['tap_ceiling_share'])} of the limit; {HOUSE}",
        0.0 if over else -0.75,
        f"The tap brings {said} nitrate and the limit is {ceiling:g}: "
        + ("changes with it cannot bring the tank under." if over else "changes with it dilute little."),
        f"{step}. Keep an eye on KH where RO water is mixed in.",
    )


def tap_moved(f: TankFacts) -> Finding | None:
    """A tap that went up between its last two tests, or a supply whose tanks read as if it had since the last."""
    was, now, day = f.tap_was, f.tap_nitrate, f.tap_nitrate_day
    fresh = day is not None and (f.as_of - day).days < f.assumed["long_cause_days"]
    if fresh and was is not None and now is not None and now - was >= f.assumed["explained_tap"]:
        return Finding(
            DUE,
            f"the tap's nitrate went up from {amount(was, 0)} to {reading('nitrate', now)}",
            "Size the changes by it; test the tap again",
            f"two tests of the tap {f.assumed['explained_tap']:g} mg/L or more apart; {HOUSE}",
            -1.75,
            do="Size the changes by the new tap water; test the tap again at the next visit.",
        )
    row = explanations(f).get("tap nitrate")
    if row is None or row["size"] is None:
        return None
    more = with_unit(amount(row["size"], 0), "mg/L")
    return Finding(
        DUE,
        f"the tap may bring {more} more nitrate since {day_month(row['since'])}",
        "Test the tap's nitrate",
        f"the tap at another level, shared by its {counted(row['tanks'], 'tank')}; {REFITTED}",
        -1.75,
        f"{sentence(explanation_words(row))}.",
        "Test the tap's nitrate, pH and KH, and write the test into tap.csv.",
    )


def tap_has_ammonia(f: TankFacts) -> Finding | None:
    """Ammonia in the tap at its last test, or read as if it were; where it harms it is told more urgently."""
    tap, day = f.tap_ammonia, f.tap_ammonia_day
    if tap is None or day is None or tap < f.assumed["trace_ammonia"] or harmful_tap(f) is not None:
        return None
    if (f.as_of - day).days > f.assumed["tap_fresh_days"]:
        return None
    said = reading("ammonia", tap)
    return Finding(
        DUE,
        f"the tap had {said} ammonia on {day_month(day)}",
        "Treat new water for ammonia; retest the tank a day after a change",
        f"a change brings the tap's ammonia times the share changed; {CP}",
        -0.75,
        f"The tap had {said} ammonia on {day_month(day)}: a change brings its share of it.",
        "Use a conditioner that deals with ammonia, as its label says; retest the tank a day after the change; test the"
        " tap once more.",
    )


def kh_climbs(f: TankFacts) -> Finding | None:
    """KH that climbs by itself: something in the tank or in the tap hardens the water."""
    read, was = f.water.get("kh"), f.kh_was
    if read is None or was is None or round(read.matched - was, 6) < f.assumed["kh_warn_fall_month"]:
        return None
    now = reading("kh", read.matched)
    return Finding(
        DUE,
        f"KH rose from {amount(was)} to {now} within some weeks",
        "Drop vinegar on stones and gravel; test the tap's KH",
        f"KH up by {f.assumed['kh_warn_fall_month']:g} dKH within some weeks; {HOUSE}",
        -1.0,
        f"KH rose from {amount(was)} to {now} within some weeks: stone, gravel or the tap makes the water harder.",
        "Drop vinegar on stones and gravel: what fizzes comes out, slowly. Test the tap's KH. No quick correction.",
    )
