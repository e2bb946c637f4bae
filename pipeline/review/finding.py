"""What a rule returns, in the words of sentences.toml, and the frame that findings become."""

import re
from collections.abc import Callable, Iterable
from typing import Any, NamedTuple

import polars as pl

from pipeline.review.facts import TankFacts
from pipeline.sentences import filled, table
from pipeline.wording import cut, sentence
from schemas import conform
from schemas.words import CLASSES

BASES = {
    "CP": "common practice, no source",
    "HOUSE": "house figure",
    "DISPUTED": "common practice, no source, disputed: a common rule of thumb",
    "FITTED": "net rise from readings as ranges, with changes, tap and kit allowed for (90 % range)",
    "REFITTED": "the balance refitted with and without it, penalised (Schwarz 1978); house figures for the rest",
}
DILUTE = "Dilute the sample by half with pure water, retest, double the result"
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


Rule = Callable[[TankFacts], Finding | None]


def sentences() -> dict[str, Any]:
    """What is said in each case: its reason, step, basis, says and do, with places in braces."""
    return table(__file__, "sentences.toml")


def finding(f: TankFacts, case: str, class_: str, harm: float, **shown: object) -> Finding:
    """A finding in the sentences of a case, filled with the tank's facts and what is shown."""
    named = {"f": f, "DILUTE": DILUTE, **BASES, **shown}
    parts = {part: filled(text, **named) for part, text in sentences()[case].items()}
    return Finding(class_, harm=harm, **parts)


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
        (f.tank, f.as_of, rule.__name__, one.class_, cut(one.reason, REASON_MOST), cut(one.step, STEP_MOST),
         one.says or _stop(sentence(one.reason)), cautioned(one.do or _stop(one.step)), one.basis, float(one.harm))
        for f in facts for rule in rules if (one := rule(f)) is not None
    ]  # fmt: skip
    named = ["tank", "as_of", "rule", "class", "reason", "step", "says", "do", "basis", "harm"]
    return conform("finding", pl.DataFrame(rows, schema=named, orient="row").with_columns(quiet=pl.lit(False)))
