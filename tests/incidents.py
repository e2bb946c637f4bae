"""Log folders of tanks to which one thing happened, and of healthy ones beside them, with the truth kept apart.

A daily model of ammonia, nitrite, nitrate, KH and warmth, read with invented kits by a person who visits once a week.
Groups of six tanks on two sites share a supply and the kits; one tank of a group has the incident (all of them where it
is the kit's or the tap's). Nothing here uses the program under test.
"""

from __future__ import annotations

import csv
import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

FIRST = dt.date(2025, 9, 1)  # a Monday
VISITS, ONSET = 40, 30  # visits recorded, and the one after which incidents begin
WARM = 70  # days run before the first visit
GROUP, SITE = 6, 3  # tanks
NITRATE = (0.0, 4.0, 9.0, 15.0, 22.0, 31.0, 43.0, 60.0, 85.0, 120.0)
TRACE = (0.0, 0.1, 0.25, 0.5, 1.0, 2.0, 4.0)
FOOD = 223.0  # mg/L NO3 that a gram of food a litre ends as
Row = dict[str, Any]


@dataclass(frozen=True)
class Happened:
    """What happened to a tank, and whether fish are in danger by it."""

    tank: str
    kind: str
    cause: str | None  # of words.CAUSES; None for a healthy tank
    onset: dt.date
    harmful: bool


@dataclass
class World:
    """Everything that is true [days, tanks] or [visits, tanks], and the rows that are typed besides the visits."""

    rng: np.random.Generator
    made: np.ndarray  # mg/L NO3 a day from food
    removed: np.ndarray  # mg/L NO3 a day taken up by filter and plants
    bio: np.ndarray  # share of the nitrifying bacteria at work
    tap: np.ndarray  # mg/L NO3
    tap_ammonia: np.ndarray
    celsius: np.ndarray
    stone: np.ndarray  # dKH a day from limestone
    pulse: np.ndarray  # mg/L NH4 set free at once
    change: np.ndarray  # [visits, tanks] true share
    hidden: np.ndarray  # [days, tanks] share changed and not written down
    logged: np.ndarray  # [visits, tanks] share written
    kind_of: np.ndarray  # [visits, tanks] change, top-up
    factor: np.ndarray  # [visits, tanks] of the nitrate kit
    after: np.ndarray  # [visits, tanks] nitrate drawn after the change
    flow: np.ndarray  # [visits, tanks] share of the clean flow
    seen: np.ndarray  # [visits, tanks] fish
    kit: np.ndarray  # [visits, tanks] number of the group's kit
    net: np.ndarray  # [tanks] litres
    typed: list[Callable[[list[list[Row]]], None]] = field(default_factory=list)
    rows: dict[str, list[Row]] = field(default_factory=dict)
    opened: dict[tuple[int, int], Row] = field(default_factory=dict)
    tank_cells: dict[int, Row] = field(default_factory=dict)
    basket: dict[int, Row] = field(default_factory=dict)

    def add(self, table: str, **row: Any) -> None:
        self.rows.setdefault(table, []).append(row)


def name(tank: int) -> str:
    return f"N{tank:04d}"


def clean(w: World, tank: int) -> int:
    """Clean flow of a tank's filter [L/h]."""
    return round(3.6 * w.net[tank])


def day_of(visit: int) -> dt.date:
    return FIRST + dt.timedelta(days=7 * visit)


def from_day(days: int, start: float) -> np.ndarray:
    """1 from a day on, else 0 [days]."""
    return (np.arange(days) >= start).astype(float)


def recovering(days: int, start: int, left: float, weeks: float) -> np.ndarray:
    """A factor that drops to `left` on a day and grows back to 1 in so many weeks [days]."""
    since = np.arange(days) - start
    return np.where(since < 0, 1.0, np.minimum(1.0, left + (1 - left) * since / (7 * weeks)))


def ordinary(tanks: int, seed: int) -> World:
    """Healthy tanks: little net rise, weekly changes, kits that turn over."""
    rng = np.random.default_rng(seed)
    days = WARM + 7 * VISITS + 1
    group = np.arange(tanks) // GROUP
    made = rng.uniform(1.0, 1.4, tanks) * np.ones((days, 1))
    removed = made * rng.uniform(0.58, 0.72, tanks)
    change = rng.uniform(0.13, 0.22, tanks) * np.exp(0.1 * rng.standard_normal((VISITS, tanks)))
    change *= rng.random((VISITS, tanks)) < 0.96
    supply = rng.uniform(2.0, 9.0, group.max() + 1)[group]
    turn = rng.integers(4, 24, group.max() + 1)[group]
    kit = (np.arange(VISITS)[:, None] >= turn).astype(int)
    batch = np.exp(0.08 * rng.standard_normal((group.max() + 1, 2)))
    ones = np.ones((days, tanks))
    return World(
        rng, made, removed, ones.copy(), supply * ones, 0 * ones, 25 + 0 * ones, 0 * ones, 0 * ones,
        change, 0 * ones, np.round(change * np.exp(0.07 * rng.standard_normal(change.shape)), 2),
        np.full(change.shape, "change", dtype=object), batch[group, kit], np.zeros(change.shape, bool),
        1 - 0.05 * rng.random(change.shape), np.full(change.shape, 9), kit, rng.integers(9, 30, tanks) * 10.0,
    )  # fmt: skip


def run(w: World) -> dict[str, np.ndarray]:
    """The water before each visit's change, and nitrate and ammonia after it: arrays [visits, tanks]."""
    days, tanks = w.made.shape
    nitrate = w.tap[0] + 7 * (w.made - w.removed)[0] / 0.18
    ammonia, nitrite, kh = 0.01 * np.ones(tanks), 0.02 * np.ones(tanks), 5.5 * np.ones(tanks)
    out = {
        key: np.zeros((VISITS, tanks))
        for key in ("nitrate", "after", "ammonia", "ammonia after", "nitrite", "kh", "celsius")
    }
    for day in range(days):
        warm = np.clip((w.celsius[day] - 17.5) / 7.0, 0.01, 1.0)
        ammonia = (ammonia + 0.29 * w.made[day] + w.pulse[day]) / (1 + 45 * w.bio[day] * warm)
        oxidised = ammonia * 45 * w.bio[day] * warm
        nitrite = (nitrite + 2.55 * oxidised) / (1 + 45 * w.bio[day] * warm)
        gained = nitrite * 45 * w.bio[day] * warm * 1.348 - w.removed[day]
        nitrate = np.maximum(nitrate + gained, 0.3)
        kh = np.maximum(kh - 0.045 * gained + w.stone[day], 0.2)
        share = w.hidden[day]
        visit, rest = divmod(day - WARM, 7)
        if rest == 0 and 0 <= visit < VISITS:
            now = {"nitrate": nitrate, "ammonia": ammonia, "nitrite": nitrite, "kh": kh, "celsius": w.celsius[day]}
            for key, value in now.items():
                out[key][visit] = value
            share = np.where(w.kind_of[visit] == "change", w.change[visit], 0.0)
        elif visit < 0 and rest == 0:
            share = np.full(tanks, 0.18)
        nitrate = nitrate * (1 - share) + share * w.tap[day]
        ammonia = ammonia * (1 - share) + share * w.tap_ammonia[day]
        nitrite = nitrite * (1 - share)
        kh = kh * (1 - share) + share * 6.0
        if rest == 0 and 0 <= visit < VISITS:
            out["after"][visit], out["ammonia after"][visit] = nitrate, ammonia
    return out


def matched(ladder: tuple[float, ...], value: np.ndarray) -> np.ndarray:
    """The step that a person matches."""
    steps = np.array(ladder)
    return steps[np.searchsorted(0.5 * (steps[1:] + steps[:-1]), value)]


# -- what happens: each takes the world, the tank, the day (of the arrays) and the visit of the onset ----------------


def _event(w: World, tank: int, visit: int, event: str, **more: Any) -> None:
    w.add("events", date=day_of(visit), tank=name(tank), event=event, **more)


def _service(w: World, tank: int, visit: int, job: str, **more: Any) -> None:
    w.add("services", date=day_of(visit), tank=name(tank), filter=f"F{name(tank)}", job=job, **more)


def _more_food(w: World, t: int, d: int) -> float:
    times = w.rng.uniform(1.9, 2.6)
    w.made[d:, t] *= times
    return float(times)


def food_recorded(w: World, t: int, d: int, v: int) -> None:
    grams = w.made[0, t] * w.net[t] / FOOD
    w.add(
        "feeding", tank=name(t), **{"from": day_of(v)}, feed_g_day=round(grams * _more_food(w, t, d), 2), protein_pct=45
    )


def food_not_recorded(w: World, t: int, d: int, v: int) -> None:
    _more_food(w, t, d)


def overfed_once(w: World, t: int, d: int, v: int) -> None:
    w.made[d : d + 9, t] *= 3.5
    w.bio[d : d + 9, t] *= 0.13
    _event(w, t, v, "overfed")


def new_fish(w: World, t: int, d: int, v: int) -> None:
    w.made[d:, t] *= w.rng.uniform(1.7, 2.3)
    w.seen[v:, t] += 5
    _event(w, t, v, "fish in", count=5)


def fish_died(w: World, t: int, d: int, v: int) -> None:
    w.pulse[d + 3 : d + 9, t] += w.rng.uniform(4, 9)
    w.bio[d + 3 : d + 12, t] *= 0.2
    w.seen[v + 1 :, t] -= 1
    if w.rng.random() < 0.5:
        _event(w, t, v + 1, "fish died", count=1)


def clogged(w: World, t: int, d: int, v: int) -> None:
    w.removed[d:, t] *= 0.25
    w.bio[d + 7 :, t] *= 0.06
    w.flow[v:, t] = np.linspace(0.8, 0.5, VISITS - v)
    for at in (v + 1, v + 5):
        _service(w, t, at, "pads", found="sludge", flow_before=round(clean(w, t) * w.flow[at, t]))


def flow_lost(w: World, t: int, d: int, v: int) -> None:
    w.bio[d:, t] *= 0.05
    w.removed[d:, t] *= 0.5
    w.flow[v:, t] = w.rng.uniform(0.3, 0.5)


def rinsed(w: World, t: int, d: int, v: int) -> None:
    w.bio[:, t] *= recovering(len(w.bio), d, 0.022, 7)
    w.removed[:, t] *= recovering(len(w.bio), d, 0.2, 9)
    _service(w, t, v, "media rinsed", media_share=1, rinse_water="tap", found="light")


def over_cleaned(w: World, t: int, d: int, v: int) -> None:
    w.bio[:, t] *= recovering(len(w.bio), d, 0.035, 5)
    w.removed[:, t] *= recovering(len(w.bio), d, 0.3, 5)
    _service(w, t, v, "media rinsed", media_share=round(w.rng.uniform(0.6, 1), 1), rinse_water="tank", found="light")


def medicine(w: World, t: int, d: int, v: int) -> None:
    w.bio[:, t] *= recovering(len(w.bio), d, 0.025, 6)
    w.removed[:, t] *= recovering(len(w.bio), d, 0.4, 6)
    _event(w, t, v, "medication")


def stopped(w: World, t: int, d: int, v: int) -> None:
    w.bio[:, t] *= recovering(len(w.bio), d, 0.025, 4)
    hours = int(w.rng.integers(10, 40))
    _event(w, t, v, "filter stopped" if w.rng.random() < 0.5 else "power cut", hours=hours)


def heater(w: World, t: int, d: int, v: int) -> None:
    w.celsius[d:, t] -= w.rng.uniform(5, 7)


def tap_nitrate(w: World, t: int, d: int, v: int) -> None:
    mine = slice(t, t + GROUP)
    w.tap[d:, mine] += w.rng.uniform(22, 32)
    w.add("tap", water_supply=f"W{t // GROUP}", date=day_of(v + 2), nitrate=round(float(w.tap[-1, t]), 1), ph=7.4, kh=6)


def tap_nitrate_not_tested(w: World, t: int, d: int, v: int) -> None:
    w.tap[d:, t : t + GROUP] += w.rng.uniform(26, 36)


def tap_ammonia(w: World, t: int, d: int, v: int) -> None:
    w.tap_ammonia[d:, t : t + GROUP] = level = w.rng.uniform(0.7, 1.1)
    w.bio[d:, t : t + GROUP] *= 0.2
    if w.rng.random() < 0.5:
        w.add("tap", water_supply=f"W{t // GROUP}", date=day_of(v + 1), ammonia=round(level, 1))

    def sample(rows: list[list[Row]]) -> None:
        for visit in range(v, VISITS):
            for one in range(t, t + GROUP):
                rows[visit][one]["also after"] = True

    w.typed.append(sample)


def few_changes(w: World, t: int, d: int, v: int) -> None:
    for table in (w.change, w.logged):
        table[v:, t] *= w.rng.random(VISITS - v) < 0.25


def _seldom_changed(w: World, t: int) -> None:
    """A tank whose nitrate stands well over the tap's, so that what dilutes it can be seen."""
    w.change[:, t] *= 0.75
    w.logged[:, t] = np.round(0.75 * w.logged[:, t], 2)
    w.tap[:, t - t % GROUP : t - t % GROUP + GROUP] *= 0.5


def change_not_logged(w: World, t: int, d: int, v: int) -> None:
    _seldom_changed(w, t)
    w.hidden[d + 3, t] = w.rng.uniform(0.6, 0.75)


def only_top_ups(w: World, t: int, d: int, v: int) -> None:
    w.kind_of[v:, t], w.logged[v:, t] = "top-up", 0.05
    w.made[d:, t] += 0.3


def basis(w: World, t: int, d: int, v: int) -> None:
    w.factor[v:, t] /= 4.43


def kit_expired(w: World, t: int, d: int, v: int) -> None:
    for one in range(t, t + GROUP):
        w.factor[v:, one] *= np.linspace(0.85, 0.5, VISITS - v)
    w.opened[t // GROUP, int(w.kit[v, t])] = {"expires": day_of(v - 1)}


def kit_batch(w: World, t: int, d: int, v: int) -> None:
    w.factor[v:, t : t + GROUP] *= w.rng.choice([0.5, 0.55, 1.7, 1.9])
    w.kit[v:, t : t + GROUP] = 2


def not_shaken(w: World, t: int, d: int, v: int) -> None:
    w.factor[v : v + int(w.rng.integers(1, 4)), t] *= w.rng.uniform(0.25, 0.4)


def interference(w: World, t: int, d: int, v: int) -> None:
    w.bio[d - 4 : d + 24, t] *= 0.015
    w.factor[v : v + 4, t] *= w.rng.uniform(1.8, 2.4)


def after_change(w: World, t: int, d: int, v: int) -> None:
    _seldom_changed(w, t)
    w.change[v : v + 2, t] = w.logged[v : v + 2, t] = w.rng.uniform(0.6, 0.68)
    w.after[v, t] = True


def swapped(w: World, t: int, d: int, v: int) -> None:
    w.removed[:, t] = 0.93 * w.made[:, t]
    w.removed[:, t + 1] = 0.45 * w.made[:, t + 1]
    w.celsius[:, t + 1] -= 2

    def swap(rows: list[list[Row]]) -> None:
        for cell in ("nitrate", "ph", "kh", "temperature", "nitrite", "ammonia"):
            one, other = rows[v][t], rows[v][t + 1]
            one[cell], other[cell] = other[cell], one[cell]

    w.typed.append(swap)


def slip(w: World, t: int, d: int, v: int) -> None:
    times = w.rng.choice([10.0, 0.1])

    def write(rows: list[list[Row]]) -> None:
        rows[v][t]["nitrate"] = max(float(rows[v][t]["nitrate"]), 4.0) * times

    w.typed.append(write)


def plants(w: World, t: int, d: int, v: int) -> None:
    w.removed[d:, t] += w.made[0, t] * w.rng.uniform(0.6, 0.9)
    w.tank_cells[t] = {"planting": str(w.rng.choice(["light", "moderate", "dense"]))}


def limestone(w: World, t: int, d: int, v: int) -> None:
    w.stone[d:, t] += w.rng.uniform(0.25, 0.45)


def still_new(w: World, t: int, d: int, v: int) -> None:
    w.bio[:, t] = np.clip((np.arange(len(w.bio)) - d) / 40.0, 0.016, 1.0)
    w.removed[:, t] *= 0.1
    w.tank_cells[t] = {"set_up": day_of(v)}


def bypass(w: World, t: int, d: int, v: int) -> None:
    w.removed[d:, t] *= 0.1
    w.made[d:, t] *= 1.25
    w.basket[t] = {"mass_kg": 0.3, "from": day_of(v)}


KINDS: dict[str, tuple[Callable[[World, int, int, int], None], str, bool]] = {
    "food up, recorded": (food_recorded, "overfeeding", False),
    "food up, not recorded": (food_not_recorded, "overfeeding", False),
    "overfed once": (overfed_once, "overfeeding", True),
    "new fish": (new_fish, "new fish", False),
    "dead fish": (fish_died, "dead fish", True),
    "media clogged": (clogged, "media clogged", True),
    "flow lost": (flow_lost, "flow lost", True),
    "rinsed in tap water": (rinsed, "rinsed in tap water", True),
    "over-cleaned": (over_cleaned, "over-cleaned", True),
    "medication": (medicine, "medication", True),
    "filter stopped": (stopped, "filter stopped", True),
    "heater": (heater, "heater", True),
    "tap nitrate, tested": (tap_nitrate, "tap nitrate", False),
    "tap nitrate, not tested": (tap_nitrate_not_tested, "tap nitrate", False),
    "tap ammonia": (tap_ammonia, "tap ammonia", True),
    "too few changes": (few_changes, "too few changes", False),
    "change not logged": (change_not_logged, "unlogged change", False),
    "top-ups only": (only_top_ups, "top-ups only", False),
    "wrong basis": (basis, "wrong basis", False),
    "kit expired": (kit_expired, "kit expired", False),
    "kit batch": (kit_batch, "kit batch", False),
    "not shaken": (not_shaken, "not shaken", False),
    "nitrite beside it": (interference, "nitrite interference", True),
    "taken after": (after_change, "taken after the change", False),
    "two tanks swapped": (swapped, "wrong tank", False),
    "typing slip": (slip, "typing slip", False),
    "plants or algae": (plants, "plants or algae", False),
    "limestone": (limestone, "limestone", False),
    "new tank": (still_new, "tank still new", True),
    "bypass": (bypass, "bypass", False),
}
OF_ALL = {"tap nitrate, tested", "tap nitrate, not tested", "tap ammonia", "kit batch", "kit expired"}


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
