"""Checks that look at a tank's other rows. Each has a stated reach: it looks at the last few readings or days only.

Several checks may speak of one value: they become one warning that lists the explanations (accounting.py).
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.intake import beside
from pipeline.intake.columns import Given, join_issues
from pipeline.intake.copied import copied
from pipeline.intake.meanings import narrowed
from pipeline.intake.series import NEAR_DAYS, hits, number, say, series_of, usual
from pipeline.intake.series import REACH_DAYS as REACH_DAYS
from schemas import Tables
from schemas.words import PARAMETER_TITLES, PARAMETERS


def _say(frame: pl.DataFrame, test: pl.Expr, fault: str, says: pl.Expr) -> pl.DataFrame:
    return say(frame.filter(test.fill_null(False)), fault, says)


def single(parameter: str, rows: pl.DataFrame, standing: Tables, given: Given) -> list[pl.DataFrame]:
    """Values of one parameter that are unusual by themselves, or for this tank."""
    f, matched = given.figures, pl.col("matched")
    tests: list[tuple[str, pl.Expr, pl.Expr]] = []  # fault, test, sentence
    if parameter in ("ammonia", "nitrite"):
        tests = [("not zero", matched > 0, pl.lit(f"{PARAMETER_TITLES[parameter]} is not 0."))]
    elif parameter == "nitrate":
        fed = standing["feeding"].filter(pl.col("feed_g_day") > 0)["tank"]
        bare = standing["tank"].filter(pl.col("planting").fill_null("none") == "none")["tank"]
        top = pl.col("high").is_null()
        over = pl.when(top & (pl.col("low") >= matched)).then(pl.lit("over ")).otherwise(pl.lit(""))
        diluted = pl.when(top).then(pl.lit(" Its kit shows no more: test again, diluted 1:1.")).otherwise(pl.lit(""))
        tests = [
            (
                "high",
                matched > f["nitrate_warn_above"],
                pl.format("Nitrate is high: {}{} mg/L.{}", over, number("matched"), diluted),
            ),
            (
                "nitrate none",
                (matched == 0)
                & pl.col("text").str.contains(r"^\s*[0.]")
                & pl.col("tank").is_in(fed.implode())
                & pl.col("tank").is_in(bare.implode()),
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
                pl.format("The tank is set to {} °C.", number("temperature_c")),
            )
        ]
    expired = (
        "kit expired",
        pl.col("expired"),
        pl.lit(
            f"The kit was past its date, or open for over {f['kit_open_months']:g} months:"
            " it can raise an alarm but not clear one."
        ),
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


def _between(series: pl.DataFrame, change: pl.DataFrame, visit: pl.DataFrame) -> pl.DataFrame:
    """`kept`: the share of the old water left by the changes since the reading before (that day's own not counted).

    `series` as from `series_of`; `visit` has every sheet row with its `order`.
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


def _fallen(fell: pl.DataFrame, change: pl.DataFrame, kh: pl.DataFrame) -> pl.DataFrame:
    """Falls of nitrate with what may explain them: that day's change, and whether KH has gone on falling meanwhile."""
    days = fell.select("tank", "day").unique()  # few: what happened on other days need not be summed
    if change.height:
        daily = (
            change.join(days, on=["tank", "day"], how="semi")
            .group_by("tank", "day")
            .agg((1 - (1 - pl.col("fraction")).product()).alias("that day"))
        )
        fell = fell.join(daily, on=["tank", "day"], how="left", maintain_order="left")
    else:
        fell = fell.with_columns(pl.lit(None, pl.Float64).alias("that day"))
    hardness = kh.join(days, on=["tank", "day"], how="semi", maintain_order="left").select(
        "tank", "day", (pl.col("matched") < pl.col("last")).alias("kh falls")
    )
    return fell.join(
        hardness.unique(["tank", "day"], keep="last", maintain_order=True),
        on=["tank", "day"],
        how="left",
        maintain_order="left",
    )


def nitrate_series(
    rows: pl.DataFrame, kh: pl.DataFrame, change: pl.DataFrame, visit: pl.DataFrame, given: Given
) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Wrong basis, missed change, bottle not shaken, leaps: what may explain an odd nitrate. `kh` is the series of KH."""
    f = given.figures
    series = _between(usual(series_of(rows)), change, visit)
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
    fallen = _fallen(hits(series, rows, fell), change, kh)
    half = pl.col("matched") <= 0.5 * pl.col("last") * pl.col("kept")
    left = pl.col("kept") * (1 - pl.col("that day"))  # of what was there before, had that day's change come first
    after = (pl.col("low") <= pl.col("last_high") * left) & (pl.col("high") >= pl.col("last_low") * left)
    leap = near & same_kit & (pl.col("matched") > 2 * pl.col("last")) & (pl.col("low") > pl.col("last_high"))
    last = number("last")
    told = [
        say(
            hits(series, rows, basis),
            "possible N basis",
            pl.format(
                "Possible N basis: {} against {} as a rule fits nitrate given as nitrogen; left out of the trend until answered.",
                number("matched"),
                number("usual"),
            ),
        ),
        say(
            fallen,
            "missed change",
            pl.format("Looks like a change of about {} % that is not in the log: {} before.", share, last),
        ),
        say(
            fallen.filter(after.fill_null(False)),
            "taken after",
            pl.format(
                "It may have been taken after that day's change of {} %.",
                (pl.col("that day") * 100).round(0).cast(pl.Int64),
            ),
        ),
        say(
            fallen.filter(half & pl.col("kh falls").fill_null(True)),
            "not shaken",
            pl.when(pl.col("kh falls"))
            .then(pl.format("Half or less of {}, while KH has gone on falling: was the bottle shaken?", last))
            .otherwise(pl.format("Half or less of {} without such a change: was the bottle shaken?", last)),
        ),
        say(
            hits(series, rows, leap),
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


def moves(
    ph: pl.DataFrame, ph_series: pl.DataFrame, kh: pl.DataFrame, kh_series: pl.DataFrame, given: Given
) -> list[pl.DataFrame]:
    """pH that moves within a week, KH that falls within a month; a step from one kit to another is no move."""
    f = given.figures
    same = pl.col("kit").eq_missing(pl.col("last_kit"))
    moved = (pl.col("gap") <= 8) & ((pl.col("matched") - pl.col("last")).abs() >= f["ph_warn_move_week"] - 1e-9)
    apart = (pl.col("low") > pl.col("last_high")) | (pl.col("high").fill_null(float("inf")) < pl.col("last_low"))
    fall = (pl.col("gap") <= 31) & (pl.col("last") - pl.col("matched") >= f["kh_warn_fall_month"] - 1e-9)
    return [
        say(
            hits(ph_series, ph, moved & apart & same),
            "ph moved",
            pl.format("pH has moved from {} within a week.", number("last")),
        ),
        say(
            hits(kh_series, kh, fall & apart & same),
            "kh fell",
            pl.format("KH has fallen from {} within a month.", number("last")),
        ),
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
    told: list[pl.DataFrame] = []
    if "flow_l_h" in parts:
        parts["flow_l_h"], told = beside.flows(parts["flow_l_h"], standing, given)
    ranges = {name: beside.usual_ranges(parts[name]) for name in beside.COMPARED if name in parts}
    parts, spoken = beside.confused_columns(parts, ranges)
    told += [*spoken, *beside.odd_pairs(parts, given), *beside.wrong_tank(parts, ranges, standing, given)]
    ph_series, kh_series = series_of(parts["ph"]), series_of(parts["kh"])
    nitrate, spoken = doubts(parts["nitrate"], parts["nitrite"], change, given)
    told += spoken
    parts["nitrate"], spoken = nitrate_series(nitrate, kh_series, change, visit, given)
    told += spoken
    for name, part in parts.items():
        told += single(name, part, standing, given)
    told += moves(parts["ph"], ph_series, parts["kh"], kh_series, given)
    told += copied(reading, parts, visit, standing, given)
    rows = pl.concat([pl.DataFrame(schema={"row": pl.UInt32, "column": pl.String}),
                        *(one.select("row", "column") for one in told if "row" in one.columns)])  # fmt: skip
    cells = [narrowed(part, rows.filter(pl.col("column") == name)["row"].unique()) for name, part in parts.items()]
    return pl.concat(cells), _in_their_cells(join_issues(told), reading)


def _in_their_cells(issues: pl.DataFrame, reading: pl.DataFrame) -> pl.DataFrame:
    """Issues named after a parameter, under the column the reading stands in: of a long sheet, that is `value`."""
    long = reading.filter(pl.col("cell") != pl.col("parameter"))
    if long.height == 0 or issues.height == 0:
        return issues
    cells = long.select("file", "line", pl.col("parameter").alias("column"), "cell").unique()
    return (
        issues.join(cells, on=["file", "line", "column"], how="left", maintain_order="left")
        .with_columns(pl.coalesce("cell", "column").alias("column"))
        .drop("cell")
    )
