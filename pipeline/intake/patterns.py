"""Checks that look at a tank's other rows, at its last few readings or days only. Several may speak of one value:
they become one warning that lists the explanations (check.py)."""

import math
from collections.abc import Sequence
from difflib import get_close_matches
from typing import Any

import polars as pl

from pipeline.intake import beside
from pipeline.intake.beside import (
    PART,
    REACH_DAYS,
    REACH_READINGS,
    Parts,
    ask,
    back,
    series_of,
    usual_ranges,
    with_usual,
)
from pipeline.intake.columns import Collected
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


def gaps(visit: pl.DataFrame, found: Collected) -> None:
    """Visits long after the one before, as one remark a visit; longer where the round or the tank has a longer rhythm."""
    limit = found.assumed["gap_warn_days"] / 7  # stated for a weekly round
    days = visit.select("no", "day", "file", "line", "date").unique(["no", "day"], keep="first", maintain_order=True)
    days = days.with_columns((pl.col("day") - back("day", 1)).dt.total_days().alias("gap"))
    # A gap counts for the rhythm where it begins within reach of the visit.
    reach = pl.col("day") - pl.duration(days=REACH_DAYS)
    steps = range(1, REACH_READINGS + 1)
    usual = [pl.when(back("day", i + 1) >= reach).then(back("gap", i)).alias(f"gap {i}") for i in steps]
    long = pl.col("gap").is_between(limit * found.round.visit_every_days, REACH_DAYS, closed="right")
    days = days.with_columns(usual).filter(long)
    rhythm = pl.concat_list(f"gap {i}" for i in steps).list.drop_nulls().list.median()
    late = pl.col("gap") > limit * rhythm.fill_null(0)
    found.say(days, "date", "long gap", late, outcome="warned")


def single(parameter: str, part: pl.DataFrame, standing: Tables, found: Collected) -> None:
    """Values of one parameter that are unusual by themselves, or for this tank."""
    f, matched, top = found.assumed, pl.col("matched"), pl.col("high").is_null()
    high, over = matched > f["nitrate_warn_above"], top & (pl.col("low") >= matched)
    fed = standing["feeding"].filter(pl.col("feed_g_day") > 0)["tank"].implode()
    bare = standing["tank"].filter(pl.col("planting").fill_null("none") == "none")["tank"].implode()
    zero = (matched == 0) & pl.col("text").cast(pl.String).str.contains(r"^\s*[0.]")
    tests: dict[str, dict[str, pl.Expr]] = {
        "nitrate": {
            "high": high & ~top,
            "high: at the top": high & top & ~over,
            "high: over the top": high & over,
            "nitrate none": zero & pl.col("tank").is_in(fed) & pl.col("tank").is_in(bare),
        },
        "ph": {"low: ph": matched < f["ph_warn_below"], "high: ph": matched > f["ph_warn_above"]},
        "kh": {"low: kh": matched <= f["kh_warn_at"]},
        "temperature": {"off": (matched - pl.col("temperature_c")).abs() > f["temperature_warn_off_c"]},
    }
    alarms = {"not zero": matched > 0} if BY_NAME[parameter].alarms else {}
    if parameter == "temperature":
        part = part.with_columns(standing["tank"]["temperature_c"][part["no"]])
    shown = {"title": PARAMETER_TITLES[parameter], "months": f["kit_open_months"]}
    for case, test in {**alarms, **tests.get(parameter, {}), "kit expired": pl.col("expired")}.items():
        ask(found, part.filter(test), case, shown=shown)


def doubts(nitrate: pl.DataFrame, nitrite: pl.DataFrame, change: pl.DataFrame, found: Collected) -> pl.DataFrame:
    """Nitrate readings left out of the trend: nitrite in the session, or before or after unknown on a change day."""
    session = ["no", "at", "taken"]
    present = nitrite.filter(pl.col("matched") >= found.assumed["nitrite_spoils_mg_l"])
    present = present.group_by(session).agg(pl.col("matched").max().alias("beside"))
    changed = change.select("no", "day", pl.lit(True).alias("changed")).unique()
    nitrate = nitrate.join(present, on=session, how="left", maintain_order="left")
    nitrate = nitrate.join(changed, on=["no", "day"], how="left", maintain_order="left")
    spoilt = pl.col("beside").is_not_null()
    unknown = (pl.col("taken") == "unknown") & pl.col("changed").fill_null(False)
    ask(found, nitrate.filter(unknown), "before or after", "taken")
    ask(found, nitrate.filter(spoilt), "nitrite spoils", "nitrite", size=pl.col("beside"))
    doubt = pl.when(spoilt).then(pl.lit("nitrite")).when(unknown).then(pl.lit("taken")).alias("doubt")
    return nitrate.with_columns(doubt).drop("changed", "beside")


def _with_kept(series: pl.DataFrame, change: pl.DataFrame) -> pl.DataFrame:
    """`kept`: the share of the old water left by the changes since the reading before (that day's own not counted).

    Each change belongs to the first reading on a later day, and to the second reading of its own day none.
    """
    real = change.filter((pl.col("kind") != "top-up") & (pl.col("fraction") < 1))
    logs = real.group_by("no", "day", maintain_order=True).agg((1 - pl.col("fraction")).log().sum().alias("log"))
    days = series.select("no", "day", pl.col("day").alias("read on")).unique(["no", "day"], maintain_order=True)
    # The day of the next reading after each change; both are in order of tank and day.
    onward: Any = {"strategy": "forward", "allow_exact_matches": False, "check_sortedness": False}
    ahead = logs.join_asof(days, on="day", by="no", **onward).drop_nulls("read on")
    since = ahead.group_by("no", pl.col("read on").alias("day"), maintain_order=True).agg(pl.col("log").sum())
    first = pl.struct("no", "day").is_first_distinct()
    kept = pl.when(first & back("no", 1).is_not_null()).then(pl.col("log").exp()).fill_null(1.0)
    series = series.join(since, on=["no", "day"], how="left", maintain_order="left")
    return series.with_columns(kept.alias("kept")).drop("log")


def _fallen(fell: pl.DataFrame, change: pl.DataFrame, kh: pl.DataFrame) -> pl.DataFrame:
    """Falls of nitrate with what may explain them: that day's change, and whether KH has gone on falling meanwhile."""
    of_day = ["no", "day"]
    days = fell.select(of_day).unique()  # few: what happened on other days need not be summed
    changed = 1 - (1 - pl.col("fraction")).product()
    daily = change.join(days, on=of_day, how="semi").group_by(of_day).agg(changed.alias("that day"))
    hardness = kh.join(days, on=of_day, how="semi", maintain_order="left")
    falls = hardness.unique(of_day, keep="last", maintain_order=True).select(
        *of_day, (pl.col("matched") < pl.col("last")).alias("kh falls")
    )
    fell = fell.join(daily, on=of_day, how="left", maintain_order="left")
    return fell.join(falls, on=of_day, how="left", maintain_order="left")


def nitrate_series(part: pl.DataFrame, kh: pl.DataFrame, change: pl.DataFrame, found: Collected) -> pl.DataFrame:
    """Wrong basis, missed change, bottle not shaken, leaps: what may explain an odd nitrate. `kh` is the series of KH."""
    f, matched, last, kept = found.assumed, pl.col("matched"), pl.col("last"), pl.col("kept")
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
    before, too_low, times = last * kept, pl.when(matched < pl.col("usual")), factor("nitrate", "NO3-N") or 1.0
    as_nitrogen = too_low.then(matched * times).otherwise(matched / times)
    tenfold = too_low.then(matched * 10).otherwise(matched / 10)
    basis, not_shaken = odd.filter("basis"), (("not shaken", falls), ("not shaken: KH not known", unknown))
    ask(found, basis, "possible N basis", "basis", size=ratio, would_be=as_nitrogen)
    ask(found, odd.filter("tenth"), "", "slip", size=1 / ratio, would_be=tenfold)
    ask(found, odd.filter("leap"), "leap", shown={"times": f["leap_times"]})
    ask(found, odd.filter(pl.col("leap") & ~pl.col("tenth")), "", "leap", size=matched / last, would_be=last)
    ask(found, fallen, "missed change", "unlogged change", size=pl.col("share") / 100, would_be=before)
    ask(found, fallen.filter(after), "taken after", "after", size=pl.col("percent") / 100, would_be=before)
    for case, test in not_shaken:
        shown = {"small": 100 * f["not_shaken_share"]}
        ask(found, fallen.filter(half & test), case, "not shaken", shown=shown, size=matched / before, would_be=before)
    doubt = pl.when(pl.col("row").is_in(basis["row"].implode())).then(pl.lit("basis"))
    return part.with_columns(pl.coalesce("doubt", doubt).alias("doubt"))


def moves(ph: pl.DataFrame, kh: pl.DataFrame, found: Collected) -> None:
    """pH that moves within a week, KH that falls within a month; a step from one kit to another is no move."""
    f = found.assumed
    week, month = (min(f[name], REACH_DAYS) for name in ("ph_move_days", "kh_fall_days"))
    change = pl.col("matched") - pl.col("last")
    apart = (pl.col("low") > pl.col("last_high")) | (pl.col("high").fill_null(INFINITE) < pl.col("last_low"))
    real = apart & pl.col("kit").eq_missing(pl.col("last_kit"))
    moved = (pl.col("gap") <= week) & (change.abs() >= f["ph_warn_move_week"] - 1e-9)
    fell = (pl.col("gap") <= month) & (-change >= f["kh_warn_fall_month"] - 1e-9)
    ask(found, ph.filter(moved & real), "ph moved", shown={"within": week})
    ask(found, kh.filter(fell & real), "kh fell", shown={"within": month})


def look_at(read: Parts, change: pl.DataFrame, standing: Tables, found: Collected) -> pl.DataFrame:
    """The readings with why they stay out of the trend; what is said of them, and what may be wrong with them, is collected."""
    there = [name for name in PARAMETERS if name in read or name in NEEDED]
    parts = {name: read.get(name, pl.DataFrame(schema=PART)) for name in there}
    if "flow_l_h" in parts:
        parts["flow_l_h"] = beside.flows(parts["flow_l_h"], standing, found)
    ranges = {name: usual_ranges(parts[name]) for name in beside.COMPARED if name in parts}
    beside.confused_columns(parts, ranges, found)
    beside.odd_pairs(parts, found)
    beside.wrong_tank(parts, ranges, standing, found)
    ph, kh = series_of(parts["ph"]), series_of(parts["kh"])
    nitrate = doubts(parts["nitrate"], parts["nitrite"], change, found)
    parts["nitrate"] = nitrate_series(nitrate, kh, change, found)
    for name, part in parts.items():
        single(name, part, standing, found)
    moves(ph, kh, found)
    beside.copied(read, {name: part for name, part in parts.items() if part.height}, standing, found)
    return pl.concat(parts.values(), how="diagonal")
