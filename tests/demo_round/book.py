"""The filter book of the demo round: invented models, media, filters, where they stood and what filled them."""

from __future__ import annotations

from dataclasses import dataclass

# fmt: off
MODELS = (
    # model, kind, rated_flow_l_h, source, note
    ("grubbin-4", "canister", "1150", "measured by me", "four square baskets; water rises from below"),
    ("tollop-3", "canister", "780", "measured by me", "three round baskets"),
    ("wimmet", "hang-on", "420", "from owner", "pump hums when low on water"),
    ("nubble", "internal", "380", "measured by me", "one foam block"),
    ("shelf sump", "sump", "1600", "measured by me", "home-made, under the tank"),
    ("mast", "trickle", "900", "measured by me", "three trays in air"),
)

_BASKET = ("box", "190", "150", "", "75", "0.88", "", "", "", "180")
_ROUND = ("cylinder", "", "165", "", "72", "0.9", "", "", "", "160")
COMPARTMENTS = (
    # model, position, compartment, stage, medium, shape, length, width, inner, depth, usable_share, usable_l,
    # loose_kg, neat_kg, pad_mm, source, note
    ("grubbin-4", "1", "cup", "coarse", "open pad", "cylinder", "", "120", "", "70", "0.9", "", "", "", "115",
     "measured by me", "snaps on under basket 1"),
    ("grubbin-4", "2", "basket 1", "medium", "mid pad", *_BASKET, "measured by me", "mid pad under the close pad"),
    ("grubbin-4", "3", "basket 1", "fine", "close pad", *_BASKET, "measured by me", ""),
    ("grubbin-4", "4", "basket 2", "biological", "ashgrit", *_BASKET[:6], "", "0.98", "1.13", "180",
     "measured by me", "weighed three times"),
    ("grubbin-4", "5", "basket 3", "biological", "ashgrit", *_BASKET[:6], "", "0.98", "1.13", "180",
     "measured by me", ""),
    ("grubbin-4", "6", "basket 4", "biological", "ashgrit", *_BASKET[:6], "", "0.98", "1.13", "180",
     "measured by me", "carbon fits here too"),
    ("tollop-3", "1", "basket 1", "coarse", "open pad", *_ROUND, "measured by me", "open pad meets the water first"),
    ("tollop-3", "2", "basket 1", "fine", "close pad", *_ROUND, "measured by me", ""),
    ("tollop-3", "3", "basket 2", "biological", "ashgrit", *_ROUND[:6], "1.4", "0.73", "0.84", "160",
     "measured by me", "filled from a jug"),
    ("tollop-3", "4", "basket 3", "biological", "ashgrit", *_ROUND[:6], "1.4", "0.73", "0.84", "160",
     "measured by me", ""),
    ("wimmet", "1", "slot", "coarse", "open pad", "box", "140", "14", "", "130", "0.95", "", "", "", "135",
     "from owner", ""),
    ("wimmet", "2", "slot", "fine", "close pad", "box", "140", "14", "", "130", "0.95", "", "", "", "135",
     "from owner", ""),
    ("wimmet", "3", "box", "biological", "sintrel beads", "box", "140", "58", "", "130", "0.85", "", "0.52", "", "",
     "from owner", "beads in a net bag"),
    ("nubble", "1", "block", "biological", "drum foam", "ring", "", "92", "24", "98", "1", "", "", "", "92",
     "measured by me",
     "the foam is all there is"),
    ("shelf sump", "1", "sock", "settlement", "settling mesh", "cylinder", "", "180", "", "320", "0.9", "", "", "", "",
     "measured by me", ""),
    ("shelf sump", "2", "slope", "coarse", "open pad", "box", "300", "220", "", "30", "1", "", "", "", "300",
     "measured by me", ""),
    ("shelf sump", "3", "slope", "fine", "close pad", "box", "300", "220", "", "20", "1", "", "", "", "300",
     "measured by me", ""),
    ("shelf sump", "4", "bed", "biological", "ashgrit", "box", "300", "220", "", "120", "0.85", "", "3.5", "", "",
     "measured by me", "on a grid, water from below"),
    ("mast", "1", "top tray", "coarse", "open pad", "box", "210", "210", "", "50", "1", "", "", "", "210",
     "measured by me", ""),
    ("mast", "2", "mid tray", "biological", "tuffle chips", "box", "210", "210", "", "60", "0.85", "", "1.7", "", "",
     "measured by me", ""),
    ("mast", "3", "low tray", "biological", "tuffle chips", "box", "210", "210", "", "60", "0.85", "", "1.7", "", "",
     "measured by me", ""),
)
MEDIA = (
    # medium, stage, quality, bulk_kg_l, life_days, note
    ("ashgrit", "biological", "1", "0.52", "", "dull, very porous; weigh it dry"),
    ("sintrel beads", "biological", "1", "0.61", "", ""),
    ("tuffle chips", "biological", "0.7", "0.78", "", "crumbles a little when new"),
    ("smooth rings", "biological", "0.25", "0.7", "", "glazed: half cycle only"),
    ("drum foam", "biological", "0", "", "", "half cycle only"),
    ("settling mesh", "settlement", "0", "", "", "washed at every check"),
    ("open pad", "coarse", "0", "", "", "rinsed until it frays"),
    ("mid pad", "medium", "0", "", "", ""),
    ("close pad", "fine", "0", "", "", "new at every check, never washed"),
    ("nut carbon", "chemical", "0", "0.45", "56", "out by two months"),
)
POROUS = {"ashgrit": 1.0, "sintrel beads": 1.0, "tuffle chips": 0.7, "smooth rings": 0.25}


# fmt: on
@dataclass(frozen=True)
class Layer:
    """One row of fills.csv."""

    compartment: str
    layer: int
    medium: str
    kg: float | None = None
    mm: int | None = None
    wetted: str = ""
    since: str = ""
    to: str = ""
    batch: str = ""
    note: str = ""


@dataclass(frozen=True)
class Filter:
    """A filter, its tanks and its layers. `place` is what its seat lets the media do (1: after a fine pad)."""

    id: str
    model: str
    clean_flow: int | None
    stands: tuple[tuple[str, str, str], ...]  # tank, from, to
    layers: tuple[Layer, ...]
    note: str = ""
    place: float = 1.0
    weeks: tuple[int, ...] = (6, 8, 8)  # service intervals, the last one repeated
    first_check: str = ""  # of the round
    last_check: str = ""  # none after this day: the next one is late


def bittern(kg: tuple[float, ...], wetted: str, carbon: tuple[tuple[str, str], ...] = ()) -> tuple[Layer, ...]:
    """A grubbin-4 with that much media in baskets 2, 3 (and 4), or carbon from day to day in basket 4."""
    layers = [
        Layer("cup", 1, "open pad", mm=40, since=wetted),
        Layer("basket 1", 1, "mid pad", mm=30, since=wetted),
        Layer("basket 1", 2, "close pad", mm=20, since=wetted),
    ]
    layers += [Layer(f"basket {i}", 1, "ashgrit", k, wetted=wetted, since=wetted) for i, k in enumerate(kg, start=2)]
    layers += [Layer("basket 4", 1, "nut carbon", 0.6, since=since, to=to) for since, to in carbon]
    return tuple(layers)


def plover(kg: float, wetted: str, batch: str = "", medium: str = "ashgrit") -> tuple[Layer, ...]:
    """A tollop-3 with that much media in each of baskets 2 and 3."""
    return (
        Layer("basket 1", 1, "open pad", mm=25, since=wetted),
        Layer("basket 1", 2, "close pad", mm=20, since=wetted),
        Layer("basket 2", 1, medium, kg, wetted=wetted, since=wetted, batch=batch),
        Layer("basket 3", 1, medium, kg, wetted=wetted, since=wetted, batch=batch),
    )


def _at(tank: str, since: str, to: str = "") -> tuple[str, str, str]:
    return (tank, since, to)


CARBON = (("2025-09-15", "2025-11-09"), ("2025-11-10", "2026-01-11"), ("2026-01-12", "2026-03-08"), ("2026-03-09", ""))
# fmt: off
FULL = (0.98, 0.98, 0.98)
WREN = (Layer("block", 1, "drum foam", since="2023-01-01"),)
FILTERS = (
    Filter("B01", "grubbin-4", 840, (_at("LM1", "2022-03-14"),), bittern(FULL, "2022-03-14"), first_check="2025-09-15"),
    Filter("P02", "tollop-3", 560, (_at("LM2", "2023-10-09"),), plover(0.73, "2023-10-09"), first_check="2025-09-08"),
    Filter("P03", "tollop-3", 575, (_at("LM3", "2023-02-06"),), plover(0.83, "2023-02-06"), "baskets packed neatly",
           first_check="2025-09-22"),
    Filter("B04", "grubbin-4", 810, (_at("LM4", "2021-11-15"),), bittern((0.98, 0.98), "2021-11-15"),
           "basket 4 empty", first_check="2025-09-29", weeks=(6, 8, 8, 8, 5)),
    Filter("B05", "grubbin-4", 825, (_at("LM5", "2022-08-22"),), bittern((0.98, 0.98), "2022-08-22", CARBON),
           first_check="2025-09-15"),
    Filter("P06", "tollop-3", 565, (_at("TC1", "2021-05-18"),), plover(0.83, "2021-05-18"), first_check="2025-09-16"),
    Filter("B07", "grubbin-4", 835, (_at("TC2", "2022-10-04"),), bittern(FULL, "2022-10-04"), first_check="2025-09-09"),
    Filter("P08", "tollop-3", 570, (_at("TC3", "2022-01-11", "2026-01-13"), _at("TC4", "2026-01-14")),
           plover(0.73, "2022-01-11"), "moved wet from the reading nook to the upper lounge", first_check="2025-09-23"),
    Filter("B09", "grubbin-4", 830, (_at("TC3", "2023-05-02"),), bittern((0.98, 0.98), "2023-05-02"),
           first_check="2025-09-02"),
    Filter("W10", "nubble", 260, (_at("TC4", "2024-06-18"),), WREN, first_check="2025-09-16"),
    Filter("B11", "grubbin-4", 845, (_at("SS1", "2022-09-14"),), bittern(FULL, "2022-09-14"), first_check="2025-09-24"),
    Filter("P12", "tollop-3", 550, (_at("SS2", "2023-01-18", "2026-03-31"),), plover(0.73, "2023-01-18"),
           "lid cracked; media dried out in the shed", first_check="2025-09-10"),
    Filter("P13", "tollop-3", 590, (_at("SS2", "2026-04-01"),), plover(0.83, "2026-04-01", "CS-0326"),
           "new, in place of P12", first_check="2026-04-29", weeks=(6,)),
    Filter("S14", "shelf sump", 1120, (_at("SS3", "2020-09-02"),),
           (Layer("sock", 1, "settling mesh", since="2020-09-02"), Layer("slope", 1, "open pad", mm=30,
            since="2020-09-02"),
            Layer("slope", 2, "close pad", mm=20, since="2020-09-02"),
            Layer("bed", 1, "ashgrit", 2.6, mm=90, wetted="2020-09-02", since="2020-09-02")),
           first_check="2025-10-01"),
    Filter("P15", "tollop-3", 580, (_at("SS4", "2026-04-22"),), plover(0.73, "2026-04-22", "CS-0326"),
           first_check="2026-05-20", weeks=(6,)),
    Filter("P16", "tollop-3", 545, (_at("HS1", "2016-02-25"),), plover(0.73, "2019-07-04"), first_check="2025-09-25"),
    Filter("P17", "tollop-3", 570, (_at("HS2", "2022-04-07"),), plover(0.83, "2022-04-07"), first_check="2025-09-11"),
    Filter("B18", "grubbin-4", 820, (_at("HS3", "2021-10-21"),), bittern((0.98, 0.98), "2021-10-21"), "basket 4 empty",
           first_check="2025-09-18", last_check="2026-03-20"),
    Filter("B19", "grubbin-4", 835, (_at("SL1", "2022-11-10"),), bittern(FULL, "2022-11-10"), first_check="2025-09-25"),
    Filter("P20", "tollop-3", 585, (_at("SL2", "2023-06-01"),), plover(0.73, "2023-06-01"), first_check="2025-10-02"),
    Filter("T21", "mast", 640, (_at("QO1", "2019-04-12"),),
           (Layer("top tray", 1, "open pad", mm=40, since="2019-04-12"),
            Layer("mid tray", 1, "tuffle chips", 1.7, wetted="2019-04-12", since="2019-04-12"),
            Layer("low tray", 1, "tuffle chips", 1.7, wetted="2019-04-12", since="2019-04-12")),
           place=0.2, first_check="2025-09-05"),
    Filter("B22", "grubbin-4", 850, (_at("QO2", "2022-07-15"),), bittern(FULL, "2022-07-15"), first_check="2025-09-19"),
    Filter("P23", "tollop-3", 560, (_at("QO3", "2023-03-10"),), plover(0.83, "2023-03-10"), first_check="2025-10-03"),
    Filter("B24", "grubbin-4", 815, (_at("MD1", "2021-01-26"),), bittern(FULL, "2021-01-26"), first_check="2025-09-30"),
    Filter("W25", "nubble", 270, (_at("MD2", "2022-05-17"),), WREN, first_check="2025-09-09"),
    Filter("P26", "tollop-3", 600, (_at("MD2", "2026-05-12"),), plover(0.72, "2026-05-12", "SB-0526", "sintrel beads"),
           "second-hand; seals new, boiled and dried before use", first_check="2026-05-12", weeks=(4,)),
    Filter("P27", "tollop-3", 555, (_at("MD3", "2023-09-12"),), plover(0.73, "2023-09-12"), first_check="2025-10-07",
           last_check="2026-04-14"),
    Filter("D28", "wimmet", None, (), (
        Layer("slot", 1, "open pad", mm=13, since="2024-02-01"), Layer("slot", 2, "close pad", mm=13,
        since="2024-02-01"),
        Layer("box", 1, "smooth rings", 0.45, since="2024-02-01", note="dry, in the van")), "spare; on no tank"),
)
