"""Findings meet their causes: each possible cause weighed by how often it is met, what is recorded, and what it explains:
what doubted readings and refitted balances gain it, and what it would make of the readings."""

import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl

from pipeline.review.evidence import EVIDENCE
from pipeline.review.facts import Row, TankFacts
from pipeline.review.finding import ORDER, STEADY
from pipeline.sentences import filled, table
from pipeline.wording import amount, counted, day_month, reading, with_unit
from schemas import conform

TABLE = Path(__file__).with_name("diagnosis.toml")
MOST = 3


def diagnosis() -> Mapping[str, Any]:
    """The table: rule → its causes; cause → minutes and check; what is behind a doubt and a rise."""
    return table(__file__, TABLE.name)


OF_DOUBT: Mapping[str, str] = diagnosis()["doubt"]  # what a doubt of a reading points to
RISES: Sequence[str] = diagnosis()["rises"]


def explains(cause: str) -> str:
    """The explanation that carries a cause: a rise or a fall of the source, or its own."""
    return "fall" if cause == "plants or algae" else "rise" if cause in RISES else cause


def doubted(f: TankFacts) -> list[Row]:
    """Readings of the last weeks that may be wrong, oldest first; that one is off its kit's steps is no doubt alone."""
    return [row for row in f.lately("doubt", f.assumed["recent_cause_days"]) if row["doubt"] in OF_DOUBT]


def _explained(kind: str, case: str, row: Row, **shown: object) -> str:
    """A sentence of explained.toml filled from a row."""
    cases = table(__file__, "explained.toml")[kind]
    template = cases.get(case, cases.get("rise"))
    if not isinstance(template, str):
        template = template[row["would_be"] is None]
    return filled(template, row=row, other=row["other"] or "beside it", **shown)


def doubt_text(row: Row) -> str:
    """What a reading would be if its doubt is right."""
    read = f"{reading(row['parameter'], row['matched'])} on {day_month(row['day'])}"
    be = None if row["would_be"] is None else reading(row["parameter"], row["would_be"])
    share = None if row["size"] is None else 100 * row["size"]
    return _explained("doubt", row["doubt"], row, read=read, be=be, share=share)


def explanation_text(row: Row) -> str:
    """What an explanation would make of the readings."""
    size = row["size"] or 0.0
    was, would = ("" if row[c] is None else reading("nitrate", row[c]) for c in ("was", "would_be"))
    sizes = {"size": size, "share": 100 * size, "more": abs(size), "weekly": 7 * abs(size)}
    kit, tanks = row["kit"] or "in use", counted(row["tanks"], "tank")
    return _explained("explanation", row["cause"], row, was=was, would=would, kit=kit, tanks=tanks, **sizes)


def left_over(f: TankFacts, rise: Row) -> list[tuple[str, str]]:
    """What is left for a rise that no record explains: food that was not recorded; then what a good flow does not show."""
    faster = with_unit(amount(7 * (rise["size"] or 0.0)), "mg/L a week")
    nothing = f"nothing recorded explains why nitrate rises faster by {faster} since about {day_month(rise['since'])}"
    left = [("overfeeding", f"{nothing}: food that was not recorded is left over")]
    if f.flow_basis == "timed" and f.flow_of_clean is not None and f.flow_of_clean >= f.assumed["flow_lost_share"]:
        left.append(("bypass", f"{nothing}, and the flow is good: water may pass the media by"))
    return left


def explanations(f: TankFacts) -> dict[str, Row]:
    return {row["cause"]: row for row in f.records("explanation")}


def recent(f: TankFacts, row: Row) -> bool:
    """Whether an explanation begins lately enough to be asked about."""
    return bool((f.as_of - row["since"]).days < f.assumed["fell_days"])


def gained(f: TankFacts) -> dict[str, tuple[str, float]]:
    """Causes that doubted readings or refitted balances speak for: why each is possible, and what it gains [log units]."""
    gains: dict[str, tuple[str, float]] = {}
    for row in doubted(f):
        gain = f.assumed["says_state" if row["doubt"] == "leap" else "says_reading"]
        gains[OF_DOUBT[row["doubt"]]] = doubt_text(row), gain
    for name, row in explanations(f).items():
        if name in ("rise", "reader") or (name == "unlogged change" and not recent(f, row)):
            continue
        cause = "plants or algae" if name == "fall" else name
        if cause not in gains or row["gain"] > gains[cause][1]:
            gains[cause] = explanation_text(row), min(row["gain"], f.assumed["says_most"])
    return gains


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
    possible: dict[str, Possible] = {}
    refitted, rise, checks = gained(f), explanations(f).get("rise"), diagnosis()["cause"]
    risen = 0.0 if rise is None else min(rise["gain"], f.assumed["says_most"])
    for cause, check in checks.items():
        evidence = EVIDENCE[cause](f) if cause in EVIDENCE else None
        because, gain = refitted.get(cause, ("", 0.0))
        if evidence is None and not because:
            continue
        speaks = 0.0
        if evidence is not None:
            speaks = f.assumed[evidence.weight] + (risen if cause in RISES else 0.0)
            because = f"{evidence.because}; {because}" if because else evidence.because
        possible[cause] = Possible(cause, because, check["check"], met(f, cause) + speaks + gain)
    if rise is not None and not any(cause in possible for cause in RISES):
        for cause, because in left_over(f, rise):
            possible[cause] = Possible(cause, because, checks[cause]["check"], met(f, cause) + risen)
    return possible


UNEXPLAINED = "nothing recorded explains it; this is left to look for"


def of_rule(rule: str, f: TankFacts, possible: Mapping[str, Possible] | None = None) -> list[Possible]:
    """At most three possible causes of a finding, the likeliest first; of those about as likely, the cheapest check."""
    possible = weighed(f) if possible is None else possible
    checks = diagnosis()["cause"]
    mine = [possible[c] for c in diagnosis()["rule"].get(rule, ()) if c in possible]
    if all(one.score - met(f, one.cause) <= f.assumed["says_state"] for one in mine):
        left = [c for c in diagnosis()["left_over"].get(rule, ()) if c not in possible]
        mine += [Possible(c, UNEXPLAINED, checks[c]["check"], met(f, c)) for c in left]
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
    with_causes = [rule for rule, mine in diagnosis()["rule"].items() if mine]
    keys = ("tank", "as_of", "rule")
    asked = found.filter(pl.col("rule").is_in(with_causes)).select(keys).sort(keys)
    rows = []
    for key, rules in asked.rows_by_key(["tank", "as_of"]).items():
        possible = weighed(of[key])
        for (rule,) in rules:
            rows += [(*key, rule, n, *one) for n, one in enumerate(of_rule(rule, of[key], possible), start=1)]
    named = ["tank", "as_of", "rule", "place", "cause", "because", "check", "score"]
    return conform("finding_cause", pl.DataFrame(rows, schema=named, orient="row"))
