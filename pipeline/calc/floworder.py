"""Is a filter laid out in the right order, settlement → coarse → medium → fine → biological → chemical? Are its
compartments full, and can the book be right? Common practice, no source: dirt that is not caught before the media seals
its pores. What each case says, why it matters and what to move stand in floworder.toml.
"""

from collections.abc import Callable, Iterator
from functools import partial
from itertools import groupby
from operator import itemgetter
from typing import Any

import polars as pl
from polars import col

from pipeline.assumptions import Assumptions
from pipeline.calc.layers import (
    FILTER_REQUEST,
    HALF_CYCLE_KINDS,
    REQUEST,
    filters_on,
    layers_on,
    table,
    unique_requests,
)
from pipeline.sentences import filled
from pipeline.sentences import table as sentences
from schemas import Tables, conform
from schemas.words import STAGES

Row = dict[str, Any]
Case = tuple[str, dict[str, object]]  # a case of floworder.toml, and what its places are filled with
ROUGH = ("settlement", "coarse", "medium")
STRAINS = (*ROUGH, "fine")  # stages that catch dirt
RANK = {stage: rank for rank, stage in enumerate(STAGES)}
ROOM = [*FILTER_REQUEST, "compartment"]
FAULT = {"tank": pl.String, "as_of": pl.Date, "filter": pl.String, "fault": pl.String, "says": pl.String, "do": pl.String}  # fmt: skip

# Which layers make each case of a wrong order, by the columns of `_marked`. Kinds without an order have the last two only.
LATE_FINE = col("full_flow") & col("fine") & col("settled_before")
CASES = {
    "media in the pre-filter": col("full_flow") & col("media") & (~col("strains_before") | col("in_pre_filter")),
    "no fine stage": col("full_flow") & col("media") & ~col("some_fine"),
    "second fine stage": LATE_FINE & col("fine_in_time"),
    "fine after biological": LATE_FINE & ~col("fine_in_time"),
    "coarse after biological": col("full_flow") & col("rough") & col("settled_before"),
    "fine first": col("full_flow") & col("fine") & ~col("rough_before") & ~col("media_before"),
    "coarser after finer": col("full_flow") & ~col("settled_before") & (col("finest_before") > col("strain_rank")),
    "carbon before biological": col("carbon") & col("media_later"),
    "carbon before fine": col("carbon") & col("strains_later") & ~col("media_later"),
}


def _marked(layers: pl.DataFrame) -> pl.DataFrame:
    """Layers in flow order with what came before and what comes after each, and the cases they make.

    Media in the pre-filter (first, meant for rough dirt) is told to move: other stages are measured against `settled` media.
    """

    def before(name: str) -> pl.Expr:
        return (col(name).cum_sum().shift(1).over(FILTER_REQUEST).fill_null(0) > 0).alias(f"{name}_before")

    def later(name: str) -> pl.Expr:
        return (col(name).sum().over(FILTER_REQUEST) > col(name).cum_sum().over(FILTER_REQUEST)).alias(f"{name}_later")

    placed = col("position").is_not_null()
    first_of_several = (col("position") == col("position").min().over(FILTER_REQUEST)) & (
        col("compartment").n_unique().over(FILTER_REQUEST) > 1
    )
    meant_first = (first_of_several & col("meant_for").is_in(["settlement", "coarse"])).fill_null(False)
    fine_here = col("fine") & placed
    return (
        layers.lazy()
        .with_columns(
            media=col("biological") & ~col("foam"),
            fine=(col("stage") == "fine").fill_null(False),
            carbon=(col("stage") == "chemical").fill_null(False),
            rough=col("stage").is_in(ROUGH).fill_null(False),
            strains=col("stage").is_in(STRAINS).fill_null(False),
            full_flow=(~col("kind").is_in([*HALF_CYCLE_KINDS, "trickle"])).fill_null(True),
        )
        .with_columns(
            in_pre_filter=col("media") & meant_first,
            settled=col("media") & ~meant_first,
            strain_rank=pl.when("strains").then(col("stage").replace_strict(RANK, default=None, return_dtype=pl.Int64)),
        )
        .with_columns(
            *(before(name) for name in ("strains", "rough", "media", "settled")),
            *(later(name) for name in ("media", "strains")),
            some_fine=fine_here.any().over(FILTER_REQUEST),
            finest_before=col("strain_rank").cum_max().shift(1).over(FILTER_REQUEST),
        )
        .with_columns(fine_in_time=(fine_here & ~col("settled_before")).any().over(FILTER_REQUEST))
        .with_columns((makes & placed).fill_null(False).alias(case) for case, makes in CASES.items())
        .collect()
    )


def _rooms(rows: pl.DataFrame) -> pl.DataFrame:
    """One row a filled compartment: how full it is, poured and packed, and of what."""
    packed = col("tight_share").filter(col("mass_kg").is_not_null())
    return rows.group_by(ROOM, maintain_order=True).agg(
        col("full_flow").first(),
        col("media").any().alias("has_media"),
        pl.when(col("loose_share").null_count() == 0).then(col("loose_share").sum()).alias("loose"),
        col("tight_share").sum().alias("tight"),
        packed.sum().alias("tight_mass"),
        col("mass_kg").sum().alias("kg"),
        (col("mass_kg").sum() / packed.sum()).alias("holds_kg"),
    )


def _faults(rows: pl.DataFrame, rule: Callable[[list[Row]], Iterator[Case]]) -> pl.DataFrame:
    """What a rule says of each filter, a row a fault; the rows of a filter stand together."""
    faults = []
    for key, mine in groupby(rows.iter_rows(named=True), itemgetter(*FILTER_REQUEST)):
        for case, shown in rule(list(mine)):
            sentence = sentences(__file__, "floworder.toml")[case]
            faults.append(
                (*key, sentence.get("fault", case), filled(sentence["says"], **shown), filled(sentence["do"], **shown))
            )
    return pl.DataFrame(faults, schema=FAULT, orient="row")


def _where(row: Row) -> str:
    return f"{row['medium']} in {row['compartment']}"


def _listed(rows: list[Row]) -> str:
    """`good in basket 1, lava in basket 2`, each once."""
    return ", ".join(dict.fromkeys(_where(row) for row in rows))


def _wrong_order(layers: list[Row]) -> Iterator[Case]:
    """Stages in the wrong order, or missing."""
    settled = next((_where(row) for row in layers if row["settled"]), "")
    for case in CASES:
        if found := [row for row in layers if row[case]]:
            yield case, {"listed": _listed(found), "first": _where(found[0]), "settled": settled}


def _wrong_fill(rooms: list[Row], assumed: Assumptions) -> Iterator[Case]:
    """A compartment filled to under half, where water passes by (not judged where a layer is not known); media over its
    neat mass, or layers thicker than the compartment is deep."""
    for room in rooms:
        if room["full_flow"] and room["loose"] is not None and room["loose"] < assumed["audit_half_empty"]:
            case = "half-empty compartment" if room["has_media"] else "half-empty of pads"
            yield case, {"room": room, "full": 100 * room["loose"]}
    for room in rooms:
        if room["tight_mass"] > assumed["audit_over_full"]:
            yield "over its neat mass", {"room": room}
        elif room["tight"] > assumed["audit_over_full"]:
            yield "over-full compartment", {"room": room, "full": 100 * room["tight"]}


def _wrong_mass(layers: list[Row], assumed: Assumptions) -> Iterator[Case]:
    """Media that is too heavy for its room or its kind: weighed wet, or litres taken for kilograms."""
    media = [row for row in layers if row["media"]]
    wet: list[tuple[float, Row]] = []
    for row in media:
        litres = row["litres"] if row["thickness_mm"] is not None else None
        litres = row["usable_l"] if litres is None else litres
        if litres and row["mass_kg"] is not None and row["mass_kg"] / litres > assumed["bulk_high_kg_l"]:
            wet.append((row["mass_kg"] / litres, row))
    if wet:
        yield "weighed wet", {"listed": _listed([row for _, row in wet]), "kg_l": max(kg for kg, _ in wet)}
    if litre := [row for row in media if row["bulk_kg_l"] == 1.0]:
        yield "litres for kilograms", {"listed": _listed(litre)}
    for row in media:
        room, bulk, litres = row["room_loose_kg"], row["bulk_kg_l"], row["usable_l"]
        if row["medium"] != row["usual_medium"] or room is None or not bulk or not litres:
            continue
        if abs(room / litres / bulk - 1) > assumed["audit_bulk_differs"]:
            yield "book and catalogue differ", {"row": row, "kg": litres * bulk}
            return


def _empty_strainers(tables: Tables, placed: pl.DataFrame, layers: pl.DataFrame) -> pl.DataFrame:
    """Compartments meant to catch dirt with nothing in them, in filters that have fills. Room for media is no fault."""
    book = table(tables, "compartment").filter(col("stage").is_in(STRAINS))
    meant = book.sort("position").unique(["model", "compartment"], keep="first", maintain_order=True)
    known = placed.join(layers, on=FILTER_REQUEST, how="semi")
    bare = known.join(meant.select("model", "compartment", "stage"), on="model").join(layers, on=ROOM, how="anti")
    return bare.sort(*FILTER_REQUEST, "compartment")


def audit_layers(layers: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The findings on some layers in flow order, whether they are in a filter today or are only thought of."""
    rows = _marked(layers)
    return pl.concat([
        _faults(rows.filter(col("position").is_not_null()), _wrong_order),
        _faults(_rooms(rows), partial(_wrong_fill, assumed=assumed)),
        _faults(rows, partial(_wrong_mass, assumed=assumed)),
    ])  # fmt: skip


def audit_filters(tables: Tables, placed: pl.DataFrame, layers: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The findings on filters that are placed, from their layers, and what nobody recorded of them."""
    bare = placed.join(layers, on=FILTER_REQUEST, how="anti").sort(FILTER_REQUEST)
    return pl.concat([
        audit_layers(layers, assumed),
        _faults(_empty_strainers(tables, placed, layers), lambda rows: (("empty compartment", {"room": r}) for r in rows)),
        _faults(bare, lambda rows: iter([("no layout", {"filter": rows[0]["filter"]})])),
        _faults(layers.filter(col("position").is_null()), lambda rows: iter([("not in the book", {"listed": _listed(rows)})])),
    ])  # fmt: skip


def audit(tables: Tables, requests: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """The audit of every filter on the asked tanks that day: a frame of schemas Audit, sorted by tank and filter."""
    days = unique_requests(requests)
    found = audit_filters(tables, filters_on(tables, days), layers_on(tables, days, assumed), assumed)
    return conform("audit", found.sort(*REQUEST, "filter", "fault", "says"))
