"""Labels for tanks: the id in large type, the tank and the site; a QR code only where the dashboard has an address."""

import io
from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

import segno

from pipeline.papers.layout import pdf
from pipeline.papers.report_facts import open_tanks, site_of
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import tank_title

A_PAGE = 18  # labels of 3 columns and 6 rows


def page_of_tank(address: str, tank: str) -> str:
    """The address of a tank's page on the dashboard."""
    return f"{address.rstrip('/')}/one_tank?tank={quote(tank, safe='')}"


def qr_svg(text: str) -> str:
    """A QR code with its quiet zone; error correction M stands a drop of water on it."""
    out = io.BytesIO()
    segno.make_qr(text, error="m").save(out, kind="svg", border=4, xmldecl=False, nl=False)
    return out.getvalue().decode()


def label_data(week: Week, sites: Sequence[str] = ()) -> dict[str, Any]:
    """What the labels say, as JSON has it, and under `pictures` the codes."""
    for site in sites:
        site_of(week, site)
    address = week.round.address
    made: list[dict[str, Any]] = []
    pictures: dict[str, str] = {}
    for row in week.table("site").sort("file", "line").iter_rows(named=True):
        if sites and row["site"] not in sites:
            continue
        for tank in open_tanks(week, row["site"], week.as_of):
            name = f"qr{len(made)}.svg" if address else None
            if name:
                pictures[name] = qr_svg(page_of_tank(address, tank["tank"]))
            made.append(
                {"id": tank["tank"], "tank": tank_title(tank["tank"], tank["name"]), "site": row["name"], "qr": name}
            )
    if not made:
        raise Problem("There is no running tank to make a label for. Enter tanks in tanks.csv first.")
    return {"title": "Tank labels", "labels": made, "a_page": A_PAGE, "pictures": pictures}


def labels(week: Week, sites: Sequence[str] = ()) -> bytes:
    """The PDF of the labels of some sites, or of all."""
    data = label_data(week, sites)
    pictures = data.pop("pictures")
    return pdf("labels.typ", data, week.as_of, pictures)
