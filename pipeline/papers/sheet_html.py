"""The visit sheets and the van list as pages to read on a phone, from the same data as their PDFs."""

import datetime as dt
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from pipeline.papers.page import items, page, table
from pipeline.papers.van_list import NO_CARBON, NO_KIT, NO_MEDIA, NO_PAD, NO_WATER, list_data
from pipeline.papers.visit_sheets import NO_TANK, sheets_data
from pipeline.week import Week

Data = Mapping[str, Any]


def _tank(tank: Data) -> str:
    grid = tank["grid"]
    rows = [[row["name"], *row["last"], row["expect"], row["unit"]] for row in grid["rows"]]
    jobs = (
        ("Look", tank["look"]),
        ("Test", tank["test"]),
        ("Change water", tank["change"]),
        ("Service", tank["service"]),
    )
    lists = [f"<h3><strong>{n} {title}</strong></h3>{items(lines)}" for n, (title, lines) in enumerate(jobs, 1)]
    return "\n".join(
        [
            f"<h2>{escape(tank['title'])} <span class='muted'>{escape(tank['id'])}</span></h2>",
            f"<p>{escape(tank['class'])}{': ' + escape(tank['reason']) if tank['reason'] else ''}.<br>"
            f'<span class="small">{escape(" · ".join(tank["facts"]))}</span></p>',
            table(["", *grid["days"], "expect", ""], rows),
            '<p class="small">In brackets: kit expired, or left out of the trend.</p>' if grid["doubted"] else "",
            *lists,
            "<h3><strong>Flow order</strong></h3>",
            items(tank["filters"]),
            f"<h3><strong>Promised</strong></h3>{items(tank['promises'])}" if tank["promises"] else "",
        ]
    )


def _sheet(data: Data) -> str:
    note = f" {data['note']}." if data["note"] else ""
    head = f'<div class="top"><h1>{escape(data["site"])}</h1><span>{escape(data["day"])}</span></div>'
    tanks = [_tank(tank) for tank in data["tanks"]] or [f"<p>{escape(NO_TANK)}</p>"]
    small = f'<p class="small">Visit sheet. {escape(data["as_of"])}.{escape(note)}</p>'
    return "\n".join(['<section class="sheet">', head, small, "<hr>", *tanks, "</section>"])


def sheets_html(week: Week, sites: Sequence[str], day: dt.date | None = None) -> str:
    """The visit sheets of some sites as one page."""
    data = sheets_data(week, sites, day)
    sheets = map(_sheet, data["sites"])
    return page(data["title"], "\n".join([*sheets, f"<footer><p>{escape(data['caution'])}</p></footer>"]))


def load_html(week: Week, sites: Sequence[str], day: dt.date) -> str:
    """The van list of a day as one page."""
    data = list_data(week, sites, day)

    def part(title: str, lines: Sequence[str], none: str) -> str:
        return f"<h2>{escape(title)}</h2>{items(lines) if lines else f'<p>{escape(none)}</p>'}"

    pads = [[p["grade"], p["medium"], p["size"], p["due"], p["take"]] for p in data["pads"]]
    tests = [[t["kit"], t["parameter"], t["needed"], t["left"], t["says"]] for t in data["tests"]]
    strong = ' class="hand strong"' if data["too_much"] else ""
    where = f"{data['visits']}: {', '.join(data['sites'])}. {data['as_of']}."
    body = [
        f'<div class="top"><h1>Van list</h1><span>{escape(data["day"])}</span></div>',
        f'<p class="small">{escape(where)}</p><hr>',
        f"<p{strong}>Weight: {escape(data['weight'])}</p>",
        "<h2>Pads for filters due a service, and a tenth more</h2>",
        table(["grade", "medium", "size", "due", "take"], pads) if pads else f"<p>{NO_PAD}</p>",
        part("Media, weighed out", data["media"], NO_MEDIA),
        part("Carbon due", data["carbon"], NO_CARBON),
        part("Water", data["water"], NO_WATER),
        "<h2>Tests</h2>",
        table(["kit", "tests", "of each", "left", ""], tests) if tests else f"<p>{NO_KIT}</p>",
        part("Promised", data["promises"], "") if data["promises"] else "",
        part("Spares and tools", data["spares"], ""),
        part("Not in these sums", data["unknown"], "") if data["unknown"] else "",
        f"<footer><p>{escape(' '.join(data['cautions']))}</p></footer>",
    ]
    return page(data["title"], "\n".join(body))
