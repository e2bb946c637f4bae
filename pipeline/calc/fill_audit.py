"""How full the compartments of a filter are, and whether the book can be right: rules of the flow-order audit."""

from collections.abc import Iterator, Sequence

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc.audit_rows import FAULT, ROOM, STRAINS, Fault, Row, faults, listed
from pipeline.calc.layers import FILTER_ASK, table
from pipeline.wording import amount
from schemas import Tables


def rooms_of(rows: pl.DataFrame) -> pl.DataFrame:
    """One row a filled compartment: how full it is, poured and packed, and of what."""
    packed = pl.col("tight_share").filter(pl.col("mass_kg").is_not_null())
    return rows.group_by(ROOM, maintain_order=True).agg(
        pl.col("full_flow").first(),
        pl.col("media").any().alias("has_media"),
        pl.when(pl.col("loose_share").null_count() == 0).then(pl.col("loose_share").sum()).alias("loose"),
        pl.col("tight_share").sum().alias("tight"),
        packed.sum().alias("tight_mass"),
        pl.col("mass_kg").sum().alias("kg"),
        (pl.col("mass_kg").sum() / packed.sum()).alias("holds_kg"),
    )


def half_empty(rooms: Sequence[Row], assumed: Assumptions) -> Iterator[Fault]:
    """A compartment filled to under half: water passes by. What is not known to the last layer is not judged."""
    for room in rooms:
        if room["full_flow"] and room["loose"] is not None and room["loose"] < assumed["audit_half_empty"]:
            name = room["compartment"]
            up = "with media, or put a pad on top that holds it down" if room["has_media"] else ""
            yield Fault(
                "half-empty compartment",
                f"{name} is only {amount(100 * room['loose'], 0)} % full: its layers shift, and water takes the easy way"
                " past them.",
                f"Fill {name} up {up}." if up else f"Fill {name} up: a thicker pad, or one more of the same.",
            )


def over_full(rooms: Sequence[Row], assumed: Assumptions) -> Iterator[Fault]:
    """Media over its neat mass, or layers thicker than the compartment is deep."""
    limit = assumed["audit_over_full"]
    for room in rooms:
        name = room["compartment"]
        if room["tight_mass"] > limit:
            yield Fault(
                "over its neat mass",
                f"{name} is said to hold {amount(room['kg'], 2)} kg; packed neatly it takes {amount(room['holds_kg'], 2)}"
                " kg. Was the media weighed wet, or is the book wrong? Crammed media costs flow.",
                f"Weigh the media dry, measure {name} with a jug, put the record right.",
            )
        elif room["tight"] > limit:
            yield Fault(
                "over-full compartment",
                f"The layers of {name} take {amount(100 * room['tight'], 0)} % of its depth: squeezed pads let less water"
                " through, and the lid may not seal.",
                f"Take a layer out of {name}, or measure its depth and its pads.",
            )


def empty_strainer(tables: Tables, placed: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """A compartment meant to catch dirt with nothing in it, in a filter that has fills. Room for media is no fault."""
    book = table(tables, "compartment").filter(pl.col("stage").is_in(STRAINS))
    meant = book.sort("position").unique(["model", "compartment"], keep="first", maintain_order=True)
    known = placed.join(rows.select(FILTER_ASK).unique(), on=FILTER_ASK, how="semi")
    bare = known.join(meant.select("model", "compartment", "stage"), on="model")
    bare = bare.join(rows.select(ROOM).unique(), on=ROOM, how="anti").sort(*FILTER_ASK, "compartment")

    def told(rooms: Sequence[Row]) -> Iterator[Fault]:
        for room in rooms:
            yield Fault(
                "empty compartment",
                f"{room['compartment']} is meant for a {room['stage']} stage and nothing is recorded in it: the dirt goes"
                " on to the next.",
                f"Put a {room['stage']} stage into {room['compartment']}, or record what is in it.",
            )

    return faults(bare, [told])


def bulk_oddities(layers: Sequence[Row], assumed: Assumptions) -> Iterator[Fault]:
    """Media that is too heavy for its room or its kind: weighed wet, or litres taken for kilograms."""
    media = [row for row in layers if row["media"]]
    wet: list[tuple[float, Row]] = []
    for row in media:
        litres = row["litres"] if row["thickness_mm"] is not None else None
        litres = row["usable_l"] if litres is None else litres
        if litres and row["mass_kg"] is not None and row["mass_kg"] / litres > assumed["bulk_high_kg_l"]:
            wet.append((row["mass_kg"] / litres, row))
    if wet:
        yield Fault(
            "weighed wet",
            f"{listed([row for _, row in wet])} would weigh {amount(max(kg for kg, _ in wet), 2)} kg a litre: porous media"
            " that heavy was weighed wet.",
            "Dry it, weigh a level litre three times, and correct the mass.",
        )
    litre = [row for row in media if row["bulk_kg_l"] == 1.0]
    if litre:
        yield Fault(
            "litres for kilograms",
            f"{listed(litre)} has a bulk density of exactly 1 kg a litre: was a litre taken for a kilogram?",
            "Weigh a level dry litre three times and correct media.csv.",
        )
    for row in media:
        room, bulk, litres = row["room_loose_kg"], row["bulk_kg_l"], row["usable_l"]
        if row["medium"] != row["usual_medium"] or room is None or not bulk or not litres:
            continue
        if abs(room / litres / bulk - 1) > assumed["audit_bulk_differs"]:
            yield Fault(
                "book and catalogue differ",
                f"The book has {amount(room, 2)} kg in {row['compartment']}, the catalogue's bulk density gives"
                f" {amount(litres * bulk, 2)} kg: one of them is wrong, and the rating with it.",
                "Fill it with dry media and weigh that; then put the wrong one right.",
            )
            return


def not_in_the_book(placed: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Filters whose content or order nobody recorded."""
    bare = placed.join(rows.select(FILTER_ASK).unique(), on=FILTER_ASK, how="anti")

    def no_layout(filters: Sequence[Row]) -> Iterator[Fault]:
        yield Fault(
            "no layout",
            f"Nothing is recorded of what is in {filters[0]['filter']}: it cannot be rated.",
            "Look inside at the next service and record each layer with its dry mass.",
        )

    def lost(layers: Sequence[Row]) -> Iterator[Fault]:
        yield Fault(
            "not in the book",
            f"{listed(layers)}: that compartment is not in the book, so its place in the flow is not known.",
            "Add the compartment and its position to compartments.csv.",
        )

    found = [faults(bare, [no_layout]), faults(rows.filter(pl.col("position").is_null()), [lost])]
    return pl.concat(found).select(list(FAULT))
