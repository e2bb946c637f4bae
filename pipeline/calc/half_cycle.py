"""What filters are good for in the half cycle, ammonia to nitrate: limited by media and foam, or by flow."""

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from pipeline.assumptions import Assumptions
from pipeline.calc.cells import Array, array
from pipeline.calc.layers import FILTER_REQUEST, REQUEST, numbers, series


def by_media_l(media_kg: ArrayLike, foam_l: ArrayLike, assumed: Assumptions) -> Array:
    """Net litres that biological media [kg] and biological foam [L] keep in the half cycle [L]."""
    media = array(media_kg) / assumed["half_media_share"] * assumed["litres_per_kg"]
    return np.asarray(media + array(foam_l) * assumed["half_foam_l_per_l"])


def by_flow_l(flow_l_h: ArrayLike, assumed: Assumptions) -> Array:
    """Net litres that a flow [L/h] keeps in the half cycle [L]; nan where it is unknown: no cap."""
    return np.asarray(array(flow_l_h) / assumed["half_turnover_h"])


def rating_l(media_l: ArrayLike, flow_l: ArrayLike) -> Array:
    """The smaller of both limits [L]; the media's alone where flow is unknown; nan where the media's is."""
    media, flow = array(media_l), array(flow_l)
    return np.where(np.isnan(flow), media, np.minimum(media, flow))


def limit_word(media_l: ArrayLike, flow_l: ArrayLike) -> np.ndarray:
    """Which limit bites: media, flow, or flow unknown."""
    media, flow = array(media_l), array(flow_l)
    return np.where(np.isnan(flow), "flow unknown", np.where(flow < media, "flow", "media"))


def of_filters(layers: pl.DataFrame, placed: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """One row a filter and as-of day: half_media_l, half_flow_l, half_l [L]; null where not known.

    `placed` has a row a filter with its flow_l_h. Pads never count. A biological layer without a mass, or foam without
    a volume, leaves the media's limit unknown, unless what is known already passes the flow's.
    """
    solid = pl.col("biological") & ~pl.col("foam")
    held = layers.group_by(FILTER_REQUEST).agg(
        pl.col("mass_kg").filter(solid).sum().alias("kg"),
        pl.col("litres").filter("foam").sum().alias("foam_l"),
        (pl.col("mass_kg").is_null() & solid | (pl.col("litres").is_null() & pl.col("foam"))).any().alias("unsure"),
    )
    rows = placed.select(*FILTER_REQUEST, "flow_l_h").join(held, on=FILTER_REQUEST, how="left").sort(FILTER_REQUEST)
    known = by_media_l(np.nan_to_num(numbers(rows, "kg")), np.nan_to_num(numbers(rows, "foam_l")), assumed)
    unsure = rows["unsure"].fill_null(True).to_numpy()  # no fills recorded at all: nothing is known of its media
    flow = by_flow_l(numbers(rows, "flow_l_h"), assumed)
    media = np.where(unsure & ~(known >= flow), np.nan, known)
    return rows.select(
        *FILTER_REQUEST,
        series("half_media_l", media),
        series("half_flow_l", flow),
        series("half_l", rating_l(media, flow)),
    )


def of_tanks(filters: pl.DataFrame) -> pl.DataFrame:
    """One row a request: half_rating_l, half_limit and rest_l, what is left when the biggest filter stops.

    Each filter is held by its own limit, then they add up. null where one of them is not known.
    """

    def whole(name: str) -> pl.Expr:
        return pl.when(pl.col(name).null_count() == 0).then(pl.col(name).sum())

    rows = filters.group_by(REQUEST).agg(
        whole("half_l").alias("half_rating_l"),
        pl.when(pl.len() > 1).then(whole("half_l") - pl.col("half_l").max()).alias("rest_l"),
        whole("half_media_l").alias("media_l"),
        whole("half_flow_l").alias("flow_l"),
    )
    limit = limit_word(numbers(rows, "media_l"), numbers(rows, "flow_l"))
    return rows.select(*REQUEST, "half_rating_l", pl.Series("half_limit", limit, dtype=pl.String), "rest_l")
