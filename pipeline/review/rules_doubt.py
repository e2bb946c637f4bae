"""The rule about a held value that endangers fish if it is true: doubt does not lower danger."""

from __future__ import annotations

import re
from collections.abc import Iterator

from pipeline.review.facts import Row, TankFacts
from pipeline.review.finding import ACT, HOUSE, Finding
from pipeline.review.rules_water import FREE, PH, free_over
from pipeline.wording import aged
from schemas.words import PARAMETER_TITLES

NUMBERS = re.compile(r"-?\d+(?:[.,]\d+)?")
PH_MOST, WATER_MOST_C = 14.0, 60.0  # beyond these no water is: a missing point, or degrees Fahrenheit


def _typed(text: str | None) -> list[float]:
    """The numbers of a cell as typed."""
    return [float(number.replace(",", ".")) for number in NUMBERS.findall(text or "")]


def _dangerous(f: TankFacts, parameter: str, values: list[float]) -> bool:
    """Whether a typed value, or an end of a typed range, would be acted on today if it is true."""
    if not values:
        return False
    if parameter == "ammonia":
        return max(values) > f.assumed["ammonia_hold_above"] or free_over(f, max(values))
    if parameter == "nitrite":
        return max(values) >= f.assumed["act_nitrite"]
    if parameter == "ph":
        return 0 < min(values) < f.assumed["act_ph_below"] or f.assumed["ph_hold_above"] < max(values) <= PH_MOST
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
        values = _typed(row["text"])
        most = {"ph": PH_MOST, "temperature": WATER_MOST_C}.get(parameter)
        if most is not None and values and max(values) > most:
            values = _typed(row["suggestion"])
        if _dangerous(f, parameter, values):
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
