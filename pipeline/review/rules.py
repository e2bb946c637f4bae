"""The rules of the review, and the review of some tanks by them: their findings with causes, the lines that follow.

A rule is a public function of a rules module that takes a tank's facts and returns a finding or None: a new one is told
of nowhere else.
"""

import inspect

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.review import ranking, rules_doubt, rules_tank, rules_trend, rules_water
from pipeline.review.causes import causes
from pipeline.review.facts import gather
from pipeline.review.finding import Finding, Rule, found
from pipeline.review.ranking import WEEK, quieten
from pipeline.week import Round
from schemas import Tables, conform, empty

RULES: tuple[Rule, ...] = tuple(
    rule
    for module in (rules_water, rules_doubt, rules_tank, rules_trend)
    for name, rule in inspect.getmembers(module, inspect.isfunction)
    if rule.__module__ == module.__name__
    and rule.__annotations__["return"] == Finding | None
    and not name.startswith("_")
)


def looked_at(tables: Tables, requests: pl.DataFrame, assumed: Assumptions, round_: Round) -> Tables:
    """The findings of the requests with their causes, and the lines of the review, to be `ranked` among those of all tanks."""
    facts = gather(tables, requests, assumed, round_)
    noted = tables.get("noted", empty("noted")).drop_nulls("until").select("tank", "rule", "until")
    frame = conform("finding", quieten(found(facts, RULES), noted, assumed["worse_share"]))
    # A mark is told against the week before: a day that has none before it marks nothing.
    before = requests.select("tank", pl.col("as_of") + pl.duration(days=WEEK), known=pl.lit(True)).unique()
    frame = frame.join(before, on=["tank", "as_of"], how="left", maintain_order="left")
    frame = frame.with_columns(pl.when("known").then("mark").alias("mark")).drop("known")
    frame = frame.sort("as_of", "tank", "harm", "rule")
    return {"finding": frame, "finding_cause": causes(frame, facts), "review": ranking.lines(frame, facts, noted)}


def ranked(tables: Tables) -> Tables:
    """The tables of `looked_at`, the lines of all tanks ranked within their as-of day."""
    rows = tables["review"].sort("as_of", "place", "harm", "site", "tank", maintain_order=True)
    rows = rows.with_columns((pl.int_range(pl.len()).over("as_of") + 1).alias("rank"))
    return {**tables, "review": conform("review", rows)}
