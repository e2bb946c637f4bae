"""The changes that could be made to a tank, each alone: what it does to filters or food, cost and minutes. Mature media
is added to, never swapped wholesale; where poor media is exchanged, it goes a third at a time."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from pipeline.advise.book import Medium, Model, Room, best_medium, fine_pad, price
from pipeline.advise.state import Body, FilterState, Inputs, Layer, TankState, curve, mature
from pipeline.assumptions import Assumptions
from pipeline.calc.layers import HALF_CYCLE_KINDS
from pipeline.calc.servicing import DAYS_A_WEEK
from pipeline.sentences import filled as fill
from pipeline.sentences import table as sentences
from pipeline.wording import kilograms, listed, number, per_cent


@dataclass(frozen=True)
class Change:
    """One change. `cost` None: a price is not known (`lacking` names it); `known_cost` is the part that is.

    Of one `group` only one is made. `edit` makes a filter's new state, `extra` adds what the state cannot say.
    """

    key: str
    kind: str
    says: str
    minutes: float
    priced: tuple[tuple[str, float | None], ...] = ()  # (name, price of all of it)
    group: str = ""
    filter: str | None = None
    details: dict[str, object] = field(default_factory=dict)
    need_factor: float = 1.0
    milder: tuple[str, ...] = ()  # keys of the changes of its group that ask less
    edit: Callable[[FilterState], FilterState] | None = None
    extra: Callable[[FilterState], list[Body]] | None = None  # bodies on top of the edited state's own
    brings: FilterState | None = None  # a filter that comes to the tank
    doubted: bool = False  # a spare with a note, or with media of unknown age: never the first option

    @cached_property
    def lacking(self) -> tuple[str, ...]:
        return tuple(name for name, price in self.priced if price is None)

    @cached_property
    def known_cost(self) -> float:
        return sum(price for _, price in self.priced if price is not None)

    @property
    def cost(self) -> float | None:
        return None if self.lacking else round(self.known_cost, 2)

    def as_dict(self) -> dict[str, object]:
        """As `plan --format json` prints it."""
        shown = {"kind": self.kind, "key": self.key, "says": self.says, "cost": self.cost, "minutes": self.minutes}
        return shown | ({"filter": self.filter} if self.filter else {}) | self.details


def price_of(inputs: Inputs, medium: Medium, kg: float) -> tuple[str, float | None]:
    each = price(inputs.prices, medium.name, "media")
    return medium.name, None if each is None else each * kg


def by_medium(parts: Iterable[tuple[Medium, float]]) -> dict[str, float]:
    """The mass of each medium, each once."""
    kg: dict[str, float] = {}
    for medium, mass in parts:
        kg[medium.name] = kg.get(medium.name, 0.0) + mass
    return kg


def own_medium(inputs: Inputs, state: FilterState) -> Medium | None:
    """The medium to add to a filter: the one it has most of that counts, else the best of the catalogue."""
    counted = [layer for layer in state.layers if layer.media and layer.medium.counts(inputs.assumed)]
    kg = by_medium((layer.medium, layer.kg or 0.0) for layer in counted if layer.medium.bulk is not None)
    if not kg:
        return best_medium(inputs.media, inputs.prices, inputs.assumed)
    return inputs.media[max(sorted(kg), key=lambda name: kg[name])]


def amounts(parts: Iterable[tuple[Medium, float]]) -> str:
    """`0.52 kg of sintrel beads and 1.46 kg of ashgrit`, each medium once."""
    return listed(f"{kilograms(mass)} of {name}" for name, mass in by_medium(parts).items())


def added(state: FilterState, layer: Layer, before: int) -> FilterState:
    return replace(state, layers=(*state.layers[:before], layer, *state.layers[before:]))


# -- the tank itself ---------------------------------------------------------------------------------


def feed_cuts(inputs: Inputs, tank: TankState) -> Iterator[Change]:
    """Less food, down to what light stocking gets; free and at once, if the feed is truly above need."""
    f = inputs.assumed
    if not f["use_load"]:
        return
    milder: tuple[str, ...] = ()
    for cut in sorted({f["feed_cut_share"], f["feed_cut_most"]}):
        if not 0 < cut < 1 or tank.load * (1 - cut) < f["load_light"] - 1e-9:
            continue
        says = f"Feed {per_cent(100 * cut)} less, if that is still enough for the fish"
        details: dict[str, object] = {"share": cut}
        if tank.load_basis == "feed" and tank.feed_g_day is not None:
            grams = tank.feed_g_day * (1 - cut)
            says += f": {number(tank.feed_g_day)} to {number(grams)} g a day"
            details["feed_g_day"] = round(grams, 3)
        key = f"feed cut {cut:g}"
        yield Change(
            key, "feed cut", says + ".", f["visit_minutes_feed"], group="feed", details=details, need_factor=1 - cut,
            milder=milder,
        )  # fmt: skip
        milder = (*milder, key)


# -- a filter that is there --------------------------------------------------------------------------


def re_order(inputs: Inputs, state: FilterState) -> Iterator[Change]:
    """All media behind a fine stage and in the flow; media in the pre-filter moves a third at a time."""
    f = inputs.assumed
    gain = mature(replace(state, tidied=True).bodies(f)) - mature(state.bodies(f))
    if state.kind == "trickle" or gain < f["least_gain_kg"]:
        return
    media = [layer for layer in state.layers if layer.media]
    first = next(i for i, layer in enumerate(state.layers) if layer.media)
    fine = [i for i, layer in enumerate(state.layers) if layer.medium.stage == "fine"]
    pad = fine_pad(inputs.media, inputs.prices)
    name = pad.name if pad is not None else "a fine pad"
    priced = () if fine else ((name, price(inputs.prices, name, "media")),)
    before = f"before {media[0].medium.name} in {media[0].room}"
    possible = (
        (not fine, f"put {name} {before}"),
        (fine and fine[0] > first, f"move the fine stage to {before}"),
        (any(layer.outside for layer in media), "put the bag of media into the flow"),
        (any(layer.bypass for layer in media), "refit the seal and cut pads to fit, so that no water passes by"),
    )
    steps = [step for needed, step in possible if needed]
    steps = steps or ["put settlement, coarse, medium and fine before all media"]
    if first == 0:
        steps.append("move the media that meets the water first a third at a time")
    text = f"{state.name}: {listed(steps)}."
    yield Change(
        f"re-order {state.name}", "re-order", text[:1].upper() + text[1:], f["visit_minutes_pads"], priced,
        filter=state.name, edit=lambda s: replace(s, tidied=True),
    )  # fmt: skip


def _neat_gain(inputs: Inputs, state: FilterState, room: Room) -> tuple[Medium, float] | None:
    """(medium, kg) that a room takes on top when its media is packed neatly; None for nothing, or where it can't be known."""
    inside = [layer for layer in state.layers if layer.room == room.name]
    media = [layer for layer in inside if layer.media]
    if not media or any(layer.tight_share is None for layer in inside):
        return None
    main = max(media, key=lambda layer: layer.kg or 0.0).medium
    neat = room.neat(main, inputs.assumed)
    if not main.counts(inputs.assumed) or neat is None:
        return None
    more = neat * (1.0 - sum(layer.tight_share or 0.0 for layer in inside))
    return (main, more) if more > 0 else None


def repack(inputs: Inputs, state: FilterState) -> Iterator[Change]:
    """Neat packing of the rooms that hold media, new media into the gaps."""
    f = inputs.assumed
    gains = {room.name: gain for room in state.rooms if (gain := _neat_gain(inputs, state, room)) is not None}
    total = sum(kg for _, kg in gains.values())
    if not gains or total < f["least_gain_kg"]:
        return

    def edit(s: FilterState) -> FilterState:
        for name, (medium, kg) in gains.items():
            at = max(i for i, layer in enumerate(s.layers) if layer.room == name and layer.media) + 1
            s = added(s, Layer(name, s.layers[at - 1].position, medium, kg, age_weeks=0.0), at)
        return s

    new = by_medium(gains.values())
    what = listed(f"{kilograms(kg)} of new {name}" for name, kg in new.items())
    yield Change(
        f"repack {state.name}", "repack",
        f"{state.name}: pack {listed(gains)} neatly, a third at a time, and add {what}. Stop if flow falls.",
        f["visit_minutes_media"] * len(gains), tuple(price_of(inputs, inputs.media[n], kg) for n, kg in new.items()),
        filter=state.name, details={"kg": round(total, 3), "compartments": list(gains)}, edit=edit,
    )  # fmt: skip


def into_rooms(inputs: Inputs, state: FilterState) -> Iterator[Change]:
    """Media into compartments that stand empty and are meant for it or for carbon; then where carbon lies: permanent, and
    the carbon need not be renewed."""
    f, medium = inputs.assumed, own_medium(inputs, state)
    if medium is None:
        return
    for room in sorted(state.rooms, key=lambda room: any(layer.room == room.name for layer in state.layers)):
        inside = [layer for layer in state.layers if layer.room == room.name]
        carbon = [layer for layer in inside if layer.medium.stage == "chemical"]
        kg = room.loose(medium)
        if kg is None or not (carbon if inside else room.for_media or room.for_carbon):
            continue
        if len(carbon) < len(inside):  # it shares its room: only its own part is free
            if any(layer.loose_share is None for layer in carbon):
                continue
            kg *= min(sum(layer.loose_share or 0.0 for layer in carbon), 1.0)
        if kg < f["least_gain_kg"]:
            continue

        def edit(s: FilterState, room: Room = room, kg: float = kg) -> FilterState:
            # Where the carbon lay, else before all that comes later along the flow.
            goes = [i for i, x in enumerate(s.layers) if x.room == room.name and x.medium.stage == "chemical"]
            later = [i for i, x in enumerate(s.layers) if (x.position or 0) > room.position]
            kept = replace(s, layers=tuple(x for i, x in enumerate(s.layers) if i not in goes))
            new = Layer(room.name, room.position, medium, kg, age_weeks=0.0)
            return added(kept, new, goes[0] if goes else min(later, default=len(s.layers)))

        details: dict[str, object] = {"kg": round(kg, 3), "compartments": [room.name], "medium": medium.name}
        kind, new = "carbon to media", f"{kilograms(kg)} of new {medium.name}"
        if carbon:
            says = f"{new} into {room.name} instead of carbon, which stays in the van."
            life, fill = carbon[0].life_days or f["carbon_due_weeks"] * DAYS_A_WEEK, price(inputs.prices, "carbon")
            details["saves_a_year"] = None if fill is None else round(fill * 365 / life, 2)
        elif room.for_media:
            kind, says = "repack", f"fill the empty {room.name} with {new}."
        else:
            says = f"fill the empty {room.name}, meant for carbon, which stays in the van, with {new}."
        yield Change(
            f"{kind} {state.name} {room.name}", kind, f"{state.name}: {says}", f["visit_minutes_media"],
            (price_of(inputs, medium, kg),), filter=state.name, details=details, edit=edit,
        )  # fmt: skip


def better_media(inputs: Inputs, state: FilterState) -> Iterator[Change]:
    """Good media instead of media that does not count, a third at a time, weeks apart."""
    f = inputs.assumed
    medium = best_medium(inputs.media, inputs.prices, f)
    if medium is None or medium.bulk is None:
        return
    goes = round(1 / f["media_share_at_once"])
    weeks = f["better_step_weeks"]
    for old in state.layers:
        if not old.media or not old.kg or old.medium.quality is None or old.medium.counts(f):
            continue
        volume = old.kg / old.medium.bulk if old.medium.bulk else old.litres
        if volume is None:
            continue
        kg = volume * medium.bulk
        if kg * (medium.quality or 0) - old.kg * old.quality < f["least_gain_kg"]:
            continue

        def edit(s: FilterState, old: Layer = old) -> FilterState:
            """The old media out of the state: `extra` has it, going a third at a time."""
            return replace(s, layers=tuple(replace(x, kg=0.0) if x is old else x for x in s.layers))

        def extra(s: FilterState, old: Layer = old, kg: float = kg) -> list[Body]:
            gone = [x.room == old.room and x.medium is old.medium and x.kg == 0.0 for x in s.layers]
            place = s.places(f)[gone.index(True)] or 0.0
            was = (old.kg or 0.0) * (old.quality if f["use_quality"] else 1.0)
            new = (medium.quality or 0.0) if f["use_quality"] else 1.0
            days = [round(n * weeks * DAYS_A_WEEK) for n in range(goes)]
            fading = tuple((day, was * place * (1 - (n + 1) / goes)) for n, day in enumerate(days))
            thirds = [Body(((0, kg / goes * new * place),), -n * weeks) for n in range(goes)]
            return [Body(fading, old.age_weeks, old.blows), *thirds]

        yield Change(
            f"better media {state.name} {old.room} {old.medium.name}", "better media",
            f"{state.name}: exchange {old.medium.name} in {old.room} for {kilograms(kg)} of {medium.name}, a third"
            f" every {number(weeks)} weeks, never all at once.",
            f["visit_minutes_media"] * goes, (price_of(inputs, medium, kg),), filter=state.name,
            details={"kg": round(kg, 3), "compartments": [old.room], "medium": medium.name, "steps": goes},
            edit=edit, extra=extra,
        )  # fmt: skip


def of_filter(inputs: Inputs, state: FilterState) -> list[Change]:
    if state.kind in HALF_CYCLE_KINDS:
        return []
    return [change for maker in (re_order, repack, into_rooms, better_media) for change in maker(inputs, state)]


# -- filters that could come: a new one of the book, one that stands on no tank, one another tank can spare --


def filled(inputs: Inputs, model: Model) -> tuple[FilterState, list[tuple[Medium, float]]] | None:
    """A new filter of a model, filled loosely as the book has it, and its media; None where it can't be said."""
    layers: list[Layer] = []
    bought: list[tuple[Medium, float]] = []
    best = best_medium(inputs.media, inputs.prices, inputs.assumed)
    for room in model.rooms:
        for stage, name in room.usual:
            medium = inputs.media.get(name or "") or (best if stage == "biological" else None)
            if stage != "biological" or medium is None:
                layers.append(Layer(room.name, room.position, medium or Medium(stage or "", stage, None, None)))
            elif medium.foam:
                layers.append(Layer(room.name, room.position, medium, litres=room.usable_l))
            else:
                kg = room.loose(medium)
                if kg is None or medium.quality is None:
                    return None
                layers.append(Layer(room.name, room.position, medium, kg, age_weeks=0.0))
                bought.append((medium, kg))
    state = FilterState(f"new {model.name}", model, model.kind, tuple(layers), model.flow(inputs.assumed)[0])
    return (state, bought) if bought else None


def second_filters(inputs: Inputs) -> list[Change]:
    """A new filter of each model that does something for the full cycle; the dearer for no more is left out."""
    f = inputs.assumed
    found: list[tuple[float, Change]] = []
    for model in inputs.book.values():
        made = None if model.half_cycle_kind else filled(inputs, model)
        if made is None:
            continue
        state, bought = made
        gain = mature(state.bodies(f))
        if gain < f["least_gain_kg"]:
            continue
        priced = (
            (model.name, price(inputs.prices, model.name, "filters")),
            *(price_of(inputs, m, kg) for m, kg in bought),
        )
        change = Change(
            f"second filter {model.name}", "second filter",
            f"Set up a second filter, {model.name}, with {amounts(bought)}.",
            f["visit_minutes_filter"], priced, group="second", filter=state.name,
            details={"model": model.name, "kg": round(sum(kg for _, kg in bought), 3)}, brings=state,
        )  # fmt: skip
        found.append((gain, change))
    return [change for gain, change in found if not _dominated(gain, change, found)]


def _dominated(gain: float, change: Change, others: Iterable[tuple[float, Change]]) -> bool:
    """Whether another model does as much for less; models of unknown price are only measured against each other."""
    return any(
        more >= gain and (other.known_cost, -more, other.key) < (change.known_cost, -gain, change.key)
        for more, other in others
        if (other.cost is None) == (change.cost is None)
    )


def rehomings(inputs: Inputs, tank: TankState) -> Iterator[Change]:
    """Filters that stand on no tank, and those that another tank of the same site can spare."""
    f = inputs.assumed
    beside = [other for other in inputs.tanks.values() if other.site == tank.site and other is not tank]
    donors = [other for other in beside if tank.site is not None and len(other.filters) > 1]
    for donor, state in [(None, state) for state in inputs.spare] + [(d, state) for d in donors for state in d.filters]:
        if mature(state.bodies(f)) < f["least_gain_kg"] or (donor is not None and not can_spare(donor, state, f)):
            continue
        note, unknown = state.note or None, None if state.aged else "The age of its media is not recorded."
        says = sentences(__file__, "sentences.toml")["rehome"]["spare" if donor is None else "spared"]
        says = fill(says, state=state, donor=donor, note=note, unknown=unknown)
        details: dict[str, object] = {"from": None, "note": note} if donor is None else {"from": donor.tank}
        yield Change(
            f"move filter {state.name}", "rehome", says, f["visit_minutes_filter"], group="rehome", filter=state.name,
            details=details, brings=state, doubted=bool(state.note) or not state.aged,
        )  # fmt: skip


def can_spare(donor: TankState, state: FilterState, assumed: Assumptions) -> bool:
    """Whether a tank stays within both ratings, and covered in the half cycle, without one of its filters."""
    if not donor.known or donor.need_kg is None or donor.net_l is None or donor.capacity["media_kg"] is None:
        return False
    rest = [other for other in donor.filters if other is not state]
    left = sum(float(curve(s.bodies(assumed), np.zeros(1), assumed)[0]) * s.clog for s in rest) * donor.warmth
    plain = sum(x.kg or 0.0 for s in rest for x in s.layers if x.media and x.medium.counts(assumed))
    half = sum(s.half_l(assumed) for s in rest)
    share = assumed["within_pct"] / 100
    covered = donor.net_l <= plain * assumed["litres_per_kg"] * share and donor.net_l <= half
    return bool(donor.need_kg <= left * share and covered)
