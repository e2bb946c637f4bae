"""The review of some tanks: their findings with causes, and the lines that follow; and the ranks of all."""

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.review import ranking
from pipeline.review.causes import causes
from pipeline.review.facts import gather
from pipeline.review.finding import found
from pipeline.review.ranking import WEEK, quieten
from pipeline.review.rules import RULES
from pipeline.week import Round
from schemas import Tables, conform, empty


def looked_at(tables: Tables, asks: pl.DataFrame, assumed: Assumptions, round_: Round) -> Tables:
    """The findings of the asks with their causes, and the lines of the review, to be `ranked` among those of all tanks."""
    facts = gather(tables, asks, assumed, round_)
    noted = tables.get("noted", empty("noted")).drop_nulls("until").select("tank", "rule", "until")
    told = conform("finding", quieten(found(facts, RULES), noted, assumed["worse_share"]))
    # A mark is told against the week before: a day that has none before it marks nothing.
    before = asks.select("tank", (pl.col("as_of") + pl.duration(days=WEEK)).alias("as_of"), pl.lit(True).alias("known"))
    told = told.join(before.unique(), on=["tank", "as_of"], how="left", maintain_order="left")
    told = told.with_columns(pl.when("known").then("mark").alias("mark")).drop("known")
    told = told.sort("as_of", "tank", "harm", "rule")
    return {"finding": told, "finding_cause": causes(told, facts), "review": ranking.lines(told, facts, noted)}


def ranked(tables: Tables) -> Tables:
    """The tables of `looked_at` with the review in the order of its ranks."""
    return {**tables, "review": ranking.ranked(tables["review"])}


def findings(tables: Tables, asks: pl.DataFrame, assumed: Assumptions, round_: Round) -> Tables:
    """The findings of the asks with their causes, and the review that follows from them."""
    return ranked(looked_at(tables, asks, assumed, round_))
