"""Rules about what nobody knows. Silence is never green, and unknown is never 0."""

from __future__ import annotations

import polars as pl

from pipeline.review.facts import Facts
from pipeline.review.saying import HOUSE, ago, capital, finding, whole
from pipeline.wording import NBSP

CANT, DUE = "can't say", "due"
NEVER = 10_000.0  # days: orders a tank that was never read before any that was


def no_usable_reading(f: Facts) -> pl.DataFrame:
    """No usable nitrate reading for one and a half visit intervals."""
    intervals = f.assumed["silent_intervals"]
    silent = (pl.col("last_age") > intervals * pl.col("visit_days")).fill_null(True)
    rows = f.rows.filter(silent)
    never = pl.col("last_age").is_null()
    # A young tank that has not been visited yet is no less unknown.
    told = (
        pl.when(never)
        .then(pl.lit("no usable nitrate reading yet"))
        .otherwise(pl.format("no usable nitrate reading for {}", _spell(pl.col("last_age"))))
    )
    return finding(
        rows,
        "no_usable_reading",
        CANT,
        reason=told,
        step="Test nitrate, ammonia and nitrite at the next visit, first of all",
        says=pl.format(
            "{}{}: nobody can say how this tank is.",
            capital(told),
            pl.when(never).then(pl.lit("")).otherwise(pl.format(" (the last one {})", ago(pl.col("last_age")))),
        ),
        do="Test nitrate, ammonia and nitrite at the next visit before anything else is done; type in sheets that lie about.",
        basis=pl.format(f"{intervals:g} visit intervals of {{}} days; {HOUSE}", whole(pl.col("visit_days"))),
        harm=-pl.col("last_age").cast(pl.Float64).fill_null(NEVER),
    )


def _spell(days: pl.Expr) -> pl.Expr:
    return (
        pl.when(days < 28)
        .then(pl.format(f"{{}}{NBSP}days", days))
        .otherwise(pl.format(f"{{}}{NBSP}weeks", (days // 7)))
    )


def held(f: Facts) -> pl.DataFrame:
    """An item of this tank is held: until it is settled nobody can say."""
    rows = f.rows.filter(pl.col("held_fresh") > 0)
    what = (
        pl.when(pl.col("held_column").is_null())
        .then(pl.lit("a row"))
        .otherwise(pl.format("{} “{}”", "held_column", "held_text"))
    )
    more = (
        pl.when(pl.col("held_fresh") > 1)
        .then(pl.format(" and {} more", pl.col("held_fresh") - 1))
        .otherwise(pl.lit(""))
    )
    suggest = (
        pl.when(pl.col("held_suggestion").is_null())
        .then(pl.lit("Settle it under Held rows"))
        .otherwise(pl.format("Settle it under Held rows: {}?", "held_suggestion"))
    )
    age = (
        pl.when(pl.col("held_age").is_null())
        .then(pl.lit(""))
        .otherwise(pl.format(", held {}", _spell(pl.col("held_age"))))
    )
    return finding(
        rows,
        "held",
        CANT,
        reason=pl.format("data to settle: {}{}{}", what, more, age),
        step=suggest,
        says=pl.format("Held in {}: {}{}. {}", "held_where", what, more, "held_reason"),
        do=pl.format("{} Nothing else of the row waits for it.", pl.concat_str(suggest, pl.lit("."))),
        basis=f"an item held in the last {f.assumed['held_fresh_days']:g} days; {HOUSE}",
        harm=-pl.col("held_age").cast(pl.Float64).fill_null(0.0),
    )


def kit_expired(f: Facts) -> pl.DataFrame:
    """Readings on a kit that was out of date: they can raise an alarm, and make no tank steady."""
    rows = f.rows.filter(pl.col("last_expired").fill_null(False))
    return finding(
        rows,
        "kit_expired",
        DUE,
        reason=pl.format("last nitrate was read with kit {}, out of date", pl.col("last_kit").fill_null("not named")),
        step="Retest with a kit in date; until then it cannot be called steady",
        says=pl.format(
            "The last nitrate reading ({}) was taken with kit {}, which was out of date that day.",
            ago(pl.col("last_age")),
            pl.col("last_kit").fill_null("not named"),
        ),
        do="Bring a kit that is in date and read both once, side by side.",
        basis="a kit past its date, or open over twelve months; common practice, no source",
        harm=pl.lit(-3.0),
    )


def not_tested(f: Facts) -> pl.DataFrame:
    """Ammonia or nitrite not tested for weeks: what has not been looked for is not called absent."""
    days = f.assumed["water_fresh_days"]
    a, n = pl.col("ammonia_matched").is_null(), pl.col("nitrite_matched").is_null()
    what = (
        pl.when(a & n).then(pl.lit("ammonia and nitrite")).when(a).then(pl.lit("ammonia")).otherwise(pl.lit("nitrite"))
    )
    return finding(
        f.rows.filter(a | n),
        "not_tested",
        DUE,
        reason=pl.format(f"{{}} not tested within {days:g}{NBSP}days", what),
        step=pl.format("Test {} at the next visit", what),
        says=pl.format(f"No result for {{}} within {days:g} days.", what),
        do=pl.format("Test {} at the next visit.", what),
        basis=f"a result speaks for {days:g} days; {HOUSE}",
        harm=pl.lit(-1.0),
    )


def rating_not_known(f: Facts) -> pl.DataFrame:
    """What is wanted before a rating can be said: litres, a filter, its layout."""
    rows = f.rows.filter((pl.col("plain_state") == "can't say").fill_null(True))
    missing = pl.col("missing").fill_null("the tank's litres and its filter's media")
    return finding(
        rows,
        "rating_not_known",
        DUE,
        reason=pl.format("rating not known: needs {}", missing),
        step=pl.format("Find out at the visit: {}", missing),
        says=pl.format("Its full-cycle rating can't be said: it needs {}.", missing),
        do=pl.format("Find out at the visit and write it in the book: {}.", missing),
        basis="net litres and dry mass of media; unknown is not 0",
        harm=pl.lit(-0.5),
    )
