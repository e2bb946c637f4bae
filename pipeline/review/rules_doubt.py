"""The rule about a held value that endangers fish if it is true: doubt does not lower danger."""

from __future__ import annotations

import re
from collections.abc import Iterator

from pipeline.review.facts import Row, TankFacts
from pipeline.review.finding import ACT, HOUSE, Finding
from pipeline.review.rules_water import FREE, PH, free_over
from pipeline.wording import aged
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


def _parameter(row: Row) -> str | None:
    """What a held cell measures; in a long sheet the reason names it. None where it endangers no fish."""
    for name in ("ammonia", "nitrite", "ph", "temperature"):
        if row["column"] == name or (row["column"] == "value" and re.search(rf"(?i)\b{name}\b", row["reason"] or "")):
            return name
    return None


def _held_dangers(f: TankFacts) -> Iterator[tuple[Row, int | None]]:
    for row in f.records("held"):
        known = row["day"] is not None and row["fault"] != "future"
        age = (f.as_of - row["day"]).days if known else None
        parameter = _parameter(row)
        if parameter is None or (age or 0) < 0:
            continue
        read = f.water.get(parameter)
        settled = age is not None and read is not None and read.age_days < age
        if settled or (age or 0) > f.assumed["held_fresh_days"]:
            continue
        if _dangerous(f, parameter, _values(row, parameter)):
            yield {**row, "parameter": parameter}, age


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
