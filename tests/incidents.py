"""Log folders of tanks to which one thing happened, and of healthy ones beside them, with the truth kept apart."""

from __future__ import annotations

import csv
import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.incident_kinds import KINDS, OF_ALL
from tests.incident_world import (
    FOOD,
    GROUP,
    NITRATE,
    ONSET,
    SITE,
    TRACE,
    VISITS,
    WARM,
    Row,
    World,
    clean,
    day_of,
    matched,
    name,
    ordinary,
    run,
)  # fmt: skip


@dataclass(frozen=True)
class Happened:
    """What happened to a tank, and whether fish are in danger by it."""

    tank: str
    kind: str
    cause: str | None  # of words.CAUSES; None for a healthy tank
    onset: dt.date
    harmful: bool


def _write(path: Path, rows: list[Row]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    columns = list(dict.fromkeys(key for row in rows for key in row))
    with path.open("w", newline="", encoding="utf-8") as handle:
        sheet = csv.DictWriter(handle, columns, restval="")
        sheet.writeheader()
        sheet.writerows(rows)


def _sheets(w: World, out: dict[str, np.ndarray]) -> list[list[Row]]:
    """Visit rows [visit][tank] as they are typed."""
    rng, shape = w.rng, out["nitrate"].shape
    drawn = np.where(w.after, out["after"], out["nitrate"])
    seen = np.maximum((drawn + 2) * np.exp(0.14 * rng.standard_normal(shape)) * w.factor - 2, 0)
    nitrate = matched(NITRATE, seen)
    trace = {
        key: matched(TRACE, out[key] * np.exp(0.15 * rng.standard_normal(shape)))
        for key in ("ammonia", "nitrite", "ammonia after")
    }
    kh = np.round(out["kh"] + 0.3 * rng.standard_normal(shape)).clip(0)
    ph = np.round((6.9 + 0.8 * np.log10(out["kh"] / 4) + 0.06 * rng.standard_normal(shape)) / 0.2) * 0.2
    warm = out["celsius"] + 0.3 * rng.standard_normal(shape)
    rows = []
    for visit in range(VISITS):
        week = []
        for tank in range(shape[1]):
            share, kind = w.logged[visit, tank], w.kind_of[visit, tank]
            week.append({
                "date": day_of(visit), "site": f"S{tank // SITE}", "tank": name(tank),
                "taken": "before" if share > 0 and kind == "change" else "",
                "ammonia": trace["ammonia"][visit, tank], "nitrite": trace["nitrite"][visit, tank],
                "nitrate": nitrate[visit, tank], "ph": round(float(ph[visit, tank]), 1), "kh": int(kh[visit, tank]),
                "temperature": round(float(warm[visit, tank]), 1), "kit": f"K{tank // GROUP}-{w.kit[visit, tank]}",
                "flow_l_h": round(clean(w, tank) * w.flow[visit, tank]) if visit % 3 == 0 or w.flow[visit, tank] < 0.9 else "",
                "water_changed": f"{100 * share:.0f}%" if share > 0 else "",
                "change_kind": kind if share > 0 and kind != "change" else "",
                "fish_seen": int(w.seen[visit, tank]) if visit % 2 == 0 or w.seen[visit, tank] != 9 else "",
                "after": trace["ammonia after"][visit, tank],
            })  # fmt: skip
        rows.append(week)
    for write in w.typed:
        write(rows)
    return rows


def write(folder: Path, of_kind: int, healthy: int, seed: int = 1, kinds: list[str] | None = None) -> list[Happened]:
    """A log folder with so many groups of each kind, and so many healthy groups; what is true of it."""
    names = [kind for kind in kinds or KINDS for _ in range(of_kind)] + [""] * healthy
    w = ordinary(GROUP * len(names), seed)
    truth = []
    for group, kind in enumerate(names):
        visit = ONSET + int(w.rng.integers(-1, 2))
        mine = range(GROUP * group, GROUP * group + GROUP)
        hit: list[int] = []
        if kind:
            KINDS[kind][0](w, mine[0], WARM + 7 * visit, visit)
            hit = list(mine) if kind in OF_ALL else [mine[0], mine[1]] if kind == "two tanks swapped" else [mine[0]]
        for tank in mine:
            cause = (KINDS[kind][1], KINDS[kind][2]) if tank in hit else (None, False)
            truth.append(Happened(name(tank), kind if tank in hit else "", cause[0], day_of(visit), cause[1]))
    rows = _sheets(w, run(w))
    _folder(w, folder, rows)
    return truth


def _folder(w: World, folder: Path, rows: list[list[Row]]) -> None:
    tanks = len(w.net)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "round.toml").write_text('[round]\nname = "invented incidents"\nvisit_every_days = 7\n', encoding="utf-8")
    _write(
        folder / "sites.csv",
        [{"site": f"S{n}", "name": f"Site {n}", "water_supply": f"W{n * SITE // GROUP}"} for n in range(tanks // SITE)],
    )
    old = dt.date(2022, 3, 1)
    _write(folder / "tanks.csv", [
        {"tank": name(t), "site": f"S{t // SITE}", "name": f"Tank {t}", "net_l": w.net[t], "set_up": old, "temperature_c": 25 if w.celsius[0, t] == 25 else 23,
         "planting": "none", "stocking": "normal", "nitrate_ceiling": 50} | w.tank_cells.get(t, {})
        for t in range(tanks)
    ])  # fmt: skip
    fed = [
        {
            "tank": name(t),
            "from": "2024-01-01",
            "feed_g_day": round(w.made[0, t] * w.net[t] / FOOD, 2),
            "protein_pct": 45,
        }
        for t in range(tanks)
    ]
    _write(folder / "feeding.csv", fed + w.rows.get("feeding", []))
    _write(
        folder / "filter_models.csv",
        [{"model": "drumble", "kind": "canister", "rated_flow_l_h": 1500, "source": "invented"}],
    )
    _write(folder / "compartments.csv", [
        {"model": "drumble", "position": 1, "compartment": "cup", "stage": "fine", "medium": "felt", "usable_l": 1.0},
        {"model": "drumble", "position": 2, "compartment": "basket", "stage": "biological", "medium": "grout", "usable_l": 9.0},
    ])  # fmt: skip
    _write(
        folder / "media.csv",
        [
            {"medium": "felt", "stage": "fine", "quality": 0},
            {"medium": "grout", "stage": "biological", "quality": 1, "bulk_kg_l": 0.5},
        ],
    )
    _write(
        folder / "filters.csv",
        [{"filter": f"F{name(t)}", "model": "drumble", "clean_flow_l_h": clean(w, t)} for t in range(tanks)],
    )
    _write(folder / "placements.csv", [{"filter": f"F{name(t)}", "tank": name(t), "from": old} for t in range(tanks)])
    fills = [
        {
            "filter": f"F{name(t)}",
            "compartment": room,
            "layer": 1,
            "medium": medium,
            "mass_kg": mass,
            "wetted": old,
            "from": old,
        }
        for t in range(tanks)
        for room, medium, mass in (("cup", "felt", ""), ("basket", "grout", round(max(w.net[t] / 75, 2.4), 2)))
    ]
    fills += [
        {"filter": f"F{name(t)}", "compartment": "basket", "layer": 1, "medium": "grout", "wetted": old} | cells
        for t, cells in w.basket.items()
    ]
    _write(folder / "fills.csv", fills)
    kits = []
    for group in range(tanks // GROUP):
        t = group * GROUP
        for kit in sorted(set(w.kit[:, t].tolist())):
            first = int(np.argmax(w.kit[:, t] == kit))
            cells = {"opened": day_of(first) - dt.timedelta(2), "expires": "2027-06-01"} | w.opened.get(
                (group, kit), {}
            )
            for parameter, base, ladder in (
                ("nitrate", "NO3", NITRATE),
                ("nitrite", "NO2", TRACE),
                ("ammonia", "NH4", TRACE),
                ("kh", "dKH", range(25)),
            ):
                kits.append(
                    {
                        "kit": f"K{group}-{kit}",
                        "parameter": parameter,
                        "basis": base,
                        "steps": "|".join(f"{s:g}" for s in ladder),
                        **cells,
                    }
                )
    _write(folder / "kits.csv", kits)
    tests = [
        {"water_supply": f"W{t // GROUP}", "date": day_of(visit), "nitrate": round(float(w.tap[WARM + 7 * visit, t]), 1), "ph": 7.4, "kh": 6, "ammonia": 0}
        for t in range(0, tanks, GROUP) for visit in (0, 12, 24)
    ]  # fmt: skip
    _write(folder / "tap.csv", tests + w.rows.get("tap", []))
    _write(folder / "events" / "events.csv", w.rows.get("events", []) or [{"date": "", "tank": "", "event": ""}])
    routine = [
        {"date": day_of(visit), "tank": name(t), "filter": f"F{name(t)}", "job": "pads", "found": "clean" if t % 2 else "light", "next_weeks": 8}
        for t in range(tanks) for visit in range(t % 6, VISITS, 7)
    ]  # fmt: skip
    _write(folder / "services" / "services.csv", routine + w.rows.get("services", []))
    _visits(folder, rows)


def _visits(folder: Path, rows: list[list[Row]]) -> None:
    for visit, week in enumerate(rows):
        typed = []
        for row in week:
            after, also = row.pop("after"), row.pop("also after", False)
            typed.append(row)
            if also and row["water_changed"]:
                typed.append(
                    {
                        "date": row["date"],
                        "site": row["site"],
                        "tank": row["tank"],
                        "taken": "after",
                        "ammonia": after,
                        "kit": row["kit"],
                    }
                )
        _write(folder / "visits" / f"{day_of(visit)}.csv", typed)
