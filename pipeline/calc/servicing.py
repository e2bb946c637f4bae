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
from pipeline.calc.layers import first_of, in_force, known, numbers, table
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
    """filter, tank, date, job, found, low_flow of every check, and the `weeks` to the next: `chosen`, else the ladder's."""
    clean = table(tables, "filter").lazy().select("filter", "clean_flow_l_h").unique("filter", keep="last")
    slow = pl.col("flow_before") < assumed["low_flow_share"] * pl.col("clean_flow_l_h")
    rows = (
        services_of_filters(tables)
        .lazy()
        .filter(pl.col("job").is_in(CHECKS))
        .join(clean, on="filter", how="left")
        .sort("filter", "date", "service")
        .with_columns(slow.fill_null(False).alias("low_flow"), pl.int_range(pl.len()).over("filter").alias("nth"))
        .collect()
    )
    ladder = interval_ladder(assumed)
    nth, typed = rows["nth"].to_numpy(), numbers(rows, "next_weeks")
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
    services = services_of_filters(tables).lazy()
    visits = (
        table(tables, "reading")
        .lazy()
        .filter(pl.col("parameter") == "flow_l_h")
        .select("tank", pl.col("day").alias("date"), pl.col("matched").alias("flow_l_h"))
        .join(
            table(tables, "placement").lazy().select("filter", "tank", "from", "to"), on="tank", maintain_order="left"
        )
        .filter(in_force("date"))
        .filter(pl.col("filter").n_unique().over("tank", "date") == 1)
    )
    before, after = (services.select("filter", "date", flow_l_h=f"flow_{when}") for when in ("before", "after"))
    parts = [before, visits.select("filter", "date", "flow_l_h"), after]
    return pl.concat(parts).drop_nulls("flow_l_h").sort("date", maintain_order=True).collect()


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
    book = placed.lazy().select("filter", "as_of", "clean_flow_l_h", "rated_flow_l_h").unique(["filter", "as_of"])
    low = (pl.col("flow_of_clean") < assumed["low_flow_share"]).fill_null(False)
    # Sludge that was found and cleaned out of the media no longer clogs it.
    sludge = ((pl.col("found") == "sludge") & ~pl.col("job").is_in(CLEANS_MEDIA)).fill_null(False)
    weeks_since = (pl.col("as_of") - pl.col("checked")).dt.total_days() / DAYS_A_WEEK
    rows = (
        book.join(timed.lazy(), on=["filter", "as_of"])
        .join(last.lazy(), on=["filter", "as_of"])
        .with_columns(
            (pl.col("timed_l_h") / pl.col("clean_flow_l_h")).alias("flow_of_clean"),
            (weeks_since - pl.col("weeks")).alias("overdue_weeks"),
        )
        .with_columns(low.alias("low"), sludge.alias("sludge"))
        .collect()
    )
    factor = factors.clog(rows["low"].to_numpy(), rows["sludge"].to_numpy(), numbers(rows, "overdue_weeks"), assumed)
    estimated = pl.col("rated_flow_l_h") * assumed["flow_of_rated"]
    return rows.with_columns(pl.Series("clog", factor)).select(
        "filter",
        "as_of",
        pl.coalesce("timed_l_h", "clean_flow_l_h", estimated).alias("flow_l_h"),
        first_of(
            (known("timed_l_h") | known("clean_flow_l_h"), "timed"), (known("rated_flow_l_h"), "estimated"), otherwise="unknown"
        ).alias("flow_basis"),
        "flow_day",
        "flow_of_clean",
        "clog",
        first_of(
            ("low", "flow"), ("sludge", "sludge"), (~known("checked"), "service not recorded"), (pl.col("clog") < 1, "overdue")
        ).alias("clogged_by"),
        "overdue_weeks",
    )  # fmt: skip
