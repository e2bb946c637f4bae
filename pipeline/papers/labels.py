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
    names = dict(week.table("site").sort("file", "line").select("site", "name").iter_rows())
    tanks = [tank for site in names if not sites or site in sites for tank in open_tanks(week, site, week.as_of)]
    made = [
        {"id": tank["tank"], "tank": tank_title(tank["tank"], tank["name"]), "site": names[tank["site"]],
         "qr": f"qr{n}.svg" if address else None}
        for n, tank in enumerate(tanks)
    ]  # fmt: skip
    pictures = {one["qr"]: qr_svg(page_of_tank(address, one["id"])) for one in made if one["qr"]}
    if not made:
        raise Problem("There is no running tank to make a label for. Enter tanks in tanks.csv first.")
    return {"title": "Tank labels", "labels": made, "a_page": A_PAGE, "pictures": pictures}


def labels(week: Week, sites: Sequence[str] = ()) -> bytes:
    data = label_data(week, sites)
    pictures = data.pop("pictures")
    return pdf("labels.typ", data, week.as_of, pictures)
