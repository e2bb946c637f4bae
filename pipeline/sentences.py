"""Sentences from tables: their places are filled, and written as the house writes numbers, days and readings."""

import re
import string
import tomllib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from pipeline import wording

# How a value is written that has one of these after its colon; a parameter's name writes a reading, or its range.
SPECS: dict[str, Callable[[Any], str]] = {
    **{
        name: getattr(wording, name)
        for name in ("aged", "day", "day_month", "days", "listed", "number", "pct", "sentence", "spell")
    },
    "whole": lambda value: wording.amount(value, 0),
    "tenths": wording.amount,
    "hundredths": lambda value: wording.amount(value, 2),
    "share": lambda value: wording.change_text(value, None),
    "percent": lambda value: wording.per_cent(100 * value),
    "mg_l": lambda value: "not known" if value is None else wording.with_unit(wording.amount(value), "mg/L"),
}


class _Sentence(string.Formatter):
    """As str.format, with the ways of writing a value that SPECS has."""

    def format_field(self, value: Any, format_spec: str) -> str:
        if value is None and format_spec not in ("number", "mg_l"):
            raise wording.NotKnown("a sentence was made with a value that is not known")
        if format_spec in SPECS:
            return SPECS[format_spec](value)
        if format_spec in wording.PRECISION:
            if hasattr(value, "low"):
                return wording.reading_range(format_spec, value.low, value.high)
            return wording.reading(format_spec, value)
        return str(super().format_field(value, format_spec))


_PARTS = re.compile(r"\{[^{}]*\}|\[((?:[^\[\]{}]|\{[^{}]*\})+)\]")  # a place, or a part in square brackets


def filled(template: str, **shown: object) -> str:
    """A template with its places filled; a part in square brackets is said only where all in it is known."""

    def part(found: re.Match[str]) -> str:
        if found[1] is None:
            return found[0]
        try:
            return _Sentence().vformat(found[1], (), shown).replace("{", "{{").replace("}", "}}")
        except wording.NotKnown:
            return ""

    return _Sentence().vformat(_PARTS.sub(part, template), (), shown)


@cache
def table(beside: str, name: str) -> dict[str, Any]:
    """A table of sentences that lies beside a module."""
    return tomllib.loads(Path(beside).with_name(name).read_text(encoding="utf-8"))
