"""The weekly review on paper: every tank a line, in ranking order, with its class, reason, step and assumptions."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.papers.layout import pdf
from pipeline.review import summary
from pipeline.week import Week
from pipeline.wording import CYCLES, ago, counted, day, due_text, pct, reading_range
from schemas.words import CAUTION_LINE

STRIP_WEEKS = 12
MOST_DUE = 2


def _load(capacity: Mapping[str, Any] | None) -> str:
    if capacity is None:
        return "not known"
    plain, working = capacity["plain_load_pct"], capacity["working_load_pct"]
    if plain is None and working is None:
        return str(capacity["plain_state"])
    return " / ".join("not known" if value is None else pct(value) for value in (plain, working))


def _nitrate(week: Week) -> tuple[Mapping[str, list[list[float | None]]], Mapping[str, str]]:
    """By tank, the readings of the last weeks (weeks before as-of, low, high (None open), of the ceiling), and the last
    of all in words."""
    rows = (
        week.table("reading")
        .filter((pl.col("parameter") == "nitrate") & (pl.col("taken") != "after") & (pl.col("day") <= week.as_of))
        .join(week.table("tank").select("tank", "nitrate_ceiling"), on="tank", how="left")
        .with_columns(pl.col("nitrate_ceiling").fill_null(week.assumed["ceiling_default"]).alias("top"))
        .sort("tank", "at")
    )
    age = (pl.lit(week.as_of) - pl.col("day")).dt.total_days() / (7 * STRIP_WEEKS)
    shown = rows.select("tank", age.alias("age"), pl.col("low") / pl.col("top"), pl.col("high") / pl.col("top"))
    strips: dict[str, list[list[float | None]]] = {}
    for tank, *bar in shown.filter(pl.col("age") <= 1).iter_rows():
        strips.setdefault(tank, []).append(bar)
    last = rows.select("tank", "low", "high", "day").iter_rows()
    return strips, {t: f"{reading_range('nitrate', a, b)}, {ago(on, week.as_of)}" for t, a, b, on in last}


def week_data(week: Week) -> dict[str, Any]:
    review = week.now("review").sort("rank")
    tanks = {row["tank"]: row for row in week.table("tank").iter_rows(named=True)}
    sites = dict(week.table("site").select("site", "name").iter_rows())
    fits = week.by_tank("nitrate_fit", window="recent")
    outlooks, capacities = week.by_tank("nitrate_outlook"), week.by_tank("capacity")
    strips, last = _nitrate(week)
    due: dict[str, list[str]] = {}
    for row in week.now("due").sort("on").iter_rows(named=True):
        if row["late_days"] >= -week.assumed["due_soon_days"]:
            text = due_text(row["what"], row["about"], row["on"], row["late_days"])
            due.setdefault(row["tank"], []).append(text)
    rows = []
    for row in review.iter_rows(named=True):
        name = row["tank"]
        tank = tanks.get(name, {})
        rows.append(
            {
                "class": row["class"],
                "was": row["was_class"] if row["was_class"] and row["was_class"] != row["class"] else "",
                "tank": tank.get("name") or name,
                "id": name,
                "site": sites.get(tank.get("site", ""), ""),
                "reason": row["reason"],
                "step": row["step"],
                "last": last.get(name, "none"),
                "rise": summary.rate_text(fits.get(name)),
                "plateau": summary.plateau_text(outlooks.get(name)),
                "load": _load(capacities.get(name)),
                "due": "; ".join(due.get(name, [])[:MOST_DUE]),
                "strip": strips.get(name, []),
            }
        )
    held = week.table("held").height
    return {
        "title": f"Weekly review, {day(week.as_of, year=True)}",
        "name": week.round.name,
        "as_of": day(week.as_of, year=True),
        "counts": summary.counts_sentence(review) if review.height else "No tank is reviewed.",
        "held": f"{counted(held, 'item')} held: `tankround held` lists them." if held else "",
        "rows": rows,
        "caution": f"{CYCLES} {CAUTION_LINE}",
    }


def week_pdf(week: Week) -> bytes:
    return pdf("week.typ", week_data(week), week.as_of)
