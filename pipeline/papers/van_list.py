"""The van list for a day, as PDF: everything with its sum and a box to tick."""

import datetime as dt
from collections.abc import Sequence
from typing import Any

import polars as pl

from pipeline.papers.layout import pdf
from pipeline.papers.van_sums import Load, MediaJob, Tests, load_of
from pipeline.papers.water_today import containers
from pipeline.week import Week
from pipeline.wording import cautions, counted, day, full_day, number, with_unit

SPARES = (
    "O-rings and seals", "impeller", "hose and clips", "silicone grease", "air pump with battery", "towels",
    "lid locks", "wet-floor sign", "waste bottle for used tests", "gloves", "feeding pots", "labels and pencil",
)  # fmt: skip
# Said where a part of the list is empty.
NO_PAD, NO_MEDIA, NO_CARBON = "No filter service is due.", "None planned.", "None due."
NO_WATER, NO_KIT = "None that can be summed.", "No kit is recorded for these tanks."


def _kg(kg: float | None) -> str:
    return "mass not recorded" if kg is None else with_unit(number(kg), "kg")


def _weight(load: Load) -> tuple[str, bool]:
    """The weight against the van's payload, and whether it is too much."""
    said = f"{with_unit(f'{load.weight_kg:.0f}', 'kg')} of media, carbon and RO water"
    said += f"; {with_unit(f'{load.weight_with_water_kg:.0f}', 'kg')} if all new water is carried."
    if load.payload_kg is None:
        return f"{said} The van's payload is not set.", False
    limit = with_unit(f"{load.payload_kg:.0f}", "kg")
    if load.weight_kg > load.payload_kg:
        return f"{said} OVER the van's payload of {limit}: make two trips.", True
    if load.weight_with_water_kg > load.payload_kg:
        return f"{said} Carrying all of it is OVER the van's payload of {limit}: fill at the sites.", True
    return f"{said} The van's payload is {limit}.", False


def _tests(tests: Sequence[Tests], when: dt.date) -> list[dict[str, str]]:
    """A line for each kit; tests of which another number is needed or left get a line of their own."""
    lines: dict[tuple[str, str, str, str], list[str]] = {}
    for test in tests:
        left = "not recorded" if test.left is None else number(test.left, 4)
        lines.setdefault((test.kit, str(test.needed), left, test.says(when)), []).append(test.parameter)
    return [
        {"kit": kit, "parameter": ", ".join(names), "needed": needed, "left": left, "says": says}
        for (kit, needed, left, says), names in lines.items()
    ]


def list_data(week: Week, sites: Sequence[str], when: dt.date, media: Sequence[MediaJob] = ()) -> dict[str, Any]:
    """What the list says, as JSON has it."""
    load = load_of(week, sites, when, media)
    names = dict(week.table("site").select("site", "name").iter_rows())
    tank_names = dict(week.table("tank").select("tank", "name").iter_rows())
    van = week.round.van.get("container_l")
    weight, too_much = _weight(load)
    water = [f"New water: {with_unit(f'{load.water_l:.0f}', 'L')}"] if load.water_l else []
    if load.water_l and (carried := containers(load.water_l, van)):
        water[0] += f", {carried} where a site has no tap to fill from"
    if load.ro_l:
        water.append(
            f"Of it RO to bring: {with_unit(f'{load.ro_l:.0f}', 'L')}, {containers(load.ro_l, van)}".rstrip(", ")
        )
    if load.conditioner_ml:
        water.append(f"Conditioner: {with_unit(f'{load.conditioner_ml:.0f}', 'ml')}, as its label says")
    promises = week.table("promise").filter(pl.col("done_on").is_null() & (pl.col("made_on") <= week.as_of))
    tanks_there = [tank for tank, site in week.table("tank").select("tank", "site").iter_rows() if site in load.sites]
    promises = promises.filter(pl.col("site").is_in(load.sites) | pl.col("tank").is_in(tanks_there))
    return {
        "title": f"Van list, {full_day(when)}",
        "day": full_day(when),
        "visits": f"{counted(len(load.sites), 'site')}, {counted(load.tanks, 'tank')}",
        "sites": [names.get(site, site) for site in load.sites],
        "as_of": f"Records to {day(week.as_of, year=True)}",
        "pads": [
            {"grade": grade, "medium": medium, "size": size, "due": str(due), "take": str(take)}
            for grade, medium, size, due, take in load.pads
        ],
        "media": [f"{medium}: {_kg(kg)} in {counted(bags, 'bag')}, new, dry" for medium, kg, bags in load.media],
        "carbon": [f"{tank} {tank_names.get(tank) or ''}: {medium}, {_kg(kg)}" for tank, medium, kg in load.carbon],
        "water": water,
        "tests": _tests(load.tests, when),
        "promises": [row["promise"] for row in promises.sort("made_on").iter_rows(named=True)],
        "spares": [*SPARES, f"two buckets for each site, marked: {counted(2 * len(load.sites), 'bucket')}"],
        "weight": weight,
        "too_much": too_much,
        "unknown": load.unknown,
        "cautions": cautions(week.assumed, "lifting", "hygiene", "kits"),
        "none": {"pads": NO_PAD, "media": NO_MEDIA, "carbon": NO_CARBON, "water": NO_WATER, "tests": NO_KIT},
    }  # fmt: skip


def van_list(week: Week, sites: Sequence[str], when: dt.date, media: Sequence[MediaJob] = ()) -> bytes:
    """The PDF of the van list."""
    return pdf("van_list.typ", list_data(week, sites, when, media), week.as_of)
