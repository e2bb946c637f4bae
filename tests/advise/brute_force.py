"""Plans by brute force, written apart from the planner: small invented tanks, every change by its own arithmetic, every
set of changes weighed, and the changes of an option made to the records for capacity to be calculated from.

A filter has a cup, a basket of pads (b1), two baskets of 2 L for media (b2, b3) and a place for a last pad (b4).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

import numpy as np

from tests.rounds import AS_OF, MEDIA, Layer, Rounds

BASKET_L, NEAT = 2.0, 1.15
LOAD = {"light": 0.6, "normal": 1.0, "heavy": 1.5, "messy": 2.0}
PLANTS = {"none": 1.0, "light": 1.0, "moderate": 0.85, "dense": 0.6}
RIGHT_PADS: list[Layer] = [("cup", "coarse pad"), ("b1", "medium pad"), ("b1", "fine pad")]
# What stands before the media, what behind it, the place factor of the media, and whether a fine pad is there to move.
PADS: dict[str, tuple[list[Layer], list[Layer], float, bool]] = {
    "fine": (RIGHT_PADS, [], 1.0, True),
    "medium": (RIGHT_PADS[:2], [], 0.8, False),
    "coarse": (RIGHT_PADS[:1], [], 0.6, False),
    "nothing": ([], [], 0.25, False),
    "fine behind": (RIGHT_PADS[:2], [("b4", "fine pad")], 0.8, True),
}
ROOMS: list[dict[str, Any]] = [
    {"compartment": "cup", "stage": "coarse"}, {"compartment": "b1", "stage": "medium"},
    {"compartment": "b1", "stage": "fine"}, {"compartment": "b2", "usable_l": BASKET_L},
    {"compartment": "b3", "usable_l": BASKET_L}, {"compartment": "b4", "stage": "fine"},
]  # fmt: skip


def quality(medium: str) -> float:
    return MEDIA[medium][1]


def bulk(medium: str) -> float:
    return MEDIA[medium][2] or 0.0


def counts(medium: str) -> bool:
    return MEDIA[medium][0] == "biological" and quality(medium) >= 0.6


@dataclass(frozen=True)
class Stack:
    """A filter on a tank: its pads by name, and what lies in its two baskets (medium, kg)."""

    name: str
    pads: str
    baskets: dict[str, tuple[str, float]]

    def layers(self, weeks: float) -> list[Layer]:
        before, behind, _, _ = PADS[self.pads]
        return [*before, *((room, m, kg, {"wetted": weeks}) for room, (m, kg) in self.baskets.items()), *behind]

    @property
    def own_medium(self) -> str:
        """What it has most of that counts, else the best there is."""
        kg: dict[str, float] = {}
        for medium, mass in self.baskets.values():
            if counts(medium):
                kg[medium] = kg.get(medium, 0.0) + mass
        return max(sorted(kg), key=lambda medium: kg[medium]) if kg else "good"

    @property
    def works(self) -> float:
        """kg × quality of its media, place apart."""
        return sum(kg * quality(medium) for medium, kg in self.baskets.values() if MEDIA[medium][0] == "biological")


@dataclass(frozen=True)
class Case:
    """A tank with its filters. Food in g a day, or a stocking class."""

    tank: str
    net_l: float
    feed: float | None
    stocking: str
    planting: str
    temperature: float
    weeks: float  # age of the media
    stacks: tuple[Stack, ...]

    @property
    def load(self) -> float:
        return LOAD[self.stocking] if self.feed is None else self.feed / self.net_l * 100 / 0.5

    @property
    def warmth(self) -> float:
        return 1.0 if self.feed is None else min(max(2 ** ((self.temperature - 25) / 10), 0.5), 1.1)


@dataclass(frozen=True)
class Market:
    """What all tanks of a round share: prices (absent: not known), spare filters and models [kg of good media]."""

    media: dict[str, float]
    filters: dict[str, float]
    spare: dict[str, float]
    models: dict[str, float]  # without "own", which holds two baskets


@dataclass(frozen=True)
class Act:
    """One change: work added to a filter (place apart) or brought with one, its price, whether a part is unknown."""

    kind: str
    group: str = ""
    stack: str = ""
    thing: str = ""  # the basket, the spare filter or the model
    gain: float = 0.0
    brings: float = 0.0
    tidies: bool = False
    cut: float = 0.0
    cost: float = 0.0
    lacking: bool = False


def _priced(market: Market, parts: Sequence[tuple[Mapping[str, float], str, float]]) -> dict[str, Any]:
    """Price of some things: (price list, name, how many)."""
    known = sum(prices[name] * count for prices, name, count in parts if name in prices)
    return {"cost": known, "lacking": any(name not in prices for prices, name, _ in parts)}


def _acts_on(stack: Stack, market: Market) -> Iterator[Act]:
    """Every change to one filter."""
    _, _, place, fine = PADS[stack.pads]
    if stack.works * (1 - place) >= 0.02:
        pad = _priced(market, [] if fine else [(market.media, "fine pad", 1)])
        yield Act("re-order", stack=stack.name, tidies=True, **pad)
    gains = {room: (m, BASKET_L * bulk(m) * NEAT - kg) for room, (m, kg) in stack.baskets.items() if counts(m)}
    gains = {room: gain for room, gain in gains.items() if gain[1] > 1e-9}
    if sum(kg for _, kg in gains.values()) >= 0.02:
        price = _priced(market, [(market.media, medium, kg) for medium, kg in gains.values()])
        yield Act("repack", stack=stack.name, gain=sum(kg * quality(m) for m, kg in gains.values()), **price)
    own = stack.own_medium
    for room in ("b2", "b3"):
        lying = stack.baskets.get(room)
        if lying is None or lying[0] == "carbon":
            kg = BASKET_L * bulk(own)
            price = _priced(market, [(market.media, own, kg)])
            yield Act(
                "repack" if lying is None else "carbon to media",
                stack=stack.name,
                thing=room,
                gain=kg * quality(own),
                **price,
            )
        elif not counts(lying[0]):
            kg = lying[1] / bulk(lying[0]) * bulk("good")
            price = _priced(market, [(market.media, "good", kg)])
            yield Act("better media", stack=stack.name, thing=room, gain=kg - lying[1] * quality(lying[0]), **price)


def acts(case: Case, market: Market) -> list[Act]:
    """Every change that could be made to a tank, each alone."""
    found = [Act("feed cut", "feed", cut=cut) for cut in (0.25, 0.5) if case.load * (1 - cut) >= 0.6 - 1e-9]
    for stack in case.stacks:
        found += _acts_on(stack, market)
    found += [Act("rehome", "rehome", thing=name, brings=kg) for name, kg in market.spare.items()]
    for model, kg in {**market.models, "own": 2 * BASKET_L * bulk("good")}.items():
        price = _priced(market, [(market.filters, model, 1), (market.media, "good", kg)])
        found.append(Act("second filter", "second", thing=model, brings=kg, **price))
    return found


def need_kg(case: Case, cut: float = 0.0) -> float:
    return case.net_l / 100 * case.load * PLANTS[case.planting] * (1 - cut)


def load_when_ripe(case: Case, made: Sequence[Act]) -> float:
    """Working load when all is ripe [%]; ∞ where nothing works."""
    works = sum(act.brings for act in made)
    for stack in case.stacks:
        mine = [act for act in made if act.stack == stack.name]
        place = 1.0 if any(act.tidies for act in mine) else PADS[stack.pads][2]
        works += place * (stack.works + sum(act.gain for act in mine))
    need = need_kg(case, sum(act.cut for act in made))
    return round(100 * need / (works * case.warmth), 1) if works > 0 else float("inf")


def load_today(case: Case) -> float:
    """Working load today [%]: young media works part of its ripe work."""
    ripe = min(max((case.weeks - 4) / 22, 0.0), 1.0)
    return round(load_when_ripe_raw(case) / ripe, 1) if ripe > 0 else float("inf")


def load_when_ripe_raw(case: Case) -> float:
    works = sum(PADS[stack.pads][2] * stack.works for stack in case.stacks)
    return 100 * need_kg(case) / (works * case.warmth) if works > 0 else float("inf")


def price_of(made: Sequence[Act]) -> tuple[bool, float]:
    """(whether a part of it is not known, the part that is): what plans are compared by."""
    return any(act.lacking for act in made), round(sum(act.cost for act in made), 2)


def enough(case: Case, market: Market, most: int) -> list[tuple[Act, ...]]:
    """Every set of up to `most` compatible changes that comes within the rating when ripe, cheapest first."""
    found = []
    for size in range(most + 1):
        for made in combinations(acts(case, market), size):
            groups = [act.group for act in made if act.group]
            if len(groups) == len(set(groups)) and load_when_ripe(case, made) <= 100:
                found.append(made)
    return sorted(found, key=price_of)


# -- the records -------------------------------------------------------------------------------------


def add_case(r: Rounds, case: Case, name: str | None = None, feed: float | None = None) -> str:
    """A tank in a round, on a site of its own. With another name and food where it is a copy."""
    tank, grams = name or case.tank, case.feed if feed is None else feed
    r.tank(tank, site=f"site of {tank}", net_l=case.net_l, stocking=case.stocking, planting=case.planting,
           temperature_c=case.temperature if case.feed is not None or feed is None else 25)  # fmt: skip
    if grams is not None:
        r.feed(tank, grams)
    return tank


def add_market(r: Rounds, market: Market) -> None:
    """The models that could be bought, and the filters that stand on no tank."""
    r.model("own", ROOMS)
    for model, kg in market.models.items():
        r.model(
            model, [{"compartment": "pads", "stage": "fine"}, {"compartment": "bed", "usable_l": kg / bulk("good")}]
        )
    for name, kg in market.spare.items():
        r.model(f"no model {name}", [], kind="canister")
        r.filter(name, None, [("b1", "fine pad"), ("b2", "good", kg, {"wetted": AS_OF})], model="own")


@dataclass
class Made:
    """A tank after the changes of an option, as they would be recorded."""

    feed: float | None = None
    filters: dict[str, list[Layer]] = field(default_factory=dict)


def after(case: Case, market: Market, changes: Sequence[Mapping[str, Any]]) -> Made:
    """The changes of an option (as `plan --format json` gives them) made to what lies in the filters."""
    made = Made(filters={stack.name: stack.layers(case.weeks) for stack in case.stacks})
    new = {"wetted": AS_OF}
    for change in changes:
        kind, name = change["kind"], change.get("filter", "")
        if kind == "feed cut":
            made.feed = case.load * (1 - change["share"]) * 0.5 * case.net_l / 100
            assert case.feed is None or abs(made.feed - change["feed_g_day"]) < 6e-4
        elif kind == "rehome":
            made.filters[name] = [("b1", "fine pad"), ("b2", "good", market.spare[name], new)]
        elif kind == "second filter":
            kg = {**market.models, "own": 2 * BASKET_L * bulk("good")}[change["model"]]
            assert abs(change["kg"] - kg) < 6e-4
            made.filters[name] = [("b1", "fine pad"), ("b2", "good", kg, new)]
        elif kind == "re-order":
            made.filters[name] = [*RIGHT_PADS, *(x for x in made.filters[name] if "pad" not in x[1])]
        else:
            stack = next(stack for stack in case.stacks if stack.name == name)
            added = 0.0
            for room in change["compartments"]:
                lying = stack.baskets.get(room)
                if kind == "repack" and lying is not None:
                    medium, kg = lying[0], BASKET_L * bulk(lying[0]) * NEAT - lying[1]
                else:  # the room is empty, or what lies there comes out
                    medium = change["medium"]
                    kg = bulk(medium) * (lying[1] / bulk(lying[0]) if lying and kind == "better media" else BASKET_L)
                    made.filters[name] = [x for x in made.filters[name] if x[0] != room]
                made.filters[name].append((room, medium, kg, new))
                added += kg
            assert abs(change["kg"] - added) < 6e-4
    order = {room: at for at, room in enumerate(("cup", "b1", "b2", "b3", "b4"))}
    made.filters = {name: sorted(x, key=lambda layer: order[layer[0]]) for name, x in made.filters.items()}
    return made


# -- cases -------------------------------------------------------------------------------------------


def random_market(draw: np.random.Generator) -> Market:
    media = {"good": 18.0, "lava": 7.5, "fine pad": 3.0}
    models = {"small": 0.5, "middling": 1.25, "large": 2.6}
    filters = {"small": 45.0, "middling": 110.0, "large": 190.0, "own": 150.0}
    return Market(
        {name: price * float(draw.uniform(0.5, 1.5)) for name, price in media.items() if draw.random() < 0.85},
        {name: price * float(draw.uniform(0.5, 1.5)) for name, price in filters.items() if draw.random() < 0.6},
        {f"spare {n}": round(float(draw.uniform(0.3, 1.2)), 2) for n in range(int(draw.integers(0, 3)))},
        {name: kg for name, kg in models.items() if draw.random() < 0.6},
    )


def random_case(draw: np.random.Generator, tank: str, filters: int) -> Case:
    stacks = []
    for n in range(filters):
        baskets: dict[str, tuple[str, float]] = {}
        for room in ("b2", "b3"):
            medium = str(draw.choice(["good", "lava", "smooth", "carbon", ""], p=[0.4, 0.15, 0.2, 0.15, 0.1]))
            if medium == "carbon" and room == "b2":
                medium = "good"
            if medium:
                baskets[room] = medium, round(BASKET_L * bulk(medium) * float(draw.choice([0.6, 0.9, 1, NEAT])), 3)
        baskets = baskets or {"b2": ("smooth", 1.4)}  # of a filter with nothing in it no load is known
        stacks.append(Stack(f"{tank} F{n}", str(draw.choice(list(PADS), p=[0.4, 0.15, 0.2, 0.1, 0.15])), baskets))
    planting = str(draw.choice(list(PLANTS)))
    shape = Case(tank, 100.0, None, str(draw.choice(list(LOAD))), planting, 25.0, 0.0, tuple(stacks))
    works = sum(PADS[stack.pads][2] * stack.works for stack in stacks)
    feed, temperature = None, 25.0
    # Litres that put the tank between a little within and far over its rating when ripe.
    net = round(max(works, 0.3) / (need_kg(shape) / 100) * float(draw.uniform(0.9, 2.6)), 1)
    if draw.random() < 0.6:
        feed, temperature = round(net * 0.005 * float(draw.uniform(0.7, 2.2)), 3), float(draw.integers(18, 29))
    weeks = float(draw.choice([8, 15, 60]))
    return Case(tank, net, feed, shape.stocking, planting, temperature, weeks, tuple(stacks))
