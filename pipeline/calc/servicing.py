"""What is done to a filter, as of a day: the check interval 4 → 6 → 8 weeks, the timed flow, what clogs; and what has
knocked its media back and how far that has recovered: rinses, medication, long stops, drying out.

Common practice, no source: checks are put further apart only when found clean, held when light, back one step when heavy,
back to the first on sludge or on a flow under 60 % of clean. A disturbance belongs to the media that lay in the filter that
day. It follows that media when a later fill records it again, repacked in the same filter, or under the same batch in another.
"""

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from pipeline.assumptions import Assumptions
from pipeline.calc import factors
from pipeline.calc.cells import Array
from pipeline.calc.layers import fills_numbered, first_of, in_force, known, last_before, numbers, table
from schemas import Tables

CHECKS = ("check", "pads", "media rinsed", "full")  # jobs that open the filter and look
HANDLING = ("media rinsed", "full")  # jobs that handle its media, even where no share was typed
DRIED = r"(?i)\b(?:dried out|ran dry|gone dry)\b"
DAYS_A_WEEK = 7.0


def services_of_filters(tables: Tables) -> pl.DataFrame:
    """Services by day, with their filter: one left blank is the tank's only filter that day; untold ones have no row."""
    services = table(tables, "service").lazy().with_row_index("service")
    placed = table(tables, "placement").lazy().select(pl.col("filter").alias("only"), "tank", "from", "to")
    only = (
        services.filter(pl.col("filter").is_null())
        .select("service", "date", "tank")
        .join(placed, on="tank")
        .filter(in_force("date"))
        .group_by("service")
        .agg(pl.col("only").first(), pl.col("only").n_unique().alias("of"))
        .filter(pl.col("of") == 1)
    )
    return (
        services.join(only, on="service", how="left")
        .with_columns(pl.coalesce("filter", "only").alias("filter"))
        .drop("only", "of")
        .drop_nulls("filter")
        .sort("date", "service")
        .collect()
    )


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


def flow_and_clog(tables: Tables, placed: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """One row a filter and as-of day of `placed`: flow_l_h, flow_basis, flow_day, flow_of_clean, clog,
    clogged_by (flow, sludge, service not recorded, overdue; null where nothing is said) and overdue_weeks.

    Flow: the last one timed, else the clean one of the book, else a share of the rated one (estimated), else unknown.
    """
    timed = flow_timings(tables).lazy().select("filter", flow_day="date", timed_l_h="flow_l_h")
    checked = checks(tables, assumed).lazy().select("filter", "job", "found", "weeks", checked="date")
    book = placed.lazy().select("filter", "as_of", "clean_flow_l_h", "rated_flow_l_h").unique(["filter", "as_of"])
    low = (pl.col("flow_of_clean") < assumed["low_flow_share"]).fill_null(False)
    # Sludge that was found and cleaned out of the media no longer clogs it.
    sludge = ((pl.col("found") == "sludge") & ~pl.col("job").is_in(HANDLING)).fill_null(False)
    weeks_since = (pl.col("as_of") - pl.col("checked")).dt.total_days() / DAYS_A_WEEK
    rows = (
        last_before(last_before(book, timed, "filter", "flow_day"), checked, "filter", "checked")
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


# -- disturbances --------------------------------------------------------------------------------------


def _rinses(services: pl.LazyFrame, fills: pl.LazyFrame, media: pl.LazyFrame, assumed: Assumptions) -> pl.LazyFrame:
    """Rinses of media: in tank water above the free third, or in tap water. Water not recorded counts as the tank's.

    They reach the fills of biological media that lay in the serviced filter (and compartment) that day. What is free
    is measured by the share of the filter's media, `share` is that of the fill: a job that names its compartment
    reached the media there first.
    """
    handles = pl.col("job").is_in(HANDLING)
    handled = (pl.col("media_share") > 0) | (pl.col("media_share").is_null() & handles)
    wet = (pl.col("rinse_water") != "none").fill_null(False) | (pl.col("rinse_water").is_null() & handles)
    mine = (pl.col("at").is_null() | (pl.col("at") == pl.col("compartment"))).fill_null(False)
    kg = pl.col("mass_kg").fill_null(0.0)
    typed, weighed = pl.col("media_share").fill_null(1.0), (pl.col("mine_kg") > 0) & (pl.col("all_kg") > 0)
    part = pl.when(weighed).then(pl.col("mine_kg") / pl.col("all_kg")).otherwise(1.0)
    tap = (pl.col("rinse_water") == "tap").fill_null(False)
    free = ~tap & (pl.min_horizontal(typed, part) <= assumed["disturb_free_share"] + 1e-6)

    def by_water(name: str) -> pl.Expr:
        return pl.when(tap).then(assumed[f"disturb_tap_{name}"]).otherwise(assumed[f"disturb_tank_{name}"])

    return (
        services.filter(handled.fill_null(False) & wet)
        .rename({"compartment": "at"})
        # A medium without a stage may be biological by its compartment: a rinse then reaches it as well.
        .join(fills.join(media.filter(pl.col("stage").fill_null("biological") == "biological"), on="medium", how="semi"), on="filter")
        .filter(in_force("date"))
        .with_columns(
            kg.sum().over("service").alias("all_kg"), kg.filter(mine).sum().over("service").alias("mine_kg")
        )
        .filter(mine & ~free)
        .select(
            "fill",
            "date",
            share=pl.min_horizontal(pl.lit(1.0), typed / part),
            lowest=by_water("rinse"),
            weeks=by_water("rinse_weeks"),
            kind=first_of(
                (tap, "rinsed in tap water"),
                (pl.col("rinse_water").is_null(), "rinsed in tank water (water not recorded)"),
                otherwise="rinsed in tank water",
            ),
            size="media_share",
        )
    )  # fmt: skip


def disturbances(tables: Tables, assumed: Assumptions) -> pl.DataFrame:
    """Every disturbance of every fill: fill, date, share, lowest (null: it dried out), weeks, kind, size (share or hours)."""
    fills, services = fills_numbered(tables).lazy(), services_of_filters(tables).lazy()
    placed = table(tables, "placement").lazy().select("filter", "tank", "from", "to")
    # Fills in the serviced filter, and in the filters that stood on an event's tank, that day.
    served = services.select("date", "filter", pl.col("hours_stopped").alias("hours"), "note", event=pl.lit("service"))
    events = table(tables, "event").lazy().join(placed, on="tank").filter(in_force("date"))
    recorded = pl.concat([served, events.select("date", "filter", "hours", "note", "event")])
    there = recorded.join(fills, on="filter").filter(in_force("date"))

    def whole(
        happened: pl.Expr, kind: str, lowest: float | None, weeks: float, size: pl.Expr | None = None
    ) -> pl.LazyFrame:
        """What reached all of a fill; `size` are its hours."""
        return there.filter(happened).select(
            "fill", "date", share=pl.lit(1.0), lowest=pl.lit(lowest, pl.Float64), weeks=pl.lit(weeks), kind=pl.lit(kind),
            size=pl.lit(None, pl.Float64) if size is None else size,
        )  # fmt: skip

    stops = pl.col("event").is_in(["service", "power cut", "filter stopped"])
    of = {name: assumed[f"disturb_{name}"] for name in ("stopped", "stopped_weeks", "medication", "medication_weeks")}
    hours = pl.col("hours")
    parts = [
        _rinses(services, fills, table(tables, "medium").lazy(), assumed),
        whole(stops & (hours > assumed["stopped_hours"]), "stopped", of["stopped"], of["stopped_weeks"], hours),
        whole(pl.col("event") == "medication", "medication, taken as antibacterial", of["medication"], of["medication_weeks"]),
        whole(pl.col("note").str.contains(DRIED), "dried out", None, 0.0),
    ]  # fmt: skip
    return pl.concat(parts, how="vertical_relaxed").unique(maintain_order=True).collect()


def reaching(layers: pl.DataFrame, tables: Tables, assumed: Assumptions) -> pl.DataFrame:
    """The disturbances that reach each layer up to its day: row (as in `layers`), date, share, lowest, weeks,
    kind, size.

    A disturbance reaches a layer through the very fill it met, or, for a fill recorded later, through the same media:
    same medium and wetted day in the same filter, or in any filter under the same batch.
    """
    found, fills = disturbances(tables, assumed).lazy(), fills_numbered(tables).lazy()
    where = pl.when(pl.col("batch").is_null()).then("filter").otherwise(pl.lit(""))
    identity = fills.filter(pl.col("wetted").is_not_null()).select(
        "fill", pl.struct("medium", "wetted", "batch", where).alias("media")
    )
    rows, columns = layers.lazy().select("row", "as_of", "fill", "from"), ["row", *found.collect_schema().names()[1:]]
    elsewhere = found.join(identity, on="fill").drop("fill").unique()
    followed = rows.join(identity, on="fill").join(elsewhere, on="media").filter(pl.col("from") > pl.col("date"))
    reached = [rows.join(found, on="fill"), followed]
    past = pl.concat([part.filter(pl.col("date") <= pl.col("as_of")).select(columns) for part in reached])
    return past.unique().collect()


def disturbed(layers: pl.DataFrame, reached: pl.DataFrame, assumed: Assumptions) -> pl.DataFrame:
    """Columns disturbance, what it was (kind, size, date; null where nothing is felt), and dried, the day it last dried
    out, in the order of `layers`.

    Counted `ahead` days (a column of layers) from each as-of day, if nothing else happens. The worst current one
    applies, not the product.
    """
    key = ["row", "ahead"]
    rows = layers.select(*key, "as_of")
    dried = reached.filter(pl.col("lowest").is_null() & bool(assumed["use_disturbance"]))
    dried = dried.group_by("row").agg(pl.col("date").max().alias("dried"))
    felt = reached.filter(pl.col("lowest").is_not_null()).join(rows, on="row", maintain_order="left")
    days = (pl.col("as_of") - pl.col("date")).dt.total_days() + pl.col("ahead")
    felt = felt.with_columns((days / DAYS_A_WEEK).alias("since"))
    since, lowest, weeks, share = (felt[name].to_numpy() for name in ("since", "lowest", "weeks", "share"))
    values = factors.disturbance(since, lowest, weeks, share, assumed)
    worst = (
        felt.with_columns(pl.Series("disturbance", values))
        .filter(pl.col("disturbance") < 1)
        .sort("disturbance", "date", descending=[False, True])
        .unique(key, keep="first", maintain_order=True)
        .select(*key, "disturbance", disturbed_by="kind", disturbed_size="size", disturbed_on="date")
    )
    return (
        rows.join(worst, on=key, how="left", maintain_order="left")
        .join(dried, on="row", how="left", maintain_order="left")
        .select(pl.col("disturbance").fill_null(1.0), "disturbed_by", "disturbed_size", "disturbed_on", "dried")
    )
