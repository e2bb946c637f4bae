"""What filters are good for in the half cycle, ammonia to nitrate: limited by media and foam, or by flow."""

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from pipeline.assumptions import Assumptions
from pipeline.calc.cells import Array
from pipeline.calc.layers import ASK, FILTER_ASK


def by_media_l(media_kg: ArrayLike, foam_l: ArrayLike, assumed: Assumptions) -> Array:
    """Net litres that biological media [kg] and biological foam [L] keep in the half cycle [L]."""
    media = np.asarray(media_kg, dtype=float) / assumed["half_media_share"] * assumed["litres_per_kg"]
    return np.asarray(media + np.asarray(foam_l, dtype=float) * assumed["half_foam_l_per_l"])


def by_flow_l(flow_l_h: ArrayLike, assumed: Assumptions) -> Array:
    """Net litres that a flow [L/h] keeps in the half cycle [L]; nan where it is unknown: no cap."""
    return np.asarray(np.asarray(flow_l_h, dtype=float) / assumed["half_turnover_h"])


def rating_l(media_l: ArrayLike, flow_l: ArrayLike) -> Array:
    """The smaller of both limits [L]; the media's alone where flow is unknown; nan where the media's is."""
    media, flow = np.asarray(media_l, dtype=float), np.asarray(flow_l, dtype=float)
    return np.where(np.isnan(flow), media, np.minimum(media, flow))


def limit_word(media_l: ArrayLike, flow_l: ArrayLike) -> np.ndarray:
    """Which limit bites: media, flow, or flow unknown."""
    media, flow = np.asarray(media_l, dtype=float), np.asarray(flow_l, dtype=float)
    return np.where(np.isnan(flow), "flow unknown", np.where(flow < media, "flow", "media"))


def of_filters(layers: pl.DataFrame, placed: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """One row a filter and as-of day: half_media_l, half_flow_l, half_l [L]; null where not known.

    `placed` has a row a filter with its flow_l_h. Pads never count. A biological layer without a mass, or foam without
    a volume, leaves the media's limit unknown, unless what is known already passes the flow's.
    """
    solid = pl.col("biological") & ~pl.col("foam")
    held = layers.group_by(FILTER_ASK).agg(
        pl.col("mass_kg").filter(solid).sum().alias("kg"),
        pl.col("litres").filter("foam").sum().alias("foam_l"),
        (pl.col("mass_kg").is_null() & solid | (pl.col("litres").is_null() & pl.col("foam"))).any().alias("unsure"),
    )
    rows = placed.select(*FILTER_ASK, "flow_l_h").join(held, on=FILTER_ASK, how="left").sort(FILTER_ASK)
    # No fills recorded at all: nothing is known of its media.
    known = by_media_l(
        rows["kg"].fill_null(0.0).to_numpy(), rows["foam_l"].cast(pl.Float64).fill_null(0.0).to_numpy(), assumed
    )
    unsure = rows["unsure"].fill_null(True).to_numpy()
    flow = by_flow_l(rows["flow_l_h"].cast(pl.Float64).fill_null(np.nan).to_numpy(), assumed)
    media = np.where(unsure & ~(known >= flow), np.nan, known)
    return rows.select(
        *FILTER_ASK,
        pl.Series("half_media_l", media).fill_nan(None),
        pl.Series("half_flow_l", flow).fill_nan(None),
        pl.Series("half_l", rating_l(media, flow)).fill_nan(None),
    )


def of_tanks(filters: pl.DataFrame) -> pl.DataFrame:
    """One row an ask: half_rating_l, half_limit and rest_l, what is left when the biggest filter stops.

    Each filter is held by its own limit, then they add up. null where one of them is not known.
    """
    whole = filters.group_by(ASK).agg(
        pl.when(pl.col("half_l").null_count() == 0).then(pl.col("half_l").sum()).alias("half_rating_l"),
        pl.when(pl.col("half_l").null_count() == 0)
        .then(pl.col("half_l").sum() - pl.col("half_l").max())
        .alias("rest_l"),
        pl.when(pl.col("half_media_l").null_count() == 0).then(pl.col("half_media_l").sum()).alias("media_l"),
        pl.when(pl.col("half_flow_l").null_count() == 0).then(pl.col("half_flow_l").sum()).alias("flow_l"),
        pl.len().alias("filters"),
    )
    limit = limit_word(
        whole["media_l"].cast(pl.Float64).fill_null(np.nan).to_numpy(),
        whole["flow_l"].cast(pl.Float64).fill_null(np.nan).to_numpy(),
    )
    return whole.with_columns(
        pl.Series("half_limit", limit, dtype=pl.String),
        pl.when(pl.col("filters") > 1).then("rest_l").alias("rest_l"),
    ).select(*ASK, "half_rating_l", "half_limit", "rest_l")
