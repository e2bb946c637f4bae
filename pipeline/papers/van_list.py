"""The van list for a day, as PDF and as a page: everything with its sum and a box to tick."""

import datetime as dt
import math
from collections.abc import Sequence
from typing import Any

import polars as pl

from pipeline.papers import proposals, water_today
from pipeline.papers.layout import filled, pdf
from pipeline.papers.report_facts import open_tanks
from pipeline.papers.visit_sheets import PAD_STAGES, layers_on, pad_size
from pipeline.papers.water_today import containers
from pipeline.week import Week
from pipeline.wording import cautions, counted, day, full_day, kilograms, listed, number, with_unit
from schemas.words import PARAMETER_TITLES


def with_spare(due: int, share: float) -> int:
    """Pads to take: those due and a share more, rounded up; none for none."""
    return math.ceil(round(due * (1 + share), 9))


def _due_layers(week: Week, tanks: Sequence[str], day: dt.date, what: str, stages: Sequence[str]) -> pl.DataFrame:
    """Layers of some stages in the filters of which a job falls due by the day."""
    due = week.now("due").filter(pl.col("on") <= day, pl.col("tank").is_in(list(tanks)), what=what)
    layers = layers_on(week, day).filter(pl.col("stage").is_in(list(stages)))
    return layers.join(due, left_on=["tank", "filter"], right_on=["tank", "about"], how="semi", maintain_order="left")


def _pads(week: Week, tanks: Sequence[str], day: dt.date) -> list[dict[str, str]]:
    """Pads of filters whose check falls due by the day: how many are due, and to take."""
    size = ("medium", "pad_mm", "thickness_mm")
    pads = _due_layers(week, tanks, day, "check", PAD_STAGES).cast({"stage": pl.Enum(PAD_STAGES)})
    share = week.assumed["pads_spare_share"]
    return [
        {"grade": stage, "medium": medium, "size": pad_size(pad_mm, thick), "due": str(due),
         "take": str(with_spare(due, share))}
        for stage, medium, pad_mm, thick, due in pads.group_by("stage", *size).len().sort("stage", *size).iter_rows()
    ]  # fmt: skip


def _short(needed: int, left: float | None, expires: dt.date | None, when: dt.date) -> str:
    """What to do about the tests of a kit; blank where there is nothing."""
    if expires is not None and expires < when:
        return "expired: take another kit"
    if left is None:
        return "tests left not recorded"
    return f"short by {math.ceil(needed - left)}: take another kit" if left < needed else ""


def _tests(week: Week, tanks: Sequence[str], when: dt.date) -> list[dict[str, str]]:
    """One test a tank of each parameter its last visit measured, with the kit used for it then: a line for each kit, and
    one of their own for tests of which another number is needed or left."""
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
    lines: dict[tuple[str, str, str, str], list[str]] = {}
    for kit, parameter, needed, left, expires in rows.filter(pl.col("parameter") != "temperature").iter_rows():
        there = "not recorded" if left is None else number(left, 4)
        key = (kit, str(needed), there, _short(needed, left, expires, when))
        lines.setdefault(key, []).append(PARAMETER_TITLES[parameter])
    return [
        {"kit": kit, "parameter": ", ".join(names), "needed": needed, "left": left, "says": advice}
        for (kit, needed, left, advice), names in lines.items()
    ]


SPARES = (
    "O-rings and seals", "impeller", "hose and clips", "silicone grease", "air pump with battery", "towels",
    "lid locks", "wet-floor sign", "waste bottle for used tests", "gloves", "feeding pots", "labels and pencil",
)  # fmt: skip


def _weight(carried: float, with_water: float, payload: float | None) -> tuple[str, bool]:
    """The weight [kg] of carbon and RO water, and if all new water is carried, against the van's payload; whether it is
    too much."""
    text = f"{with_unit(f'{carried:.0f}', 'kg')} of carbon and RO water"
    text += f"; {with_unit(f'{with_water:.0f}', 'kg')} if all new water is carried."
    if payload is None:
        return f"{text} The van's payload is not set.", False
    limit = with_unit(f"{payload:.0f}", "kg")
    if carried > payload:
        return f"{text} OVER the van's payload of {limit}: make two trips.", True
    if with_water > payload:
        return f"{text} Carrying all of it is OVER the van's payload of {limit}: fill at the sites.", True
    return f"{text} The van's payload is {limit}.", False


def list_data(week: Week, sites: Sequence[str], when: dt.date) -> dict[str, Any]:
    """What the list says, as JSON has it. Litres and kilograms that are not known are in no sum; `unknown` names them."""
    tanks = [row["tank"] for site in sites for row in open_tanks(week, site, when)]
    names = dict(week.table("site").select("site", "name").iter_rows())
    tank_names = dict(week.table("tank").select("tank", "name").iter_rows())
    van, dose = week.round.van.get("container_l"), week.round.dosing.get("conditioner_ml_per_l")
    payload, density = week.round.van.get("payload_kg"), week.assumed["water_kg_l"]
    litres = {tank: water_today.change(week, tank, when).litres for tank in tanks}
    known = {tank: wet for tank, wet in litres.items() if wet is not None}
    new = sum(known.values())
    ro = sum(wet * water_today.ro_share(week, tank) for tank, wet in known.items())
    dry = [tank for tank in tanks if tank not in known]
    carbon = _due_layers(week, tanks, when, "carbon", ["chemical"]).select("tank", "medium", "mass_kg").rows()
    carried = sum(kg or 0.0 for *_, kg in carbon)
    weight, too_much = _weight(carried + ro * density, carried + new * density, payload)
    unknown = [f"water for {listed(dry)}: net volume not known"] if dry else []
    if dose is None:
        unknown.append("conditioner: set conditioner_ml_per_l under [dosing] in round.toml")
    unknown += [f"carbon for {tank}: mass not recorded" for tank, _, kg in carbon if kg is None]
    if payload is None:
        unknown.append("weight limit: set payload_kg under [van] in round.toml")
    water = [f"New water: {with_unit(f'{new:.0f}', 'L')}"] if new else []
    if new and (containers_of := containers(new, van)):
        water[0] += f", {containers_of} where a site has no tap to fill from"
    if ro:
        water.append(f"Of it RO to bring: {with_unit(f'{ro:.0f}', 'L')}, {containers(ro, van)}".rstrip(", "))
    if dose and new - ro:
        water.append(f"Conditioner: {with_unit(f'{(new - ro) * dose:.0f}', 'ml')}, as its label says")
    tanks_there = week.table("tank").filter(pl.col("site").is_in(list(sites)))["tank"].to_list()
    kept, lost = proposals.open_of(week.folder, tanks_there)
    promises = week.table("promise").filter(
        pl.col("done_on").is_null(), pl.col("made_on") <= week.as_of,
        pl.col("site").is_in(list(sites)) | pl.col("tank").is_in(tanks_there),
    )  # fmt: skip
    return {
        "title": f"Van list, {full_day(when)}",
        "day": full_day(when),
        "visits": f"{counted(len(sites), 'site')}, {counted(len(tanks), 'tank')}",
        "sites": [names.get(site, site) for site in sites],
        "as_of": f"Records to {day(week.as_of, year=True)}",
        "pads": _pads(week, tanks, when),
        "proposals": [f"{one.tank} {tank_names.get(one.tank) or ''}: {one.words}" for one in kept] + lost,
        "carbon": [
            f"{tank} {tank_names.get(tank) or ''}: {medium}, {'mass not recorded' if kg is None else kilograms(kg)}"
            for tank, medium, kg in carbon
        ],
        "water": water,
        "tests": _tests(week, tanks, when),
        "promises": [row["promise"] for row in promises.sort("made_on").iter_rows(named=True)],
        "spares": [*SPARES, f"two buckets for each site, marked: {counted(2 * len(sites), 'bucket')}"],
        "weight": weight,
        "too_much": too_much,
        "unknown": unknown,
        "cautions": cautions(week.assumed, "lifting", "hygiene", "kits"),
        # Shown where a part of the list is empty.
        "nothing": {"pads": "No filter service is due.", "proposals": "No proposal is kept for these tanks.",
                 "carbon": "None due.", "water": "None that can be summed.",
                 "tests": "No kit is recorded for these tanks."},
    }  # fmt: skip


def van_list(week: Week, sites: Sequence[str], when: dt.date) -> bytes:
    return pdf("van_list.typ", list_data(week, sites, when), week.as_of)


def load_html(week: Week, sites: Sequence[str], when: dt.date) -> str:
    """The same as a page to read on a phone."""
    data = list_data(week, sites, when)
    tables = {name: [list(row.values()) for row in data[name]] for name in ("pads", "tests")}
    return filled("van_list.html", **{**data, **tables})
