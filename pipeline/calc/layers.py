"""What lies in every filter on a tank as of a day, in the order the water meets it, with its place in the flow."""

import numpy as np
import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc import factors
from pipeline.calc.volumes import rooms
from schemas import Tables, empty

ASK = ("tank", "as_of")
FILTER_ASK = ("tank", "as_of", "filter")
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


def asked(asks: pl.DataFrame) -> pl.DataFrame:
    """The asks once each: tank, as_of."""
    return asks.select("tank", pl.col("as_of").cast(pl.Date)).unique(maintain_order=True)


def filters_on(tables: Tables, asks: pl.DataFrame) -> pl.DataFrame:
    """One row a filter on a tank that day: tank, as_of, filter, model, kind, both flows of the book, filter_note."""
    filters = table(tables, "filter").select(
        "filter", "model", "clean_flow_l_h", pl.col("note").alias("filter_note")
    ).unique("filter", keep="last", maintain_order=True)  # fmt: skip
    models = table(tables, "filter_model").select("model", "kind", "rated_flow_l_h")
    models = models.unique("model", keep="last", maintain_order=True)
    return (
        asked(asks)
        .join(table(tables, "placement").select("filter", "tank", "from", "to"), on="tank")
        .filter(in_force("as_of"))
        .select(FILTER_ASK)
        .unique()
        .join(filters, on="filter", how="left")
        .join(models, on="model", how="left")
        .sort(FILTER_ASK)
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
    """Depth of a layer [mm]: as typed, else from its mass, else its share of what the others leave free.

    Mass above the loose one is packed neatly first: it overflows only above the neat one.
    """
    deep = pl.col("room_depth_mm")
    loose = pl.col("loose_share")
    share = pl.when(loose <= 1).then(loose).when(loose > 1).then(pl.max_horizontal(1.0, "tight_share"))
    known = pl.coalesce("thickness_mm", share * deep)
    room = [*FILTER_ASK, "compartment"]
    left = (deep - known.sum().over(room)).clip(lower_bound=0)
    return pl.coalesce(known, left / known.is_null().sum().over(room))


def _litres() -> pl.Expr:
    """Volume of a layer [L] by its depth, or the whole room where it lies alone and no depth is known."""
    by_depth = pl.col("usable_l") * pl.col("depth_mm") / pl.col("room_depth_mm")
    alone = pl.len().over([*FILTER_ASK, "compartment"]) == 1
    return pl.coalesce(by_depth, pl.when(alone).then(pl.col("usable_l")))


def _met(layers: pl.DataFrame) -> np.ndarray:
    """The finest stage that water has met before each layer, as a rank of factors; layers are in flow order."""
    rank = pl.col("stage").replace_strict(MET, default=factors.MET_NOTHING, return_dtype=pl.Int64)
    before = rank.cum_max().shift(1).over(FILTER_ASK).fill_null(factors.MET_NOTHING)
    return layers.select(before.alias("met"))["met"].to_numpy()


def place_factor(layers: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """Columns place and place_why of layers in flow order, null where the book does not give their place; and met,
    outside and bypass, which a change of the layout starts from."""
    met = _met(layers)
    place = factors.place(met, assumed)
    said = {
        factors.MET_NOTHING: "meets the water first",
        factors.MET_COARSE: "after a coarse stage only",
        factors.MET_MEDIUM: "after a medium stage only",
        factors.MET_FINE: "",
        factors.MET_CARBON: "",
    }

    def noted(pattern: str) -> pl.Expr:
        notes = ("filter_note", "room_note", "fill_note")
        return pl.any_horizontal(pl.col(note).str.contains(pattern).fill_null(False) for note in notes)

    trickle, internal = pl.col("kind") == "trickle", pl.col("kind").is_in(HALF_CYCLE_KINDS)
    rows = layers.with_columns(
        pl.Series("_place", place),
        pl.Series("met", met),
        noted(OUT_OF_FLOW).alias("outside"),
        (noted(BYPASS) & ~noted(NO_BYPASS)).alias("bypass"),
        trickle.fill_null(False).alias("trickle"),
        internal.fill_null(False).alias("internal"),
    )
    on = bool(assumed["use_place"])

    def assumption(name: str) -> pl.Expr:
        return pl.lit(assumed[name] if on else 1.0)

    base = (
        pl.when("internal")
        .then(assumption("place_internal"))
        .when("trickle")
        .then(assumption("place_trickle"))
        .when("outside")
        .then(assumption("place_not_in_flow"))
        .when(pl.col("position").is_not_null())
        .then(pl.col("_place"))
    )
    why = (
        pl.when("internal")
        .then(pl.lit("in an internal or sponge filter: half cycle only"))
        .when("trickle")
        .then(pl.lit("in a trickle tower"))
        .when("outside")
        .then(pl.lit("not in the flow"))
        .when(pl.col("position").is_null())
        .then(pl.lit("its place in the flow is not in the book"))
        .otherwise(pl.col("met").replace_strict(said, return_dtype=pl.String))
    )
    return rows.select(
        (base * pl.when("bypass").then(assumption("place_bypass")).otherwise(1.0)).alias("place"),
        why.alias("place_why"),
        "met",
        "outside",
        "bypass",
    )


def layers_on(tables: Tables, asks: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """One row a layer of every filter on the tank that day, in flow order within its filter.

    Columns: tank, as_of, filter, model, kind, fill, position, compartment, layer, stage, medium, mass_kg,
    thickness_mm, depth_mm, litres, batch, wetted, from, quality, bulk_kg_l, life_days, biological, foam, counts, those
    of `place_factor`, loose_share and tight_share of the room, and those of the room itself (meant_for, stages,
    usable_l, room_depth_mm, room_loose_kg, room_neat_kg, usual_medium, pad_mm).
    A medium without a stage takes that of its compartment.
    """
    placed = filters_on(tables, asks)
    media = table(tables, "medium").select("medium", pl.col("stage").alias("medium_stage"), "quality", "bulk_kg_l",
                                           "life_days").unique("medium", keep="last", maintain_order=True)  # fmt: skip
    book = rooms(table(tables, "compartment"), assumed).rename({"depth_mm": "room_depth_mm"})
    on_day = placed.select("filter", "as_of").unique().join(fills_numbered(tables), on="filter")
    layers = (
        placed.join(on_day.filter(in_force("as_of")), on=["filter", "as_of"])
        .join(book, on=["model", "compartment"], how="left")
        .join(media, on="medium", how="left")
        .with_columns(pl.coalesce("medium_stage", "meant_for").alias("stage"))
        .sort(*FILTER_ASK, "position", "layer", "from", "fill", nulls_last=True)
    )
    biological = (pl.col("stage") == "biological").fill_null(False)
    layers = layers.with_columns(
        biological.alias("biological"),
        (biological & (pl.col("medium").str.contains(FOAM) | (pl.col("mass_kg").is_null() & (pl.col("quality") == 0))))
        .fill_null(False)
        .alias("foam"),
        (biological & (pl.col("quality") >= assumed["plain_min_quality"])).fill_null(False).alias("counts"),
        *_shares(assumed),
    )
    layers = layers.with_columns(_depth().alias("depth_mm")).with_columns(_litres().alias("litres"))
    return pl.concat([layers, place_factor(layers, assumed)], how="horizontal")
