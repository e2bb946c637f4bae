"""Checks that look at a tank's other rows, at its last few readings or days only. Several may speak of one value:
they become one warning that lists the explanations (check.py)."""

import math
from collections.abc import Sequence
from difflib import get_close_matches

import polars as pl

from pipeline.intake import beside
from pipeline.intake.columns import Context, issue_rows, join_issues
from pipeline.intake.series import (
    PART,
    REACH_DAYS,
    REACH_READINGS,
    Parts,
    back,
    doubted,
    said,
    series_of,
    usual_ranges,
    with_usual,
)
from pipeline.units import factor
from schemas import Tables
from schemas.parameters import BY_NAME
from schemas.words import PARAMETER_TITLES, PARAMETERS

NEEDED = ("nitrate", "nitrite", "ph", "kh")  # looked at beside others, so there even where nobody read them
INFINITE = float("inf")


def with_likeness(unknown: pl.DataFrame, known: Sequence[str]) -> pl.DataFrame:
    """Names that nobody knows (file, column), with the known one they resemble, as they are reported."""
    near = [get_close_matches(name.casefold(), known, 1, 0.75) for name in unknown["column"]]
    return unknown.with_columns(pl.Series("like", [found[0] if found else None for found in near], pl.String))


def gaps(visit: pl.DataFrame, context: Context) -> pl.DataFrame:
    """Visits long after the one before, as one remark a visit; longer where the round or the tank has a longer rhythm."""
    limit = context.assumed["gap_warn_days"] / 7  # stated for a weekly round
    days = visit.select("no", "day", "file", "line", "date").unique(["no", "day"], keep="first", maintain_order=True)
    days = days.with_columns((pl.col("day") - back("day", 1)).dt.total_days().alias("gap"))
    # A gap counts for the rhythm where it begins within reach of the visit.
    reach = pl.col("day") - pl.duration(days=REACH_DAYS)
    steps = range(1, REACH_READINGS + 1)
    usual = [pl.when(back("day", i + 1) >= reach).then(back("gap", i)).alias(f"gap {i}") for i in steps]
    long = pl.col("gap").is_between(limit * context.round.visit_every_days, REACH_DAYS, closed="right")
    days = days.with_columns(usual).filter(long)
    rhythm = pl.concat_list(f"gap {i}" for i in steps).list.drop_nulls().list.median()
    late = pl.col("gap") > limit * rhythm.fill_null(0)
    return issue_rows(days, late, "date", "long gap", outcome="warned")


def single(parameter: str, part: pl.DataFrame, standing: Tables, context: Context) -> list[pl.DataFrame]:
    """Values of one parameter that are unusual by themselves, or for this tank."""
    f, matched = context.assumed, pl.col("matched")
    tests: list[tuple[str, pl.DataFrame]] = []  # case, readings
    if BY_NAME[parameter].alarms:
        tests = [("not zero", part.filter(matched > 0))]
    elif parameter == "nitrate":
        high = part.filter(matched > f["nitrate_warn_above"])
        top = pl.col("high").is_null()
        over = top & (pl.col("low") >= matched)
        tests = [
            ("high", high.filter(~top)),
            ("high: at the top", high.filter(top & ~over)),
            ("high: over the top", high.filter(over)),
            ("nitrate none", _none_where_fed(part, standing)),
        ]
    elif parameter == "ph":
        tests = [
            ("low: ph", part.filter(matched < f["ph_warn_below"])),
            ("high: ph", part.filter(matched > f["ph_warn_above"])),
        ]
    elif parameter == "kh":
        tests = [("low: kh", part.filter(matched <= f["kh_warn_at"]))]
    elif parameter == "temperature":
        meant = part.join(
            standing["tank"].select("tank", "temperature_c"), on="tank", how="left", maintain_order="left"
        )
        off = meant.filter((matched - pl.col("temperature_c")).abs() > f["temperature_warn_off_c"])
        tests = [("off", off)]
    tests.append(("kit expired", part.filter("expired")))
    shown = {"title": PARAMETER_TITLES[parameter], "months": f["kit_open_months"]}
    return [said(found, case, shown=shown) for case, found in tests]


def _none_where_fed(nitrate: pl.DataFrame, standing: Tables) -> pl.DataFrame:
    """Nitrate readings of 0 in tanks that are fed and have no plants."""
    fed = standing["feeding"].filter(pl.col("feed_g_day") > 0).select("tank")
    bare = standing["tank"].filter(pl.col("planting").fill_null("none") == "none").select("tank")
    zero = nitrate.filter((pl.col("matched") == 0) & pl.col("text").str.contains(r"^\s*[0.]"))
    return zero.join(fed, on="tank", how="semi", maintain_order="left").join(
        bare, on="tank", how="semi", maintain_order="left"
    )


def doubts(
    nitrate: pl.DataFrame, nitrite: pl.DataFrame, change: pl.DataFrame, context: Context
) -> tuple[pl.DataFrame, list[pl.DataFrame], list[pl.DataFrame]]:
    """Nitrate readings left out of the trend: nitrite in the session, or before or after unknown on a change day."""
    session = ["no", "at", "taken"]
    present = nitrite.filter(pl.col("matched") >= context.assumed["nitrite_spoils_mg_l"])
    present = present.group_by(session).agg(pl.col("matched").max().alias("beside"))
    present = present.with_columns(pl.lit(True).alias("spoilt"))
    changed = change.select("no", "day", pl.lit(True).alias("changed")).unique()
    nitrate = nitrate.join(present, on=session, how="left", maintain_order="left").join(
        changed, on=["no", "day"], how="left", maintain_order="left"
    )
    spoilt = pl.col("spoilt").fill_null(False)
    unknown = (pl.col("taken") == "unknown") & pl.col("changed").fill_null(False)
    issues = [said(nitrate.filter(unknown), "before or after"), said(nitrate.filter(spoilt), "nitrite spoils")]
    odd = [doubted(nitrate.filter(spoilt), "nitrite", size=pl.col("beside")), doubted(nitrate.filter(unknown), "taken")]
    doubt = pl.when(spoilt).then(pl.lit("nitrite")).when(unknown).then(pl.lit("taken")).alias("doubt")
    return nitrate.with_columns(doubt).drop("spoilt", "changed", "beside"), issues, odd


def _with_kept(series: pl.DataFrame, change: pl.DataFrame) -> pl.DataFrame:
    """`kept`: the share of the old water left by the changes since the reading before (that day's own not counted).

    Each change belongs to the first reading on a later day, and to the second reading of its own day none.
    """
    if change.height == 0 or series.height == 0:
        return series.with_columns(pl.lit(1.0).alias("kept"))
    real = change.filter((pl.col("kind") != "top-up") & (pl.col("fraction") < 1))
    logs = real.group_by("no", "day", maintain_order=True).agg((1 - pl.col("fraction")).log().sum().alias("log"))
    days = series.select("no", "day", pl.col("day").alias("read on")).unique(["no", "day"], maintain_order=True)
    # The day of the next reading after each change; both are in order of tank and day.
    ahead = logs.join_asof(
        days, on="day", by="no", strategy="forward", allow_exact_matches=False, check_sortedness=False
    ).drop_nulls("read on")
    since = ahead.group_by("no", pl.col("read on").alias("day"), maintain_order=True).agg(pl.col("log").sum())
    first = pl.struct("no", "day").is_first_distinct()
    kept = pl.when(first & back("no", 1).is_not_null()).then(pl.col("log").exp()).fill_null(1.0)
    return (
        series.join(since, on=["no", "day"], how="left", maintain_order="left")
        .with_columns(kept.alias("kept"))
        .drop("log")
    )


def _fallen(fell: pl.DataFrame, change: pl.DataFrame, kh: pl.DataFrame) -> pl.DataFrame:
    """Falls of nitrate with what may explain them: that day's change, and whether KH has gone on falling meanwhile."""
    of_day = ["no", "day"]
    days = fell.select(of_day).unique()  # few: what happened on other days need not be summed
    daily = (
        change.join(days, on=of_day, how="semi")
        .group_by(of_day)
        .agg((1 - (1 - pl.col("fraction")).product()).alias("that day"))
    )
    hardness = kh.join(days, on=of_day, how="semi", maintain_order="left").unique(
        of_day, keep="last", maintain_order=True
    )
    falls = hardness.select(*of_day, (pl.col("matched") < pl.col("last")).alias("kh falls"))
    return fell.join(daily, on=of_day, how="left", maintain_order="left").join(
        falls, on=of_day, how="left", maintain_order="left"
    )


def nitrate_series(
    part: pl.DataFrame, kh: pl.DataFrame, change: pl.DataFrame, context: Context
) -> tuple[pl.DataFrame, list[pl.DataFrame], list[pl.DataFrame]]:
    """Wrong basis, missed change, bottle not shaken, leaps: what may explain an odd nitrate. `kh` is the series of KH."""
    f, matched, last, kept = context.assumed, pl.col("matched"), pl.col("last"), pl.col("kept")
    series = _with_kept(with_usual(series_of(part)), change)
    low, high = f["basis_ratio_low"], f["basis_ratio_high"]
    ratio = pl.col("usual") / matched
    fits = ratio.is_between(low, high) | (1 / ratio).is_between(low, high)
    tenth = (ratio.log10().abs() - 1).abs() <= math.log10(f["slip_ratio"])
    same_kit = pl.col("kit").eq_missing(pl.col("last_kit"))
    near = pl.col("gap") <= min(f["near_days"], REACH_DAYS)
    apart = pl.col("high").fill_null(INFINITE) < pl.col("last_low") * kept
    tests = {
        "basis": near & (matched > 0) & (kept > 1 - f["change_warn_share"]) & fits & pl.col("doubt").is_null(),
        "fell": near & apart & (matched <= (1 - f["missed_change_fall"]) * last * kept) & same_kit,
        "leap": near & same_kit & (matched > f["leap_times"] * last) & (pl.col("low") > pl.col("last_high")),
        "tenth": near & (matched > 0) & tenth,
    }
    share = ((1 - matched / (last * kept)) * 100).clip(0, 99)
    # Few are odd in any way: they alone are looked at further.
    odd = series.with_columns(
        share.alias("share"), *(test.fill_null(False).alias(name) for name, test in tests.items())
    ).filter(pl.any_horizontal(*tests))
    fallen = _fallen(odd.filter("fell"), change, kh)
    half = matched <= f["not_shaken_share"] * last * kept
    left = kept * (1 - pl.col("that day"))  # of what was there before, had that day's change come first
    most = 1 - pl.col("that day")  # the same, had nitrate come back meanwhile to what was read before
    after = (pl.col("low") <= pl.col("last_high") * most) & (pl.col("high") >= pl.col("last_low") * left)
    fallen = fallen.with_columns((pl.col("that day") * 100).alias("percent"))
    falls, unknown = pl.col("kh falls").fill_null(False), pl.col("kh falls").is_null()
    small = 100 * f["not_shaken_share"]
    issues = [
        said(odd.filter("basis"), "possible N basis"),
        said(fallen, "missed change"),
        said(fallen.filter(after), "taken after"),
        said(fallen.filter(half & falls), "not shaken", shown={"small": small}),
        said(fallen.filter(half & unknown), "not shaken: KH not known", shown={"small": small}),
        said(odd.filter("leap"), "leap", shown={"times": f["leap_times"]}),
    ]
    basis = odd.filter("basis").select("row", pl.lit("basis").alias("by basis"))
    part = part.join(basis, on="row", how="left", maintain_order="left")
    nitrogen_times = factor("nitrate", "NO3-N") or 1.0
    kept_of_last = pl.col("last") * pl.col("kept")
    too_low = pl.when(matched < pl.col("usual"))
    suspicions = [
        doubted(odd.filter("basis"), "basis", size=ratio,
                would_be=too_low.then(matched * nitrogen_times).otherwise(matched / nitrogen_times)),
        doubted(odd.filter("tenth"), "slip", size=1 / ratio, would_be=too_low.then(matched * 10).otherwise(matched / 10)),
        doubted(odd.filter(pl.col("leap") & ~pl.col("tenth")), "leap", size=matched / last, would_be=pl.col("last")),
        doubted(fallen, "unlogged change", size=pl.col("share") / 100, would_be=kept_of_last),
        doubted(fallen.filter(after), "after", size=pl.col("percent") / 100, would_be=kept_of_last),
        doubted(fallen.filter(half & (falls | unknown)), "not shaken", size=matched / kept_of_last, would_be=kept_of_last),
    ]  # fmt: skip
    return part.with_columns(pl.coalesce("doubt", "by basis").alias("doubt")).drop("by basis"), issues, suspicions


def moves(ph: pl.DataFrame, kh: pl.DataFrame, context: Context) -> list[pl.DataFrame]:
    """pH that moves within a week, KH that falls within a month; a step from one kit to another is no move."""
    f = context.assumed
    week, month = (min(f[name], REACH_DAYS) for name in ("ph_move_days", "kh_fall_days"))
    change = pl.col("matched") - pl.col("last")
    apart = (pl.col("low") > pl.col("last_high")) | (pl.col("high").fill_null(INFINITE) < pl.col("last_low"))
    real = apart & pl.col("kit").eq_missing(pl.col("last_kit"))
    moved = (pl.col("gap") <= week) & (change.abs() >= f["ph_warn_move_week"] - 1e-9)
    fell = (pl.col("gap") <= month) & (-change >= f["kh_warn_fall_month"] - 1e-9)
    return [
        said(ph.filter(moved & real), "ph moved", shown={"within": week}),
        said(kh.filter(fell & real), "kh fell", shown={"within": month}),
    ]


def look_at(
    read: Parts, change: pl.DataFrame, standing: Tables, context: Context
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """The readings with their marks, everything that is said of them, and what may be wrong with them."""
    there = [name for name in PARAMETERS if name in read or name in NEEDED]
    parts = {name: read.get(name, pl.DataFrame(schema=PART)) for name in there}
    issues: list[pl.DataFrame] = []
    if "flow_l_h" in parts:
        parts["flow_l_h"], issues = beside.flows(parts["flow_l_h"], standing, context)
    ranges = {name: usual_ranges(parts[name]) for name in beside.COMPARED if name in parts}
    parts, confused = beside.confused_columns(parts, ranges)
    elsewhere, suspicions = beside.wrong_tank(parts, ranges, standing, context)
    issues += [*confused, beside.odd_pairs(parts, context), *elsewhere]
    ph, kh = series_of(parts["ph"]), series_of(parts["kh"])
    nitrate, found, odd = doubts(parts["nitrate"], parts["nitrite"], change, context)
    parts["nitrate"], more, odder = nitrate_series(nitrate, kh, change, context)
    issues += [*found, *more]
    suspicions += [*odd, *odder]
    for name, part in parts.items():
        issues += single(name, part, standing, context)
    issues += moves(ph, kh, context)
    marked = pl.concat([one.select("row", "parameter") for one in issues])
    issues += beside.copied(read, {name: part for name, part in parts.items() if part.height}, standing, context)
    columns = [*PART, "doubt"]  # the column stays, for what is asked of it
    readings = []
    for name, part in parts.items():
        rows = marked.filter(pl.col("parameter") == name)["row"].unique()
        outcome = pl.when(pl.col("row").is_in(rows.implode())).then(pl.lit("warned")).otherwise("outcome")
        doubt = [] if "doubt" in part.columns else [pl.lit(None, pl.String).alias("doubt")]
        readings.append(part.with_columns(outcome.alias("outcome"), *doubt).select(columns))
    return pl.concat(readings), join_issues(issues), pl.concat(suspicions)
