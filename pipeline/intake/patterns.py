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
from pipeline.intake.readings import PART, Batch, Parts
from pipeline.intake.series import REACH_DAYS as REACH_DAYS
from pipeline.intake.series import number, series_of, usual
from schemas import Tables
from schemas.words import DOUBTS, PARAMETER_TITLES, PARAMETERS

NEEDED = ("nitrate", "nitrite", "ph", "kh")  # looked at beside others, so there even where nobody read them
BY_BASIS, BY_NITRITE, BY_TAKEN = (DOUBTS.index(word) for word in ("basis", "nitrite", "taken"))


def single(batch: Batch, parameter: str, part: pl.DataFrame, standing: Tables, given: Given) -> list[pl.DataFrame]:
    """Values of one parameter that are unusual by themselves, or for this tank."""
    f, matched = given.assumed, pl.col("matched")
    tests: list[tuple[str, pl.DataFrame, pl.Expr]] = []  # fault, readings, sentence
    if parameter in ("ammonia", "nitrite"):
        tests = [("not zero", part.filter(matched > 0), pl.lit(f"{PARAMETER_TITLES[parameter]} is not 0."))]
    elif parameter == "nitrate":
        top = pl.col("high").is_null()
        over = pl.when(top & (pl.col("low") >= matched)).then(pl.lit("over ")).otherwise(pl.lit(""))
        diluted = pl.when(top).then(pl.lit(" Its kit shows no more: test again, diluted 1:1.")).otherwise(pl.lit(""))
        tests = [
            (
                "high",
                part.filter(matched > f["nitrate_warn_above"]),
                pl.format("Nitrate is high: {}{} mg/L.{}", over, number("matched"), diluted),
            ),
            (
                "nitrate none",
                _none_where_fed(batch, part, standing),
                pl.lit("Nitrate 0 in a fed tank without plants: was the bottle shaken, is the kit in date?"),
            ),
        ]
    elif parameter == "ph":
        tests = [
            ("low", part.filter(matched < f["ph_warn_below"]), pl.lit("pH is low.")),
            ("high", part.filter(matched > f["ph_warn_above"]), pl.lit("pH is high.")),
        ]
    elif parameter == "kh":
        low = part.filter(matched <= f["kh_warn_at"])
        tests = [("low", low, pl.lit("KH is low: little is left to hold the pH."))]
    elif parameter == "temperature":
        meant = part.with_columns(standing["tank"]["temperature_c"].gather(part["tank"]))
        off = meant.filter((matched - pl.col("temperature_c")).abs() > f["temperature_warn_off_c"])
        tests = [("off", off, pl.format("The tank is set to {} °C.", number("temperature_c")))]
    expired = (
        "kit expired",
        part.filter("expired") if part["expired"].any() else part.clear(),
        pl.lit(
            f"The kit was past its date, or open for over {f['kit_open_months']:g} months:"
            " it can raise an alarm but not clear one."
        ),
    )
    return [batch.say(parameter, found, fault, says) for fault, found, says in [*tests, expired]]


def _none_where_fed(batch: Batch, nitrate: pl.DataFrame, standing: Tables) -> pl.DataFrame:
    """Nitrate readings of 0 in tanks that are fed and have no plants."""
    fed = standing["feeding"].filter(pl.col("feed_g_day") > 0)["tank"]
    bare = standing["tank"].filter(pl.col("planting").fill_null("none") == "none")["tank"]
    zero = batch.worded(nitrate.filter(pl.col("matched") == 0), "nitrate")
    return zero.filter(
        pl.col("text").str.contains(r"^\s*[0.]")
        & pl.col("tank id").is_in(fed.implode())
        & pl.col("tank id").is_in(bare.implode())
    )


def doubts(
    batch: Batch, nitrate: pl.DataFrame, nitrite: pl.DataFrame, change: pl.DataFrame, given: Given
) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Nitrate readings left out of the trend: nitrite in the session, or before or after unknown on a change day."""
    row = nitrate["row"].to_numpy()
    spoilt = np.zeros(row.size, dtype=bool)
    present = nitrite.filter(pl.col("matched") >= given.assumed["nitrite_spoils_mg_l"])["row"].to_numpy()
    if present.size:
        spoilt = np.isin(batch.sessions[row], batch.sessions[present])
    unknown = (batch.visit["taken"] == "unknown").to_numpy()[row]
    if unknown.any():
        of_day = batch.rows.of_day
        unknown &= np.isin(of_day[row], of_day[change["row"].to_numpy()] if change.height else [])
    told = [
        batch.say(
            "nitrate",
            nitrate.filter(pl.Series(unknown)),
            "before or after",
            pl.lit("Before or after that day's change is not known: left out of the trend."),
        ),
        batch.say(
            "nitrate",
            nitrate.filter(pl.Series(spoilt)),
            "nitrite spoils",
            pl.lit("Nitrite was present, which upsets nitrate tests: left out of the trend."),
        ),
    ]
    doubt = pl.select(
        pl.when(pl.Series(spoilt)).then(BY_NITRITE).when(pl.Series(unknown)).then(BY_TAKEN).cast(pl.UInt8)
    ).to_series()
    return nitrate.with_columns(doubt.alias("doubt")), told


def _between(batch: Batch, series: pl.DataFrame, change: pl.DataFrame) -> pl.DataFrame:
    """`kept`: the share of the old water left by the changes since the reading before (that day's own not counted)."""
    if change.height == 0 or series.height == 0:
        return series.with_columns(pl.lit(1.0).alias("kept"))
    real = change.filter((pl.col("kind") != "top-up") & (pl.col("fraction") < 1))
    log_kept = np.zeros(batch.visit.height)
    np.add.at(log_kept, real["row"].to_numpy(), np.log1p(-real["fraction"].to_numpy()))
    starts = batch.rows.day_starts()[series["row"].to_numpy()]
    # Each stretch is summed by itself, so that no sum depends on rows outside it.
    sums = np.add.reduceat(log_kept, starts)
    sums[:-1][starts[1:] == starts[:-1]] = 0.0  # two readings of one day
    since = np.concatenate(([0.0], sums[:-1]))
    tank = series["tank"].to_numpy()
    same = np.concatenate(([False], tank[1:] == tank[:-1]))
    return series.with_columns(pl.Series("kept", np.where(same, np.exp(since), 1.0)))


def _fallen(batch: Batch, fell: pl.DataFrame, change: pl.DataFrame, kh: pl.DataFrame) -> pl.DataFrame:
    """Falls of nitrate with what may explain them: that day's change, and whether KH has gone on falling meanwhile."""
    of_day = pl.Series("of day", batch.rows.of_day)
    fell = fell.with_columns(of_day.gather(fell["row"]))
    days = fell.select("of day").unique()  # few: what happened on other days need not be summed
    if change.height:
        daily = (
            change.select("fraction", of_day.gather(change["row"]))
            .join(days, on="of day", how="semi", maintain_order="left")
            .group_by("of day", maintain_order=True)
            .agg((1 - (1 - pl.col("fraction")).product()).alias("that day"))
        )
        fell = fell.join(daily, on="of day", how="left", maintain_order="left")
    else:
        fell = fell.with_columns(pl.lit(None, pl.Float64).alias("that day"))
    hardness = (
        kh.select((pl.col("matched") < pl.col("last")).alias("kh falls"), of_day.gather(kh["row"]))
        .join(days, on="of day", how="semi", maintain_order="left")
        .unique("of day", keep="last", maintain_order=True)
    )
    return fell.join(hardness, on="of day", how="left", maintain_order="left")


def nitrate_series(
    batch: Batch, part: pl.DataFrame, kh: pl.DataFrame, change: pl.DataFrame, given: Given
) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Wrong basis, missed change, bottle not shaken, leaps: what may explain an odd nitrate. `kh` is the series of KH."""
    f = given.assumed
    series = _between(batch, usual(series_of(part)), change)
    ratio = pl.col("usual") / pl.col("matched")
    fits = ratio.is_between(f["basis_ratio_low"], f["basis_ratio_high"]) | (1 / ratio).is_between(
        f["basis_ratio_low"], f["basis_ratio_high"]
    )
    same_kit = pl.col("kit").eq_missing(pl.col("last_kit"))
    near = pl.col("gap") <= min(f["near_days"], REACH_DAYS)
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
    leap = (
        near & same_kit & (pl.col("matched") > f["leap_times"] * pl.col("last")) & (pl.col("low") > pl.col("last_high"))
    )
    # Few are odd in any way: they alone are looked at further.
    tests = {"basis": basis, "fell": fell, "leap": leap}
    odd = (
        series.lazy()
        .with_columns(test.fill_null(False).alias(name) for name, test in tests.items())
        .filter(pl.any_horizontal(*tests))
        .collect()
    )
    share = ((1 - pl.col("matched") / (pl.col("last") * pl.col("kept"))) * 100).clip(0, 99).round(0).cast(pl.Int64)
    fallen = _fallen(batch, odd.filter("fell"), change, kh)
    half = pl.col("matched") <= f["not_shaken_share"] * pl.col("last") * pl.col("kept")
    left = pl.col("kept") * (1 - pl.col("that day"))  # of what was there before, had that day's change come first
    after = (pl.col("low") <= pl.col("last_high") * left) & (pl.col("high") >= pl.col("last_low") * left)
    last = number("last")
    small, large = f"{100 * f['not_shaken_share']:g} % or less", f"More than {f['leap_times']:g} times"
    told = [
        (
            odd.filter("basis"),
            "possible N basis",
            pl.format(
                "Possible N basis: {} against {} as a rule fits nitrate given as nitrogen; left out of the trend until answered.",
                number("matched"),
                number("usual"),
            ),
        ),
        (
            fallen,
            "missed change",
            pl.format("Looks like a change of about {} % that is not in the log: {} before.", share, last),
        ),
        (
            fallen.filter(after.fill_null(False)),
            "taken after",
            pl.format(
                "It may have been taken after that day's change of {} %.",
                (pl.col("that day") * 100).round(0).cast(pl.Int64),
            ),
        ),
        (
            fallen.filter(half & pl.col("kh falls").fill_null(True)),
            "not shaken",
            pl.when(pl.col("kh falls"))
            .then(pl.format(f"{small} of {{}}, while KH has gone on falling: was the bottle shaken?", last))
            .otherwise(pl.format(f"{small} of {{}} without such a change: was the bottle shaken?", last)),
        ),
        (
            odd.filter("leap"),
            "leap",
            pl.format(f"{large} the last reading ({{}}): typing slip, wrong tank, or much food?", last),
        ),
    ]
    suspected = odd.filter("basis")["row"]
    if suspected.len():
        suspect = pl.col("doubt").is_null() & pl.col("row").is_in(suspected.implode())
        part = part.with_columns(pl.when(suspect).then(BY_BASIS).otherwise("doubt").cast(pl.UInt8).alias("doubt"))
    return part, [batch.say("nitrate", found, fault, says) for found, fault, says in told]


def moves(batch: Batch, ph_series: pl.DataFrame, kh_series: pl.DataFrame, given: Given) -> list[pl.DataFrame]:
    """pH that moves within a week, KH that falls within a month; a step from one kit to another is no move."""
    f = given.assumed
    week, month = (min(f[name], REACH_DAYS) for name in ("ph_move_days", "kh_fall_days"))
    same = pl.col("kit").eq_missing(pl.col("last_kit"))
    moved = (pl.col("gap") <= week) & ((pl.col("matched") - pl.col("last")).abs() >= f["ph_warn_move_week"] - 1e-9)
    apart = (pl.col("low") > pl.col("last_high")) | (pl.col("high").fill_null(float("inf")) < pl.col("last_low"))
    fall = (pl.col("gap") <= month) & (pl.col("last") - pl.col("matched") >= f["kh_warn_fall_month"] - 1e-9)
    return [
        batch.say(
            "ph",
            ph_series.filter(moved).filter(apart & same),
            "ph moved",
            pl.format(f"pH has moved from {{}} within {week:g} days.", number("last")),
        ),
        batch.say(
            "kh",
            kh_series.filter(fall).filter(apart & same),
            "kh fell",
            pl.format(f"KH has fallen from {{}} within {month:g} days.", number("last")),
        ),
    ]


def look(
    batch: Batch, read: Parts, change: pl.DataFrame, standing: Tables, given: Given
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The readings as cells, with their doubts and what is warned of; and everything said of them."""
    parts = {
        name: read[name] if name in read else pl.DataFrame(schema=PART)
        for name in PARAMETERS
        if name in read or name in NEEDED
    }
    told: list[pl.DataFrame] = []
    if "flow_l_h" in parts:
        parts["flow_l_h"], told = beside.flows(batch, parts["flow_l_h"], standing, given)
    ranges = {name: beside.usual_ranges(parts[name]) for name in beside.COMPARED if name in parts}
    parts, spoken = beside.confused_columns(batch, parts, ranges)
    told += [*spoken, *beside.odd_pairs(batch, parts, given)]
    told += beside.wrong_tank(batch, parts, ranges, standing, given)
    ph_series, kh_series = series_of(parts["ph"]), series_of(parts["kh"])
    nitrate, spoken = doubts(batch, parts["nitrate"], parts["nitrite"], change, given)
    told += spoken
    parts["nitrate"], spoken = nitrate_series(batch, nitrate, kh_series, change, given)
    told += spoken
    for name, part in parts.items():
        told += single(batch, name, part, standing, given)
    told += moves(batch, ph_series, kh_series, given)
    of_readings = [one.select("row", "parameter") for one in told if "row" in one.columns]
    spoken_of = pl.concat([pl.DataFrame(schema={"row": pl.UInt32, "parameter": pl.String}), *of_readings])
    told += copied(batch, read, parts, standing, given)
    cells = [
        narrowed(part, spoken_of.filter(pl.col("parameter") == name)["row"].to_numpy()) for name, part in parts.items()
    ]
    return pl.concat(cells), join_issues(told)
