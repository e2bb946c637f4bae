"""Findings meet their causes: the diagnosis table joined with the evidence in the records."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path

import polars as pl

from pipeline.review.evidence import EVIDENCE
from pipeline.review.facts import Facts
from pipeline.review.saying import ASK
from schemas import conform, empty

TABLE = Path(__file__).with_name("diagnosis.toml")
MOST = 3


@cache
def diagnosis() -> tuple[pl.DataFrame, pl.DataFrame]:
    """The table as frames: rule, cause, likely (0 is likeliest); and cause, minutes, check."""
    told = tomllib.loads(TABLE.read_text(encoding="utf-8"))
    pairs = [(rule, cause, place) for rule, causes in told["rule"].items() for place, cause in enumerate(causes)]
    checks = [(cause, row["minutes"], row["check"]) for cause, row in told["cause"].items()]
    return (
        pl.DataFrame(pairs, schema={"rule": pl.String, "cause": pl.String, "likely": pl.Int64}, orient="row"),
        pl.DataFrame(checks, schema={"cause": pl.String, "minutes": pl.Float64, "check": pl.String}, orient="row"),
    )


def causes(found: pl.DataFrame, facts: Facts) -> pl.DataFrame:
    """At most three causes a finding that some record points to, the cheapest check first."""
    if found.height == 0:
        return empty("finding_cause")
    pairs, checks = diagnosis()
    evidence = pl.concat(
        [point(facts).with_columns(pl.lit(cause).alias("cause")) for cause, point in EVIDENCE.items()],
        how="vertical_relaxed",
    )
    rows = (
        found.select(*ASK, "rule")
        .join(pairs, on="rule")
        .join(evidence, on=[*ASK, "cause"])
        .sort(*ASK, "rule", "likely")
        .with_columns(pl.int_range(pl.len()).over(*ASK, "rule").alias("n"))
        .filter(pl.col("n") < MOST)
        .join(checks, on="cause")
        .sort(*ASK, "rule", "minutes", "likely")
        .with_columns((pl.int_range(pl.len()).over(*ASK, "rule") + 1).alias("place"))
    )
    return conform("finding_cause", rows)
