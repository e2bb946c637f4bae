"""Checks that look at a tank's other rows. Each has a stated reach: it looks at the last few readings or days only.

Several checks may speak of one value: they become one warning that lists the explanations (accounting.py).
"""

from __future__ import annotations

import polars as pl

from pipeline.intake.columns import Given, issue_rows, join_issues
from pipeline.telling import NBSP
from schemas import Tables
from schemas.words import PARAMETER_TITLES

REACH_READINGS = 4  # readings back that any check of a tank's own series looks at
REACH_DAYS = 60  # days back and ahead that any check looks at
ORDER = ["tank", "at", "taken"]


def _say(frame: pl.DataFrame, test: pl.Expr, fault: str, says: pl.Expr) -> pl.DataFrame:
    return issue_rows(
        frame, test.fill_null(False), column=None, text=pl.col("text"), outcome="warned", fault=fault, says=says
    ).with_columns(frame.filter(test.fill_null(False))["parameter"].alias("column"))


def _number(column: str) -> pl.Expr:
    return pl.col(column).round_sig_figs(3).cast(pl.String).str.strip_suffix(".0")


def single(reading: pl.DataFrame, standing: Tables, given: Given) -> list[pl.DataFrame]:
    """Values that are unusual by themselves, or for this tank."""
    f = given.figures
    tank = standing["tank"].select("tank", "temperature_c", "planting")
    feeding = (
        standing["feeding"]
        .filter(pl.col("feed_g_day") > 0)
        .select("tank")
        .unique()
        .with_columns(pl.lit(True).alias("fed"))
    )
    rows = reading.join(tank, on="tank", how="left", maintain_order="left").join(
        feeding, on="tank", how="left", maintain_order="left"
    )
    p, matched = pl.col("parameter"), pl.col("matched")
    title = p.replace_strict(PARAMETER_TITLES, return_dtype=pl.String)
    return [
        _say(rows, p.is_in(["ammonia", "nitrite"]) & (matched > 0), "not zero", pl.format("{} is not 0.", title)),
        _say(
            rows,
            (p == "nitrate") & (matched > f["nitrate_warn_above"]),
            "high",
            pl.format("Nitrate is high: {} mg/L.", _number("matched")),
        ),
        _say(
            rows,
            (p == "nitrate") & (matched == 0) & pl.col("fed") & pl.col("planting").fill_null("none").is_in(["none"]),
            "nitrate none",
            pl.lit("Nitrate 0 in a fed tank without plants: was the bottle shaken, is the kit in date?"),
        ),
        _say(rows, (p == "ph") & (matched < f["ph_warn_below"]), "low", pl.lit("pH is low.")),
        _say(rows, (p == "ph") & (matched > f["ph_warn_above"]), "high", pl.lit("pH is high.")),
        _say(
            rows, (p == "kh") & (matched <= f["kh_warn_at"]), "low", pl.lit("KH is low: little is left to hold the pH.")
        ),
        _say(
            rows,
            (p == "temperature") & ((matched - pl.col("temperature_c")).abs() > f["temperature_warn_off_c"]),
            "off",
            pl.format("The tank is set to {} °C.", _number("temperature_c")),
        ),
        _say(
            rows,
            pl.col("expired"),
            "kit expired",
            pl.lit("The kit was out of date: it can raise an alarm but not clear one."),
        ),
    ]


def doubts(reading: pl.DataFrame, change: pl.DataFrame, given: Given) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Nitrate readings left out of the trend: nitrite in the session, or before or after unknown on a change day."""
    spoils = given.figures["nitrite_spoils_mg_l"]
    nitrite = (
        reading.filter((pl.col("parameter") == "nitrite") & (pl.col("matched") >= spoils))
        .select("tank", "at", "taken")
        .unique()
        .with_columns(pl.lit(True).alias("spoilt"))
    )
    days = (
        change.select("tank", "day").unique().with_columns(pl.lit(True).alias("changed"))
        if change.height
        else pl.DataFrame(schema={"tank": pl.String, "day": pl.Date, "changed": pl.Boolean})
    )
    rows = reading.join(nitrite, on=["tank", "at", "taken"], how="left", maintain_order="left").join(
        days, on=["tank", "day"], how="left", maintain_order="left"
    )
    nitrate = pl.col("parameter") == "nitrate"
    unknown = nitrate & (pl.col("taken") == "unknown") & pl.col("changed").fill_null(False)
    spoilt = nitrate & pl.col("spoilt").fill_null(False)
    told = [
        _say(
            rows,
            unknown,
            "before or after",
            pl.lit("Before or after that day's change is not known: left out of the trend."),
        ),
        _say(
            rows,
            spoilt,
            "nitrite spoils",
            pl.lit("Nitrite was present, which upsets nitrate tests: left out of the trend."),
        ),
    ]
    doubt = pl.when(spoilt).then(pl.lit("nitrite")).when(unknown).then(pl.lit("taken"))
    return rows.with_columns(doubt.alias("doubt")).drop("spoilt", "changed"), told


def _series(rows: pl.DataFrame, parameter: str) -> pl.DataFrame:
    """One parameter's readings of every tank in order, with what stood before each."""
    return (
        rows.filter((pl.col("parameter") == parameter) & pl.col("taken").is_in(["before", "none", "unknown"]))
        .sort("tank", "at", "file", "line")
        .with_columns(
            pl.col("matched").shift(1).over("tank").alias("last"),
            pl.col("high").fill_null(float("inf")).shift(1).over("tank").alias("last_high"),
            pl.col("low").shift(1).over("tank").alias("last_low"),
            pl.col("day").shift(1).over("tank").alias("last_day"),
            pl.col("kit").shift(1).over("tank").alias("last_kit"),
            pl.concat_list(pl.col("matched").shift(i).over("tank") for i in range(1, REACH_READINGS + 1))
            .list.drop_nulls()
            .list.median()
            .alias("usual"),
            pl.col("matched").shift(REACH_READINGS).over("tank").is_not_null().alias("enough"),
        )
        .with_columns((pl.col("day") - pl.col("last_day")).dt.total_days().alias("gap"))
    )


def _between(rows: pl.DataFrame, change: pl.DataFrame) -> pl.DataFrame:
    """`kept`: the share of the old water left by the changes since the reading before (that day's own not counted)."""
    if change.height == 0:
        return rows.with_columns(pl.lit(1.0).alias("kept"))
    real = change.filter((pl.col("kind") != "top-up") & (pl.col("fraction") < 1))
    total = real.sort("tank", "day").with_columns((1 - pl.col("fraction")).log().cum_sum().over("tank").alias("sum"))
    total = total.unique(["tank", "day"], keep="last", maintain_order=True).select("tank", "day", "sum").sort("day")
    upto = rows.select("tank", "day", "last_day", pl.int_range(pl.len()).alias("row"))
    now = (
        upto.with_columns((pl.col("day").dt.offset_by("-1d")).alias("day"))
        .sort("day")
        .join_asof(total, on="day", by="tank", check_sortedness=False)
        .select("row", pl.col("sum").fill_null(0).alias("now"))
    )
    then = (
        upto.with_columns(pl.col("last_day").dt.offset_by("-1d").alias("day"))
        .drop_nulls("day")
        .sort("day")
        .join_asof(total, on="day", by="tank", check_sortedness=False)
        .select("row", pl.col("sum").fill_null(0).alias("then"))
    )
    return (
        rows.with_row_index("row")
        .with_columns(pl.col("row").cast(pl.Int64))
        .join(now, on="row", how="left")
        .join(then, on="row", how="left")
        .with_columns((pl.col("now") - pl.col("then").fill_null(0)).exp().fill_null(1.0).alias("kept"))
        .sort("row")
        .drop("row", "now", "then")
    )


def nitrate_series(rows: pl.DataFrame, change: pl.DataFrame, given: Given) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Wrong basis, missed change, bottle not shaken, leaps: explained together, most checkable first."""
    f = given.figures
    series = _between(_series(rows, "nitrate"), change)
    ratio = pl.col("usual") / pl.col("matched")
    fits = ratio.is_between(f["basis_ratio_low"], f["basis_ratio_high"]) | (1 / ratio).is_between(
        f["basis_ratio_low"], f["basis_ratio_high"]
    )
    same_kit = pl.col("kit").eq_missing(pl.col("last_kit"))
    near = pl.col("gap") <= REACH_DAYS
    basis = (
        pl.col("enough")
        & near
        & (pl.col("matched") > 0)
        & (pl.col("kept") > 1 - f["change_warn_share"])
        & fits
        & pl.col("doubt").is_null()
    )
    expected = pl.col("last_low") * pl.col("kept")
    apart = pl.col("high").fill_null(float("inf")) < expected
    fell = (
        near & apart & (pl.col("matched") <= (1 - f["missed_change_fall"]) * pl.col("last") * pl.col("kept")) & same_kit
    )
    share = ((1 - pl.col("matched") / (pl.col("last") * pl.col("kept"))) * 100).clip(0, 99).round(0).cast(pl.Int64)
    half = fell & (pl.col("matched") <= 0.5 * pl.col("last") * pl.col("kept"))
    leap = near & same_kit & (pl.col("matched") > 2 * pl.col("last")) & (pl.col("low") > pl.col("last_high"))
    last = _number("last")
    told = [
        _say(
            series,
            basis,
            "possible N basis",
            pl.format(
                "Possible N basis: {} against {} as a rule fits nitrate given as nitrogen; left out of the trend until answered.",
                _number("matched"),
                _number("usual"),
            ),
        ),
        _say(
            series,
            fell,
            "missed change",
            pl.format("Looks like a change of about {} % that is not in the log: {} before.", share, last),
        ),
        _say(
            series,
            half,
            "not shaken",
            pl.format("Half or less of {} without such a change: was the bottle shaken?", last),
        ),
        _say(
            series,
            leap,
            "leap",
            pl.format("More than twice the last reading ({}): typing slip, wrong tank, or much food?", last),
        ),
    ]
    marked = (
        series.filter(basis.fill_null(False))
        .select("file", "line", "parameter")
        .with_columns(pl.lit("basis").alias("suspected"))
    )
    rows = (
        rows.join(marked, on=["file", "line", "parameter"], how="left", maintain_order="left")
        .with_columns(pl.coalesce("doubt", "suspected").alias("doubt"))
        .drop("suspected")
    )
    return rows, told


def moves(rows: pl.DataFrame, given: Given) -> list[pl.DataFrame]:
    """pH that moves within a week, KH that falls within a month."""
    f = given.figures
    ph, kh = _series(rows, "ph"), _series(rows, "kh")
    moved = (pl.col("gap") <= 8) & ((pl.col("matched") - pl.col("last")).abs() >= f["ph_warn_move_week"] - 1e-9)
    apart = (pl.col("low") > pl.col("last_high")) | (pl.col("high").fill_null(float("inf")) < pl.col("last_low"))
    fall = (pl.col("gap") <= 31) & (pl.col("last") - pl.col("matched") >= f["kh_warn_fall_month"] - 1e-9)
    return [
        _say(ph, moved & apart, "ph moved", pl.format("pH has moved from {} within a week.", _number("last"))),
        _say(kh, fall & apart, "kh fell", pl.format("KH has fallen from {} within a month.", _number("last"))),
    ]


def copied(rows: pl.DataFrame, given: Given) -> list[pl.DataFrame]:
    """The same cells, at least four, four visits running: copied down? Coarse steps repeat honestly, so it only asks."""
    cells, visits = int(given.figures["copied_cells"]), int(given.figures["copied_visits"])
    session = (
        rows.sort("tank", "at", "parameter")
        .group_by("tank", "at", "taken", "file", "line", maintain_order=True)
        .agg(
            pl.concat_str("parameter", pl.lit("="), "text").str.join("|").alias("all"),
            pl.len().alias("n"),
            pl.col("text").n_unique().alias("kinds"),
        )
        .sort("tank", "at")
    )
    run = pl.all_horizontal(pl.col("all") == pl.col("all").shift(i).over("tank") for i in range(1, visits))
    # Zeros for ammonia and nitrite are the rule; without them at least four cells must be alike.
    hits = session.filter(run.fill_null(False) & (pl.col("n") >= cells + 2) & (pl.col("kinds") >= cells))
    return [
        issue_rows(
            hits,
            pl.lit(True),
            column=None,
            text=pl.col("all"),
            outcome="warned",
            fault="copied down",
            says=pl.lit(
                f"All {NBSP}readings are the same as at the three visits before: copied down?".replace(f" {NBSP}", " ")
            ),
        )
    ]


def top_ups(change: pl.DataFrame, given: Given) -> list[pl.DataFrame]:
    """Small changes several times a week: top-ups entered as changes?"""
    if change.height == 0:
        return []
    small = change.filter(
        (pl.col("kind") == "change") & (pl.col("fraction") <= given.figures["topup_share"] + 1e-9)
    ).sort("tank", "day")
    often = (pl.col("day") - pl.col("day").shift(2).over("tank")).dt.total_days() <= 7
    return [
        issue_rows(
            small,
            often.fill_null(False),
            column="water_changed",
            text=pl.col("text"),
            outcome="warned",
            fault="top-up",
            says=pl.lit("Small amounts several times a week: are these top-ups? A top-up dilutes nothing."),
        )
    ]


def look(
    reading: pl.DataFrame, visit: pl.DataFrame, change: pl.DataFrame, standing: Tables, given: Given
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The readings with their doubts and outcomes, and everything said of them."""
    rows, told = doubts(reading, change, given)
    rows, spoken = nitrate_series(rows, change, given)
    told += spoken
    told += single(rows, standing, given)
    told += moves(rows, given)
    told += copied(rows, given)
    told += top_ups(change, given)
    issues = join_issues(told)
    warned = (
        issues.select("file", "line", pl.col("column").alias("parameter"))
        .unique()
        .with_columns(pl.lit(True).alias("spoken"))
    )
    rows = (
        rows.join(warned, on=["file", "line", "parameter"], how="left", maintain_order="left")
        .with_columns(pl.when(pl.col("spoken")).then(pl.lit("warned")).otherwise(pl.col("outcome")).alias("outcome"))
        .drop("spoken")
    )
    return rows, issues
