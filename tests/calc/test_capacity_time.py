"""Capacity through time, the day a tank is back within, and what a result hangs on."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from pipeline.calc.capacity import capacity
from pipeline.calc.capacity_time import back_within, break_even, curves
from tests.rounds import AS_OF, FIGURES, Rounds

FINE = ("basket 1", "fine pad")


def rinsed(weeks: float = 3) -> Rounds:
    r = Rounds().tank("T1", net_l=240).filter("F1", "T1", [FINE, ("basket 2", "good", 2.8)])
    return r.service("F1", weeks, "media rinsed", media_share=1.0, rinse_water="tap")


def one(frame: pl.DataFrame) -> dict[str, object]:
    assert frame.height == 1
    return frame.row(0, named=True)


def test_example_e_is_back_within_at_week_64() -> None:
    """The trade's example E: 152 % today, back to 100 % at week 6.4 after the rinse, whatever the next check."""
    r = rinsed()
    got = one(back_within(r.tables(), r.requests(), FIGURES))
    rinse = AS_OF - dt.timedelta(weeks=3)
    assert (round(got["now_pct"]), round(got["mature_pct"])) == (152, 86)  # type: ignore[arg-type]
    assert (got["on"] - rinse).days / 7 == pytest.approx(6.4, abs=1 / 7)  # type: ignore[operator]
    assert got["says"] == "Back within rating on Thu 25 June, if nothing else happens."


def test_new_media_ripens_on_the_stated_curve() -> None:
    """Scenario 1: 120 % today, 107 % in 15 weeks, 96 % from week 26."""
    r = Rounds().tank("T1", net_l=240)
    r.filter("F1", "T1", [FINE, ("b2", "good", 2.0), ("b3", "good", 0.5, {"wetted": 0})])
    course = curves(r.tables(), r.requests(), FIGURES, [0, 105, 182, 400])
    assert course["working_load_pct"].round(0).to_list() == [120, 107, 96, 96]
    assert course["day"][1] == AS_OF + dt.timedelta(weeks=15)


def test_curves_at_day_0_are_the_capacity_of_the_day_and_never_fall() -> None:
    r = rinsed(1).tank("T2", net_l=100).filter("F2", "T2", [FINE, ("b", "good", 1.0, {"wetted": 12})])
    frame, _ = r.capacity()
    course = curves(r.tables(), r.requests(), FIGURES, range(0, 200, 10)).sort("tank", "ahead")
    start = course.filter(pl.col("ahead") == 0)
    assert start["working_load_pct"].to_list() == frame["working_load_pct"].to_list()
    for _, tank in course.group_by("tank"):
        assert tank["effective_kg"].is_sorted()


@pytest.mark.parametrize(
    ("layers", "net", "says"),
    [
        ([FINE, ("b", "good", 2.0)], 150, "Within its working rating now."),
        ([FINE, ("b", "good", 2.0)], 300, "Stays over: 150\u00a0% even when all media is mature."),
        ([FINE], 150, "Half cycle only: nothing in it will work for the full cycle."),
        ([FINE, ("b", "good")], 150, "Can't say: what is needed is not all known."),
        ([FINE, ("b", "good", 2.0)], None, "Can't say: what is needed is not all known."),
        ([], 150, "Can't say: what is needed is not all known."),
    ],
)
def test_every_case_has_its_words(layers, net, says) -> None:  # type: ignore[no-untyped-def]
    r = Rounds().tank("T1", net_l=net).filter("F1", "T1", layers)
    assert one(back_within(r.tables(), r.requests(), FIGURES))["says"] == says


def test_over_only_if() -> None:
    """A tank at 90 %: over only if its media does less than nine tenths, or it is fed a ninth more."""
    r = Rounds().tank("T1", net_l=180, temperature_c=25).feed("T1", 0.9)
    r.filter("F1", "T1", [FINE, ("b", "good", 2.0)])
    frame, _ = r.capacity()
    rows = {row["what"]: row for row in break_even(frame, FIGURES).iter_rows(named=True)}
    assert rows["quality of the media"]["at"] == pytest.approx(0.9)
    assert rows["quality of the media"]["says"] == "over only if the media does less than 90\u00a0% of what is taken"
    assert rows["food in grams a day"]["at"] == pytest.approx(1.0)
    assert rows["food in grams a day"]["says"] == "food in grams a day: over only if more than 1"
    assert rows["litres kept by a kilogram"]["says"] == "litres kept by a kilogram: over only if less than 90"


def test_crossing_values_do_cross() -> None:
    """Moving the named thing to its crossing value brings the load to 100 %."""
    for net in (180, 260):
        r = (
            Rounds()
            .tank("T1", net_l=net, temperature_c=25)
            .feed("T1", 0.9)
            .filter("F1", "T1", [FINE, ("b", "good", 2.0)])
        )
        frame, _ = r.capacity()
        rows = {(row["rating"], row["what"]): row["at"] for row in break_even(frame, FIGURES).iter_rows(named=True)}
        moved = FIGURES.with_values(litres_per_kg=rows["plain", "litres kept by a kilogram"])
        assert r.rating(assumed=moved)["plain_load_pct"] == pytest.approx(100, abs=0.1)
        r.rows["feeding"][0]["feed_g_day"] = rows["working", "food in grams a day"]
        assert r.rating()["working_load_pct"] == pytest.approx(100, abs=0.1)


def test_over_whatever_the_quality_is_said() -> None:
    r = Rounds().tank("T1", net_l=300).filter("F1", "T1", [FINE, ("b", "good", 2.0)])
    frame, _ = r.capacity()
    says = break_even(frame, FIGURES).filter(pl.col("what") == "quality of the media")["says"].to_list()
    assert says == ["quality of the media: over, whatever its quality"]


@pytest.mark.parametrize(
    "name", ["quality", "place", "maturity", "disturbance", "clog", "temperature", "load", "plants"]
)
def test_every_factor_can_be_switched_to_one(name: str) -> None:
    """A tank on which every factor bites: switching one off takes just that one out of the sum."""
    r = Rounds().tank("T1", net_l=100, planting="moderate", temperature_c=20).feed("T1", 1.0)
    r.filter("F1", "T1", [("a", "coarse pad"), ("b", "lava", 2.0, {"wetted": 15})], clean=700)
    r.service("F1", 2, "media rinsed", media_share=0.8, rinse_water="tap", flow_after=300)
    off = FIGURES.with_values(**{f"use_{name}": 0})
    _, layers = r.capacity(assumed=off)
    _, before = r.capacity()
    media = layers.row(by_predicate=pl.col("counts"), named=True)
    was = before.row(by_predicate=pl.col("counts"), named=True)
    with_it, without = r.rating(), r.rating(assumed=off)
    if name in ("load", "plants"):
        assert without["need_kg"] * with_it[name] == pytest.approx(with_it["need_kg"])
        assert without[name] == 1
    else:
        assert without["effective_kg"] * was[name] == pytest.approx(with_it["effective_kg"])
        assert was[name] < 1
        assert media[name] == 1 or name == "quality"
    assert (without["plain_load_pct"], with_it["plain_load_pct"]) == (50.0, 50.0)


def test_all_factors_off_is_the_plain_rule() -> None:
    r = Rounds().tank("T1", net_l=150, planting="dense").feed("T1", 2.0)
    r.filter("F1", "T1", [("b", "good", 2.0, {"wetted": 1})])
    off = {
        f"use_{n}": 0 for n in ("quality", "place", "maturity", "disturbance", "clog", "temperature", "load", "plants")
    }
    got = r.rating(assumed=FIGURES.with_values(**off))
    assert got["working_load_pct"] == got["plain_load_pct"] == 75.0
    frame, _ = capacity(r.tables(), r.requests(), FIGURES)
    assert frame["working_state"].to_list() == ["half cycle only"]
