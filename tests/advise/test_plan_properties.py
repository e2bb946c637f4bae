"""What holds for the plan of any tank: media helps, food costs, and the options are in order."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.advise.plan import plan, plans
from tests.advise.one_change import possible_changes, what_if
from tests.rounds import FIGURES, Layer, Rounds

ROOMS: list[dict[str, Any]] = [
    {"compartment": "cup", "stage": "coarse"}, {"compartment": "b1", "stage": "fine"},
    {"compartment": "b2", "usable_l": 2.0}, {"compartment": "b3", "usable_l": 2.0},
    {"compartment": "b4", "stage": "chemical", "usable_l": 2.0},
]  # fmt: skip
PRICES: dict[str, dict[str, float]] = {"media": {"good": 18, "lava": 8, "fine pad": 3}, "filters": {"five": 120}}
FREE = 1e9  # ∞ stands in no JSON: a tank in which nothing works

SPARE: list[Layer] = [("b1", "fine pad"), ("b2", "good", 0.6, {"wetted": 50})]
Lying = tuple[str, float, int]

ALL_PADS: list[Layer] = [("cup", "coarse pad"), ("b1", "medium pad"), ("b1", "fine pad")]
pads = st.sets(st.integers(0, 2)).map(lambda those: [ALL_PADS[n] for n in sorted(those)])
media = st.tuples(st.sampled_from(["good", "lava", "smooth"]), st.floats(0.1, 1.2), st.integers(0, 60))
baskets = st.lists(media, min_size=1, max_size=2)
nets, grams = st.floats(40, 500), st.floats(0.1, 3)


def add(r: Rounds, tank: str, net: float, feed: float | None, before: list[Layer], lying: list[Lying]) -> Rounds:
    """A tank with one canister: pads in flow order, then media of an age [weeks] in the baskets."""
    r.tank(tank, site=f"site of {tank}", net_l=net, temperature_c=25)
    if feed is not None:
        r.feed(tank, feed)
    layers = [*before, *((f"b{n}", m, kg, {"wetted": age}) for n, (m, kg, age) in enumerate(lying, start=2))]
    return r.filter(f"F {tank}", tank, layers, model="five")


def book() -> Rounds:
    return Rounds().model("five", ROOMS, rated_flow_l_h=1000)


def loads(r: Rounds, *tanks: str) -> list[tuple[float, float]]:
    """Working load today and when ripe [%] of some tanks."""
    found = [plan_["now"] for plan_ in plans(r.week(), tanks).values()]
    today, ripe = ([FREE if now[f"working_{which}_pct"] is None else now[f"working_{which}_pct"] for now in found]
                   for which in ("load", "mature"))  # fmt: skip
    return list(zip(today, ripe, strict=True))


@settings(max_examples=4, deadline=None)
@given(
    nets, st.one_of(st.none(), grams), pads, baskets, st.floats(0.01, 2), st.sampled_from(["good", "lava", "smooth"])
)
def test_more_media_never_raises_a_load(
    net: float, feed: float | None, before: list[Layer], lying: list[Lying], kg: float, medium: str
) -> None:
    """A new layer in the last basket, and more of what lies in the first: of the same age, or new."""
    first, *rest = lying
    r = add(book(), "as it is", net, feed, before, lying)
    add(r, "a layer more", net, feed, before, lying).fill("F a layer more", [("b4", medium, kg, {"wetted": 0})])
    add(r, "fuller", net, feed, before, [(first[0], first[1] + kg, first[2]), *rest])
    add(r, "doubled", net, feed, before, [(m, 2 * mass, age) for m, mass, age in lying])
    was, *richer, doubled = loads(r, "as it is", "a layer more", "fuller", "doubled")
    for got in (*richer, doubled):
        assert got[0] <= was[0]
        assert got[1] <= was[1]
    assert doubled[1] == pytest.approx(was[1] / 2, abs=0.11)


@settings(max_examples=4, deadline=None)
@given(nets, grams, st.floats(1.01, 3), pads, baskets)
def test_more_food_never_lowers_a_load(
    net: float, feed: float, times: float, before: list[Layer], lying: list[Lying]
) -> None:
    r = add(add(book(), "fed", net, feed, before, lying), "fed more", net, feed * times, before, lying)
    fed, more = loads(r, "fed", "fed more")
    assert more[0] >= fed[0]
    assert more[1] >= fed[1]
    if more[1] < FREE:
        assert more[1] == pytest.approx(fed[1] * times, abs=0.06 * (1 + times))


@settings(max_examples=2, deadline=None)
@given(nets, st.one_of(st.none(), grams), pads, baskets)
def test_no_change_alone_raises_the_ripe_load(
    net: float, feed: float | None, before: list[Layer], lying: list[Lying]
) -> None:
    r = add(book(), "T1", net, feed, before, lying).filter("spare", None, SPARE, model="five")
    week, [(_, ripe)] = r.week(prices=PRICES), loads(r, "T1")
    for change in possible_changes(week, "T1"):
        got = what_if(week, "T1", [str(change["key"])])
        assert (got["working_mature_pct"] or FREE) <= ripe
        assert got["cost"] == change["cost"]
        assert got["minutes"] == change["minutes"]
        assert got["minutes"] > 0


def cost_of(option: dict[str, Any]) -> tuple[bool, float]:
    return option["cost"] is None, option["cost"] or option["cost_known_part"]


@settings(max_examples=4, deadline=None)
@given(
    nets, st.one_of(st.none(), grams), pads, baskets, st.sets(st.sampled_from(["good", "lava", "fine pad", "five"])),
    st.one_of(st.none(), st.floats(0, 20)),
)  # fmt: skip
def test_options_are_sorted_by_cost_and_add_up(
    net: float, feed: float | None, before: list[Layer], lying: list[Lying], unpriced: set[str], water: float | None
) -> None:
    """A cost that is not known comes last; a cost and the minutes are those of the changes; all but sizing reach."""
    prices: dict[str, Any] = {
        group: {name: price for name, price in listed.items() if name not in unpriced}
        for group, listed in PRICES.items()
    }
    prices |= {} if water is None else {"water_m3": water}
    r = add(book(), "T1", net, feed, before, lying).filter("spare", None, SPARE, model="five")
    options = plan(r.week(prices=prices), "T1")["options"]
    reaching = [option for option in options if option["reaches_rating"]]
    assert list(map(cost_of, reaching)) == sorted(map(cost_of, reaching))
    known = [option["cost"] for option in options if option["cost"] is not None]
    assert known == sorted(known)
    assert [option["cost"] is None for option in options] == sorted(option["cost"] is None for option in options)
    assert len(options) - len(reaching) <= 1
    for option in reaching:
        each = [change["cost"] for change in option["changes"]]
        assert (option["cost"] is None) == (None in each)
        assert None in each or option["cost"] == pytest.approx(sum(each), abs=0.02)
        assert option["minutes"] == sum(change["minutes"] for change in option["changes"])
        assert option["working_mature_pct"] <= FIGURES["within_pct"]
        assert option["effective_on"] is not None


@settings(max_examples=3, deadline=None)
@given(nets, grams, pads, baskets, st.sampled_from(["good", "fine pad", "five"]), st.floats(1.1, 4))
def test_a_dearer_price_never_makes_the_cheapest_way_cheaper(
    net: float, feed: float, before: list[Layer], lying: list[Lying], name: str, times: float
) -> None:
    r = add(book(), "T1", net, feed, before, lying)
    dearer = {
        group: {n: p * (times if n == name else 1) for n, p in listed.items()} for group, listed in PRICES.items()
    }
    first = [
        [option["cost"] for option in plan(r.week(prices=prices), "T1")["options"] if option["reaches_rating"]][:1]
        for prices in (PRICES, dearer)
    ]
    assert len(first[0]) == len(first[1])
    assert first[1] >= first[0]
