"""What happened on the demo round besides routine visits: services, events, promises, notes."""

from __future__ import annotations

import datetime as dt
from random import Random

from tests.demo_round.balance import FIRST_DAY, LAST_DAY, SEED, day
from tests.demo_round.book import FILTERS, Filter

Row = dict[str, str]

EVENTS = (
    # date, tank, event, count, hours, note
    ("2025-10-06", "LM3", "fish died", "1", "", "old age, by the look"),
    ("2025-11-25", "TC1", "fish in", "4", "", "from my own tank at home"),
    ("2025-12-16", "TC2", "power cut", "", "3", "whole house, back by noon"),
    ("2026-01-14", "TC4", "other", "", "", "P08 came from the reading nook, carried wet in tank water"),
    ("2026-01-29", "HS2", "medication", "", "", "course prescribed by a vet, five days"),
    ("2026-03-18", "SS1", "fish out", "3", "", "rehomed with another school"),
    ("2026-03-31", "SS2", "other", "", "", "lid of P12 cracked; P13 ordered"),
    ("2026-04-13", "LM2", "fish in", "10", "", "asked for by the home"),
    ("2026-04-14", "TC2", "overfed", "", "", "two people feed; flakes on the gravel since Easter"),
    ("2026-05-12", "MD2", "other", "", "", "second-hand P26 set up"),
    ("2026-05-14", "HS1", "fish died", "1", "", "found by staff"),
)
PROMISES = (
    # made_on, site, tank, promise, due, done_on
    ("2025-09-16", "ottersage", "TC1", "trim the floating plants", "2025-09-30", "2025-09-30"),
    ("2025-11-03", "plumfennel", "LM1", "new drip tray", "2025-11-24", "2025-11-17"),
    ("2026-02-11", "bramblequill", "SS1", "laminated feeding sheet", "2026-03-04", "2026-03-04"),
    ("2026-04-28", "ottersage", "TC2", "seven marked feeding pots", "2026-05-19", ""),
    ("2026-05-12", "thistlebun", "MD1", "bring a new kit for the cupboard", "2026-05-26", ""),
    ("2026-05-25", "plumfennel", "LM2", "quote for more media", "2026-06-15", ""),
)
NOTED = (
    # tank, rule, until, by, why
    (
        "QO1",
        "climbing_within_rating",
        "2026-09-30",
        "BW",
        "half cycle by choice; half the water every other Friday",
    ),
)
CARBON_CHANGES = ("2025-11-10", "2026-01-12", "2026-03-09")
# Beyond the routine: the last one is the heavy clean before the nitrite blip.
EXTRA_SERVICES = (
    # date, tank, filter, job, compartment, media_share, rinse_water, found, before, after, stopped, next, by, note
    (
        "2026-05-25",
        "LM4",
        "B04",
        "full",
        "",
        "1",
        "tap",
        "heavy",
        "470",
        "790",
        "1",
        "4",
        "JO",
        "everything washed under the tap, pump opened",
    ),
    ("2026-05-12", "MD2", "P26", "check", "", "", "none", "clean", "", "590", "", "4", "BW", "first start"),
)
SERVICE_COLUMNS = (
    "date",
    "tank",
    "filter",
    "job",
    "compartment",
    "media_share",
    "rinse_water",
    "found",
    "flow_before",
    "flow_after",
    "hours_stopped",
    "next_weeks",
    "by",
    "note",
)


def _tank_of(item: Filter, on: dt.date) -> str:
    for tank, since, to in item.stands:
        if day(since) <= on and (not to or on <= day(to)):
            return tank
    return ""


def _routine(item: Filter) -> list[Row]:
    """The checks of one filter, each as long after the last as that one said."""
    random = Random(f"{SEED}: services of {item.id}")
    rows: list[Row] = []
    on = day(item.first_check)
    last = day(item.last_check) if item.last_check else LAST_DAY
    turn = 0
    while on <= last:
        weeks = item.weeks[min(turn, len(item.weeks) - 1)]
        tank = _tank_of(item, on)
        if tank and on >= FIRST_DAY:
            rinse = turn % 3 == 2
            flow = item.clean_flow or 500
            rows.append(
                dict(
                    zip(
                        SERVICE_COLUMNS,
                        (
                            on.isoformat(),
                            tank,
                            item.id,
                            "media rinsed" if rinse else "pads",
                            "",
                            "0.3" if rinse else "",
                            "tank" if rinse else "",
                            random.choices(("clean", "light"), (0.4, 0.6))[0],
                            str(round(flow * random.uniform(0.74, 0.88) / 5) * 5),
                            str(round(flow * random.uniform(0.93, 1.0) / 5) * 5),
                            "",
                            str(weeks),
                            "BW",
                            "",
                        ),
                        strict=True,
                    )
                )
            )
        on += dt.timedelta(weeks=weeks)
        turn += 1
    return rows


def services() -> list[Row]:
    """Every row of services/, by date."""
    rows = [dict(zip(SERVICE_COLUMNS, extra, strict=True)) for extra in EXTRA_SERVICES]
    for item in FILTERS:
        if item.first_check and item.id != "P26":
            rows += _routine(item)
    for on in CARBON_CHANGES:
        for job in ("carbon out", "carbon in"):
            cells = (on, "LM5", "B05", job, "basket 4", "", "", "", "", "", "", "", "BW", "")
            rows.append(dict(zip(SERVICE_COLUMNS, cells, strict=True)))
    return sorted(rows, key=lambda row: (row["date"], row["tank"], row["filter"], row["job"] != "carbon out"))
