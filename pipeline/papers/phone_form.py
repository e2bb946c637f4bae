"""A visit on the phone without a network: one self-contained page a site and day, that saves one CSV to send home."""

import datetime as dt
import json
from typing import Any

import polars as pl
from markupsafe import Markup

from pipeline.papers import water_today
from pipeline.papers.layout import filled, template
from pipeline.papers.visit_sheets import drop_worth, holds, kit_at, sheet_data
from pipeline.papers.writing import safe_name
from pipeline.week import Week
from pipeline.wording import cautions, number
from schemas.parameters import RECORDS
from schemas.words import CHANGE_KINDS, EVENTS, FISH_LOOK, FOUND, JOBS, RINSE_WATER


def _tests(week: Week, kit: str, grid: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What may be tested: title, unit, the last reading, what to expect, the kit's own steps, or what a drop is worth (0: not counted)."""
    shown = {row["name"]: row for row in grid}
    mine = week.table("kit").filter(pl.col("kit") == kit)
    steps = dict(mine.filter(pl.col("ladder").list.len() > 0).select("parameter", "steps").iter_rows())
    worth = drop_worth(week, kit)
    return [
        {
            "name": one.name, "title": one.title, "unit": f"{one.unit}, {number(worth[one.name])} a drop" if one.name in worth else one.unit, "last": shown[one.title]["last"][-1] if one.title in shown else "–",
            "expect": shown[one.title]["expect"] if one.title in shown else "", "drops": worth.get(one.name, 0),
            "steps": [part.strip() for part in (steps.get(one.name) or "").split("|") if part.strip()],
        }
        for one in RECORDS
    ]  # fmt: skip


def form_name(site: str, when: dt.date) -> str:
    """What the page is called, and the CSV that it saves."""
    return f"form-{when}-{safe_name(site)}"


def phone_form(week: Week, site: str, when: dt.date) -> str:
    data = sheet_data(week, site, when)
    tanks = []
    on = week.table("placement").filter(holds(when))
    for tank in data["tanks"]:
        kit, ro = kit_at(week, tank["id"]), water_today.ro_share(week, tank["id"])
        tanks.append({
            "id": tank["id"], "title": tank["title"], "class": tank["class"], "reason": tank["reason"], "facts": " · ".join(tank["facts"]),
            "jobs": [*tank["change"], *tank["service"], *tank["promises"]], "kit": kit, "ro": f"ro {100 * ro:.0f}%" if ro else "", "tests": _tests(week, kit, tank["grid"]["rows"]),
            "filters": on.filter(pl.col("tank") == tank["id"])["filter"].unique().sort().to_list(),
        })  # fmt: skip
    form = {
        "site": site, "day": when.isoformat(), "file": f"{form_name(site, when)}.csv", "tanks": tanks,
        "parameters": [one.name for one in RECORDS], "jobs": JOBS, "found": FOUND, "rinse": RINSE_WATER, "events": EVENTS,
        "looks": FISH_LOOK, "kinds": CHANGE_KINDS[1:],
    }  # fmt: skip
    as_json = Markup(json.dumps(form).replace("<", "\\u003c"))
    script = template("phone_form.js").decode()
    return filled("phone_form.html", script, form=as_json, cautions=cautions(week.assumed), **data)
