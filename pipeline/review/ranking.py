"""From findings to one line a tank: its class, its reason, its next step, and the order of the round: by class, then
by nearest harm. There is no points score: each finding has one number, of one meaning for all of its class."""

import datetime as dt
import re
from collections.abc import Sequence
from typing import Any

import polars as pl

from pipeline.review.facts import TankFacts
from pipeline.review.finding import ORDER, REASON_MOST, STEADY, STEP_MOST
from pipeline.wording import aged, change_text, cut, day_month, pct, reading_range

URGENT = ("act today", "this week")
WEEK, MONTH = 7, 28  # days back: what "changed" and "worse" are told against


def _place() -> pl.Expr:
    return pl.col("class").replace_strict(ORDER, return_dtype=pl.Int64)


def _than(name: str, worse_share: float) -> pl.Expr:
    """Worse than then: a more urgent class, or harm that has come a fifth nearer; what is urgent, a fifth further over."""
    harm, then = pl.col("harm"), pl.col(f"harm_{name}")
    over, was_over = ((h / 100).ceil() * 100 - h for h in (harm, then))  # as rules_water.nearer made them, ten times
    further = over > (1 + worse_share) * was_over + 1
    nearer = pl.when(pl.col("class").is_in(URGENT)).then(further).otherwise(harm < then - worse_share * then.abs())
    return ((_place() < pl.col(f"class_{name}")) | nearer).fill_null(False)


def quieten(found: pl.DataFrame, noted: pl.DataFrame, worse_share: float) -> pl.DataFrame:
    """Findings that were known and reviewed are quiet until a day, and back at once if they worsen; and their marks.

    Worse is told against a week and four weeks before. What must be acted on today is never quiet: welfare comes first.
    """
    until = noted.group_by("tank", "rule").agg(pl.col("until").max())
    rows = found.join(until, on=["tank", "rule"], how="left", maintain_order="left")
    for name, back in (("week", WEEK), ("month", MONTH)):
        columns = {f"class_{name}": _place(), f"harm_{name}": pl.col("harm")}
        then = found.select("tank", "rule", pl.col("as_of") + pl.duration(days=back), **columns)
        rows = rows.join(then, on=["tank", "rule", "as_of"], how="left", maintain_order="left")
    worse_now, worse_then = _than("week", worse_share), _than("month", worse_share)
    quiet = (pl.col("until") >= pl.col("as_of")).fill_null(False) & ~(worse_now | worse_then)
    above_due = _place() < ORDER["due"]  # a job grows later by itself
    mark = pl.when(pl.col("class_week").is_null()).then(pl.lit("new")).when(worse_now & above_due).then(pl.lit("worse"))
    rows = rows.with_columns((quiet & (pl.col("class") != "act today")).alias("quiet"), mark.alias("mark"))
    return rows.select(found.columns)


LINE = {"tank": pl.String, "as_of": pl.Date, "class": pl.String, "reason": pl.String, "step": pl.String,
        "site": pl.String, "place": pl.Int64, "harm": pl.Float64, "was_class": pl.String, "changed": pl.String}  # fmt: skip


def _steady_line(f: TankFacts, until: dt.date | None) -> tuple[str, str]:
    """A tank without a finding: its last readings with their age, and the routine it keeps."""
    reason = "nothing to do"
    if f.last_low is not None and f.last_age is not None:
        reason = f"nitrate {reading_range('nitrate', f.last_low, f.last_high)}, {aged(f.last_age)}"
    nothing = [name for name in ("ammonia", "nitrite") if (read := f.water.get(name)) is not None and read.zero]
    if until is not None:
        reason += f"; alert paused until {day_month(until)}"
    elif f.working_load_pct is not None and f.working_load_pct > f.assumed["within_pct"]:
        reason += f"; bioload {pct(f.working_load_pct)} of its working rating"
    elif nothing:
        reason += f"; {' and '.join(nothing)} 0"
    share = f.mean_fraction / f.change_share if f.mean_fraction is not None and f.change_share else None
    carry = f"Carry on: {change_text(share, f.net_l)} a visit" if share and 0.01 <= share <= 1 else "Carry on"
    return reason, carry


def lines(found: pl.DataFrame, facts: Sequence[TankFacts], noted: pl.DataFrame) -> pl.DataFrame:
    """The review: one row a request, with what it is ranked by (site, place, harm); `facts` are in order of days."""
    of = found.rows_by_key(["tank", "as_of"], named=True, include_key=True)
    until = {(tank, rule): day for tank, rule, day in noted.sort("until").iter_rows()}
    rows: list[tuple[Any, ...]] = []
    states: dict[tuple[str, dt.date], dict[str, object]] = {}
    for f in facts:
        mine = of.get((f.tank, f.as_of), [])
        loud = sorted((r for r in mine if not r["quiet"]), key=lambda r: (ORDER[r["class"]], r["harm"], r["rule"]))
        paused = [until[f.tank, r["rule"]] for r in mine if r["quiet"]]
        top = loud[0] if loud else None
        class_, (reason, step) = STEADY, _steady_line(f, min(paused, default=None))
        if top is not None:
            class_, reason, step = top["class"], top["reason"], top["step"]
        # Steady tanks: the higher nitrate first, so that the eye meets the nearer one.
        harm = top["harm"] if top is not None and class_ != STEADY else -(f.last_matched or 0.0)
        names = sorted(r["rule"] for r in loud if r["class"] != STEADY)
        # What differs from the same tank a week before, where that was reviewed too; a step that differs only in its
        # numbers is the same.
        now = {"class": class_, "findings": names, "step": re.sub(r"[0-9.]+", "#", step), "held": f.held}
        states[f.tank, f.as_of] = now
        then = states.get((f.tank, f.as_of - dt.timedelta(WEEK)), {})
        changed = ", ".join(part for part in then if now[part] != then[part]) or None
        rows.append((
            f.tank, f.as_of, class_, cut(reason, REASON_MOST), cut(step, STEP_MOST), f.site, ORDER[class_], harm,
            then.get("class"), changed,
        ))  # fmt: skip
    return pl.DataFrame(rows, schema=LINE, orient="row")
