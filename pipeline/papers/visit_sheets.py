"""The sheet of a site for a visit: last readings, what to expect, jobs in order, litres, boxes for a wet pencil."""

import datetime as dt
from collections.abc import Sequence
from typing import Any

import polars as pl

from pipeline.papers import water_today
from pipeline.papers.layout import filled, pdf
from pipeline.papers.report_facts import Row, limit_of, next_visit, open_tanks, site_of
from pipeline.papers.report_text import MOST_NOTE
from pipeline.week import Week
from pipeline.wording import (
    ago,
    cautions,
    counted,
    day,
    day_month,
    full_day,
    interval,
    job_text,
    number,
    sentence,
    short,
    tank_title,
    with_unit,
)
from schemas.words import CANON, PARAMETER_TITLES, PARAMETERS

PAD_STAGES = ("settlement", "coarse", "medium", "fine")
ALWAYS = ("ammonia", "nitrite", "nitrate", "ph", "kh", "temperature", "flow_l_h")
ALSO = ("gh", "phosphate", "oxygen")  # get a line where they were tested lately
LAST = 4  # visits shown
MOST_JOBS = 5
NO_TANK = "No tank of this site runs on that day."
UNITS = {name: unit.replace(" NH4", "").replace(" NO2", "").replace(" NO3", "") for name, unit in CANON.items()}


def holds(day_: dt.date) -> pl.Expr:
    """Whether a placement or a fill holds on a day."""
    return (pl.col("from") <= day_) & (pl.col("to").is_null() | (pl.col("to") >= day_))


def layers_on(week: Week, day_: dt.date) -> pl.DataFrame:
    """One row a layer: tank, filter, position, compartment, layer, stage, medium, mass_kg, thickness_mm, pad_mm."""
    rooms = (
        week.table("compartment")
        .sort("position")
        .group_by("model", "compartment", maintain_order=True)
        .agg(pl.col("position").first(), pl.col("stage").first().alias("meant_for"), pl.col("pad_mm").max())
    )
    media = week.table("medium").select("medium", "stage").unique("medium", keep="last", maintain_order=True)
    placed = week.table("placement").filter(holds(day_)).select("tank", "filter")
    models = week.table("filter").select("filter", "model").unique("filter", keep="last", maintain_order=True)
    return (
        placed.join(models, on="filter", how="left")
        .join(week.table("fill").filter(holds(day_)), on="filter", how="inner")
        .join(rooms, on=["model", "compartment"], how="left")
        .join(media, on="medium", how="left")
        .with_columns(pl.coalesce("stage", "meant_for").alias("stage"))
        .sort("tank", "filter", "position", "layer", nulls_last=True)
        .select(
            "tank", "filter", "position", "compartment", "layer", "stage", "medium", "mass_kg", "thickness_mm", "pad_mm"
        )
    )


def pad_size(pad_mm: float | None, thickness_mm: float | None) -> str:
    """`150 mm, 50 mm thick`; what is not known is stated."""
    size = with_unit(number(pad_mm, 4), "mm") if pad_mm is not None else "size not recorded"
    return size if thickness_mm is None else f"{size}, {with_unit(number(thickness_mm, 4), 'mm')} thick"


def flow_orders(layers: pl.DataFrame, tank: str) -> list[str]:
    """The filters of a tank as the water meets their layers: `Q1: cup: open foam (coarse) → basket 1: …`."""
    by_filter: dict[str, list[str]] = {}
    for row in layers.filter(tank=tank).iter_rows(named=True):
        mass = f" {with_unit(number(row['mass_kg']), 'kg')}" if row["mass_kg"] is not None else ""
        stage = f" ({row['stage']})" if row["stage"] else ""
        by_filter.setdefault(row["filter"], []).append(f"{row['compartment']}: {row['medium']}{mass}{stage}")
    return [f"{name}: {' → '.join(rooms)}" for name, rooms in by_filter.items()]


def value_text(row: Row) -> str:
    """What a reading says, without its unit: `0` where nothing was found, `38–58`, `over 83`."""
    return "0" if row["matched"] == 0 else interval(row["low"], row["high"], 3)


def kit_at(week: Week, tank: str) -> str:
    """The kit used last at a tank; else the first of the book; blank for none."""
    used = week.of("reading", tank).drop_nulls("kit").sort("at", "line")["kit"].to_list()
    return next(iter([*used[-1:], *week.table("kit")["kit"]]), "")


def drop_worth(week: Week, kit: str) -> dict[str, float]:
    """Parameter -> what a drop of the kit is worth, in the kit's own unit; only where drops are counted."""
    rows = week.table("kit").filter(kit=kit).drop_nulls("per_drop")
    return {name: drop / times for name, drop, times in rows.select("parameter", "per_drop", "factor").iter_rows()}


def nitrate_on(level: tuple[float, float], rate: tuple[float, float], days: int) -> tuple[float, float]:
    """Nitrate before the change some days on [mg/L NO3]: level range plus rate range [mg/L NO3 per day] times days.

    Right while no water is changed in between; never under 0.
    """
    return max(0.0, level[0] + rate[0] * days), max(0.0, level[1] + rate[1] * days)


def _nitrate(week: Week, tank: str, day_: dt.date) -> str:
    outlook = week.row("nitrate_outlook", tank)
    fit = next((fit for fit in week.rows("nitrate_fit", tank) if fit["window"] == "recent"), None)
    if outlook is None or fit is None:
        return ""
    level, rate = (outlook["level_low"], outlook["level_high"]), (fit["low"], fit["high"])
    if None in level or None in rate:
        return ""
    low, high = nitrate_on(level, rate, max(0, (day_ - week.as_of).days))
    return f"{low:.0f}–{high:.0f}"


def expected(week: Week, tank: str, day_: dt.date) -> dict[str, str]:
    """Parameter -> the range to expect that day, in words; absent where nothing is known.

    Nitrate from the fit; no ammonia or nitrite in an established tank; pH within its weekly move of the last
    reading; temperature about the set point. These are the limits beyond which intake marks a reading.
    """
    assumed = week.assumed
    row = week.of("tank", tank).row(0, named=True)
    ranges = {"nitrate": _nitrate(week, tank, day_)}
    begun = row["set_up"]
    if begun is None or (day_ - begun).days > 7 * assumed["established_weeks"]:
        ranges |= {"ammonia": "0", "nitrite": "0"}
    if last := [water["matched"] for water in week.rows("water", tank) if water["parameter"] == "ph"]:
        move = assumed["ph_warn_move_week"]
        ranges["ph"] = interval(last[0] - move, last[0] + move, 3)
    if row["temperature_c"] is not None:
        off = assumed["temperature_warn_off_c"]
        ranges["temperature"] = f"{number(row['temperature_c'] - off)}–{number(row['temperature_c'] + off)}"
    return {name: ranges[name] for name in PARAMETERS if ranges.get(name)}


def _grid(week: Week, tank: str, day_: dt.date) -> dict[str, Any]:
    """Last readings by parameter and day, what to expect, and whether a box after the change is wanted."""
    rows = week.of("reading", tank).filter(pl.col("taken") != "after", pl.col("day") <= week.as_of)
    days = rows["day"].unique().sort().to_list()[-LAST:]
    rows = rows.filter(pl.col("day").is_in(days)).sort("at")
    cells: dict[tuple[str, dt.date], str] = {}
    for row in rows.iter_rows(named=True):
        text = value_text(row)
        cells[row["parameter"], row["day"]] = f"({text})" if row["doubt"] or row["expired"] else text
    ranges, worth = expected(week, tank, day_), drop_worth(week, kit_at(week, tank))
    shown = [*ALWAYS[:-1], *(name for name in ALSO if any(name == got for got, _ in cells)), ALWAYS[-1]]
    return {
        "days": [day_month(date) for date in days] or ["no visit yet"],
        "rows": [
            {
                "name": PARAMETER_TITLES[name],
                "unit": f"{UNITS[name]}, {number(worth[name])} a drop" if name in worth else UNITS[name],
                "last": [cells.get((name, date), "–") for date in days] or ["–"],
                "expect": ranges.get(name, ""),
            }
            for name in shown
        ],
        "doubted": any(text.startswith("(") for text in cells.values()),
    }


def _look(week: Week, tank: str) -> list[str]:
    seen = week.of("visit", tank).filter(pl.col("fish_seen").is_not_null()).sort("at")
    last = f" {number(seen['fish_seen'][-1], 4)} on {day_month(seen['day'][-1])}." if seen.height else ""
    return [f"Fish: count, breathing, fins.{last}", "Smell, leaks, flow, plug and leads."]


def _test(week: Week, tank: str, day_: dt.date) -> list[str]:
    rows = week.of("reading", tank).filter(pl.col("kit").is_not_null()).sort("at")
    lines = ["Test before anything is touched."]
    for kit in rows.group_by("kit", maintain_order=True).agg(pl.col("day").max())[-2:]["kit"]:
        ends, text = week.table("kit").filter(kit=kit)["expires"].min(), f"Kit: {kit}"
        if isinstance(ends, dt.date):
            text += f", {'EXPIRED on' if ends < day_ else 'expires on'} {day(ends, year=True, weekday=False)}"
        lines.append(f"{text}.")
    return lines


def _service(week: Week, tank: str, day_: dt.date, layers: pl.DataFrame) -> list[str]:
    due = week.now("due").filter(pl.col("what") != "promise", tank=tank).sort("on")
    lines = [
        job_text(row["says"], row["do"]) if row["on"] <= day_ else f"Not today: {row['what']} on {day(row['on'])}."
        for row in due.iter_rows(named=True)
        if row["on"] <= day_ or row["what"] in ("check", "carbon")
    ][:MOST_JOBS] or ["Nothing due."]
    for row in layers.filter(pl.col("stage").is_in(PAD_STAGES), tank=tank).iter_rows(named=True):
        lines.append(f"Pad, {row['stage']}: {row['medium']}, {pad_size(row['pad_mm'], row['thickness_mm'])}.")
    return lines[: MOST_JOBS + LAST]


def _promises(week: Week, site: str, tank: str) -> list[str]:
    mine = (pl.col("tank") == tank) | (pl.col("tank").is_null() & (pl.col("site") == site))
    rows = week.table("promise").filter(mine, pl.col("done_on").is_null(), pl.col("made_on") <= week.as_of)
    return [
        short(row["promise"], MOST_NOTE) + (f" (by {day(row['due'])})" if row["due"] else "")
        for row in rows.sort("made_on").iter_rows(named=True)
    ][-3:]


def _tank(week: Week, site: Row, tank: Row, day_: dt.date, all_layers: pl.DataFrame) -> dict[str, Any]:
    name = tank["tank"]
    review, set_to = week.row("review", name), tank["temperature_c"]
    net, basis = water_today.net_of(week, name)
    water = water_today.change(week, name, day_)
    service = _service(week, name, day_, all_layers)
    if water.fraction > week.assumed["act_change_share"] and service[0] != "Nothing due.":
        service.insert(0, "A big change and the filter are too much for one visit: do the change, leave the filter.")
    return {
        "title": tank_title(name, tank["name"]),
        "id": name,
        "class": sentence(review["class"]) if review else "Not reviewed",
        "reason": review["reason"] if review else "",
        "facts": [
            f"{with_unit(number(net, 4), 'L')} net, {basis}" if net is not None else "net volume not known",
            f"limit {number(limit_of(week, tank))}",
            "no set temperature" if set_to is None else f"set to {with_unit(number(set_to), '°C')}",
        ],
        "grid": _grid(week, name, day_),
        "look": _look(week, name),
        "test": _test(week, name, day_),
        "change": water.says,
        "service": service,
        "filters": flow_orders(all_layers, name) or ["No filter is recorded on this tank."],
        "promises": _promises(week, site["site"], name),
    }  # fmt: skip


def day_of(week: Week, site: str) -> dt.date:
    """The day a site's sheet is for, where none is given: its next visit; a site without a day gets as-of itself."""
    return next_visit(site_of(week, site), week.as_of) or week.as_of


def sheet_data(week: Week, site: str, day_: dt.date | None = None) -> dict[str, Any]:
    row = site_of(week, site)
    when = day_ or day_of(week, site)
    layers = layers_on(week, when)
    return {
        "title": f"Visit sheet: {row['name']}, {full_day(when)}",
        "site": short(row["name"]),
        "day": full_day(when),
        "as_of": f"Records to {day(week.as_of, year=True)}"
        + (f", {ago(week.as_of, when)}" if week.as_of <= when else ""),
        "note": sentence(short(row["note"] or "", MOST_NOTE)),
        "tanks": [_tank(week, row, tank, when, layers) for tank in open_tanks(week, site, when)],
    }


def sheets_data(week: Week, sites: Sequence[str], day_: dt.date | None = None) -> dict[str, Any]:
    """What the sheets of several sites say, as the template takes it."""
    data = [sheet_data(week, site, day_) for site in sites]
    title = data[0]["title"] if len(data) == 1 else f"Visit sheets of {counted(len(data), 'site')}"
    return {"title": title, "sites": data, "no_tank": NO_TANK, "caution": " ".join(cautions(week.assumed))}


def visit_sheets(week: Week, sites: Sequence[str], day_: dt.date | None = None) -> bytes:
    """One PDF with the sheets of some sites, each begun on its own page, two tanks a page."""
    return pdf("visit_sheet.typ", sheets_data(week, sites, day_), week.as_of)


def sheets_html(week: Week, sites: Sequence[str], day_: dt.date | None = None) -> str:
    return filled("visit_sheets.html", **sheets_data(week, sites, day_))


def sites_on(week: Week, day_: dt.date | None, sites: Sequence[str] = ()) -> list[str]:
    """The sites asked for; else those whose next visit falls on the day; else, without a day, all with a tank."""
    if sites:
        return list(dict.fromkeys(sites))
    rows = week.table("site").sort("file", "line").to_dicts()
    if day_ is None:
        return [row["site"] for row in rows if open_tanks(week, row["site"], day_of(week, row["site"]))]
    before = day_ - dt.timedelta(days=1)
    return [row["site"] for row in rows if next_visit(row, before) == day_ and open_tanks(week, row["site"], day_)]
