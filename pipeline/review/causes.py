"""Findings meet their causes: each possible cause weighed by how often it is met, what is recorded, and what it explains."""

import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl

from pipeline.review.evidence import EVIDENCE
from pipeline.review.explained import RISES, explanations, gained, left_over
from pipeline.review.facts import TankFacts
from pipeline.review.finding import ORDER, STEADY
from pipeline.sentences import table
from schemas import conform, empty

TABLE = Path(__file__).with_name("diagnosis.toml")
MOST = 3


def diagnosis() -> Mapping[str, Any]:
    """The table: rule → its causes; cause → minutes and check."""
    return table(__file__, TABLE.name)


class Possible(NamedTuple):
    """A possible cause of a tank; `score` is the logarithm of its odds against the others, but for a constant."""

    cause: str
    because: str
    check: str
    score: float


def met(f: TankFacts, cause: str) -> float:
    """How often the trade meets a cause, of a hundred [log]."""
    return math.log(f.assumed["met_" + cause.replace(" ", "_").replace("-", "_")])


def weighed(f: TankFacts) -> dict[str, Possible]:
    """Every cause that something speaks for: how often it is met, what the records say, what it gains."""
    told: dict[str, Possible] = {}
    refitted, rise = gained(f), explanations(f).get("rise")
    most = f.assumed["says_most"]
    risen = 0.0 if rise is None else min(rise["gain"], most)
    for cause, check in diagnosis()["cause"].items():
        said = EVIDENCE[cause](f) if cause in EVIDENCE else None
        gain = refitted.get(cause)
        if said is None and gain is None:
            continue
        speaks = 0.0 if said is None else f.assumed[said.weight] + (risen if cause in RISES else 0.0)
        because = "; ".join(part.because for part in (said, gain) if part is not None)
        score = met(f, cause) + speaks + (0.0 if gain is None else gain.gain)
        told[cause] = Possible(cause, because, check["check"], score)
    recorded = any(cause in told for cause in RISES)
    if rise is not None and not recorded:
        for cause, because in left_over(f, rise):
            check = diagnosis()["cause"][cause]["check"]
            told.setdefault(cause, Possible(cause, because, check, met(f, cause) + risen))
    return told


UNEXPLAINED = "nothing recorded explains it; this is left to look for"


def of_rule(rule: str, f: TankFacts, told: Mapping[str, Possible] | None = None) -> list[Possible]:
    """At most three possible causes of a finding, the likeliest first; of those about as likely, the cheapest check."""
    told = weighed(f) if told is None else told
    checks = diagnosis()["cause"]
    mine = [told[c] for c in diagnosis()["rule"].get(rule, ()) if c in told]
    if all(one.score - met(f, one.cause) <= f.assumed["says_state"] for one in mine):
        mine += [
            Possible(c, UNEXPLAINED, checks[c]["check"], met(f, c))
            for c in diagnosis()["left_over"].get(rule, ())
            if c not in told
        ]
    mine = sorted(mine, key=lambda one: -one.score)[:MOST]
    if not mine:
        return []
    best, close = mine[0].score, f.assumed["cause_close"]
    return sorted(mine, key=lambda one: (int((best - one.score) / close), checks[one.cause]["minutes"]))


def of_tank(found: Iterable[Mapping[str, Any]], causes: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """At most three possible causes over all of a tank's findings that are not paused: the likeliest of the gravest
    finding, then the likeliest of all. Scores of one tank are odds of one kind, whatever the finding.
    """
    loud = sorted((f for f in found if not f["quiet"]), key=lambda f: (ORDER[f["class"]], f["harm"]))
    place = {f["rule"]: n for n, f in enumerate([f for f in loud if f["class"] != STEADY] or loud)}
    mine = sorted((c for c in causes if c["rule"] in place), key=lambda c: (place[c["rule"]], -c["score"]))
    once: dict[str, Mapping[str, Any]] = {}
    for cause in (*mine[:1], *sorted(mine[1:], key=lambda c: -c["score"])):
        once.setdefault(cause["cause"], cause)
    return list(once.values())[:MOST]


def causes(found: pl.DataFrame, facts: Sequence[TankFacts]) -> pl.DataFrame:
    """The causes of findings, a row each."""
    of = {(f.tank, f.as_of): f for f in facts}
    told: dict[Any, Mapping[str, Possible]] = {}
    rows = []
    for tank, as_of, rule in found.select("tank", "as_of", "rule").sort("tank", "as_of", "rule").iter_rows():
        if not diagnosis()["rule"].get(rule):
            continue
        key = (tank, as_of)
        if key not in told:
            told[key] = weighed(of[key])
        rows += [
            (tank, as_of, rule, place, *one) for place, one in enumerate(of_rule(rule, of[key], told[key]), start=1)
        ]
    if not rows:
        return empty("finding_cause")
    named = ["tank", "as_of", "rule", "place", "cause", "because", "check", "score"]
    return conform("finding_cause", pl.DataFrame(rows, schema=named, orient="row"))
