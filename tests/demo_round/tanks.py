"""Sites and tanks of the demo round, each with what is true of it and what its records show.

A date is ISO text; blank dates are open. `efficacy` is what a kilogram of its ripe media removes, as a
share of the trade's rule (112 mg nitrate a day); `plants` the share of the food's nitrate that plants take.
"""

from __future__ import annotations

from dataclasses import dataclass

SITES = (
    # site, name, kind, water_supply, visit_day, next_visit, report_to, note
    ("plumfennel", "Plumfennel", "care home", "reservoir", "Monday", "", "home manager", "sign in at the desk"),
    ("ottersage", "Ottersage Court", "care home", "reservoir", "Tuesday", "", "home manager", "not during lunch"),
    (
        "bramblequill",
        "Bramblequill School",
        "school",
        "chalk",
        "Wednesday",
        "",
        "school business manager",
        "closed in August",
    ),
    ("mossthimble", "Mossthimble Surgery", "surgery", "moor", "Thursday", "", "practice manager", ""),
    ("inkpebble", "Inkpebble Library", "library", "borehole", "Thursday", "", "branch librarian", ""),
    (
        "sprocketfern",
        "Sprocketfern",
        "office",
        "chalk",
        "Friday",
        "2026-06-12",
        "facilities desk",
        "every other Friday",
    ),
    ("thistlebun", "Thistlebun Day Centre", "day centre", "chalk", "Tuesday", "", "centre manager", ""),
)
SUPPLIES = {  # nitrate [mg/L NO3], pH, KH [dKH]
    "reservoir": (5.0, 7.5, 5.2),
    "chalk": (13.0, 7.6, 11.0),
    "moor": (2.0, 7.1, 4.0),
    "borehole": (31.0, 7.4, 9.6),
}
TAP_TESTS = ("2025-09-01", "2025-11-24", "2026-02-16", "2026-04-27")


@dataclass(frozen=True)
class Tank:
    """A tank: its records, and the truth behind them."""

    id: str
    site: str
    name: str
    gross_l: int
    net_l: int | None  # what tanks.csv says; None: never measured
    set_up: str
    feed: tuple[tuple[str, float, str], ...]  # from, g/day, note
    kit: tuple[tuple[str, str], ...]  # from, kit
    change: str = "20%"  # the routine, as typed
    also: str = ""
    temperature: float = 25.0
    planting: str = "none"
    stocking: str = "normal"
    ceiling: str = ""
    note: str = ""
    fish: int = 12
    efficacy: float = 0.65
    plants: float = 0.0
    nitrate: float = 18.0  # at the start of the round
    kh: float | None = None  # at the start; None: the tap's
    co2: float = 6.0  # mg/L, sets pH from KH
    hidden_feed: tuple[str, str, float] | None = None  # from, to, g/day that no row tells of
    topped_from: str = ""  # from this day water is topped up, never changed
    new_water: str = ""
    ro: float = 0.0
    last_visit: str = ""
    unshaken: str = ""  # from this day the nitrate bottle is not shaken: it reads low

    @property
    def litres(self) -> float:
        return float(self.net_l) if self.net_l is not None else self.gross_l * 0.85


# fmt: off
VAN = (("2025-08-01", "R1"), ("2026-02-10", "R2"))
MOSS = (("2025-08-01", "M1"), ("2026-03-03", "M2"))
SEDGE = (("2025-08-01", "G1"),)
CUPBOARD = (("2025-08-01", "M0"),)


def _feed(grams: float, note: str = "", since: str = "2025-08-01") -> tuple[str, float, str]:
    return (since, grams, note)


POTS = "seven marked pots a week"
TANKS = (
    # -- Plumfennel ----------------------------------------------------------------------------------
    Tank("LM1", "plumfennel", "Garden lounge", 250, 211, "2022-03-14", (_feed(0.9, POTS),), VAN, "20%", "lounge",
         fish=18),
    Tank("LM2", "plumfennel", "Supper room", 240, 204, "2023-10-09",
         (_feed(0.75), _feed(1.68, "for the new fish too", "2026-04-13")), VAN, "15%", ceiling="50", fish=11,
         nitrate=17.0, efficacy=0.75),
    Tank("LM3", "plumfennel", "East landing", 180, 158, "2023-02-06", (_feed(0.75),), VAN, "10%", fish=14,
         nitrate=19.0, efficacy=0.95, kh=4.4),
    Tank("LM4", "plumfennel", "Snug", 200, 172, "2021-11-15", (_feed(0.75, POTS),), VAN, "35 L", fish=15),
    Tank("LM5", "plumfennel", "Passage", 210, 180, "2022-08-22", (_feed(0.8, POTS),), VAN, "20%", fish=13),
    # -- Ottersage Court -----------------------------------------------------------------------------
    Tank("TC1", "ottersage", "Conservatory", 320, 268, "2021-05-18", (_feed(0.75),), VAN, "50 L", planting="dense",
         stocking="light", fish=22, plants=0.45, nitrate=9.0, efficacy=0.7),
    Tank("TC2", "ottersage", "South bay", 230, 196, "2022-10-04",
         (_feed(0.85, POTS), _feed(1.85, "weighed after flakes were found on the gravel", "2026-04-14")), VAN, "25%",
         also="bay|south bay window", ceiling="45", fish=16, nitrate=14.0),
    Tank("TC3", "ottersage", "Reading nook", 176, 150, "2022-01-11", (_feed(0.65),), VAN, "25%", fish=10, nitrate=13.0),
    Tank("TC4", "ottersage", "Upper lounge", 155, 132, "2024-06-18", (_feed(0.6),), VAN, "25%", fish=9, nitrate=33.0,
         efficacy=0.7),
    # -- Bramblequill School ------------------------------------------------------------------------
    Tank("SS1", "bramblequill", "Owls class", 290, 244, "2022-09-14", (_feed(1.05),), SEDGE, "20%",
         ceiling="50", fish=20, nitrate=20.0),
    Tank("SS2", "bramblequill", "Science bench", 140, 118, "2023-01-18", (_feed(0.68, "no feeding by pupils"),), SEDGE,
         "30%", ceiling="50", fish=9, nitrate=21.0, efficacy=0.75),
    Tank("SS3", "bramblequill", "Front entrance", 390, 330, "2020-09-02", (_feed(2.4),), SEDGE, "45%", stocking="heavy",
         ceiling="50", fish=31, nitrate=34.0, efficacy=0.25),
    Tank("SS4", "bramblequill", "Nursery", 92, 78, "2026-04-22", (_feed(0.25, "", "2026-04-22"),), SEDGE, "25%",
         ceiling="50", fish=6, nitrate=13.0),
    # -- Mossthimble Surgery -------------------------------------------------------------------------
    Tank("HS1", "mossthimble", "Waiting area", 340, 290, "2016-02-25", (_feed(0.72),), MOSS, "10%", fish=17, nitrate=33.0,
         kh=2.6, efficacy=0.3, co2=12.0, topped_from="2025-12-04", note="topped up only since the sink was taken out"),
    Tank("HS2", "mossthimble", "Toy corner", 168, 142, "2022-04-07", (_feed(0.65),), MOSS, "25%", planting="moderate",
         fish=12, plants=0.15, nitrate=10.0),
    Tank("HS3", "mossthimble", "Nurses' lobby", 220, 186, "2021-10-21", (_feed(0.85),), MOSS, "20%", fish=14, nitrate=14.0),
    # -- Inkpebble Library -------------------------------------------------------------------------
    Tank("SL1", "inkpebble", "Main desk", 220, 186, "2022-11-10", (_feed(0.85),), MOSS, "20%", fish=15, nitrate=41.0,
         efficacy=0.5, ceiling="40"),
    Tank("SL2", "inkpebble", "Local history", 112, 94, "2023-06-01", (_feed(0.42),), MOSS, "25%", fish=8,
         nitrate=20.0, efficacy=0.75, new_water="ro 60%", ro=0.6),
    # -- Sprocketfern --------------------------------------------------------------------------------
    Tank("QO1", "sprocketfern", "Goldfish tank", 250, 210, "2019-04-12", (_feed(1.5),), VAN, "50%", temperature=18.5,
         stocking="messy", ceiling="90", fish=5, nitrate=55.0, efficacy=0.5,
         note="half cycle by choice of the office"),
    Tank("QO2", "sprocketfern", "Drawing office", 285, 240, "2022-07-15", (_feed(1.0),), VAN, "30%", fish=19, nitrate=23.0),
    Tank("QO3", "sprocketfern", "Tea point", 132, None, "2023-03-10", (_feed(0.5),), VAN, "25%", fish=9, nitrate=22.0),
    # -- Thistlebun Day Centre -------------------------------------------------------------------------
    Tank("MD1", "thistlebun", "Big hall", 305, 260, "2021-01-26", (_feed(1.15),), CUPBOARD, "20%", fish=24, nitrate=22.0),
    Tank("MD2", "thistlebun", "Craft room", 170, 144, "2022-05-17", (_feed(0.45),), MOSS, "30%", fish=10, nitrate=29.0),
    Tank("MD3", "thistlebun", "Therapy room", 150, 127, "2023-09-12", (_feed(0.55, POTS),), MOSS, "25%", fish=9,
         nitrate=20.0, last_visit="2026-04-14"),
)
