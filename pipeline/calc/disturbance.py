"""What has knocked media back and how far it has recovered: rinses, medication, long stops, drying out.

A disturbance belongs to the media that lay in the filter that day. It follows that media when a later fill records it
again, repacked in the same filter, or under the same batch in another.
"""

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc import factors
from pipeline.calc.layers import fills_numbered, in_force, table
from schemas import Tables

DRIED = r"(?i)\b(?:dried out|ran dry|gone dry)\b"
HANDLING = ("media rinsed", "full")  # jobs that handle media even where no share was typed
DAYS_A_WEEK = 7.0


def services_of_filters(tables: Tables) -> pl.DataFrame:
    """Services in the order of their days, with their filter: one left blank is the tank's only filter that day.

    Where no filter can be told, the row is left out here; the review says so of the record itself.
    """
    services = table(tables, "service").with_row_index("service")
    only = (
        services.filter(pl.col("filter").is_null() & pl.col("tank").is_not_null())
        .select("service", "date", "tank")
        .join(table(tables, "placement").select(pl.col("filter").alias("only"), "tank", "from", "to"), on="tank")
        .filter(in_force("date"))
        .group_by("service")
        .agg(pl.col("only").unique())
        .filter(pl.col("only").list.len() == 1)
        .select("service", pl.col("only").list.first())
    )
    return (
        services.join(only, on="service", how="left")
        .with_columns(pl.coalesce("filter", "only").alias("filter"))
        .drop("only")
        .drop_nulls("filter")
        .sort("date", "service")
    )


def _touched(services: pl.DataFrame, fills: pl.DataFrame, biological: list[str]) -> pl.DataFrame:
    """Fills of biological media that lay in the serviced filter (and compartment) that day, and the share handled.

    `share_all` is the share of the filter's media, which the free third is measured by; `share` that of this fill:
    a job that names its compartment reached the media there first.
    """
    there = (
        services.rename({"compartment": "at"})
        .join(fills.filter(pl.col("medium").is_in(biological)), on="filter")
        .filter(in_force("date"))
    )
    mine = (pl.col("at").is_null() | (pl.col("at") == pl.col("compartment"))).fill_null(False)
    kg = pl.col("mass_kg").fill_null(0.0)
    there = there.with_columns(
        kg.sum().over("service").alias("all_kg"),
        kg.filter(mine).sum().over("service").alias("mine_kg"),
    ).filter(mine)
    typed = pl.col("media_share").fill_null(1.0)
    known = (pl.col("mine_kg") > 0) & (pl.col("all_kg") > 0)
    part = pl.when(known).then(pl.col("mine_kg") / pl.col("all_kg")).otherwise(1.0)
    return there.with_columns(
        pl.min_horizontal(typed, part).alias("share_all"),
        pl.min_horizontal(pl.lit(1.0), typed / part).alias("share"),
    )


def _rinses(services: pl.DataFrame, fills: pl.DataFrame, biological: list[str], assumed: Assumptions) -> pl.DataFrame:
    """Rinses of media: in tank water above the free third, or in tap water. Water not recorded counts as the tank's."""
    handled = (pl.col("media_share") > 0) | (pl.col("media_share").is_null() & pl.col("job").is_in(HANDLING))
    wet = pl.col("rinse_water").is_null() & pl.col("job").is_in(HANDLING)
    rinsed = services.filter(handled.fill_null(False) & ((pl.col("rinse_water") != "none").fill_null(False) | wet))
    tap = (pl.col("rinse_water") == "tap").fill_null(False)
    free = ~tap & (pl.col("share_all") <= assumed["disturb_free_share"] + 1e-6)
    return (
        _touched(rinsed, fills, biological)
        .filter(~free)
        .select(
            "fill",
            "date",
            "share",
            pl.when(tap).then(assumed["disturb_tap_rinse"]).otherwise(assumed["disturb_tank_rinse"]).alias("lowest"),
            pl.when(tap)
            .then(assumed["disturb_tap_rinse_weeks"])
            .otherwise(assumed["disturb_tank_rinse_weeks"])
            .alias("weeks"),
            pl.when(tap)
            .then(pl.lit("rinsed in tap water"))
            .when(pl.col("rinse_water").is_null())
            .then(pl.lit("rinsed in tank water (water not recorded)"))
            .otherwise(pl.lit("rinsed in tank water"))
            .alias("kind"),
            pl.col("media_share").alias("size"),
        )
    )


def _whole(there: pl.DataFrame, kind: str, lowest: float | None, weeks: float, size: str | None = None) -> pl.DataFrame:
    """Disturbances that reached all of some fills (fill, date); `size` names the column of their hours."""
    return there.select(
        "fill", "date", share=pl.lit(1.0), lowest=pl.lit(lowest, pl.Float64), weeks=pl.lit(weeks), kind=pl.lit(kind),
        size=pl.col(size) if size else pl.lit(None, pl.Float64),
    )  # fmt: skip


def _of_tank(events: pl.DataFrame, tables: Tables, fills: pl.DataFrame) -> pl.DataFrame:
    """Fills in the filters that stood on the event's tank that day, a row each with the event's columns."""
    names = {"from": "p_from", "to": "p_to"}  # fills have a from and a to as well
    placed = table(tables, "placement").select("filter", "tank", "from", "to").rename(names)
    standing = (pl.col("p_from") <= pl.col("date")) & (pl.col("p_to").is_null() | (pl.col("date") <= pl.col("p_to")))
    return (
        events.select("date", "tank", "event", "hours", "note")
        .join(placed, on="tank")
        .filter(standing)
        .join(fills, on="filter")
        .filter(in_force("date"))
    )


def disturbances(tables: Tables, assumed: Assumptions) -> pl.DataFrame:
    """Every disturbance of every fill: fill, date, share, lowest, weeks, kind, size (share handled, or hours stopped).

    `lowest` null: it dried out there.
    """
    fills = fills_numbered(tables)
    media = table(tables, "medium")
    # A medium without a stage may be biological by its compartment: a rinse then reaches it as well.
    biological = media.filter((pl.col("stage") == "biological") | pl.col("stage").is_null())["medium"].to_list()
    services, events = services_of_filters(tables), table(tables, "event")
    stop = assumed["stopped_hours"]
    there = services.select("date", "filter", pl.col("hours_stopped").alias("hours"), "note").join(fills, on="filter")
    there = there.filter(in_force("date"))
    on_tank = _of_tank(events, tables, fills)
    stopped = pl.concat(
        [
            there.filter(pl.col("hours") > stop).select("fill", "date", "hours"),
            on_tank.filter((pl.col("hours") > stop) & pl.col("event").is_in(["power cut", "filter stopped"])).select(
                "fill", "date", "hours"
            ),
        ]
    )
    dried = pl.concat(
        [
            there.filter(pl.col("note").str.contains(DRIED)).select("fill", "date"),
            on_tank.filter(pl.col("note").str.contains(DRIED)).select("fill", "date"),
        ]
    )
    return pl.concat(
        [
            _rinses(services, fills, biological, assumed),
            _whole(stopped, "stopped", assumed["disturb_stopped"], assumed["disturb_stopped_weeks"], "hours"),
            _whole(
                on_tank.filter(pl.col("event") == "medication"),
                "medication, taken as antibacterial",
                assumed["disturb_medication"],
                assumed["disturb_medication_weeks"],
            ),
            _whole(dried, "dried out", None, 0.0),
        ],
        how="vertical_relaxed",
    ).unique(maintain_order=True)


def reaching(layers: pl.DataFrame, tables: Tables, assumed: Assumptions) -> pl.DataFrame:
    """The disturbances that reach each layer up to its day: row (as in `layers`), date, share, lowest, weeks,
    kind, size.

    A disturbance reaches a layer through the very fill it met, or, for a fill recorded later, through the same media:
    same medium and wetted day in the same filter, or in any filter under the same batch.
    """
    found = disturbances(tables, assumed)
    fills = fills_numbered(tables)
    same = pl.struct(
        "medium", "wetted", "batch", pl.when(pl.col("batch").is_null()).then(pl.col("filter")).otherwise(pl.lit(""))
    ).alias("media")
    identity = fills.filter(pl.col("wetted").is_not_null()).select("fill", same, pl.col("from").alias("fill_from"))
    rows = layers.select("row", "as_of", "fill", "from")
    direct = rows.join(found, on="fill").filter(pl.col("date") <= pl.col("as_of"))
    followed = (
        rows.join(identity.select("fill", "media"), on="fill")
        .join(found.join(identity.select("fill", "media"), on="fill").drop("fill").unique(), on="media")
        .filter((pl.col("date") <= pl.col("as_of")) & (pl.col("from") > pl.col("date")))
    )
    columns = ["row", "date", "share", "lowest", "weeks", "kind", "size"]
    return pl.concat([direct.select(columns), followed.select(columns)]).unique()


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
