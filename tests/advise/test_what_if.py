"""What-ifs: today beside today is the capacity of the day; food, media, places and water against sums by hand."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.advise.what_if import FIRST, Asked, Settings, Start, answer, rise_of, sized_by_outlook, start
from pipeline.problems import Problem
from schemas import conform
from tests.advise.one_change import what_if
from tests.advise.test_plan import tap
from tests.rounds import AS_OF, Rounds

PRICES = {"media": {"good": 18, "lava": 7}, "water_m3": 4}
LAYERS = [("a", "coarse pad"), ("b", "medium pad"), ("c", "fine pad"), ("d", "good", 1.5)]
MADE_PER_G = 1000 * 0.45 * 0.16 * 62.004 / 14.007 * 0.7  # mg of nitrate: protein 45 %, nitrogen of it 16 %, 0.7 of that


def fed(grams: float = 1.0, **tank: Any) -> Rounds:
    """200 net at 25 °C on one ripe canister of 1.5 kg behind coarse, medium and fine."""
    r = Rounds().tank("T1", **{"net_l": 200, "temperature_c": 25, **tank})
    return tap(r.feed("T1", grams), 5).filter("F1", "T1", LAYERS)


def seen(**more: Any) -> pl.DataFrame:
    """An outlook of the day: 45 (35–55) under a change of 20 % a week."""
    row = {"tank": "T1", "as_of": AS_OF, "ceiling": 40.0, "trend": "steady", "plateau": 45.0, "plateau_low": 35.0,
           "plateau_high": 55.0, "tap": 5.0, "mean_fraction": 0.2, "mean_gap_days": 7.0, "change_share": 1.0,
           "hand_intervals": 6, "level": 38.0}  # fmt: skip
    return conform("nitrate_outlook", pl.DataFrame([row | more]))


def begun(r: Rounds, outlook: pl.DataFrame | None = None, prices: Any = PRICES) -> Start:
    if outlook is None:
        return start(r.week(prices=prices), "T1")
    return start(r.week(prices=prices, nitrate_outlook=outlook), "T1")


def asked(at: Start, **change: Any) -> Asked:
    return answer(at, replace(at.today, **change))


def more_media(at: Start, kg: float = 0.5, medium: str = "good", spot: str = "F1, after fine", **more: Any) -> Asked:
    return asked(at, media_kg=kg, medium=medium, spot=spot, **more)


# -- today ---------------------------------------------------------------------------------------------


def shaken() -> Rounds:
    """Young media, rinsed under the tap, in a filter full of sludge."""
    r = Rounds().tank("T1", net_l=200, temperature_c=25).feed("T1", 1.0)
    r.filter("F1", "T1", [*LAYERS[:3], ("d", "good", 1.5, {"wetted": 15})])
    r.service("F1", 3, "media rinsed", tank="T1", compartment="d", media_share=1.0, rinse_water="tap")
    return r.service("F1", 1, "check", tank="T1", found="sludge", next_weeks=4.0)


@pytest.mark.parametrize("r", [fed(), fed(planting="dense"), shaken()], ids=["plain", "planted", "shaken"])
def test_nothing_asked_is_the_capacity_of_the_day_on_both_sides(r: Rounds) -> None:
    at = begun(r, seen())
    found = answer(at, at.today)
    assert found.now == found.then
    row = at.tank.capacity
    assert (found.now.working_pct, found.now.plain_pct) == (row["working_load_pct"], row["plain_load_pct"])
    assert (found.words, found.cost, found.cost_year, found.minutes) == ((), 0.0, 0.0, 0.0)


def test_today_has_the_dirt_in_it_and_the_days_to_come_do_not() -> None:
    at = begun(shaken())
    found = answer(at, at.today)
    (state,) = at.tank.filters
    assert state.clog < 1
    assert found.now.working_pct is not None
    assert found.now.working_pct > 100 * 2.0 / (1.5 * state.clog)  # with nothing but the dirt
    assert found.now.mature_pct == pytest.approx(100 * 2.0 / 1.5, abs=0.06)
    assert "Today's bioload counts the dirt in the filters" in " ".join(found.notes)


# -- food and stock ------------------------------------------------------------------------------------


def test_food_moves_the_load_and_what_it_makes_by_its_share() -> None:
    at = begun(fed(1.0), seen())
    found = asked(at, feed_g_day=0.75)
    assert found.now.working_pct == pytest.approx(100 * (1.0 / 2) / 0.5 * 2.0 / 1.5, abs=0.06)
    assert found.then.working_pct == pytest.approx(100.0, abs=0.06)
    assert found.now.made is not None
    assert found.now.made.value == pytest.approx(7 * MADE_PER_G / 200, rel=1e-3)
    assert found.then.made is not None
    assert found.then.made.value == pytest.approx(0.75 * found.now.made.value)
    assert (found.words, found.minutes) == (("Feed 0.75\u00a0g a day instead of 1.",), 10.0)


@settings(max_examples=4)
@given(share=st.floats(0.2, 1.8))
def test_food_gives_the_loads_that_the_plan_gives(share: float) -> None:
    week = shaken().week(prices=PRICES)
    at = start(week, "T1")
    then = asked(at, feed_g_day=share).then
    other = what_if(week, "T1", [], feed_share=share)
    assert then.mature_pct == pytest.approx(other["working_mature_pct"], abs=0.11)
    assert (None if then.within_on is None else then.within_on.isoformat()) == other["effective_on"]
    assert [load for _, load in then.interim] == pytest.approx(
        [step["working_pct"] for step in other["interim"]], abs=0.2
    )


def test_other_protein_makes_other_nitrate() -> None:
    r = Rounds().tank("T1", net_l=200).feed("T1", 1.0, protein_pct=30.0).filter("F1", "T1", LAYERS)
    found = asked(begun(r), feed_g_day=2.0)
    assert found.then.made is not None
    assert found.then.made.value == pytest.approx(2 * 7 * MADE_PER_G / 200 * 30 / 45, rel=1e-3)


def test_food_of_nought_on_record_can_be_asked_about() -> None:
    at = begun(fed(0.0), seen())
    least, most, _ = at.feed_range
    assert least > 0
    assert most >= 1.0  # what is normal for 200 L
    found = asked(at, feed_g_day=1.0)
    assert found.then.working_pct == pytest.approx(133.3)
    assert found.then.made is not None


@pytest.mark.parametrize("grams", [0.004, 0.05, 0.3, 1.68, 12.0])
def test_the_food_of_today_lies_on_its_slider(grams: float) -> None:
    least, most, step = begun(fed(grams)).feed_range
    assert 0 < least <= grams <= most
    assert step > 0


def test_stock_counts_only_where_food_is_not_weighed_and_its_nitrate_stays_unknown() -> None:
    r = Rounds().tank("T1", net_l=150, stocking="normal").filter("F1", "T1", LAYERS)
    at = begun(r, seen())
    assert at.today == Settings(stocking="normal", fraction=0.2, every_days=7.0)
    found = asked(at, stocking="heavy")
    assert (found.now.working_pct, found.then.working_pct) == (100.0, 150.0)
    assert (found.now.made, found.then.plateau) == (None, None)
    assert found.then.plateau_why == "not known: their food is not weighed"
    assert found.words == ("Stock it as heavy instead of normal.",)
    assert any("Food is not weighed" in note for note in found.notes)


# -- media -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("spot", "place"),
    [("F1, after fine", 1.0), ("F1, after medium", 0.8), ("F1, after coarse", 0.6), (f"F1, {FIRST}", 0.25)],
)
def test_media_counts_by_its_place_and_quality_when_mature_and_nothing_while_new(spot: str, place: float) -> None:
    found = more_media(begun(fed()), 0.8, "lava", spot)
    assert found.then.working_pct == found.now.working_pct == pytest.approx(133.3)
    assert found.then.mature_pct == pytest.approx(100 * 2.0 / (1.5 + 0.8 * 0.6 * place), abs=0.06)
    assert found.cost == pytest.approx(0.8 * 7)


def test_the_places_are_those_of_the_filter_the_finest_first() -> None:
    assert list(begun(fed()).spots) == ["F1, after fine", "F1, after medium", "F1, after coarse", f"F1, {FIRST}"]
    assert begun(Rounds().tank("T1", net_l=100)).spots == {}


def test_a_place_lies_behind_the_last_layer_of_its_stage() -> None:
    layers = [("a", "coarse pad"), ("b", "fine pad"), ("c", "fine pad"), ("d", "good", 1.5)]
    spots = begun(Rounds().tank("T1", net_l=200).filter("F1", "T1", layers)).spots
    assert [(layer.room, at) for _, at, layer in spots.values()] == [("c", 3), ("a", 1), ("a", 0)]


def test_only_media_that_counts_is_offered_what_is_there_first() -> None:
    assert list(begun(fed()).media) == ["good", "lava"]
    r = Rounds().tank("T1", net_l=200).filter("F1", "T1", [*LAYERS[:3], ("d", "lava", 1.5)])
    assert list(begun(r).media) == ["lava", "good"]


def test_the_plain_rule_counts_new_media_at_once() -> None:
    found = more_media(begun(fed()), 0.5)
    assert (found.now.plain_pct, found.then.plain_pct) == (133.3, 100.0)


def test_the_day_within_is_when_the_new_media_is_ripe_enough() -> None:
    """1.5 kg are there and 2.0 wanted; 1.0 new ones work half at week 15: (15 − 4)/22."""
    found = more_media(begun(fed()), 1.0)
    assert found.now.within_on is None
    assert found.then.within_on is not None
    assert (found.then.within_on - AS_OF).days == pytest.approx(15 * 7, abs=1)


@given(kg=st.floats(0.05, 6), share=st.floats(0.1, 1.0))
@settings(max_examples=4)
def test_media_and_less_food_never_make_a_load_worse(kg: float, share: float) -> None:
    found = more_media(begun(fed(), seen()), kg, feed_g_day=share)
    assert found.now.mature_pct is not None
    assert found.then.mature_pct is not None
    assert found.then.mature_pct <= found.now.mature_pct
    assert found.then.plateau is not None
    assert found.now.plateau is not None
    assert found.then.plateau.value <= found.now.plateau.value + 1e-9


def test_media_into_an_internal_filter_does_nothing_for_the_full_cycle() -> None:
    r = (
        Rounds()
        .tank("T1", net_l=100)
        .feed("T1", 0.5)
        .filter("F1", "T1", [("a", "fine pad"), ("b", "good", 1.0)], kind="internal")
    )
    found = more_media(begun(r), 2.0)
    assert found.then.mature_pct == found.now.mature_pct is None


def test_a_price_that_is_not_known_is_named() -> None:
    found = more_media(begun(fed(), prices={}), 0.5)
    assert (found.cost, found.lacking, found.minutes) == (None, ("good",), 20.0)


# -- water and nitrate -------------------------------------------------------------------------------


def test_the_plateau_of_today_is_the_outlooks_and_a_larger_change_brings_it_down() -> None:
    """45 under 20 % a week with a tap of 5: a rise of 8 a week. 40 % leaves 5 + 8/0.4 = 25."""
    at = begun(fed(), seen())
    rise = rise_of(at)
    assert rise is not None
    assert 7 * rise.value == pytest.approx(8.0)
    found = asked(at, fraction=0.4)
    for side, (value, low, high) in ((found.now, (45, 35, 55)), (found.then, (25, 20, 30))):
        assert side.plateau is not None
        assert (side.plateau.value, side.plateau.low, side.plateau.high) == pytest.approx((value, low, high))
    assert (found.now.litres_year, found.then.litres_year) == (2086, 4171)
    assert found.cost_year == pytest.approx(4 * (4171 - 2086) / 1000, abs=0.005)
    assert found.minutes_change == pytest.approx(0.4 * 200 / 100 * 15)
    assert found.words == ("Change 40\u00a0% (80\u00a0L) every 7\u00a0days instead of 20\u00a0% every 7\u00a0days.",)


def test_less_water_saves_nothing_that_is_told_as_a_cost() -> None:
    assert asked(begun(fed(), seen()), fraction=0.1).cost_year == 0.0


def test_changes_twice_as_often_do_what_changes_of_twice_the_size_do() -> None:
    at = begun(fed(), seen())
    often, large = asked(at, every_days=3.5).then.plateau, asked(at, fraction=0.4).then.plateau
    assert often is not None
    assert large is not None
    assert often.value == pytest.approx(large.value)


def test_food_moves_the_rise_by_the_more_careful_of_two() -> None:
    """Half the food: what is removed may halve too, so the rise only halves; half as much again adds all it makes."""
    at = begun(fed(1.0), seen(plateau=30.0))  # a rise of 5 a week, of the 7.8 that are made
    less, more = asked(at, feed_g_day=0.5).then.plateau, asked(at, feed_g_day=1.5).then.plateau
    assert less is not None
    assert less.value == pytest.approx(5 + 5 * 0.5 / 0.2, rel=1e-6)
    assert more is not None
    added = 0.5 * 7 * MADE_PER_G / 200
    assert more.value == pytest.approx(5 + (5 + added) / 0.2, rel=1e-3)


def test_a_rise_over_what_the_food_makes_is_not_all_put_down_to_the_food() -> None:
    at = begun(fed(0.2), seen())  # 1.6 a week made, 8 measured
    found = asked(at, feed_g_day=0.1).then.plateau
    assert found is not None
    assert found.value == pytest.approx(5 + (8 - 0.1 * 7 * MADE_PER_G / 200) / 0.2, rel=1e-3)


def test_without_changes_it_settles_nowhere_and_unknown_changes_stay_unknown() -> None:
    at = begun(fed(), seen(plateau=None, mean_fraction=None))
    assert (at.today.fraction, answer(at, at.today).now.plateau_why) == (None, "not known: no changes recorded")
    assert answer(at, at.today).now.litres_year is None
    assert asked(at, fraction=0.0).then.plateau_why == "does not level off: no changes"
    found = asked(at, fraction=0.2).then.plateau  # by what the food makes, as if nothing were removed
    assert found is not None
    assert found.value == pytest.approx(5 + 7 * MADE_PER_G / 200 / 0.2, rel=1e-3)
    assert found.low is None
    assert asked(at, fraction=0.2).words == ("Change 20\u00a0% (40\u00a0L) every 7\u00a0days.",)


def test_too_much_at_a_time_and_sour_water_are_warned_of() -> None:
    assert any("too much" in note for note in asked(begun(fed(), seen()), fraction=0.55).notes)
    sour = begun(fed().reading("T1", 1, "kh", 0.5), seen())
    notes = " ".join(asked(sour, fraction=0.3).notes)
    assert "Not in one go: KH 0.5" in notes
    assert "At most 10" in notes
    assert "Not in one go" not in " ".join(asked(sour, fraction=0.05).notes)


def test_where_the_half_year_heads_over_and_the_last_weeks_do_not_both_are_said() -> None:
    """The last weeks rise 6 a week: 17 % hold 40. The outlook heads for 45: 8 a week, 23 %."""
    fit = {"tank": "T1", "as_of": AS_OF, "window": "recent", "since": dt.date(2026, 4, 6), "readings": 8,
           "rate": 6 / 7, "low": 0.5, "high": 1.2, "state": "ok"}  # fmt: skip
    fits = conform("nitrate_fit", pl.DataFrame([fit]))
    week = fed().week(prices=PRICES, nitrate_outlook=seen(), nitrate_fit=fits)
    said = sized_by_outlook(start(week, "T1")).replace("\u00a0", " ")
    assert "it levels off near 45 mg/L: Change 23 % (46 L) every 7 days to stay under 40 mg/L" in said
    week = fed().week(prices=PRICES, nitrate_outlook=seen(plateau=35.0), nitrate_fit=fits)
    assert sized_by_outlook(start(week, "T1")) == ""


# -- what is not known -------------------------------------------------------------------------------


def test_a_tank_with_nothing_known_has_no_loads_and_says_what_it_needs() -> None:
    at = begun(Rounds().tank("T1"))
    found = answer(at, at.today)
    side = found.now
    assert (side.working_pct, side.mature_pct, side.within_on, side.made, side.plateau, side.litres_year) == (None,) * 6
    assert any("not known: it needs" in note for note in found.notes)


@pytest.mark.parametrize(("flow", "minds"), [(100.0, True), (900.0, False), (None, False)])
def test_a_flow_too_small_for_the_half_cycle_is_minded(flow: float | None, minds: bool) -> None:
    r = Rounds().tank("T1", net_l=200).feed("T1", 1.0).filter("F1", "T1", LAYERS, clean=flow)
    found = more_media(begun(r), 1.0)
    assert any("Mind the half cycle: good for 40\u00a0L only" in note for note in found.notes) is minds


def test_litres_taken_from_the_gross_are_said() -> None:
    assert any("assumed from the gross" in note for note in asked(begun(fed(net_l=None, gross_l=220))).notes)


def test_what_can_t_be_asked_gets_a_sentence() -> None:
    at = begun(fed())
    with pytest.raises(Problem, match="Media can't go to “nowhere”"):
        more_media(at, spot="nowhere")
    with pytest.raises(Problem, match="Media can't go to"):
        more_media(at, medium="balls")
    classed = begun(Rounds().tank("T1", net_l=100).filter("F1", "T1", LAYERS))
    with pytest.raises(Problem, match="“crowded” is not a stocking class"):
        asked(classed, stocking="crowded")
    with pytest.raises(Problem, match="“T9” is not a tank of this round"):
        start(fed().week(), "T9")
