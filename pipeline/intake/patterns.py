"""Checks that look at a tank's other rows. Each has a stated reach: it looks at the last few readings or days only.

Several checks may speak of one value: they become one warning that lists the explanations (accounting.py).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.intake.columns import Given, issue_rows, join_issues
from pipeline.intake.meanings import narrowed
from schemas import Tables
from schemas.words import PARAMETER_TITLES, PARAMETERS

REACH_READINGS = 4  # readings back that any check of a tank's own series looks at
# Days back that any check looks at, and no further, however few the readings: a load that reads only what is new relies
# on it (weekly.py). Nothing said of a row may depend on a row that is further off.
REACH_DAYS = 120
NEAR_DAYS = 60  # readings further apart than this are not held against each other


def _say(frame: pl.DataFrame, test: pl.Expr, fault: str, says: pl.Expr) -> pl.DataFrame:
    return _say_all(frame.filter(test.fill_null(False)), fault, says)


def _say_all(hits: pl.DataFrame, fault: str, says: pl.Expr) -> pl.DataFrame:
    every = pl.col("line").is_not_null()
    return issue_rows(
        hits, every, column=None, text=pl.col("text"), outcome="warned", fault=fault, says=says
    ).with_columns(hits["parameter"].alias("column"), hits["row"])


def _number(column: str) -> pl.Expr:
    return pl.col(column).round_sig_figs(3).cast(pl.String).str.strip_suffix(".0")


def single(parameter: str, rows: pl.DataFrame, standing: Tables, given: Given) -> list[pl.DataFrame]:
    """Values of one parameter that are unusual by themselves, or for this tank."""
    f, matched = given.figures, pl.col("matched")
    tests: list[tuple[str, pl.Expr, pl.Expr]] = []  # fault, test, sentence
    if parameter in ("ammonia", "nitrite"):
        tests = [("not zero", matched > 0, pl.lit(f"{PARAMETER_TITLES[parameter]} is not 0."))]
    elif parameter == "nitrate":
        fed = standing["feeding"].filter(pl.col("feed_g_day") > 0)["tank"]
        bare = standing["tank"].filter(pl.col("planting").fill_null("none") == "none")["tank"]
        tests = [
            (
                "high",
                matched > f["nitrate_warn_above"],
                pl.format("Nitrate is high: {} mg/L.", _number("matched")),
            ),
            (
                "nitrate none",
                (matched == 0) & pl.col("tank").is_in(fed.implode()) & pl.col("tank").is_in(bare.implode()),
                pl.lit("Nitrate 0 in a fed tank without plants: was the bottle shaken, is the kit in date?"),
            ),
        ]
    elif parameter == "ph":
        tests = [
            ("low", matched < f["ph_warn_below"], pl.lit("pH is low.")),
            ("high", matched > f["ph_warn_above"], pl.lit("pH is high.")),
        ]
    elif parameter == "kh":
        tests = [("low", matched <= f["kh_warn_at"], pl.lit("KH is low: little is left to hold the pH."))]
    elif parameter == "temperature":
        rows = rows.join(standing["tank"].select("tank", "temperature_c"), on="tank", how="left", maintain_order="left")
        tests = [
            (
                "off",
                (matched - pl.col("temperature_c")).abs() > f["temperature_warn_off_c"],
                pl.format("The tank is set to {} °C.", _number("temperature_c")),
            )
        ]
    expired = (
        "kit expired",
        pl.col("expired"),
        pl.lit("The kit was out of date: it can raise an alarm but not clear one."),
    )
    return [_say(rows, test, fault, says) for fault, test, says in [*tests, expired]]


def doubts(
    nitrate: pl.DataFrame, nitrite: pl.DataFrame, change: pl.DataFrame, given: Given
) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Nitrate readings left out of the trend: nitrite in the session, or before or after unknown on a change day."""
    spoils = given.figures["nitrite_spoils_mg_l"]
    present = (
        nitrite.filter(pl.col("matched") >= spoils)
        .select("tank", "at", "taken")
        .unique()
        .with_columns(pl.lit(True).alias("spoilt"))
    )
    days = (
        change.select("tank", "day").unique().with_columns(pl.lit(True).alias("changed"))
        if change.height
        else pl.DataFrame(schema={"tank": pl.String, "day": pl.Date, "changed": pl.Boolean})
    )
    asked = nitrate["taken"] == "unknown"
    rows = nitrate.join(present, on=["tank", "at", "taken"], how="left", maintain_order="left")
    rows = (
        rows.join(days, on=["tank", "day"], how="left", maintain_order="left")
        if asked.any()
        else rows.with_columns(pl.lit(False).alias("changed"))
    )
    unknown = (pl.col("taken") == "unknown") & pl.col("changed").fill_null(False)
    spoilt = pl.col("spoilt").fill_null(False)
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


def _back(column: str, steps: int) -> pl.Expr:
    """What stood so many rows before in the same tank, in a frame sorted by tank; null where it was another's."""
    return pl.when(pl.col("tank") == pl.col("tank").shift(steps)).then(pl.col(column).shift(steps))


SERIES = ["row", "tank", "day", "low", "high", "matched", "kit", "expired", "doubt"]


def _series(rows: pl.DataFrame) -> pl.DataFrame:
    """One parameter's readings of every tank in order, with what stood before each. No words: `_hits` brings them."""
    known = [name for name in SERIES if name in rows.columns]
    return (
        rows.filter(pl.col("taken") != "after")
        .select("order", *known)
        .sort("order")
        .with_columns(
            _back("matched", 1).alias("last"),
            _back("low", 1).alias("last_low"),
            pl.when(pl.col("tank") == pl.col("tank").shift(1))
            .then(pl.col("high").shift(1).fill_null(float("inf")))
            .alias("last_high"),
            _back("day", 1).alias("last_day"),
            _back("kit", 1).alias("last_kit"),
        )
        .with_columns((pl.col("day") - pl.col("last_day")).dt.total_days().alias("gap"))
    )


def _usual(series: pl.DataFrame) -> pl.DataFrame:
    """`usual`: the median of the last REACH_READINGS readings; null where they are fewer, or lie too far back."""
    back = [_back("matched", i) for i in range(1, REACH_READINGS + 1)]
    near = _back("day", REACH_READINGS) >= pl.col("day") - pl.duration(days=REACH_DAYS)
    middle = (pl.sum_horizontal(back) - pl.max_horizontal(back) - pl.min_horizontal(back)) / (REACH_READINGS - 2)
    return series.with_columns(pl.when(near).then(middle).alias("usual"))


def _hits(series: pl.DataFrame, rows: pl.DataFrame, test: pl.Expr) -> pl.DataFrame:
    """The rows of a series where a test holds, with their file, line, text and parameter."""
    found = series.filter(test.fill_null(False))
    words = rows.select("row", "file", "line", "text", "parameter")
    return found.join(words, on="row", how="left", maintain_order="left")


def _between(series: pl.DataFrame, change: pl.DataFrame, visit: pl.DataFrame) -> pl.DataFrame:
    """`kept`: the share of the old water left by the changes since the reading before (that day's own not counted).

    `series` as from `_series`; `visit` has every sheet row with its `order`.
    """
    if change.height == 0 or series.height == 0:
        return series.with_columns(pl.lit(1.0).alias("kept"))
    real = change.filter((pl.col("kind") != "top-up") & (pl.col("fraction") < 1))
    line = visit.select("row", "order", "tank", "day").sort("order")
    log_kept = np.zeros(line.height)
    places = visit["order"].gather(real["row"]).to_numpy() - 1
    np.add.at(log_kept, places, np.log1p(-real["fraction"].to_numpy()))
    new_day = line.select(
        ((pl.col("tank") != pl.col("tank").shift(1)) | (pl.col("day") != pl.col("day").shift(1))).fill_null(True)
    ).to_series()
    day_starts = np.maximum.accumulate(np.where(new_day.to_numpy(), np.arange(line.height), 0))
    starts = day_starts[series["order"].to_numpy() - 1]
    # Each stretch is summed by itself, so that no sum depends on rows outside it.
    sums = np.add.reduceat(log_kept, starts)
    sums[:-1][starts[1:] == starts[:-1]] = 0.0  # two readings of one day
    since = np.concatenate(([0.0], sums[:-1]))
    same = (series["tank"] == series["tank"].shift(1)).fill_null(False)
    return series.with_columns(pl.Series("kept", np.where(same.to_numpy(), np.exp(since), 1.0)))


def nitrate_series(
    rows: pl.DataFrame, change: pl.DataFrame, visit: pl.DataFrame, given: Given
) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Wrong basis, missed change, bottle not shaken, leaps: explained together, most checkable first."""
    f = given.figures
    series = _between(_usual(_series(rows)), change, visit)
    ratio = pl.col("usual") / pl.col("matched")
    fits = ratio.is_between(f["basis_ratio_low"], f["basis_ratio_high"]) | (1 / ratio).is_between(
        f["basis_ratio_low"], f["basis_ratio_high"]
    )
    same_kit = pl.col("kit").eq_missing(pl.col("last_kit"))
    near = pl.col("gap") <= NEAR_DAYS
    basis = (
        near
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
        _say_all(
            _hits(series, rows, basis),
            "possible N basis",
            pl.format(
                "Possible N basis: {} against {} as a rule fits nitrate given as nitrogen; left out of the trend until answered.",
                _number("matched"),
                _number("usual"),
            ),
        ),
        _say_all(
            _hits(series, rows, fell),
            "missed change",
            pl.format("Looks like a change of about {} % that is not in the log: {} before.", share, last),
        ),
        _say_all(
            _hits(series, rows, half),
            "not shaken",
            pl.format("Half or less of {} without such a change: was the bottle shaken?", last),
        ),
        _say_all(
            _hits(series, rows, leap),
            "leap",
            pl.format("More than twice the last reading ({}): typing slip, wrong tank, or much food?", last),
        ),
    ]
    suspected = series.filter(basis.fill_null(False))["row"]
    rows = rows.with_columns(
        pl.when(pl.col("doubt").is_null() & pl.col("row").is_in(suspected.implode()))
        .then(pl.lit("basis"))
        .otherwise(pl.col("doubt"))
        .alias("doubt")
    )
    return rows, told


def moves(ph: pl.DataFrame, kh: pl.DataFrame, given: Given) -> list[pl.DataFrame]:
    """pH that moves within a week, KH that falls within a month."""
    f = given.figures
    ph_series, kh_series = _series(ph), _series(kh)
    moved = (pl.col("gap") <= 8) & ((pl.col("matched") - pl.col("last")).abs() >= f["ph_warn_move_week"] - 1e-9)
    apart = (pl.col("low") > pl.col("last_high")) | (pl.col("high").fill_null(float("inf")) < pl.col("last_low"))
    fall = (pl.col("gap") <= 31) & (pl.col("last") - pl.col("matched") >= f["kh_warn_fall_month"] - 1e-9)
    return [
        _say_all(
            _hits(ph_series, ph, moved & apart),
            "ph moved",
            pl.format("pH has moved from {} within a week.", _number("last")),
        ),
        _say_all(
            _hits(kh_series, kh, fall & apart),
            "kh fell",
            pl.format("KH has fallen from {} within a month.", _number("last")),
        ),
    ]


def sessions(parts: Mapping[str, pl.DataFrame], visit: pl.DataFrame) -> pl.DataFrame:
    """Every sheet row, in order of tank and time: how many readings it gave, and a number that stands for them all."""
    many = visit.height
    stands_for, count = np.zeros(many, dtype=np.uint64), np.zeros(many, dtype=np.int64)
    for place, part in enumerate(parts.values()):
        row = part["row"].to_numpy()  # once a parameter: a sheet row reads it in one cell
        stands_for[row] += part["text"].hash(place).to_numpy()
        count[row] += 1
    return visit.select("row", "tank", "day", "order").with_columns(
        pl.Series("all", stands_for), pl.Series("n", count)
    ).sort("order")  # fmt: skip


def copied(
    reading: pl.DataFrame, parts: Mapping[str, pl.DataFrame], visit: pl.DataFrame, given: Given
) -> list[pl.DataFrame]:
    """The same cells, at least four, four visits running: copied down? Coarse steps repeat honestly, so it only asks."""
    cells, visits = int(given.figures["copied_cells"]), int(given.figures["copied_visits"])
    told = sessions(parts, visit)
    recent = pl.col("day") - pl.duration(days=REACH_DAYS)
    run = pl.all_horizontal(
        *(_back("all", i) == pl.col("all") for i in range(1, visits)), _back("day", visits - 1) >= recent
    )
    # Zeros for ammonia and nitrite are the rule; without them at least four cells must be alike.
    alike = told.filter(run.fill_null(False) & (pl.col("n") >= cells + 2)).select("row")
    hits = (
        reading.join(alike, on="row", how="semi")
        .sort("row", "parameter")
        .group_by("row", "file", "line", maintain_order=True)
        .agg(
            pl.concat_str("parameter", pl.lit("="), "text").str.join("|").alias("all"),
            pl.col("text").n_unique().alias("kinds"),
        )
        .filter(pl.col("kinds") >= cells)
    )
    return [
        issue_rows(
            hits,
            pl.col("line").is_not_null(),
            column=None,
            text=pl.col("all"),
            outcome="warned",
            fault="copied down",
            says=pl.lit("All readings are the same as at the three visits before: copied down?"),
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
    """The readings as cells, with their doubts and what is warned of; and everything said of them."""
    # The place of each row by tank and time, found once: every series is sorted by this number.
    visit = visit.with_columns(pl.struct("tank", "at", "row").rank("ordinal").alias("order"))
    order = visit["order"]
    parts = {
        name: part.rechunk().with_columns(order.gather(part["row"]).alias("order"))
        for name in PARAMETERS
        if (part := reading.filter(pl.col("parameter") == name)).height or name in ("nitrate", "nitrite", "ph", "kh")
    }
    nitrate, told = doubts(parts["nitrate"], parts["nitrite"], change, given)
    nitrate, spoken = nitrate_series(nitrate, change, visit, given)
    told += spoken
    parts["nitrate"] = nitrate
    for name, part in parts.items():
        told += single(name, part, standing, given)
    told += moves(parts["ph"], parts["kh"], given)
    told += copied(reading, parts, visit, given)
    told += top_ups(change, given)
    rows = pl.concat([pl.DataFrame(schema={"row": pl.UInt32, "column": pl.String}),
                        *(one.select("row", "column") for one in told if "row" in one.columns)])  # fmt: skip
    cells = [narrowed(part, rows.filter(pl.col("column") == name)["row"].unique()) for name, part in parts.items()]
    return pl.concat(cells), join_issues(told)
