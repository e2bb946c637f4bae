"""The visits of the demo round as they were typed, row by row."""

from __future__ import annotations

import datetime as dt
import math
from random import Random

from tests.demo_round.balance import FIRST_DAY, LAST_DAY, SEED, Truth, Water, dated, day
from tests.demo_round.kits import KIT, matched
from tests.demo_round.tanks import SITES, TANKS, Tank

Row = dict[str, str]
COLUMNS = (
    "date",
    "time",
    "site",
    "tank",
    "taken",
    "ammonia",
    "nitrite",
    "nitrate",
    "ph",
    "kh",
    "temperature",
    "kit",
    "water_changed",
    "change_kind",
    "new_water",
    "fish_seen",
    "fish_look",
    "by",
    "note",
)
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday")
FORTNIGHTLY = {"sprocketfern": dt.date(2026, 5, 29)}
CLOSED = {dt.date(2025, 12, 24), dt.date(2025, 12, 25), dt.date(2025, 12, 31), dt.date(2026, 1, 1)}
SHARE_BLANK = 0.03  # of nitrate tests left out
SHARE_NO_CHANGE = 0.05
TOP_UP = "3 L"
UNSHAKEN = 0.4  # share of the nitrate that an unshaken bottle shows

# What a person typed instead of what the balance gives.
TYPED: dict[tuple[str, str], Row] = {
    ("LM4", "2026-06-01"): {"nitrite": "0.35", "note": "a week after the clean"},
    ("SS4", "2026-04-29"): {"ammonia": "0.26", "note": "first week"},
    ("SS4", "2026-05-06"): {"ammonia": "0.6", "nitrite": "0.06"},
    ("SS4", "2026-05-13"): {"ammonia": "0.26", "nitrite": "0.17"},
    ("SS4", "2026-05-20"): {"ammonia": "0.11", "nitrite": "0.17"},
    ("SS4", "2026-05-27"): {"ammonia": "0", "nitrite": "0.06", "note": "nearly there"},
    ("HS1", "2026-05-21"): {"ammonia": "0.06", "fish_look": "off"},
    ("HS1", "2026-05-28"): {"ammonia": "0.06", "fish_look": "off", "note": "fish hang in the corner"},
    ("QO2", "2026-05-29"): {"kh": "65", "note": "typed in the car park"},
    ("TC3", "2025-11-18"): {"water_changed": "", "note": "in a hurry"},
    ("TC2", "2026-04-14"): {"note": "flakes on the gravel; food weighed: 1.85 g a day"},
    ("SL1", "2026-04-30"): {"note": "tap tested again: no lower"},
}


def dates_of(site: str, weekday: str) -> list[dt.date]:
    """The days a site is visited."""
    on = FIRST_DAY + dt.timedelta(days=(WEEKDAYS.index(weekday) - FIRST_DAY.weekday()) % 7)
    days = [on + dt.timedelta(weeks=w) for w in range(41)]
    if site in FORTNIGHTLY:
        days = [d for d in days if (FORTNIGHTLY[site] - d).days % 14 == 0]
    return [d for d in days if d <= LAST_DAY and d not in CLOSED]


def share_of(typed: str, litres: float) -> float:
    """The share of the net volume that `30%` or `40 L` is."""
    return float(typed[:-1]) / 100 if typed.endswith("%") else float(typed[:-2]) / litres


def _tested(tank: Tank, on: dt.date, truth: Truth, random: Random) -> Row:
    kit = KIT[[k for since, k in tank.kit if day(since) <= on][-1]]
    shaken = UNSHAKEN if tank.unshaken and dated(tank.unshaken, on) else 1.0
    row = {"kit": kit.id, "ammonia": "0", "nitrite": "0"}
    row["nitrate"] = matched(kit, "nitrate", truth.nitrate * shaken, random)
    row["ph"] = matched(kit, "ph", truth.ph, random)
    row["kh"] = matched(kit, "kh", truth.kh, random)
    row["temperature"] = f"{truth.temperature:.1f}"
    if random.random() < SHARE_BLANK:
        row["nitrate"] = ""
    return row


def _visits_to(tank: Tank, supply: str, days: list[dt.date], minutes: int) -> list[Row]:
    water = Water(tank, supply)
    random = Random(f"{SEED}: visits to {tank.id}")
    rows: list[Row] = []
    bias = random.gauss(0.0, 0.04)  # recorded shares are a little off, alike for a tank
    start = max(FIRST_DAY, day(tank.set_up))
    on = start
    while on <= LAST_DAY:
        if on > start:
            water.step(on)
        if on in days and on > start and (not tank.last_visit or on <= day(tank.last_visit)):
            truth = water.now(on)
            row = dict.fromkeys(COLUMNS, "") | {"date": on.isoformat(), "site": tank.site, "tank": tank.id}
            at = dt.datetime.combine(on, dt.time(9, 10)) + dt.timedelta(minutes=minutes + random.randrange(12))
            row |= {"time": f"{at:%H:%M}", "by": "JO" if random.random() < 0.08 else "BW"}
            row |= _tested(tank, on, truth, random)
            row |= {"fish_seen": str(tank.fish - (random.random() < 0.2)), "fish_look": "well", "taken": "none"}
            changing = random.random() >= SHARE_NO_CHANGE
            if tank.topped_from and dated(tank.topped_from, on):
                row |= {"water_changed": TOP_UP, "change_kind": "top-up"}
                water.top_up(share_of(TOP_UP, tank.litres))
            elif changing:
                row |= {"water_changed": tank.change, "taken": "before", "new_water": tank.new_water}
                true_share = share_of(tank.change, tank.litres) * (math.e ** (bias + random.gauss(0.0, 0.06)))
                water.change(min(0.9, true_share))
            row |= TYPED.get((tank.id, row["date"]), {})
            if not row["water_changed"] and row["taken"] == "before":
                row["taken"] = "none"
            rows.append(row)
            if tank.id == "SS3" and changing and on.day <= 7:  # a second test, to see what the change did
                after = dict.fromkeys(COLUMNS, "") | {k: row[k] for k in ("date", "site", "tank", "kit", "by")}
                later = at + dt.timedelta(minutes=50)
                after |= {"time": f"{later:%H:%M}", "taken": "after"}
                after["nitrate"] = matched(KIT[row["kit"]], "nitrate", water.nitrate, random)
                rows.append(after)
        on += dt.timedelta(days=1)
    return rows


def all_visits() -> list[Row]:
    """Every visit row, by date, site and time."""
    rows: list[Row] = []
    for site, _, _, supply, weekday, *_ in SITES:
        days = dates_of(site, weekday)
        here = [tank for tank in TANKS if tank.site == site]
        for turn, tank in enumerate(here):
            rows += _visits_to(tank, supply, days, 34 * turn)
    order = [site for site, *_ in SITES]
    return sorted(rows, key=lambda r: (r["date"], order.index(r["site"]), r["time"]))
