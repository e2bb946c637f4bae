"""Findings and their ranking: which fish are at risk, what is due, what nobody knows."""

from __future__ import annotations

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.review import ranking
from pipeline.review.causes import causes
from pipeline.review.facts import concat, gather
from pipeline.review.ranking import MONTH, WEEK, quieten
from pipeline.review.rules import RULES
from pipeline.review.told import as_json, as_text
from pipeline.week import Round
from schemas import Tables, conform

__all__ = ["MONTH", "WEEK", "as_json", "as_text", "findings", "looked_at", "ranked"]


def looked_at(tables: Tables, asks: pl.DataFrame, assumed: Assumptions, round_: Round) -> Tables:
    """The findings of the asks with their causes, and the lines of the review, to be `ranked` among those of all tanks."""
    facts = gather(tables, asks, assumed, round_)
    found = concat([rule(facts) for rule in RULES])
    noted = facts.table("noted").drop_nulls("until").select("tank", "rule", "until")
    found = conform("finding", quieten(found, noted, assumed["worse_share"]))
    found = found.sort("as_of", "tank", "harm", "rule")
    return {"finding": found, "finding_cause": causes(found, facts), "review": ranking.lines(found, facts)}


def ranked(tables: Tables) -> Tables:
    """The tables of `looked_at` with the review in the order of its ranks."""
    return {**tables, "review": ranking.ranked(tables["review"])}


def findings(tables: Tables, asks: pl.DataFrame, assumed: Assumptions, round_: Round) -> Tables:
    """The findings of the asks with their causes, and the review that follows from them."""
    return ranked(looked_at(tables, asks, assumed, round_))
