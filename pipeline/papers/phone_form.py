"""A visit on the phone without a network: one self-contained page a site and day, that saves one CSV to send home."""

import datetime as dt
import json
from html import escape
from typing import Any

import polars as pl

from pipeline.papers import water_today
from pipeline.papers.layout import page, template
from pipeline.papers.visit_sheets import drop_worth, kit_at, sheet_data
from pipeline.papers.writing import safe_name
from pipeline.week import Week
from pipeline.wording import cautions, number
from schemas.parameters import RECORDS
from schemas.words import CHANGE_KINDS, EVENTS, FISH_LOOK, FOUND, JOBS, RINSE_WATER

STYLE = """<style>
#form label { display: block; margin: .6em 0; } #form label span { display: block; }
#form input, #form select { font: inherit; width: 100%; max-width: 22rem; min-height: 48px; padding: 4px 8px; border: 1px solid var(--ink2); border-radius: 2px; background: white; }
#form button { font: inherit; min-height: 48px; min-width: 48px; padding: 4px 12px; margin: 4px 4px 4px 0; border: 1px solid var(--ink2); border-radius: 2px; background: white; color: var(--ink); }
#form button[aria-pressed="true"], #save { background: var(--ink) !important; color: white !important; }
#form output { display: inline-block; min-width: 3em; text-align: center; font-weight: 600; }
#form fieldset { border: 1px solid var(--hair); margin: .8em 0; } #told { border-left: 3px solid var(--ink); padding-left: .6rem; }
</style>"""


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
    """The page of a site's visit."""
    data = sheet_data(week, site, when)
    tanks = []
    on = week.table("placement").filter((pl.col("from") <= when) & (pl.col("to").is_null() | (pl.col("to") >= when)))
    for tank in data["tanks"]:
        kit, ro = kit_at(week, tank["id"]), water_today.ro_share(week, tank["id"])
        tanks.append({
            "id": tank["id"], "title": tank["title"], "class": tank["class"], "reason": tank["reason"], "facts": " · ".join(tank["facts"]),
            "jobs": [*tank["change"], *tank["service"], *tank["promises"]], "kit": kit, "ro": f"ro {100 * ro:.0f}%" if ro else "", "tests": _tests(week, kit, tank["grid"]["rows"]),
            "filters": on.filter(pl.col("tank") == tank["id"])["filter"].unique().sort().to_list(),
        })  # fmt: skip
    told = {
        "site": site, "day": when.isoformat(), "file": f"{form_name(site, when)}.csv", "tanks": tanks,
        "parameters": [one.name for one in RECORDS], "jobs": JOBS, "found": FOUND, "rinse": RINSE_WATER, "events": EVENTS,
        "looks": FISH_LOOK, "kinds": CHANGE_KINDS[1:],
    }  # fmt: skip
    body = [
        STYLE,
        f'<div class="top"><h1>{escape(data["site"])}</h1><span>{escape(data["day"])}</span></div>',
        f'<p class="small">{escape(data["as_of"])}. Works without a network; nothing is sent until you send it.</p><hr>',
        '<p id="told" role="status">Tap a tank to begin.</p><div id="form"></div>',
        f"<footer><p>{escape(' '.join(cautions(week.assumed)))}</p></footer>",
        f'<script type="application/json" id="data">{json.dumps(told).replace("<", chr(92) + "u003c")}</script>',
    ]
    return page(data["title"], "\n".join(body), template("phone_form.js").decode())
