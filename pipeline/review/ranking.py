"""From findings to one line a tank: its class, its reason, its next step, and the order of the round.

By class, then within a class by nearest harm. There is no points score: each finding carries the one number that
orders it, and the number means the same for all findings of its class.
"""

from __future__ import annotations

import polars as pl

from pipeline.review.facts import Facts
from pipeline.review.saying import ASK, REASON_MOST, STEP_MOST, ago, change_words, cut, span
from schemas import conform
from schemas.words import CLASSES

ORDER = {name: place for place, name in enumerate(CLASSES)}
WEEK, MONTH = 7, 28  # days back: what "changed" and "worse" are told against


def _place(column: str = "class") -> pl.Expr:
    return pl.col(column).replace_strict(ORDER, return_dtype=pl.Int64)


def quieten(found: pl.DataFrame, noted: pl.DataFrame, worse_share: float) -> pl.DataFrame:
    """Findings that were known and reviewed are quiet until a day, and back at once if they worsen.

    Worse is a more urgent class than a week or four weeks before, or harm that has come a fifth nearer since. What
    must be acted on today is never quiet: welfare comes first.
    """
    until = noted.group_by("tank", "rule").agg(pl.col("until").max())
    rows = found.join(until, on=["tank", "rule"], how="left", maintain_order="left")
    for name, back in (("week", WEEK), ("month", MONTH)):
        then = found.select(
            "tank",
            "rule",
            (pl.col("as_of") + pl.duration(days=back)).alias("as_of"),
            _place().alias(f"class_{name}"),
            pl.col("harm").alias(f"harm_{name}"),
        )
        rows = rows.join(then, on=["tank", "rule", "as_of"], how="left", maintain_order="left")
    worse = pl.any_horizontal(
        (_place() < pl.col(f"class_{name}"))
        | (pl.col("harm") < pl.col(f"harm_{name}") - worse_share * pl.col(f"harm_{name}").abs())
        for name in ("week", "month")
    ).fill_null(False)
    quiet = (pl.col("until") >= pl.col("as_of")).fill_null(False) & ~worse & (pl.col("class") != "act today")
    return rows.with_columns(quiet.alias("quiet")).select(found.columns)


def _steady_words(f: Facts) -> pl.DataFrame:
    """What a tank without a finding is told by: its last readings with their age, and the routine it keeps."""
    last = pl.format("nitrate {}, {}", span(pl.col("last_low"), pl.col("last_high"), 0), ago(pl.col("last_age")))
    clean = ((pl.col("ammonia_matched") == 0) & (pl.col("nitrite_matched") == 0)).fill_null(False)
    tail = pl.when(clean).then(pl.lit("; ammonia and nitrite 0")).otherwise(pl.lit(""))
    usual = pl.col("mean_fraction") / pl.col("change_share")
    step = (
        pl.when(usual.is_between(0.01, 1))
        .then(pl.format("Carry on: {} a visit", change_words(usual, pl.col("net_l"))))
        .otherwise(pl.lit("Carry on"))
    )
    return f.rows.select(
        *ASK,
        last.fill_null(pl.lit("nothing to do")).alias("steady_reason"),
        tail.alias("steady_tail"),
        cut(step, STEP_MOST).alias("steady_step"),
        pl.col("last_matched").fill_null(0.0).alias("steady_harm"),
    )


def lines(found: pl.DataFrame, f: Facts) -> pl.DataFrame:
    """The review: one row an ask, with what it is ranked by."""
    loud = found.filter(~pl.col("quiet") & (pl.col("class") != "steady"))
    told = pl.concat([loud, found.filter(~pl.col("quiet") & (pl.col("class") == "steady"))])
    top = (
        told.with_columns(_place().alias("place"))
        .sort(*ASK, "place", "harm", "rule", maintain_order=True)
        .unique(ASK, keep="first", maintain_order=True)
        .select(*ASK, "class", "reason", "step", "harm", "place")
    )
    until = f.table("noted").group_by("tank", "rule").agg(pl.col("until").max())
    quiet = found.filter("quiet").join(until, on=["tank", "rule"]).group_by(ASK).agg(pl.col("until").min())
    rows = (
        f.rows.select(*ASK, "name", "site")
        .join(top, on=ASK, how="left", maintain_order="left")
        .join(_steady_words(f), on=ASK, how="left", maintain_order="left")
        .join(quiet, on=ASK, how="left", maintain_order="left")
    )
    calm = pl.col("class").is_null()
    tail = (
        pl.when(pl.col("until").is_not_null())
        .then(pl.format("; noted, quiet until {}", pl.col("until").dt.strftime("%-d %B")))
        .otherwise("steady_tail")
    )
    rows = rows.with_columns(
        pl.col("class").fill_null("steady"),
        pl.col("place").fill_null(ORDER["steady"]),
        pl.when(calm)
        .then(cut(pl.concat_str("steady_reason", tail), REASON_MOST))
        .otherwise(pl.col("reason"))
        .alias("reason"),
        pl.when(calm).then("steady_step").otherwise("step").alias("step"),
        # Steady tanks: the higher nitrate first, so that the eye meets the nearer one.
        pl.when(pl.col("place").fill_null(ORDER["steady"]) == ORDER["steady"])
        .then(-pl.col("steady_harm").fill_null(0.0))
        .otherwise(pl.col("harm"))
        .alias("harm"),
    )
    return _changed(rows, found, f)


def ranked(rows: pl.DataFrame) -> pl.DataFrame:
    """Lines of all tanks ranked within their as-of day."""
    rows = rows.sort("as_of", "place", "harm", "site", "tank", maintain_order=True)
    return conform("review", rows.with_columns((pl.int_range(pl.len()).over("as_of") + 1).alias("rank")))


def _changed(rows: pl.DataFrame, found: pl.DataFrame, f: Facts) -> pl.DataFrame:
    """`was_class` and `changed`: against the same tank a week before, where that was reviewed too."""
    loud = found.filter(~pl.col("quiet") & (pl.col("class") != "steady"))
    rules = loud.group_by(ASK).agg(pl.col("rule").unique().sort().str.join("|").alias("rules"))
    state = (
        rows.select(*ASK, "class", "step")
        .join(rules, on=ASK, how="left", maintain_order="left")
        .join(f.rows.select(*ASK, "held"), on=ASK, how="left", maintain_order="left")
        .with_columns(pl.col("rules").fill_null(""))
    )
    then = state.with_columns(pl.col("as_of") + pl.duration(days=WEEK)).rename(
        {name: f"was_{name}" for name in ("class", "step", "rules", "held")}
    )
    both = state.join(then, on=ASK, how="left", maintain_order="left")
    # A step that differs only in its numbers is the same step.
    same = [pl.col(name).str.replace_all(r"[0-9.]+", "#") for name in ("step", "was_step")]
    parts = [
        pl.when(differs).then(pl.lit(word))
        for word, differs in (
            ("class", pl.col("class") != pl.col("was_class")),
            ("findings", pl.col("rules") != pl.col("was_rules")),
            ("step", same[0] != same[1]),
            ("held", pl.col("held") != pl.col("was_held")),
        )
    ]
    changed = pl.concat_str(parts, separator=", ", ignore_nulls=True)
    both = both.with_columns(pl.when(changed != "").then(changed).alias("changed")).select(*ASK, "was_class", "changed")
    return rows.join(both, on=ASK, how="left", maintain_order="left")
