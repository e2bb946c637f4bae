"""What the rules of the flow-order audit share: layers marked with what comes before and after, and their findings."""

from __future__ import annotations

import polars as pl

from pipeline.calc.layers import FILTER_ASK, HALF_CYCLE_KINDS
from schemas.words import STAGES

ROUGH = ("settlement", "coarse", "medium")
STRAINS = (*ROUGH, "fine")  # stages that catch dirt
PRE_FILTER = ("settlement", "coarse")
RANK = {stage: rank for rank, stage in enumerate(STAGES)}
ROOM = [*FILTER_ASK, "compartment"]
COLUMNS = [*FILTER_ASK, "fault", "says", "do"]


def _met(stages: tuple[str, ...]) -> pl.Expr:
    """Whether the water has met one of these stages before a layer."""
    return pl.col("stage").is_in(stages).cum_sum().shift(1).over(FILTER_ASK).fill_null(0) > 0


def _meets_later(condition: pl.Expr) -> pl.Expr:
    """Whether a layer with this property comes after a layer."""
    return condition.sum().over(FILTER_ASK) > condition.cum_sum().over(FILTER_ASK)


def marked(layers: pl.DataFrame) -> pl.DataFrame:
    """Layers in flow order with what came before and what comes after each, for the rules."""
    named = layers.with_columns(
        pl.format("{} in {}", "medium", "compartment").alias("where"),
        (pl.col("biological") & ~pl.col("foam")).alias("media"),
        (pl.col("stage") == "fine").fill_null(False).alias("fine"),
        (pl.col("stage") == "chemical").fill_null(False).alias("carbon"),
        pl.col("stage").is_in(STRAINS).fill_null(False).alias("strains"),
        pl.col("stage").replace_strict(RANK, default=None, return_dtype=pl.Int64).alias("rank"),
        (~pl.col("kind").is_in([*HALF_CYCLE_KINDS, "trickle"])).fill_null(True).alias("full_flow"),
    )
    named = named.with_columns(
        (pl.col("position") == pl.col("position").min().over(FILTER_ASK)).fill_null(False).alias("first_room"),
        (pl.col("compartment").n_unique().over(FILTER_ASK) > 1).alias("several_rooms"),
    )
    meant_first = pl.col("first_room") & pl.col("several_rooms") & pl.col("meant_for").is_in(PRE_FILTER)
    named = named.with_columns((pl.col("media") & meant_first).fill_null(False).alias("in_pre_filter"))
    # Media in the pre-filter is told to move: no other stage is measured against it.
    named = named.with_columns((pl.col("media") & ~pl.col("in_pre_filter")).alias("settled"))
    strain_rank = pl.when("strains").then("rank")
    return named.with_columns(
        _met(STRAINS).alias("strained"),
        _met(ROUGH).alias("roughed"),
        (pl.col("media").cum_sum().shift(1).over(FILTER_ASK).fill_null(0) > 0).alias("media_before"),
        (pl.col("settled").cum_sum().shift(1).over(FILTER_ASK).fill_null(0) > 0).alias("settled_before"),
        _meets_later(pl.col("media")).alias("media_later"),
        _meets_later(pl.col("strains")).alias("strains_later"),
        _meets_later(pl.col("fine")).alias("fine_later"),
        strain_rank.cum_max().shift(1).over(FILTER_ASK).alias("finest_before"),
    )


def finding(rows: pl.DataFrame, fault: str, says: pl.Expr, do: pl.Expr, key: list[str] | None = None) -> pl.DataFrame:
    """One finding a filter (or another key) from the layers that show it; says and do are aggregations over them."""
    by = key or list(FILTER_ASK)
    return rows.group_by(by, maintain_order=True).agg(says.alias("says"), do.alias("do")).with_columns(
        pl.lit(fault).alias("fault")
    ).select(COLUMNS)  # fmt: skip


def listed() -> pl.Expr:
    return pl.col("where").unique(maintain_order=True).str.join(", ")


def sentence(*parts: str | pl.Expr) -> pl.Expr:
    """Text and aggregations, one after the other."""
    return pl.concat_str([pl.lit(part) if isinstance(part, str) else part for part in parts])
