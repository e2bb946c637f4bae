"""The van list for a day, as PDF and as a page: everything with its sum and a box to tick."""

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import polars as pl

from pipeline.papers import proposals, water_today
from pipeline.papers.layers import PAD_STAGES, layers_on, pad_size
from pipeline.papers.layout import filled, pdf
from pipeline.papers.visit_sheets import open_tanks
from pipeline.papers.water_today import containers
from pipeline.week import Week
from pipeline.wording import cautions, counted, day, full_day, listed, number, with_unit
from schemas.words import PARAMETER_TITLES


@dataclass(frozen=True)
class Tests:
    """Tests of one parameter with one kit: how many a day's visits want, how many are left."""

    kit: str
    parameter: str
    needed: int
    left: float | None
    expires: dt.date | None

    def says(self, day: dt.date) -> str:
        """What to do about it; blank where there is nothing."""
        if self.expires is not None and self.expires < day:
            return "expired: take another kit"
        if self.left is None:
            return "tests left not recorded"
        if self.left < self.needed:
            return f"short by {math.ceil(self.needed - self.left)}: take another kit"
        return ""


@dataclass(frozen=True)
class Load:
    """The sums of a day. Litres and kilograms that can't be said are not in them; `unknown` says which."""

    day: dt.date
    sites: list[str]
    tanks: int
    pads: list[tuple[str, str, str, int, int]]  # grade, medium, size, due, to take
    carbon: list[tuple[str, str, float | None]]  # tank, medium, kg
    water_l: float
    ro_l: float
    conditioner_ml: float | None
    tests: list[Tests]
    weight_kg: float  # carbon and RO water: what is carried anyway
    weight_with_water_kg: float  # and if all new water is carried
    payload_kg: float | None
    unknown: list[str] = field(default_factory=list)


def with_spare(due: int, share: float) -> int:
    """Pads to take: those due and a share more, rounded up; none for none."""
    return math.ceil(round(due * (1 + share), 9))


def _due_layers(week: Week, tanks: Sequence[str], day: dt.date, what: str, stages: Sequence[str]) -> pl.DataFrame:
    """Layers of some stages in the filters of which a job falls due by the day."""
    due = week.now("due").filter((pl.col("what") == what) & (pl.col("on") <= day) & pl.col("tank").is_in(list(tanks)))
    filters = due.select("tank", pl.col("about").alias("filter")).unique()
    layers = layers_on(week, day).filter(pl.col("stage").is_in(list(stages)))
    return layers.join(filters, on=["tank", "filter"], how="semi", maintain_order="left")


def _pads(week: Week, tanks: Sequence[str], day: dt.date) -> list[tuple[str, str, str, int, int]]:
    """Pads of filters whose check falls due by the day."""
    pads = (
        _due_layers(week, tanks, day, "check", PAD_STAGES)
        .with_columns(pl.col("stage").replace_strict(dict(zip(PAD_STAGES, range(4), strict=True))).alias("place"))
        .group_by("place", "stage", "medium", "pad_mm", "thickness_mm")
        .len()
        .sort("place", "medium", "pad_mm", "thickness_mm")
    )
    share = week.assumed["pads_spare_share"]
    return [
        (stage, medium, pad_size(pad_mm, thick), due, with_spare(due, share))
        for stage, medium, pad_mm, thick, due in pads.drop("place").iter_rows()
    ]


def _carbon(week: Week, tanks: Sequence[str], day: dt.date) -> list[tuple[str, str, float | None]]:
    rows = _due_layers(week, tanks, day, "carbon", ["chemical"])
    return [(row["tank"], row["medium"], row["mass_kg"]) for row in rows.iter_rows(named=True)]


def _tests(week: Week, tanks: Sequence[str]) -> list[Tests]:
    """One test a tank of each parameter its last visit measured, with the kit used for it then."""
    last = (
        week.table("reading")
        .filter(pl.col("tank").is_in(list(tanks)) & pl.col("kit").is_not_null() & (pl.col("day") <= week.as_of))
        .sort("at")
        .group_by("tank", "parameter", maintain_order=True)
        .agg(pl.col("kit").last(), pl.col("day").last())
        .filter(pl.col("day") == pl.col("day").max().over("tank"))
        .group_by("kit", "parameter", maintain_order=True)
        .len()
    )
    book = week.table("kit").group_by("kit", "parameter").agg(pl.col("tests_left").last(), pl.col("expires").last())
    rows = last.join(book, on=["kit", "parameter"], how="inner").sort("kit", "parameter")
    return [
        Tests(row["kit"], PARAMETER_TITLES[row["parameter"]], row["len"], row["tests_left"], row["expires"])
        for row in rows.filter(pl.col("parameter") != "temperature").iter_rows(named=True)
    ]


def load_of(week: Week, sites: Sequence[str], day: dt.date) -> Load:
    """The sums over the tanks of some sites on a day."""
    rows = [tank for site in sites for tank in open_tanks(week, site, day)]
    tanks = [row["tank"] for row in rows]
    unknown: list[str] = []
    dry: list[str] = []  # tanks whose water can't be summed
    water = ro = 0.0
    for tank in tanks:
        change = water_today.change(week, tank, day)
        if change.litres is None:
            dry.append(tank)
            continue
        water += change.litres
        ro += change.litres * water_today.ro_share(week, tank)
    if dry:
        unknown.append(f"water for {listed(dry)}: net volume not known")
    dose = week.round.dosing.get("conditioner_ml_per_l")
    if dose is None:
        unknown.append("conditioner: set conditioner_ml_per_l under [dosing] in round.toml")
    carbon = _carbon(week, tanks, day)
    unknown += [f"carbon for {tank}: mass not recorded" for tank, _, kg in carbon if kg is None]
    density = week.assumed["water_kg_l"]
    carried = sum(kg or 0.0 for *_, kg in carbon)
    payload = week.round.van.get("payload_kg")
    if payload is None:
        unknown.append("weight limit: set payload_kg under [van] in round.toml")
    return Load(
        day=day,
        sites=list(sites),
        tanks=len(tanks),
        pads=_pads(week, tanks, day),
        carbon=carbon,
        water_l=water,
        ro_l=ro,
        conditioner_ml=None if dose is None else (water - ro) * dose,
        tests=_tests(week, tanks),
        weight_kg=carried + ro * density,
        weight_with_water_kg=carried + water * density,
        payload_kg=payload,
        unknown=unknown,
    )


SPARES = (
    "O-rings and seals", "impeller", "hose and clips", "silicone grease", "air pump with battery", "towels",
    "lid locks", "wet-floor sign", "waste bottle for used tests", "gloves", "feeding pots", "labels and pencil",
)  # fmt: skip
# Said where a part of the list is empty.
NO_PAD, NO_PROPOSAL, NO_CARBON = "No filter service is due.", "No proposal is kept for these tanks.", "None due."
NO_WATER, NO_KIT = "None that can be summed.", "No kit is recorded for these tanks."


def _kg(kg: float | None) -> str:
    return "mass not recorded" if kg is None else with_unit(number(kg), "kg")


def _weight(load: Load) -> tuple[str, bool]:
    """The weight against the van's payload, and whether it is too much."""
    said = f"{with_unit(f'{load.weight_kg:.0f}', 'kg')} of carbon and RO water"
    said += f"; {with_unit(f'{load.weight_with_water_kg:.0f}', 'kg')} if all new water is carried."
    if load.payload_kg is None:
        return f"{said} The van's payload is not set.", False
    limit = with_unit(f"{load.payload_kg:.0f}", "kg")
    if load.weight_kg > load.payload_kg:
        return f"{said} OVER the van's payload of {limit}: make two trips.", True
    if load.weight_with_water_kg > load.payload_kg:
        return f"{said} Carrying all of it is OVER the van's payload of {limit}: fill at the sites.", True
    return f"{said} The van's payload is {limit}.", False


def _test_lines(tests: Sequence[Tests], when: dt.date) -> list[dict[str, str]]:
    """A line for each kit; tests of which another number is needed or left get a line of their own."""
    lines: dict[tuple[str, str, str, str], list[str]] = {}
    for test in tests:
        left = "not recorded" if test.left is None else number(test.left, 4)
        lines.setdefault((test.kit, str(test.needed), left, test.says(when)), []).append(test.parameter)
    return [
        {"kit": kit, "parameter": ", ".join(names), "needed": needed, "left": left, "says": says}
        for (kit, needed, left, says), names in lines.items()
    ]


def list_data(week: Week, sites: Sequence[str], when: dt.date) -> dict[str, Any]:
    """What the list says, as JSON has it."""
    load = load_of(week, sites, when)
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
    kept, lost = proposals.open_of(week.folder, tanks_there)
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
        "proposals": [f"{one.tank} {tank_names.get(one.tank) or ''}: {one.words}" for one in kept] + lost,
        "carbon": [f"{tank} {tank_names.get(tank) or ''}: {medium}, {_kg(kg)}" for tank, medium, kg in load.carbon],
        "water": water,
        "tests": _test_lines(load.tests, when),
        "promises": [row["promise"] for row in promises.sort("made_on").iter_rows(named=True)],
        "spares": [*SPARES, f"two buckets for each site, marked: {counted(2 * len(load.sites), 'bucket')}"],
        "weight": weight,
        "too_much": too_much,
        "unknown": load.unknown,
        "cautions": cautions(week.assumed, "lifting", "hygiene", "kits"),
        "none": {"pads": NO_PAD, "proposals": NO_PROPOSAL, "carbon": NO_CARBON, "water": NO_WATER, "tests": NO_KIT},
    }  # fmt: skip


def van_list(week: Week, sites: Sequence[str], when: dt.date) -> bytes:
    """The PDF of the van list."""
    return pdf("van_list.typ", list_data(week, sites, when), week.as_of)


def load_html(week: Week, sites: Sequence[str], when: dt.date) -> str:
    """The same as a page to read on a phone."""
    data = list_data(week, sites, when)
    tables = {name: [list(row.values()) for row in data[name]] for name in ("pads", "tests")}
    return filled("van_list.html", **{**data, **tables, "nothing": data["none"]})
