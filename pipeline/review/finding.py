"""What a rule returns, and the frame that findings become."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, NamedTuple

import polars as pl

from pipeline.wording import cut, sentence
from schemas import empty
from schemas.words import CLASSES

if TYPE_CHECKING:
    from pipeline.review.facts import TankFacts

CP = "common practice, no source"
HOUSE = "house figure"
REASON_MOST, STEP_MOST = 69, 79  # characters: the week's table has room for no more
ACT, WEEK, CANT, PLAN, DUE, STEADY = "act today", "this week", "can't say", "plan", "due", "steady"
ORDER = {name: place for place, name in enumerate(CLASSES)}


class Finding(NamedTuple):
    """What one rule says of one tank; without `says` and `do` the reason and the step are the whole of it."""

    class_: str
    reason: str
    step: str
    basis: str
    harm: float  # orders findings of one class: smaller comes first
    says: str = ""
    do: str = ""


Rule = Callable[["TankFacts"], Finding | None]


def _stop(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."


HANDS_IN = re.compile(r"(?i)\b(?:pads?|impeller|heater|intake|carbon out|rinse the media|media after|lift)\b")
CHANGES = re.compile(r"\b[Cc]hange:? (?:no more than )?\d")
POWER = "Power off at the wall before hands go in."
MATCH = "Match temperature, treat for chlorine."


def cautioned(do: str) -> str:
    """What to do, with the caution where it is told: hands in the water, or a water change."""
    power = f" {POWER}" if HANDS_IN.search(do) else ""
    return f"{do}{power}{f' {MATCH}' if CHANGES.search(do) else ''}"


def found(facts: Iterable[TankFacts], rules: Iterable[Rule]) -> pl.DataFrame:
    """The findings of some rules, a row each; a rule's name is that of its function."""
    rules = tuple(rules)
    rows = [
        (f.tank, f.as_of, rule.__name__, told.class_, cut(told.reason, REASON_MOST), cut(told.step, STEP_MOST),
         told.says or _stop(sentence(told.reason)), cautioned(told.do or _stop(told.step)), told.basis, float(told.harm))
        for f in facts for rule in rules if (told := rule(f)) is not None
    ]  # fmt: skip
    if not rows:
        return empty("finding")
    types = empty("finding").schema
    named = ("tank", "as_of", "rule", "class", "reason", "step", "says", "do", "basis", "harm")
    frame = pl.DataFrame(rows, schema={name: types[name] for name in named}, orient="row")
    return frame.with_columns(
        pl.lit(False).alias("quiet"), pl.lit(None, pl.String).alias("mark")
    ).select(*types)  # fmt: skip
