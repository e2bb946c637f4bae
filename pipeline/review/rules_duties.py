"""Rules about jobs whose day has come: filter checks, carbon, kits, tap and flow tests, promises."""

from __future__ import annotations

import polars as pl

from pipeline.review.facts import Facts, concat
from pipeline.review.saying import ASK, capital, finding
from pipeline.wording import NBSP

RULES = {  # what of the due table -> rule
    "check": "service_due",
    "carbon": "carbon_due",
    "kit": "kit_due",
    "tests left": "kit_due",
    "tap test": "tap_test_due",
    "flow test": "flow_test_due",
    "promise": "promise_due",
}


def jobs(f: Facts) -> pl.DataFrame:
    """One finding a rule and tank whose day has come: the latest of its jobs, with the count of the others."""
    come = f.table("due").filter(pl.col("late_days") >= 0)
    rule = pl.col("what").replace_strict(RULES, default=None, return_dtype=pl.String)
    rows = (
        come.with_columns(rule.alias("rule"))
        .drop_nulls("rule")
        .sort(*ASK, "rule", pl.col("late_days"), "about", descending=[False, False, False, True, False])
        .group_by(*ASK, "rule", maintain_order=True)
        .agg(pl.all().first(), pl.len().alias("jobs"))
    )
    late = (
        pl.when(pl.col("late_days") == 0)
        .then(pl.lit("today"))
        .when(pl.col("late_days") == 1)
        .then(pl.format(f"1{NBSP}day late"))
        .otherwise(pl.format(f"{{}}{NBSP}days late", pl.col("late_days")))
    )
    more = pl.when(pl.col("jobs") > 1).then(pl.format(" (and {} more)", pl.col("jobs") - 1)).otherwise(pl.lit(""))
    parts = []
    for name in sorted(set(RULES.values())):
        one = rows.filter(pl.col("rule") == name)
        parts.append(
            finding(
                one,
                name,
                "due",
                reason=pl.format("{}{}", _short(late), more),
                step=pl.col("do"),
                says=pl.format("{}, {}{}.", capital(pl.col("says")), late, more),
                do=pl.col("do"),
                basis=pl.col("basis"),
                harm=-pl.col("late_days").cast(pl.Float64),
            )
        )
    return concat(parts)


def _short(late: pl.Expr) -> pl.Expr:
    """The job and how late it is, short enough for the week's table; in full it stands in `says`."""
    what, about = pl.col("what"), pl.col("about")
    return (
        pl.when(what == "check")
        .then(pl.format("check of filter {}, {}", about, late))
        .when(what == "carbon")
        .then(pl.format("carbon in {}, {}", about, late))
        .when(what == "kit")
        .then(pl.format("kit {} out of date, {}", about, late))
        .when(what == "tests left")
        .then(pl.col("says"))
        .when(what == "tap test")
        .then(pl.format("test of tap {}, {}", about, late))
        .when(what == "flow test")
        .then(pl.format("flow of {} to time, {}", about, late))
        .otherwise(pl.format("promise, {}: {}", late, about))
    )
