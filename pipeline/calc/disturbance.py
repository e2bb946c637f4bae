"""What has knocked media back and how far it has recovered: rinses, medication, long stops, drying out.

A disturbance belongs to the media that lay in the filter that day. It follows that media when a later fill records it
again, repacked in the same filter, or under the same batch in another.
"""

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc import factors
from pipeline.calc.layers import fills_numbered, first_of, in_force, table
from schemas import Tables

DRIED = r"(?i)\b(?:dried out|ran dry|gone dry)\b"
HANDLING = ("media rinsed", "full")  # jobs that handle media even where no share was typed
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
