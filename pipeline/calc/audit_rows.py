"""What the rules of the flow-order audit share: layers marked with what comes before and after, and their findings."""

import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from typing import Any, NamedTuple

import polars as pl

from pipeline.calc.layers import FILTER_ASK, HALF_CYCLE_KINDS
from schemas.words import STAGES

Row = dict[str, Any]
ROUGH = ("settlement", "coarse", "medium")
STRAINS = (*ROUGH, "fine")  # stages that catch dirt
PRE_FILTER = ("settlement", "coarse")
RANK = {stage: rank for rank, stage in enumerate(STAGES)}
ROOM = [*FILTER_ASK, "compartment"]
FAULT = {"tank": pl.String, "as_of": pl.Date, "filter": pl.String, "fault": pl.String, "says": pl.String, "do": pl.String}  # fmt: skip


class Fault(NamedTuple):
    """What is wrong with a filter, why it matters, and what to do."""

    fault: str
    says: str
    do: str


def _met(stages: tuple[str, ...]) -> pl.Expr:
    """Whether the water has met one of these stages before a layer."""
    return pl.col("stage").is_in(stages).cum_sum().shift(1).over(FILTER_ASK).fill_null(0) > 0


def _meets_later(condition: pl.Expr) -> pl.Expr:
    """Whether a layer with this property comes after a layer."""
    return condition.sum().over(FILTER_ASK) > condition.cum_sum().over(FILTER_ASK)


def marked(layers: pl.DataFrame) -> pl.DataFrame:
    """Layers in flow order with what came before and what comes after each, for the rules."""
    named = layers.with_columns(
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


def by_filter(rows: pl.DataFrame) -> dict[tuple[str, dt.date, str], list[Row]]:
    """The rows of each tank, day and filter, in their order."""
    found: dict[tuple[str, dt.date, str], list[Row]] = {}
    for row in rows.iter_rows(named=True):
        found.setdefault((row["tank"], row["as_of"], row["filter"]), []).append(row)
    return found


def faults(rows: pl.DataFrame, rules: Iterable[Callable[[Sequence[Row]], Iterable[Fault]]]) -> pl.DataFrame:
    """What the rules say of each filter, a row a fault."""
    rules = tuple(rules)
    told = [(*key, *fault) for key, layers in by_filter(rows).items() for rule in rules for fault in rule(layers)]
    return pl.DataFrame(told, schema=FAULT, orient="row")


def where(row: Row) -> str:
    return f"{row['medium']} in {row['compartment']}"


def listed(rows: Sequence[Row]) -> str:
    """`good in basket 1, lava in basket 2`, each once."""
    return ", ".join(dict.fromkeys(where(row) for row in rows))
