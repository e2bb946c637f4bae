"""Services beside each other, beside the filter they were done on, and beside the water changes of the day."""

from __future__ import annotations

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.intake.columns import issue_rows, join_issues
from schemas import Tables

KEY = ["file", "line"]
FLOWS = ("flow_before", "flow_after")
DIRTY = ("heavy", "sludge")


def _whole(column: str | pl.Expr) -> pl.Expr:
    number = pl.col(column) if isinstance(column, str) else column
    return number.round(0).cast(pl.Int64)


def put_off(service: pl.DataFrame, text: pl.DataFrame) -> pl.DataFrame:
    """Intervals that were lengthened although the filter was found dirty."""
    rows = (
        service.join(text.select(*KEY, pl.col("next_weeks").alias("as typed")), on=KEY, how="left")
        .filter(pl.col("next_weeks").is_not_null() & pl.col("filter").is_not_null())
        .sort("filter", "date", *KEY)
        .with_columns(pl.col("next_weeks").shift(1).over("filter").alias("before"))
    )
    return issue_rows(
        rows,
        (pl.col("found").is_in(DIRTY) & (pl.col("next_weeks") > pl.col("before"))).fill_null(False),
        column="next_weeks",
        text=pl.col("as typed"),
        outcome="warned",
        fault="put off",
        says=pl.format(
            "Found {}, yet the next check is put off from {} to {} weeks.",
            "found",
            _whole("before"),
            _whole("next_weeks"),
        ),
    )


def timed(
    service: pl.DataFrame, text: pl.DataFrame, tables: Tables, f: Assumptions
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Flows timed at a service against what the pump is rated for (held) and what the clean filter gives (asked about)."""
    models = tables["filter_model"].select("model", pl.col("rated_flow_l_h").alias("rated"))
    rated = (
        tables["filter"]
        .select("filter", "model", pl.col("clean_flow_l_h").alias("clean"))
        .join(models, on="model", how="left")
        .drop("model")
    )
    rows = service.join(rated, on="filter", how="left", maintain_order="left")
    parts = []
    for column in FLOWS:
        told = rows.join(text.select(*KEY, pl.col(column).alias("as typed")), on=KEY, how="left", maintain_order="left")
        over = (pl.col(column) > pl.col("rated") * f["flow_hold_over_rated"]).fill_null(False)
        parts.append(
            issue_rows(
                told,
                over,
                column=column,
                text=pl.col("as typed"),
                outcome="held",
                fault="over the rated flow",
                says=pl.format(
                    "{} L/h is more than a pump rated {} L/h gives; expected less. Time it again.",
                    _whole(column),
                    _whole("rated"),
                ),
            )
        )
        service = service.with_columns(told.select(pl.when(~over).then(pl.col(column)).alias(column)).to_series())
    return service, join_issues(parts)


def with_large_changes(service: pl.DataFrame, change: pl.DataFrame, f: Assumptions) -> pl.DataFrame:
    """A full service and a large water change on the same day: two shocks at once."""
    if change.height == 0 or service.height == 0:
        return join_issues([])
    large = (
        change.filter(pl.col("fraction") > f["service_change_share"])
        .group_by("tank", pl.col("day").alias("date"))
        .agg(pl.col("fraction").max())
    )
    return issue_rows(
        service.join(large, on=["tank", "date"], how="inner", maintain_order="left"),
        pl.col("job") == "full",
        column="job",
        text=pl.col("job"),
        outcome="warned",
        fault="service and change",
        says=pl.format(
            "A full service, and {} % of the water was changed the same day: better a few days apart.",
            _whole(pl.col("fraction") * 100),
        ),
    )
