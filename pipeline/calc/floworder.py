"""Is a filter laid out in the right order? settlement → coarse → medium → fine → biological → chemical.

An audit of every filter that stands on a tank: each finding says what is wrong, why it matters and what to move. Common
practice, no source: dirt that is not caught before the media seals its pores.
"""

from __future__ import annotations

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc.audit_rows import ROUGH, finding, listed, marked, sentence
from pipeline.calc.fill_audit import bulk_oddities, empty_strainer, half_empty, not_in_the_book, over_full, rooms_of
from pipeline.calc.layers import ASK, FILTER_ASK, asked, filters_on, layers_on
from schemas import Tables, conform

# -- the order of the stages -------------------------------------------------------------------------


def media_first(rows: pl.DataFrame) -> pl.DataFrame:
    """Media in the pre-filter: it meets the water first, or lies in a first compartment meant for rough dirt."""
    found = rows.filter(pl.col("full_flow") & pl.col("media") & (~pl.col("strained") | pl.col("in_pre_filter")))
    return finding(
        found,
        "media in the pre-filter",
        sentence(
            listed(),
            " meets the dirt before anything has caught it: it clogs, and counts a quarter for the full cycle.",
        ),
        pl.lit(
            "Give the first compartment settlement or coarse foam only. Leave old media there while you move it: a"
            " third at a time to behind the fine stage."
        ),
    )


def no_fine(rows: pl.DataFrame) -> pl.DataFrame:
    """Media, and no fine stage anywhere."""
    has_fine = pl.col("fine").any().over(FILTER_ASK)
    found = rows.filter(pl.col("full_flow") & pl.col("media") & ~has_fine)
    return finding(
        found,
        "no fine stage",
        sentence("No fine stage in this filter: fine dirt settles in ", listed(), " and seals its pores."),
        sentence("Put a fine pad just before ", pl.col("where").first(), ", after the coarser ones."),
    )


def fine_after_media(rows: pl.DataFrame) -> pl.DataFrame:
    """A fine stage behind media: too late for that media, or one too many."""
    media = pl.col("where").filter(pl.col("settled")).first().over(FILTER_ASK)
    early = (pl.col("fine") & ~pl.col("settled_before")).any().over(FILTER_ASK)
    found = rows.with_columns(media.alias("first_media"), early.alias("early")).filter(
        pl.col("full_flow") & pl.col("fine") & pl.col("settled_before")
    )
    late = finding(
        found.filter(~pl.col("early")),
        "fine after biological",
        sentence(
            "The fine stage (", listed(), ") comes after ", pl.col("first_media").first(),
            ": the dirt reaches the media first and seals its pores.",
        ),
        sentence("Move ", listed(), " to just before ", pl.col("first_media").first(), "."),
    )  # fmt: skip
    second = finding(
        found.filter(pl.col("early")),
        "fine after biological",
        sentence("A second fine stage (", listed(), ") lies behind the media: it catches little there and costs flow."),
        sentence("Take ", listed(), " out, or put it with the fine stage before the media."),
    )
    return pl.concat([late, second])


def rough_after_media(rows: pl.DataFrame) -> pl.DataFrame:
    """A settlement, coarse or medium stage behind media."""
    found = rows.filter(pl.col("full_flow") & pl.col("stage").is_in(ROUGH).fill_null(False) & pl.col("settled_before"))
    return finding(
        found,
        "coarse after biological",
        sentence(listed(), " lies behind the media: the dirt it should catch has settled in the media by then."),
        sentence("Move ", listed(), " to the front, before the fine stage."),
    )


def fine_first(rows: pl.DataFrame) -> pl.DataFrame:
    """A fine stage that meets the water first."""
    found = rows.filter(pl.col("full_flow") & pl.col("fine") & ~pl.col("roughed") & ~pl.col("media_before"))
    return finding(
        found,
        "fine first",
        sentence(listed(), " meets the water first: it clogs in days and the flow is lost."),
        sentence("Put a coarse stage, then a medium one, before ", pl.col("where").first(), "."),
    )


def strainers_reversed(rows: pl.DataFrame) -> pl.DataFrame:
    """A coarser stage behind a finer one, both before the media."""
    behind = pl.col("strains") & (pl.col("finest_before") > pl.col("rank")).fill_null(False)
    found = rows.filter(pl.col("full_flow") & behind & ~pl.col("settled_before"))
    return finding(
        found,
        "coarser after finer",
        sentence(listed(), " comes after a finer stage: the finer one does all the work and clogs early."),
        pl.lit("Turn them round: settlement, coarse, medium, fine, as the water meets them."),
    )


def carbon_before_media(rows: pl.DataFrame) -> pl.DataFrame:
    """Carbon before media."""
    found = rows.filter(pl.col("carbon") & pl.col("media_later"))
    return finding(
        found,
        "carbon before biological",
        sentence(
            listed(),
            " lies before the media: it takes the dirt, is spent early, and holds the place where media works.",
        ),
        sentence("Move ", listed(), " to the last compartment, or leave it out and keep it in the van."),
    )


def carbon_before_strainers(rows: pl.DataFrame) -> pl.DataFrame:
    """Carbon before a stage that catches dirt, where no media comes behind it (that is said by the rule before)."""
    found = rows.filter(pl.col("carbon") & pl.col("strains_later") & ~pl.col("media_later"))
    return finding(
        found,
        "carbon before fine",
        sentence(listed(), " comes before a stage that catches dirt: it silts up before it is spent."),
        sentence("Move ", listed(), " behind the fine stage, to the last compartment."),
    )


# -- together ----------------------------------------------------------------------------------------


def audit_layers(layers: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The findings on some layers in flow order, whether they lie in a filter today or are only thought of."""
    rows = marked(layers)
    placed = rows.filter(pl.col("position").is_not_null())
    rooms = rooms_of(rows)
    rules = (media_first, no_fine, fine_after_media, rough_after_media, fine_first, strainers_reversed,
             carbon_before_media, carbon_before_strainers)  # fmt: skip
    return pl.concat(
        [rule(placed) for rule in rules]
        + [half_empty(rooms, assumed), over_full(rooms, assumed), bulk_oddities(rows, assumed)]
    )


def audit(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The audit of every filter on the asked tanks that day: a frame of schemas Audit, sorted by tank and filter."""
    days = asked(asks)
    placed, layers = filters_on(tables, days), layers_on(tables, days, assumed)
    found = pl.concat(
        [audit_layers(layers, assumed), empty_strainer(tables, placed, layers), not_in_the_book(placed, marked(layers))]
    )
    return conform("audit", found.sort(*ASK, "filter", "fault", "says"))
