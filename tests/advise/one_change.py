"""One tank's changes by their keys, and what some of them do together: plans are tried against it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pipeline.advise import changes as water
from pipeline.advise.evaluate import Effects, outcome
from pipeline.advise.options import Change, second_filters
from pipeline.advise.plan import _option, litres_a_year, possible
from pipeline.advise.state import build
from pipeline.week import Week


def possible_changes(week: Week, tank: str) -> list[dict[str, object]]:
    """Every change that could be made to a tank, as in `plan`, each with its key."""
    inputs = build(week, [tank])
    return [change.as_dict() for change in possible(inputs, inputs.tanks[tank], second_filters(inputs))]


def what_if(week: Week, tank: str, keys: Sequence[str], feed_share: float = 1.0) -> dict[str, Any]:
    """What some changes of `possible_changes` do together, fed a share of today's food: an option as in `plan`."""
    inputs = build(week, [tank])
    state = inputs.tanks[tank]
    by_key = {change.key: change for change in possible(inputs, state, second_filters(inputs))}
    made = [by_key[key] for key in keys]
    if feed_share != 1.0:
        made = [change for change in made if change.group != "feed"]
        made.append(Change("feed share", "feed cut", "", 0.0, group="feed", need_factor=feed_share))
    effects = Effects(state, [*by_key.values(), *made], inputs.assumed)
    known = water.facts_of(week, [tank])[tank]
    litres = litres_a_year(known.fraction_now, state.net_l, known.every_days)
    option = _option(outcome(effects, made, week.as_of), litres)
    return option | {"reaches_rating": bool(state.known and effects.reaches(effects.set_of(made)))}
