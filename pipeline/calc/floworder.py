"""Is a filter laid out in the right order? settlement → coarse → medium → fine → biological → chemical.

An audit of every filter on a tank: each rule takes a filter's layers in flow order and says what is wrong, why it
matters and what to move. Common practice, no source: dirt that is not caught before the media seals its pores.
"""

from collections.abc import Iterator, Sequence
from functools import partial

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc.audit_rows import ROUGH, Fault, Row, faults, listed, marked, where
from pipeline.calc.fill_audit import bulk_oddities, empty_strainer, half_empty, not_in_the_book, over_full, rooms_of
from pipeline.calc.layers import ASK, asked, filters_on, layers_on
from schemas import Tables, conform

Layers = Sequence[Row]


def media_first(layers: Layers) -> Iterator[Fault]:
    """Media in the pre-filter: it meets the water first, or is in a first compartment meant for rough dirt."""
    found = [r for r in layers if r["full_flow"] and r["media"] and (not r["strained"] or r["in_pre_filter"])]
    if found:
        yield Fault(
            "media in the pre-filter",
            f"{listed(found)} meets the dirt before anything has caught it: it clogs, and counts a quarter for the full"
            " cycle.",
            "Give the first compartment settlement or coarse foam only. Leave old media there while you move it: a third"
            " at a time to behind the fine stage.",
        )


def no_fine(layers: Layers) -> Iterator[Fault]:
    """Media, and no fine stage anywhere."""
    found = [r for r in layers if r["full_flow"] and r["media"]]
    if found and not any(r["fine"] for r in layers):
        yield Fault(
            "no fine stage",
            f"No fine stage in this filter: fine dirt settles in {listed(found)} and seals its pores.",
            f"Put a fine pad just before {where(found[0])}, after the coarser ones.",
        )


def fine_after_media(layers: Layers) -> Iterator[Fault]:
    """A fine stage behind media: too late for that media, or one too many."""
    found = [r for r in layers if r["full_flow"] and r["fine"] and r["settled_before"]]
    if not found:
        return
    first = where(next(r for r in layers if r["settled"]))
    if any(r["fine"] and not r["settled_before"] for r in layers):
        says = f"A second fine stage ({listed(found)}) lies behind the media: it catches little there and costs flow."
        yield Fault(
            "fine after biological", says, f"Take {listed(found)} out, or put it with the fine stage before the media."
        )
    else:
        yield Fault(
            "fine after biological",
            f"The fine stage ({listed(found)}) comes after {first}: the dirt reaches the media first and seals its pores.",
            f"Move {listed(found)} to just before {first}.",
        )


def rough_after_media(layers: Layers) -> Iterator[Fault]:
    """A settlement, coarse or medium stage behind media."""
    found = [r for r in layers if r["full_flow"] and r["stage"] in ROUGH and r["settled_before"]]
    if found:
        yield Fault(
            "coarse after biological",
            f"{listed(found)} lies behind the media: the dirt it should catch has settled in the media by then.",
            f"Move {listed(found)} to the front, before the fine stage.",
        )


def fine_first(layers: Layers) -> Iterator[Fault]:
    """A fine stage that meets the water first."""
    found = [r for r in layers if r["full_flow"] and r["fine"] and not r["roughed"] and not r["media_before"]]
    if found:
        yield Fault(
            "fine first",
            f"{listed(found)} meets the water first: it clogs in days and the flow is lost.",
            f"Put a coarse stage, then a medium one, before {where(found[0])}.",
        )


def strainers_reversed(layers: Layers) -> Iterator[Fault]:
    """A coarser stage behind a finer one, both before the media."""
    found = [
        r for r in layers
        if r["full_flow"] and r["strains"] and not r["settled_before"]
        and r["finest_before"] is not None and r["finest_before"] > r["rank"]
    ]  # fmt: skip
    if found:
        yield Fault(
            "coarser after finer",
            f"{listed(found)} comes after a finer stage: the finer one does all the work and clogs early.",
            "Turn them round: settlement, coarse, medium, fine, as the water meets them.",
        )


def carbon_before_media(layers: Layers) -> Iterator[Fault]:
    """Carbon before media."""
    found = [r for r in layers if r["carbon"] and r["media_later"]]
    if found:
        yield Fault(
            "carbon before biological",
            f"{listed(found)} lies before the media: it takes the dirt, is spent early, and holds the place where media"
            " works.",
            f"Move {listed(found)} to the last compartment, or leave it out and keep it in the van.",
        )


def carbon_before_strainers(layers: Layers) -> Iterator[Fault]:
    """Carbon before a stage that catches dirt, where no media comes behind it (that is said by the rule before)."""
    found = [r for r in layers if r["carbon"] and r["strains_later"] and not r["media_later"]]
    if found:
        yield Fault(
            "carbon before fine",
            f"{listed(found)} comes before a stage that catches dirt: it silts up before it is spent.",
            f"Move {listed(found)} behind the fine stage, to the last compartment.",
        )


ORDER = (media_first, no_fine, fine_after_media, rough_after_media, fine_first, strainers_reversed,
         carbon_before_media, carbon_before_strainers)  # fmt: skip


def audit_layers(layers: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The findings on some layers in flow order, whether they are in a filter today or are only thought of."""
    rows = marked(layers)
    rooms = (partial(half_empty, assumed=assumed), partial(over_full, assumed=assumed))
    return pl.concat([
        faults(rows.filter(pl.col("position").is_not_null()), ORDER),
        faults(rooms_of(rows), rooms),
        faults(rows, [partial(bulk_oddities, assumed=assumed)]),
    ])  # fmt: skip


def audit(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The audit of every filter on the asked tanks that day: a frame of schemas Audit, sorted by tank and filter."""
    days = asked(asks)
    placed, layers = filters_on(tables, days), layers_on(tables, days, assumed)
    found = pl.concat(
        [audit_layers(layers, assumed), empty_strainer(tables, placed, layers), not_in_the_book(placed, layers)]
    )
    return conform("audit", found.sort(*ASK, "filter", "fault", "says"))
