"""Services of filters as of a day: the check interval 4 → 6 → 8 weeks, the timed flow, and what clogs.

Common practice, no source: longer only when found clean, held when light, back one step when heavy, back to the first
on sludge or on a flow under 60 % of clean.
"""

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from pipeline.assumptions import Assumptions
from pipeline.calc import factors
from pipeline.calc.cells import Array
from pipeline.calc.disturbance import DAYS_A_WEEK, services_of_filters
from pipeline.calc.layers import in_force, table
from schemas import Tables

CHECKS = ("check", "pads", "media rinsed", "full")  # jobs that open the filter and look
CLEANS_MEDIA = ("media rinsed", "full")


def interval_ladder(assumed: Assumptions) -> Array:
    """The check intervals [weeks], rising."""
    return np.array([assumed[f"check_{name}_weeks"] for name in ("first", "second", "third")])


def next_step(step: ArrayLike, found: ArrayLike, low_flow: ArrayLike, assumed: Assumptions) -> np.ndarray:
    """The step of the ladder (0, 1, 2) after a check that found the filter so; dirt not recorded holds it."""
    at, dirt = np.asarray(step, dtype=np.int64), np.asarray(found, dtype=str)
    top = len(interval_ladder(assumed)) - 1
    moved = np.where(dirt == "clean", np.minimum(at + 1, top), np.where(dirt == "heavy", np.maximum(at - 1, 0), at))
    return np.where(np.asarray(low_flow, dtype=bool) | (dirt == "sludge"), 0, moved)


def checks(tables: Tables, assumed: Assumptions) -> pl.DataFrame:
    """Every check of a filter and the interval that follows: filter, tank, date, job, found, low_flow, weeks, chosen.

    `weeks` is the next_weeks typed (`chosen`), else the ladder's, which starts at its shortest.
    """
    clean = table(tables, "filter").select("filter", "clean_flow_l_h").unique("filter", keep="last")
    rows = (
        services_of_filters(tables)
        .filter(pl.col("job").is_in(CHECKS))
        .join(clean, on="filter", how="left")
        .sort("filter", "date", "service")
        .with_columns(
            (pl.col("flow_before") < assumed["low_flow_share"] * pl.col("clean_flow_l_h"))
            .fill_null(False)
            .alias("low_flow"),
            pl.int_range(pl.len()).over("filter").alias("nth"),
        )
    )
    ladder = interval_ladder(assumed)
    nth, typed = rows["nth"].to_numpy(), rows["next_weeks"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    found, low = rows["found"].fill_null("").to_numpy(), rows["low_flow"].to_numpy()
    chosen = np.isfinite(typed)
    nearest = np.abs(ladder[:, None] - np.where(chosen, typed, ladder[0])).argmin(axis=0)
    step = np.zeros(rows.height, dtype=np.int64)
    # What follows hangs on what went before: the first checks of all filters at once, then the second, and so on.
    for n in range(int(nth.max()) + 1 if rows.height else 0):
        at = np.flatnonzero(nth == n)
        before = step[at - 1] if n else np.zeros(len(at), dtype=np.int64)
        step[at] = np.where(chosen[at], nearest[at], next_step(before, found[at], low[at], assumed))
    return rows.select(
        "filter", "tank", "date", "job", "found", "low_flow",
        pl.Series("weeks", np.where(chosen, typed, ladder[step]), dtype=pl.Float64),
        pl.Series("chosen", chosen),
    )  # fmt: skip


def flow_timings(tables: Tables) -> pl.DataFrame:
    """Every timed flow of a filter: filter, date, flow_l_h [L/h], in order; the last of a day is the one after work.

    A flow timed at a visit belongs to the tank's filter where it has one that day.
    """
    services = services_of_filters(tables).with_columns(pl.col("date").alias("day"))
    visits = (
        table(tables, "reading")
        .filter(pl.col("parameter") == "flow_l_h")
        .select("tank", "day", pl.col("matched").alias("flow_l_h"))
        .join(table(tables, "placement").select("filter", "tank", "from", "to"), on="tank")
        .filter(in_force("day"))
        .filter(pl.col("filter").n_unique().over("tank", "day") == 1)
    )
    parts = [
        services.select("filter", "day", pl.col("flow_before").alias("flow_l_h"), pl.lit(0).alias("turn")),
        visits.select("filter", "day", "flow_l_h", pl.lit(1).alias("turn")),
        services.select("filter", "day", pl.col("flow_after").alias("flow_l_h"), pl.lit(2).alias("turn")),
    ]
    return (
        pl.concat(parts)
        .drop_nulls("flow_l_h")
        .sort("day", "turn", maintain_order=True)
        .select("filter", pl.col("day").alias("date"), "flow_l_h")
    )


def _latest(rows: pl.DataFrame, placed: pl.DataFrame) -> pl.DataFrame:
    """The last row of `rows` (filter, date, …) up to each as-of day, beside (filter, as_of) of `placed`."""
    last = rows.unique(["filter", "date"], keep="last", maintain_order=True).sort("date")
    return placed.select("filter", "as_of").unique().sort("as_of").join_asof(
        last, left_on="as_of", right_on="date", by="filter", check_sortedness=False
    )  # fmt: skip


def flow_and_clog(tables: Tables, placed: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """One row a filter and as-of day of `placed`: flow_l_h, flow_basis, flow_day, flow_of_clean, clog,
    clogged_by (flow, sludge, service not recorded, overdue; null where nothing is said) and overdue_weeks.

    Flow: the last one timed, else the clean one of the book, else a share of the rated one (estimated), else unknown.
    """
    timed = _latest(flow_timings(tables), placed).rename({"date": "flow_day", "flow_l_h": "timed_l_h"})
    last = _latest(checks(tables, assumed).drop("tank"), placed).rename({"date": "checked", "low_flow": "low_before"})
    book = placed.select("filter", "as_of", "clean_flow_l_h", "rated_flow_l_h").unique(["filter", "as_of"])
    rows = book.join(timed, on=["filter", "as_of"]).join(last, on=["filter", "as_of"]).with_columns(
        (pl.col("timed_l_h") / pl.col("clean_flow_l_h")).alias("flow_of_clean"),
        ((pl.col("as_of") - pl.col("checked")).dt.total_days() / DAYS_A_WEEK - pl.col("weeks")).alias("overdue_weeks"),
    )  # fmt: skip
    low = (pl.col("flow_of_clean") < assumed["low_flow_share"]).fill_null(False)
    # Sludge that was found and cleaned out of the media no longer clogs it.
    sludge = ((pl.col("found") == "sludge") & ~pl.col("job").is_in(CLEANS_MEDIA)).fill_null(False)
    rows = rows.with_columns(low.alias("low"), sludge.alias("sludge"))
    factor = factors.clog(
        rows["low"].to_numpy(), rows["sludge"].to_numpy(), rows["overdue_weeks"].cast(pl.Float64).to_numpy(), assumed
    )
    why = (
        pl.when("low")
        .then(pl.lit("flow"))
        .when("sludge")
        .then(pl.lit("sludge"))
        .when(pl.col("checked").is_null())
        .then(pl.lit("service not recorded"))
        .when(pl.col("clog") < 1)
        .then(pl.lit("overdue"))
    )
    estimated = pl.col("rated_flow_l_h") * assumed["flow_of_rated"]
    return rows.with_columns(pl.Series("clog", factor)).select(
        "filter",
        "as_of",
        pl.coalesce("timed_l_h", "clean_flow_l_h", estimated).alias("flow_l_h"),
        pl.when(pl.col("timed_l_h").is_not_null() | pl.col("clean_flow_l_h").is_not_null())
        .then(pl.lit("timed"))
        .when(pl.col("rated_flow_l_h").is_not_null())
        .then(pl.lit("estimated"))
        .otherwise(pl.lit("unknown"))
        .alias("flow_basis"),
        "flow_day",
        "flow_of_clean",
        "clog",
        why.alias("clogged_by"),
        "overdue_weeks",
    )
