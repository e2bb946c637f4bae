"""What may happen to a tank: each changes the world from a day on and leaves the records that a person would write.

Each takes the world, the tank, the day (of the arrays) and the visit of the onset.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from tests.incident_world import FOOD, GROUP, VISITS, Row, World, clean, day_of, name, recovering


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
