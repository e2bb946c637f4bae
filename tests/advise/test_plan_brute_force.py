"""Five hundred small tanks: the planner against brute force, and its options against the capacity they lead to."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.advise.plan import plans
from pipeline.calc.capacity import capacity
from tests.advise import brute_force as brute
from tests.rounds import AS_OF, FIGURES, Rounds

ROUNDS, TANKS = 10, 50
ANY = 16  # more changes than there are: no limit


@dataclass
class Planned:
    """One tank as drawn, the changes that were allowed, and its plan."""

    case: brute.Case
    market: brute.Market
    most: int
    plan: dict[str, Any]

    @cached_property
    def enough(self) -> list[tuple[brute.Act, ...]]:
        return brute.enough(self.case, self.market, self.most)

    @property
    def options(self) -> list[dict[str, Any]]:
        return [option for option in self.plan["options"] if option["reaches_rating"]]


@pytest.fixture(scope="module")
def planned() -> list[Planned]:
    """10 rounds of 50 tanks: with one filter any number of changes together, with two as many as the assumption says."""
    found = []
    for seed in range(ROUNDS):
        draw, r = np.random.default_rng(seed), Rounds()
        market = brute.random_market(draw)
        brute.add_market(r, market)
        two = seed % 4 == 3
        most = round(FIGURES["changes_most"]) if two else ANY
        cases = [brute.random_case(draw, f"T{n}", 1 + two) for n in range(TANKS)]
        for case in cases:
            brute.add_case(r, case)
            for stack in case.stacks:
                r.filter(stack.name, case.tank, stack.layers(case.weeks), model="own")
        week = r.week(FIGURES.with_values(changes_most=most), {"media": market.media, "filters": market.filters})
        made = plans(week, [case.tank for case in cases])
        json.dumps(made, allow_nan=False)
        found += [Planned(case, market, most, made[case.tank]) for case in cases]
    return found


def test_there_are_five_hundred_of_every_sort(planned: list[Planned]) -> None:
    """So that the rest of this file proves something: most are over, some can't be helped, some need nothing."""
    over = [one for one in planned if one.options]
    kinds = {change["kind"] for one in over for option in one.options for change in option["changes"]}
    assert len(planned) == 500
    assert len(over) > 300
    assert kinds == {"feed cut", "re-order", "repack", "carbon to media", "better media", "rehome", "second filter"}
    assert max(len(one.options[0]["changes"]) for one in over) >= 3
    assert sum(one.options[0]["cost"] is None for one in over) > 10
    assert sum(not one.options for one in planned) > 20


def test_loads_are_those_of_the_arithmetic(planned: list[Planned]) -> None:
    for one in planned:
        now, ripe = one.plan["now"], brute.load_when_ripe(one.case, ())
        assert now["working_mature_pct"] == (None if ripe == float("inf") else pytest.approx(ripe, abs=0.11))
        today = brute.load_today(one.case)
        assert now["working_load_pct"] == (None if today == float("inf") else pytest.approx(today, abs=0.11))


def test_the_first_option_costs_what_brute_force_finds_cheapest(planned: list[Planned]) -> None:
    for one in planned:
        today, ripe = brute.load_today(one.case), brute.load_when_ripe(one.case, ())
        if ripe <= 100:  # it needs nothing, or time: food is all that may be changed
            assert today > 100 or not one.options
            assert all([c["kind"] for c in option["changes"]] == ["feed cut"] for option in one.options)
            continue
        best = one.enough
        assert bool(best) == bool(one.options), one.case
        if best:
            lacking, cost = brute.price_of(best[0])
            first = one.options[0]
            assert (first["cost"] is None) == lacking, one.case
            assert first["cost_known_part"] == pytest.approx(cost, abs=0.006), one.case


def test_no_option_has_a_change_to_spare(planned: list[Planned]) -> None:
    """Each option is as dear as some set that is enough and of which no part is enough, by brute force."""
    for one in planned:
        if one.plan["now"]["working_mature_pct"] is not None and one.plan["now"]["working_mature_pct"] <= 100:
            continue
        small: list[frozenset[brute.Act]] = []
        for made in sorted(map(frozenset, one.enough), key=len):
            if not any(less < made for less in small):
                small.append(made)
        prices = {brute.price_of(list(made)) for made in small}
        for option in one.options:
            price = option["cost"] is None, option["cost_known_part"]
            assert any(price[0] == p[0] and abs(price[1] - p[1]) < 0.006 for p in prices), one.case


def test_every_option_really_reaches_the_rating(planned: list[Planned]) -> None:
    """Its changes are made to the records; the capacity of the day when all is ripe is the load it promised."""
    r = Rounds()
    r.model("own", brute.ROOMS)
    promised = {}
    for number, one in enumerate(planned):
        for place, option in enumerate(one.options):
            made = brute.after(one.case, one.market, option["changes"])
            tank = brute.add_case(r, one.case, f"{number}/{place}", made.feed)
            for name, layers in made.filters.items():
                r.filter(f"{tank} {name}", tank, layers, model="own")
            promised[tank] = option["working_mature_pct"]
    requests = pl.DataFrame({"tank": list(promised), "as_of": [r.day(-80)] * len(promised)})
    frame, _ = capacity(r.tables(), requests, FIGURES)
    got = dict(frame.select("tank", "working_load_pct").iter_rows())
    assert len(promised) > 2000
    assert max(got.values()) <= FIGURES["within_pct"]
    assert got == pytest.approx(promised, abs=0.11)


def test_an_option_is_within_from_the_day_it_names(planned: list[Planned]) -> None:
    """Not before as_of, and interim loads that stand after that day are within."""
    for one in planned:
        for option in one.options:
            assert option["effective_on"] >= AS_OF.isoformat()
            for step in option["interim"]:
                assert (step["on"] < option["effective_on"]) or step["working_pct"] <= 100
