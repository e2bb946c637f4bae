"""Filters that could come to a tank: a new one of the book, one that stands on no tank, one another tank can spare."""

from collections.abc import Iterable, Iterator

import numpy as np

from pipeline.advise.book import Medium, Model, best_medium, price
from pipeline.advise.options import Change, amounts, price_of
from pipeline.advise.state import FilterState, Inputs, Layer, TankState, curve, mature
from pipeline.assumptions import Assumptions


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
    donors = [donor for donor in inputs.donors.get(tank.site or "", ()) if donor.tank != tank.tank]
    for donor, state in [(None, state) for state in inputs.spare] + [(d, state) for d in donors for state in d.filters]:
        if mature(state.bodies(f)) < f["least_gain_kg"] or (donor is not None and not can_spare(donor, state, f)):
            continue
        if donor is None:
            says = f"Set up {state.name}, which is on no tank: leak test it first; its media dried out and counts as"
            says += " new." if state.aged else " new. The age of its media is not recorded."
            says += f" Its note says: “{state.note}”." if state.note else ""
            details: dict[str, object] = {"from": None, "note": state.note or None}
        else:
            says = f"Move {state.name} here from {donor.tank}, which stays within its rating without it; carry its media wet, in that tank's water."
            details = {"from": donor.tank}
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
