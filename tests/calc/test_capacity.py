"""The two ratings of a tank: the trade's worked examples to the printed digits, and what must never happen."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.tables import TABLES
from tests.rounds import AS_OF, FIGURES, Rounds

FINE = ("basket 1", "fine pad")


def one_tank(
    kg: float = 2.0, net: float | None = 240, layers: list[tuple[object, ...]] | None = None, **tank: object
) -> Rounds:
    r = Rounds().tank("T1", net_l=net, **tank)
    return r.filter("F1", "T1", layers or [FINE, ("basket 2", "good", kg)], clean=700)


# -- the trade's worked examples, all invented ---------------------------------------------------------


def test_example_a_care_home_lounge() -> None:
    """150 net, 1.5 kg: 100 % within, no slack; on gross it would be 120 %. Expected 7.8 a week (6.7–10.0)."""
    r = (
        Rounds()
        .tank("T1", gross_l=180, net_l=150)
        .filter("F1", "T1", [FINE, ("basket 2", "good", 1.5, {"wetted": 60})])
    )
    got = r.rating()
    assert (got["plain_load_pct"], got["plain_state"], got["over_full_cycle"]) == (100.0, "within", False)
    assert (got["need_kg"], got["effective_kg"], got["working_load_pct"]) == (1.5, 1.5, 100.0)
    assert 100 * got["gross_l"] / got["plain_l"] == pytest.approx(120)
    fed = r.feed("T1", 0.75).rating()
    assert [7 * fed[k] for k in ("expected_rise", "expected_low", "expected_high")] == pytest.approx(
        [7.8, 6.7, 10.0], abs=0.05
    )


def test_example_b_school_overfed_and_young() -> None:
    """200 net, 2 g a day, 3.0 kg at 10 weeks, 24 °C: 67 % plain, 524 % working; ripe 143 %, feed halved 71 %."""
    r = Rounds().tank("T1", net_l=200, temperature_c=24).feed("T1", 2.0)
    r.filter("F1", "T1", [FINE, ("basket 2", "good", 3.0, {"wetted": 10})])
    got = r.rating()
    _, layers = r.capacity()
    media = layers.row(by_predicate=pl.col("counts"), named=True)
    assert round(got["plain_load_pct"]) == 67
    assert (got["load"], got["need_kg"], got["load_basis"]) == (2.0, 4.0, "feed")
    assert (media["maturity"], media["temperature"]) == pytest.approx((0.273, 0.933), abs=5e-4)
    assert got["effective_kg"] == pytest.approx(0.763, abs=5e-4)
    assert round(got["working_load_pct"]) == 524
    assert 7 * got["expected_rise"] == pytest.approx(15.6, abs=0.05)
    ripe = r.rating(day=AS_OF + dt.timedelta(weeks=16))
    assert ripe["effective_kg"] == pytest.approx(2.80, abs=5e-3)
    assert round(ripe["working_load_pct"]) == 143
    assert ripe["working_state"] == "over"
    halved = r.feed("T1", 1.0, AS_OF + dt.timedelta(weeks=8)).rating(day=AS_OF + dt.timedelta(weeks=16))
    assert halved["working_load_pct"] == pytest.approx(71.4, abs=0.1)


def surgery(rings: list[tuple[object, ...]]) -> Rounds:
    r = Rounds().tank("T1", gross_l=300, net_l=250, planting="moderate")
    r.filter("F1", "T1", rings)
    r.filter("F2", "T1", [FINE, ("basket 2", "good", 1.6)])
    return r.filter("F3", "T1", [("block", "bio foam")], kind="internal")


def test_example_c_surgery_two_filters() -> None:
    """156 % plain on the porous media only, 121 % working; a fine pad first 115 %; good media instead of rings 92 %."""
    got = surgery([("basket 1", "coarse pad"), ("basket 2", "smooth", 1.0)]).rating()
    assert (round(got["plain_load_pct"]), got["plain_state"]) == (156, "over")
    assert (got["need_kg"], got["effective_kg"]) == pytest.approx((2.125, 1.75))
    assert (round(got["working_load_pct"]), got["working_state"]) == (121, "borderline")
    padded = surgery([("basket 1", "coarse pad"), ("basket 1", "fine pad"), ("basket 2", "smooth", 1.0)]).rating()
    assert padded["effective_kg"] == pytest.approx(1.85)
    assert round(padded["working_load_pct"]) == 115
    better = surgery([("basket 1", "coarse pad"), ("basket 1", "fine pad"), ("basket 2", "good", 0.714)]).rating()
    assert better["effective_kg"] == pytest.approx(2.314)
    assert round(better["working_load_pct"]) == 92


def test_example_d_office_goldfish() -> None:
    """120 net, 18 °C, 1.8 g a day; 2.0 kg in a trickle tower and 1.0 kg submerged: 40 % plain, 418 % working."""
    r = Rounds().tank("T1", net_l=120, temperature_c=18, stocking="messy").feed("T1", 1.8)
    r.filter("F1", "T1", [("top", "fine pad"), ("tray", "good", 2.0)], kind="trickle")
    r.filter("F2", "T1", [FINE, ("basket 2", "good", 1.0)])
    got = r.rating()
    assert (got["plain_load_pct"], got["load"], got["need_kg"]) == pytest.approx((40.0, 3.0, 3.6))
    assert got["effective_kg"] == pytest.approx(0.862, abs=5e-4)
    assert round(got["working_load_pct"]) == 418
    assert got["expected_rise"] == pytest.approx(3.35, abs=5e-3)


def test_example_e_cleaned_under_the_tap() -> None:
    """240 net, 2.8 kg, rinsed in tap water three weeks ago: 86 % plain throughout, 152 % working; 100 % at week 6.4."""
    r = one_tank(2.8).service("F1", 3, "media rinsed", media_share=1.0, rinse_water="tap", next_weeks=8)
    got = r.rating()
    assert round(got["plain_load_pct"]) == 86
    assert got["effective_kg"] == pytest.approx(1.575)
    assert round(got["working_load_pct"]) == 152
    assert round(r.rating(day=3.15)["working_load_pct"]) == 86  # the day before
    loads = [r.rating(day=AS_OF + dt.timedelta(days=d))["working_load_pct"] for d in (23, 24)]
    assert loads[0] > 100 >= loads[1]  # 44 and 45 days after, 6.4 weeks


# -- acceptance scenarios --------------------------------------------------------------------------


def test_scenario_1_rating_and_new_media() -> None:
    r = Rounds().tank("T1", net_l=240).filter("F1", "T1", [FINE, ("basket 2", "good", 2.0, {"wetted": 60})])
    got = r.rating()
    assert (got["plain_l"], got["plain_load_pct"], got["plain_state"]) == (200, 120.0, "borderline")
    assert got["net_l"] / FIGURES["litres_per_kg"] - got["media_kg"] == pytest.approx(0.40)
    assert got["over_full_cycle"]
    r.fill("F1", [("basket 3", "good", 0.5, {"wetted": 0})], since=0)
    r.add("compartment", model="model of F1", position=3, compartment="basket 3", stage="biological")
    now = r.rating()
    assert (now["plain_load_pct"], now["working_load_pct"]) == (96.0, 120.0)
    _, layers = r.capacity()
    assert "new: 0\u00a0weeks old" in layers.row(by_predicate=pl.col("mass_kg") == 0.5, named=True)["why"]
    in_15 = r.rating(day=AS_OF + dt.timedelta(weeks=15))
    assert in_15["effective_kg"] == pytest.approx(2.25)
    assert round(in_15["working_load_pct"]) == 107
    assert r.rating(day=AS_OF + dt.timedelta(weeks=26))["working_load_pct"] == 96.0
    assert r.rating(day=1)["plain_load_pct"] == 120.0  # nothing before the day it went in


def test_scenario_4_a_filter_moves() -> None:
    """History before the move stays; the kilograms of the round are the same on every day."""
    moved = dt.date(2026, 3, 10)
    eve = moved - dt.timedelta(days=1)
    r = Rounds().tank("1", net_l=150).tank("2", net_l=180)
    r.filter("K", "1", [FINE, ("basket 2", "good", 1.5)], to=eve).place("K", "2", moved)
    r.filter("L", "2", [FINE, ("basket 2", "good", 1.0)])
    frame, _ = r.capacity(eve, moved, moved + dt.timedelta(days=1))
    loads = {(row["tank"], row["as_of"]): row for row in frame.iter_rows(named=True)}
    assert (loads["1", eve]["plain_load_pct"], loads["2", eve]["plain_load_pct"]) == (100.0, 180.0)
    after = moved + dt.timedelta(days=1)
    left, got = loads["1", after], loads["2", after]
    assert (left["plain_state"], left["missing"], left["plain_load_pct"]) == ("half cycle only", "no rated media", None)
    assert (got["plain_load_pct"], got["filters"]) == (72.0, ["K", "L"])
    assert frame.group_by("as_of").agg(pl.col("media_kg").sum())["media_kg"].to_list() == [2.5] * 3


@pytest.mark.parametrize(
    ("layers", "tank", "plain", "working", "missing"),
    [
        ([FINE], {}, "half cycle only", "half cycle only", "no rated media"),
        ([FINE, ("basket 2", "smooth", 1.0)], {}, "half cycle only", "over", "no rated media"),
        ([FINE, ("basket 2", "bio foam")], {}, "half cycle only", "half cycle only", "no rated media"),
        ([FINE, ("basket 2", "good", 2.0)], {"net_l": None}, "can't say", "can't say", "net or gross litres"),
        ([FINE, ("basket 2", "good")], {}, "can't say", "can't say", "the mass of good in F1 basket 2"),
        ([FINE, ("basket 2", "smooth")], {}, "half cycle only", "can't say",
         "no rated media; the mass of smooth in F1 basket 2"),
        ([FINE, ("basket 2", "good", 2.0, {"wetted": 2})], {}, "borderline", "half cycle only", None),
        ([], {}, "can't say", "can't say", "what fills F1"),
    ],
)  # fmt: skip
def test_scenario_9_edges_are_words(layers, tank, plain, working, missing) -> None:  # type: ignore[no-untyped-def]
    r = Rounds().tank("T1", **{"net_l": 240, **tank}).filter("F1", "T1", layers)
    got = r.rating()
    assert (got["plain_state"], got["working_state"], got["missing"]) == (plain, working, missing)
    for state, load in (("plain_state", "plain_load_pct"), ("working_state", "working_load_pct")):
        assert (got[load] is None) == (got[state] in ("half cycle only", "can't say"))
    assert not any(isinstance(v, float) and v != v for v in got.values())


def test_a_tank_without_a_filter_or_unknown_to_the_book() -> None:
    got = Rounds().tank("T1", net_l=100).rating()
    # Not recorded is not none: nobody knows what runs there.
    assert (got["plain_state"], got["filters"], got["half_rating_l"]) == ("can't say", [], None)
    assert got["missing"] == "a filter on record"
    moved = Rounds().tank("T1", net_l=100).tank("T2", net_l=100)
    moved.filter("F", "T1", [("b", "good", 1.0)], to=moved.day(2)).place("F", "T2", moved.day(2) + dt.timedelta(1))
    assert moved.rating("T1")["plain_state"] == "half cycle only"  # its filter was moved away: none is left
    assert moved.rating("T1")["missing"] == "no rated media"
    r = one_tank()
    strange = pl.DataFrame({"tank": ["nobody"], "as_of": [AS_OF]})
    from pipeline.calc.capacity import capacity

    frame, layers = capacity(r.tables(), strange, FIGURES)
    assert frame.row(0, named=True)["plain_state"] == "can't say"
    assert layers.height == 0
    frame, layers = capacity({}, strange, FIGURES)
    assert (frame.height, layers.height) == (1, 0)


def test_gross_is_taken_at_085_and_said() -> None:
    got = one_tank(2.5, net=None, gross_l=294).rating()
    assert got["net_l"] == pytest.approx(249.9)
    assert (got["net_basis"], got["plain_load_pct"]) == ("assumed from gross", 100.0)


@pytest.mark.parametrize(
    ("net", "state", "over"),
    [(160, "comfortable", False), (160.2, "within", False), (200, "within", False), (200.09, "within", False),
     (200.2, "borderline", True), (250, "borderline", True), (250.2, "over", True)],
)  # fmt: skip
def test_bands_look_at_the_rounded_load(net: float, state: str, over: bool) -> None:
    got = one_tank(2.0, net=net).rating()
    assert (got["plain_state"], got["over_full_cycle"]) == (state, over)


def test_the_frames_are_as_the_schemas_say() -> None:
    frame, layers = one_tank().capacity(0, 1, 2)
    TABLES["capacity"].validate(frame)
    TABLES["capacity_layer"].validate(layers)


# -- common practice -------------------------------------------------------------------------------


def test_common_practice_two_kilograms_keep_two_hundred_litres() -> None:
    """1 kg of good porous media per 100 L: 2 kg keeps 200 L normally stocked. Common practice, no source."""
    got = one_tank(2.0, net=200).rating()
    assert (got["plain_l"], got["plain_load_pct"], got["working_load_pct"]) == (200, 100.0, 100.0)


# -- what holds for any tank -----------------------------------------------------------------------


@settings(max_examples=6)
@given(
    kg=st.floats(0.05, 10), net=st.floats(10, 1000), age=st.integers(0, 60), feed=st.one_of(st.none(), st.floats(0, 5)),
    stage=st.sampled_from(["coarse pad", "medium pad", "fine pad", "carbon"]),
)  # fmt: skip
def test_no_factor_makes_media_more_than_itself(
    kg: float, net: float, age: int, feed: float | None, stage: str
) -> None:
    """Working media is never above plain media beyond the warmth factor, and never a nan or ∞."""
    r = Rounds().tank("T1", net_l=net).filter("F1", "T1", [("a", stage), ("b", "good", kg, {"wetted": age})])
    if feed is not None:
        r.feed("T1", feed)
    got = r.rating()
    assert 0 <= got["effective_kg"] <= got["media_kg"] * FIGURES["temperature_factor_high"]
    assert got["plain_load_pct"] == pytest.approx(100 * net / (100 * kg), abs=0.06)
    assert all(v == v and abs(v) != float("inf") for v in got.values() if isinstance(v, float))


@settings(max_examples=5)
@given(st.lists(st.tuples(st.integers(0, 3), st.floats(0.1, 3)), min_size=1, max_size=6), st.integers(1, 40))
def test_mass_is_conserved_through_moves(moves: list[tuple[int, float]], weeks: int) -> None:
    """Filters move between four tanks: the kilograms of the round are the same on every day."""
    r = Rounds()
    for tank in range(4):
        r.tank(str(tank), net_l=100)
    when = AS_OF - dt.timedelta(weeks=weeks)
    for n, (target, kg) in enumerate(moves):
        r.filter(f"F{n}", str(n % 4), [FINE, ("b", "good", kg)], to=when - dt.timedelta(days=1))
        r.place(f"F{n}", str(target), when)
    frame, _ = r.capacity(weeks + 1, weeks, 0)
    sums = frame.group_by("as_of").agg(pl.col("media_kg").sum())["media_kg"]
    assert sums.to_list() == pytest.approx([sum(kg for _, kg in moves)] * 3)


def test_many_tanks_and_days_at_once_are_what_one_at_a_time_gives() -> None:
    r = Rounds()
    for n in range(5):
        r.tank(f"T{n}", net_l=100 + 20 * n).filter(
            f"F{n}", f"T{n}", [FINE, ("b", "good", 1 + n / 4, {"wetted": 10 + n})]
        )
        r.service(f"F{n}", 2 + n, "media rinsed", media_share=0.5 + n / 10, rinse_water="tank")
    together, _ = r.capacity(0, 3, 12)
    for row in together.iter_rows(named=True):
        assert r.rating(row["tank"], row["as_of"]) == row


def test_the_published_share_stands_beside_the_house_figure_never_in_it() -> None:
    """Food of 2 g/day at 40 % protein in 200 L: 1.6290 mg/L a day by P_TAN, all of it nitrified (computed)."""
    tank = Rounds().tank("T1", net_l=200).feed("T1", 2.0, protein_pct=40.0).rating()
    assert tank["expected_published"] == pytest.approx(1.6290, abs=1e-4)
    assert tank["expected_rise"] == pytest.approx(1.6290 * 0.7 / 0.575, rel=2e-3)
