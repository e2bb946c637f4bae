"""Services beside each other, beside the filter they were done on, and beside the water changes of the day."""

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.intake.columns import KEY, issue_rows, join_issues, no_issues
from schemas import Tables

FLOWS = ("flow_before", "flow_after")
DIRTY = ("heavy", "sludge")


def put_off(service: pl.DataFrame, text: pl.DataFrame) -> pl.DataFrame:
    """Intervals that were lengthened although the filter was found dirty."""
    rows = (
        service.join(text.select(*KEY, pl.col("next_weeks").alias("as typed")), on=KEY, how="left")
        .filter(pl.col("next_weeks").is_not_null() & pl.col("filter").is_not_null())
        .sort("filter", "date", *KEY)
        .with_columns(pl.col("next_weeks").shift(1).over("filter").alias("before"))
    )
    longer = pl.col("found").is_in(DIRTY) & (pl.col("next_weeks") > pl.col("before"))
    return issue_rows(rows, longer, "next_weeks", "put off", outcome="warned", text="as typed")


def timed(
    service: pl.DataFrame, text: pl.DataFrame, tables: Tables, f: Assumptions
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Flows timed at a service that are more than the pump is rated for: held."""
    models = tables["filter_model"].select("model", pl.col("rated_flow_l_h").alias("rated"))
    rated = tables["filter"].select("filter", "model").join(models, on="model", how="left").drop("model")
    issues = []
    for column in FLOWS:
        rows = service.join(rated, on="filter", how="left", maintain_order="left").join(
            text.select(*KEY, pl.col(column).alias("as typed")), on=KEY, how="left", maintain_order="left"
        )
        over = (pl.col(column) > pl.col("rated") * f["flow_hold_over_rated"]).fill_null(False)
        rows = rows.with_columns(pl.col(column).alias("flow"))
        issues.append(issue_rows(rows, over, column, "over the rated flow: at a service", text="as typed"))
        service = service.with_columns(rows.select(pl.when(~over).then(pl.col(column)).alias(column)).to_series())
    return service, join_issues(issues)


def with_large_changes(service: pl.DataFrame, change: pl.DataFrame, f: Assumptions) -> pl.DataFrame:
    """A full service and a large water change on the same day: two shocks at once."""
    if change.height == 0 or service.height == 0:
        return no_issues()
    large = (
        change.filter(pl.col("fraction") > f["service_change_share"])
        .group_by("tank", pl.col("day").alias("date"))
        .agg((pl.col("fraction").max() * 100).alias("per_cent"))
    )
    rows = service.join(large, on=["tank", "date"], how="inner", maintain_order="left")
    return issue_rows(rows, pl.col("job") == "full", "job", "service and change", outcome="warned")
