"""Findings meet their causes: the diagnosis table joined with the evidence in the records."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.review.evidence import EVIDENCE
from pipeline.review.facts import TankFacts
from schemas import conform, empty

TABLE = Path(__file__).with_name("diagnosis.toml")
MOST = 3


@cache
def diagnosis() -> Mapping[str, Any]:
    """The table: rule → its causes, the likelier first; cause → minutes and check."""
    return tomllib.loads(TABLE.read_text(encoding="utf-8"))


def of_rule(rule: str, f: TankFacts) -> list[tuple[str, str, str]]:
    """At most three causes of a finding that some record points to, the cheapest check first: cause, because, check."""
    told: list[tuple[str, str]] = []
    for cause in diagnosis()["rule"].get(rule, ()):
        if len(told) < MOST and cause in EVIDENCE and (because := EVIDENCE[cause](f)):
            told.append((cause, because))
    checks = diagnosis()["cause"]
    told.sort(key=lambda pair: checks[pair[0]]["minutes"])
    return [(cause, because, checks[cause]["check"]) for cause, because in told]


def causes(found: pl.DataFrame, facts: Sequence[TankFacts]) -> pl.DataFrame:
    """The causes of findings, a row each."""
    of = {(f.tank, f.as_of): f for f in facts}
    rows = [
        (tank, as_of, rule, place, *cause)
        for tank, as_of, rule in found.select("tank", "as_of", "rule").sort("tank", "as_of", "rule").iter_rows()
        for place, cause in enumerate(of_rule(rule, of[tank, as_of]), start=1)
    ]
    if not rows:
        return empty("finding_cause")
    named = ["tank", "as_of", "rule", "place", "cause", "because", "check"]
    return conform("finding_cause", pl.DataFrame(rows, schema=named, orient="row"))
