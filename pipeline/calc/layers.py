"""What lies in every filter on a tank as of a day, in the order the water meets it, with its place in the flow; and what
each compartment of a model holds: litres from its dimensions or a measured fill, and the dry media that goes in."""

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from pipeline.assumptions import Assumptions
from pipeline.calc import factors
from pipeline.calc.cells import Array, array
from schemas import Tables, empty
from schemas.shapes import volume_l

REQUEST = ("tank", "as_of")
FILTER_REQUEST = ("tank", "as_of", "filter")
# Kinds whose media does nothing for the full cycle, whatever its grade: common practice.
HALF_CYCLE_KINDS = ("internal", "air sponge")
FOAM = r"(?i)foam|sponge"
# What a note of a filter, a compartment or a fill may say of its place.
OUT_OF_FLOW = r"(?i)\b(?:not in|out of) (?:the )?flow\b"
BYPASS = r"(?i)\bbypass"
NO_BYPASS = r"(?i)\bno bypass"

MET = {"coarse": factors.MET_COARSE, "medium": factors.MET_MEDIUM, "fine": factors.MET_FINE,
       "chemical": factors.MET_CARBON}  # fmt: skip


def table(tables: Tables, name: str) -> pl.DataFrame:
    """A table, empty if there is none."""
    found = tables.get(name)
    return empty(name) if found is None else found


def in_force(day: str) -> pl.Expr:
    """Whether a dated row (from, to) holds on the day in column `day`; `to` is the last day it held."""
    return (pl.col("from") <= pl.col(day)) & (pl.col("to").is_null() | (pl.col(day) <= pl.col("to")))


def last_before(rows: pl.LazyFrame, events: pl.LazyFrame, by: str, on: str = "date") -> pl.LazyFrame:
    """Each row beside the last event of its `by` up to as-of; all of an event is null where there was none."""
    days = events.sort(on, maintain_order=True).unique([by, on], keep="last", maintain_order=True).sort(on)
    return rows.sort("as_of").join_asof(days, left_on="as_of", right_on=on, by=by, check_sortedness=False)


def known(column: str) -> pl.Expr:
    return pl.col(column).is_not_null()


def first_of(*cases: tuple[pl.Expr | str, str], otherwise: str | None = None) -> pl.Expr:
    """The word of the first case that holds: an expression or a Boolean column; one that is not known does not hold."""
    return pl.coalesce(*(pl.when(holds).then(pl.lit(word)) for holds, word in cases), pl.lit(otherwise, pl.String))


def numbers(frame: pl.DataFrame, name: str) -> Array:
    """A column as an array: null becomes nan."""
    return frame[name].cast(pl.Float64).fill_null(np.nan).to_numpy()


def series(name: str, values: ArrayLike) -> pl.Series:
    """An array as a column: nan becomes null."""
    return pl.Series(name, array(values)).fill_nan(None)


def unique_requests(requests: pl.DataFrame) -> pl.DataFrame:
    """The requests, each once: tank, as_of."""
    return requests.select("tank", pl.col("as_of").cast(pl.Date)).unique(maintain_order=True)


def filters_on(tables: Tables, requests: pl.DataFrame) -> pl.DataFrame:
    """One row a filter on a tank that day: tank, as_of, filter, model, kind, both flows of the book, filter_note."""
    filters, models = table(tables, "filter").lazy(), table(tables, "filter_model").lazy()
    filters = filters.select("filter", "model", "clean_flow_l_h", pl.col("note").alias("filter_note"))
    models = models.select("model", "kind", "rated_flow_l_h")
    return (
        unique_requests(requests)
        .lazy()
        .join(table(tables, "placement").lazy().select("filter", "tank", "from", "to"), on="tank")
        .filter(in_force("as_of"))
        .select(FILTER_REQUEST)
        .unique()
        .join(filters.unique("filter", keep="last", maintain_order=True), on="filter", how="left")
        .join(models.unique("model", keep="last", maintain_order=True), on="model", how="left")
        .sort(FILTER_REQUEST)
        .collect()
    )


def fills_numbered(tables: Tables) -> pl.DataFrame:
    """Fills with a number of their own (`fill`), a layer where none was typed, and the note as fill_note."""
    return (
        table(tables, "fill")
        .select(
            "filter", "compartment", pl.col("layer").fill_null(1), "medium", "mass_kg", "thickness_mm", "batch",
            "wetted", "from", "to", pl.col("note").alias("fill_note"),
        )
        .with_row_index("fill")
    )  # fmt: skip


def rooms(compartments: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """One row a compartment of a model: model, compartment, position, meant_for, stages, usual (stage and medium of
    each), usable_l, volume_basis, depth_mm, room_loose_kg, room_neat_kg, usual_medium, pad_mm, room_note.

    The book has a row a stage: rows of one compartment with the same dimensions are one room told again, rows with
    dimensions of their own are parts of it and add up. A measured fill wins over dimensions. room_loose_kg and
    room_neat_kg are the book's own weighings of its usual medium.
    """
    by_dimensions = volume_l() * pl.col("usable_share").fill_null(assumed["usable_share_default"])
    sizes = ["shape", "length_mm", "width_mm", "inner_mm", "depth_mm", "usable_l"]
    # A row without any size only names a further stage of a room whose size stands in another row.
    measured = pl.any_horizontal(pl.col(sizes[1:]).is_not_null())
    part = measured & pl.struct("model", "compartment", *sizes).is_first_distinct()
    rows = compartments.lazy().sort("position").with_columns(by_dimensions.alias("dimensions_l"), part.alias("part"))

    def whole(name: str) -> pl.Expr:
        """A size of the room: its parts added up; null where none has it."""
        parts = pl.col(name).filter("part").drop_nulls()
        return pl.when(parts.len() > 0).then(parts.sum())

    return (
        rows.group_by("model", "compartment", maintain_order=True)
        .agg(
            pl.col("position").first(),
            pl.col("stage").first().alias("meant_for"),
            pl.col("stage").drop_nulls().alias("stages"),
            pl.struct("stage", "medium").alias("usual"),
            whole("usable_l").alias("measured_l"),
            whole("dimensions_l"),
            whole("depth_mm"),
            pl.col("loose_kg").drop_nulls().first().alias("room_loose_kg"),
            pl.col("neat_kg").drop_nulls().first().alias("room_neat_kg"),
            pl.col("medium").drop_nulls().last().alias("usual_medium"),
            pl.col("pad_mm").max(),
            pl.col("note").drop_nulls().str.join(" ").alias("room_note"),
        )
        .with_columns(
            pl.coalesce("measured_l", "dimensions_l").alias("usable_l"),
            first_of(
                (known("measured_l"), "measured fill"), (known("dimensions_l"), "dimensions"), otherwise="not known"
            ).alias("volume_basis"),
        )
        .drop("measured_l", "dimensions_l")
        .collect()
    )


def _shares(assumed: Assumptions) -> list[pl.Expr]:
    """loose_share and tight_share: how much of its room a layer takes, poured and packed neatly; null where not known.

    By its typed thickness, else by its mass over what the room holds: as weighed for the medium that usually lies
    there, else litres × bulk density.
    """
    usual = pl.when(pl.col("medium") == pl.col("usual_medium"))
    by_litres = pl.col("usable_l") * pl.col("bulk_kg_l")
    loose = pl.coalesce(usual.then("room_loose_kg"), by_litres)
    neat = pl.coalesce(usual.then("room_neat_kg"), loose * assumed["neat_gain"])
    by_thickness = pl.col("thickness_mm") / pl.col("room_depth_mm")
    return [
        pl.coalesce(by_thickness, pl.col("mass_kg") / loose).alias("loose_share"),
        pl.coalesce(by_thickness, pl.col("mass_kg") / neat).alias("tight_share"),
    ]


def _depth() -> pl.Expr:
    """Depth of a layer [mm]: as typed, else from its mass, else its share of what the others leave free."""
    deep, loose = pl.col("room_depth_mm"), pl.col("loose_share")
    # Mass above the loose one is packed neatly first: it overflows only above the neat one.
    share = pl.when(loose <= 1).then(loose).when(loose > 1).then(pl.max_horizontal(1.0, "tight_share"))
    known = pl.coalesce("thickness_mm", share * deep)
    room = [*FILTER_REQUEST, "compartment"]
    left = (deep - known.sum().over(room)).clip(lower_bound=0)
    return pl.coalesce(known, left / known.is_null().sum().over(room))


def _litres() -> pl.Expr:
    """Volume of a layer [L] by its depth, or the whole room where it lies alone and no depth is known."""
    by_depth = pl.col("usable_l") * pl.col("depth_mm") / pl.col("room_depth_mm")
    alone = pl.len().over([*FILTER_REQUEST, "compartment"]) == 1
    return pl.coalesce(by_depth, pl.when(alone).then(pl.col("usable_l")))


def place_factor(layers: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """Columns place and place_why of layers in flow order, null where the book does not give their place; and met (the
    finest stage that water has met before a layer, as a rank of factors), outside and bypass: what a change of the layout
    starts from."""
    rank = pl.col("stage").replace_strict(MET, default=factors.MET_NOTHING, return_dtype=pl.Int64)

    def noted(pattern: str) -> pl.Expr:
        notes = ("filter_note", "room_note", "fill_note")
        return pl.any_horizontal(pl.col(note).str.contains(pattern).fill_null(False) for note in notes)

    rows = layers.with_columns(
        rank.cum_max().shift(1).over(FILTER_REQUEST).fill_null(factors.MET_NOTHING).alias("met"),
        noted(OUT_OF_FLOW).alias("outside"),
        (noted(BYPASS) & ~noted(NO_BYPASS)).alias("bypass"),
    )
    on = bool(assumed["use_place"])

    def assumption(name: str) -> pl.Expr:
        return pl.lit(assumed[name] if on else 1.0)

    internal, trickle, lost = pl.col("kind").is_in(HALF_CYCLE_KINDS), pl.col("kind") == "trickle", ~known("position")
    base = pl.coalesce(
        pl.when(internal).then(assumption("place_internal")),
        pl.when(trickle).then(assumption("place_trickle")),
        pl.when("outside").then(assumption("place_not_in_flow")),
        pl.when(~lost).then(pl.Series("_place", factors.place(rows["met"].to_numpy(), assumed))),
    )
    why = first_of(
        (internal, "in an internal or sponge filter: half cycle only"),
        (trickle, "in a trickle tower"),
        ("outside", "not in the flow"),
        (lost, "its place in the flow is not in the book"),
        (pl.col("met") == factors.MET_NOTHING, "meets the water first"),
        (pl.col("met") == factors.MET_COARSE, "after a coarse stage only"),
        (pl.col("met") == factors.MET_MEDIUM, "after a medium stage only"),
        otherwise="",
    )
    place = base * pl.when("bypass").then(assumption("place_bypass")).otherwise(1.0)
    return rows.select(place.alias("place"), why.alias("place_why"), "met", "outside", "bypass")


def layers_on(tables: Tables, requests: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """One row a layer of every filter on the tank that day, in flow order within its filter.

    Columns: tank, as_of, filter, model, kind, fill, position, compartment, layer, stage, medium, mass_kg,
    thickness_mm, depth_mm, litres, batch, wetted, from, quality, bulk_kg_l, life_days, biological, foam, counts, those
    of `place_factor`, loose_share and tight_share of the room, and those of the room itself (meant_for, stages,
    usable_l, room_depth_mm, room_loose_kg, room_neat_kg, usual_medium, pad_mm).
    A medium without a stage takes that of its compartment.
    """
    placed = filters_on(tables, requests).lazy()
    media = table(tables, "medium").lazy().unique("medium", keep="last", maintain_order=True)
    book = rooms(table(tables, "compartment"), assumed).lazy().rename({"depth_mm": "room_depth_mm"})
    on_day = placed.select("filter", "as_of").unique().join(fills_numbered(tables).lazy(), on="filter")
    biological = (pl.col("stage") == "biological").fill_null(False)
    weightless = pl.col("mass_kg").is_null() & (pl.col("quality") == 0)
    layers = (
        placed.join(on_day.filter(in_force("as_of")), on=["filter", "as_of"])
        .join(book, on=["model", "compartment"], how="left")
        .join(media.select("medium", "stage", "quality", "bulk_kg_l", "life_days"), on="medium", how="left")
        .with_columns(pl.coalesce("stage", "meant_for").alias("stage"))
        .sort(*FILTER_REQUEST, "position", "layer", "from", "fill", nulls_last=True)
        .collect()
        .with_columns(
            biological.alias("biological"),
            (biological & (pl.col("medium").str.contains(FOAM) | weightless)).fill_null(False).alias("foam"),
            (biological & (pl.col("quality") >= assumed["plain_min_quality"])).fill_null(False).alias("counts"),
            *_shares(assumed),
        )
        .with_columns(_depth().alias("depth_mm"))
        .with_columns(_litres().alias("litres"))
    )
    return pl.concat([layers, place_factor(layers, assumed)], how="horizontal")
