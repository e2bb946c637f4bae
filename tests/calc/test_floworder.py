"""The audit of layouts: each wrong one is named, with why it matters and what to move; right ones are silent."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.calc.dates import due
from pipeline.calc.floworder import audit
from schemas.tables import TABLES
from schemas.words import STAGES
from tests.rounds import FIGURES, Layer, Rounds

COARSE, MEDIUM, FINE = ("cup", "coarse pad"), ("b1", "medium pad"), ("b1", "fine pad")
GOOD, CARBON = ("b2", "good", 1.0), ("b4", "carbon", 0.5)
RIGHT: list[Layer] = [COARSE, MEDIUM, FINE, GOOD, ("b3", "good", 1.0), CARBON]
# An invented canister: cup and four baskets of 2 L, 100 mm deep.
ROOMS = [
    {"compartment": "cup", "stage": "coarse", "usable_l": 1.0, "depth_mm": 60},
    {"compartment": "b1", "stage": "medium", "usable_l": 2.0, "depth_mm": 100},
    {"compartment": "b1", "stage": "fine", "usable_l": 2.0, "depth_mm": 100},
    {"compartment": "b2", "usable_l": 2.0, "depth_mm": 100},
    {"compartment": "b3", "usable_l": 2.0, "depth_mm": 100},
    {"compartment": "b4", "usable_l": 2.0, "depth_mm": 100},
]


def book(layers: list[Layer], kind: str = "canister", rooms: list[dict[str, object]] | None = None) -> Rounds:
    r = Rounds().tank("T1", net_l=200).model("five", rooms or ROOMS, kind=kind)
    return r.filter("F1", "T1", layers, model="five")


def faults(r: Rounds) -> list[str]:
    frame = audit(r.tables(), r.requests(), FIGURES)
    TABLES["audit"].validate(frame)
    return frame["fault"].to_list()


@pytest.mark.parametrize(
    "layers",
    [
        RIGHT,
        RIGHT[:-1],
        [COARSE, FINE, GOOD],
        [("cup", "sock"), ("b1", "coarse pad"), FINE, GOOD],
        [COARSE, MEDIUM, FINE, ("b2", "good", 1.15), ("b3", "smooth", 1.4)],  # neatly packed
        [COARSE, FINE, ("b2", "bio foam")],
        [COARSE, MEDIUM, FINE, CARBON],
        [COARSE, MEDIUM, ("b1", "fine pad", {"thickness_mm": 40}), GOOD],
        [("cup", "coarse pad", {"thickness_mm": 50}), FINE, ("b2", "good", 0.6)],
    ],
)
def test_right_layouts_are_silent(layers: list[Layer]) -> None:
    assert faults(book(layers)) == []


# What is wrong, the layers, the fault that names it, why it matters, what to move. Invented filters.
WRONG: list[tuple[str, list[Layer], str, str, str]] = [
    ("media in the cup", [("cup", "good", 0.5), MEDIUM, FINE, GOOD], "media in the pre-filter",
     "good in cup meets the dirt before anything has caught it", "a third at a time to behind the fine stage"),
    ("media behind a pad in the cup", [COARSE, ("cup", "good", 0.3), FINE, GOOD], "media in the pre-filter",
     "counts a quarter", "settlement or coarse foam only"),
    ("no pads at all", [COARSE, GOOD], "no fine stage",
     "fine dirt settles in good in b2 and seals its pores", "Put a fine pad just before good in b2"),
    ("fine behind the media", [COARSE, GOOD, ("b3", "fine pad")], "fine after biological",
     "the dirt reaches the media first and seals its pores", "Move fine pad in b3 to just before good in b2"),
    ("a second fine behind", [COARSE, FINE, GOOD, ("b3", "fine pad")], "fine after biological",
     "it catches little there and costs flow", "Take fine pad in b3 out"),
    ("coarse behind the media", [COARSE, FINE, GOOD, ("b3", "coarse pad")], "coarse after biological",
     "the dirt it should catch has settled in the media by then", "Move coarse pad in b3 to the front"),
    ("a settling mesh last", [COARSE, FINE, GOOD, ("b4", "sock")], "coarse after biological",
     "sock in b4 lies behind the media", "Move sock in b4 to the front"),
    ("fine first", [("cup", "fine pad"), ("b1", "medium pad"), GOOD], "fine first",
     "clogs in days and the flow is lost", "Put a coarse stage, then a medium one, before fine pad in cup"),
    ("coarse after medium", [("cup", "medium pad"), ("b1", "coarse pad"), FINE, GOOD], "coarser after finer",
     "the finer one does all the work and clogs early", "Turn them round"),
    ("coarse after fine", [("cup", "sock"), FINE, ("b1", "coarse pad"), GOOD], "coarser after finer",
     "coarse pad in b1 comes after a finer stage", "Turn them round"),
    ("carbon before media", [COARSE, FINE, ("b2", "carbon", 0.9), ("b3", "good", 1.0)], "carbon before biological",
     "holds the place where media works", "Move carbon in b2 to the last compartment, or leave it out"),
    ("carbon before fine", [COARSE, ("b1", "carbon", 0.8), ("b2", "fine pad")], "carbon before fine",
     "it silts up before it is spent", "Move carbon in b1 behind the fine stage"),
    ("a basket a third full", [COARSE, FINE, ("b2", "good", 0.33)], "half-empty compartment",
     "b2 is only 33 % full: its layers shift, and water takes the easy way past them", "Fill b2 up with media"),
    ("a lone thin pad", [COARSE, ("b1", "fine pad", {"thickness_mm": 20}), GOOD], "half-empty compartment",
     "b1 is only 20 % full", "a thicker pad, or one more of the same"),
    ("too much media", [COARSE, FINE, ("b2", "good", 1.3)], "over its neat mass",
     "packed neatly it takes 1.15 kg", "Weigh the media dry, measure b2 with a jug"),
    ("pads too thick",
     [COARSE, ("b1", "medium pad", {"thickness_mm": 60}), ("b1", "fine pad", {"thickness_mm": 50}), GOOD],
     "over-full compartment", "The layers of b1 take 110 % of its depth: squeezed pads let less water through",
     "Take a layer out of b1"),
    ("media over a pad", [COARSE, FINE, ("b2", "medium pad", {"thickness_mm": 30}), ("b2", "good", 1.0)],
     "over-full compartment", "The layers of b2 take 117 % of its depth", "Take a layer out of b2"),
    ("weighed wet", [COARSE, FINE, ("b2", "good", 2.5)], "weighed wet",
     "would weigh 1.25 kg a litre: porous media that heavy was weighed wet", "Dry it, weigh a level litre"),
    ("an empty cup", [MEDIUM, FINE, GOOD], "empty compartment",
     "cup is meant for a coarse stage and nothing is recorded in it", "Put a coarse stage into cup"),
    ("nothing recorded", [], "no layout", "it cannot be rated", "record each layer with its dry mass"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("layers", "fault", "why", "do"), [case[1:] for case in WRONG], ids=[case[0] for case in WRONG]
)
def test_wrong_layouts_are_named(layers: list[Layer], fault: str, why: str, do: str) -> None:
    """Each by its fault, with why it matters and what to move."""
    r = book(layers)
    row = audit(r.tables(), r.requests(), FIGURES).row(by_predicate=pl.col("fault") == fault, named=True)
    assert why in row["says"]
    assert do in row["do"]
    assert row["do"].endswith(".")
    assert "null" not in row["says"] + row["do"]


@pytest.mark.parametrize(
    "layers",
    [[("cup", "good", 0.5), MEDIUM, FINE, GOOD], [COARSE, ("cup", "good", 0.3), FINE, GOOD],
     [("cup", "good", 0.5), FINE, GOOD]],
)  # fmt: skip
def test_pads_that_stand_right_are_not_sent_before_media_in_the_pre_filter(layers: list[Layer]) -> None:
    """It is the media that moves: to say both would send the fine pad into the cup, and then behind its media again."""
    assert faults(book(layers)) == ["media in the pre-filter"]


def test_a_filter_with_nothing_that_counts_is_named_by_its_rating() -> None:
    """Pads and foam alone, or rings that count for nothing, are no wrong order: the rating says what is missing."""
    more: list[list[Layer]] = [[], [("b2", "bio foam")], [("b2", "smooth", 1.4)]]
    for layers in more:
        r = book([COARSE, FINE, *layers])
        assert faults(r) == []
        got = r.rating()
        assert (got["plain_state"], got["missing"]) == ("half cycle only", "no rated media")


@pytest.mark.parametrize(("weeks", "late"), [(6, -7), (7, 0), (8, 7), (10, 21)])
def test_carbon_left_in_is_told_with_the_day_it_must_be_out(weeks: int, late: int) -> None:
    """Due at seven weeks, out by two months; a right place does not save it. Carbon put in anew starts the clock."""
    r = book(RIGHT[:-1])
    r.fill("F1", [CARBON], since=weeks)
    assert faults(r) == []
    (row,) = due(r.tables(), r.requests(), FIGURES).filter(what="carbon").iter_rows(named=True)
    assert row["late_days"] == late
    assert "carbon in F1 since" in row["says"]
    assert "out by" in row["says"]
    assert row["do"] == "Take the carbon out of F1, or put media there instead."
    r.service("F1", 1, "carbon in", compartment="b4")
    (row,) = due(r.tables(), r.requests(), FIGURES).filter(what="carbon").iter_rows(named=True)
    assert row["late_days"] == -42


def test_a_finding_says_why_and_what_to_move() -> None:
    r = book([COARSE, GOOD, ("b3", "fine pad")])
    row = audit(r.tables(), r.requests(), FIGURES).filter(fault="fine after biological").row(0, named=True)
    assert row["says"] == (
        "The fine stage (fine pad in b3) comes after good in b2: the dirt reaches the media first and seals its pores."
    )
    assert row["do"] == "Move fine pad in b3 to just before good in b2."
    r = book([COARSE, FINE, ("b2", "carbon", 0.9), ("b3", "good", 1.0)])
    row = audit(r.tables(), r.requests(), FIGURES).row(0, named=True)
    assert row["do"].startswith("Move carbon in b2 to the last compartment")


def test_two_wrongs_are_two_findings() -> None:
    assert faults(book([("cup", "good", 0.4), ("b1", "carbon", 0.8), ("b2", "good", 1.0)])) == [
        "carbon before biological", "media in the pre-filter", "no fine stage"]  # fmt: skip


def test_what_the_book_says_is_looked_at_too() -> None:
    r = book([COARSE, FINE, GOOD], rooms=[*ROOMS[:3], {**ROOMS[3], "medium": "good", "loose_kg": 1.6}])
    assert faults(r) == ["book and catalogue differ"]
    r = book([COARSE, FINE, ("b2", "odd", 1.9)])
    r.add("medium", medium="odd", stage="biological", quality=1.0, bulk_kg_l=1.0)
    assert faults(r) == ["litres for kilograms"]
    r = book([COARSE, FINE, GOOD])
    r.rows["compartment"] = [row for row in r.rows["compartment"] if row["compartment"] != "b2"]
    assert faults(r) == ["not in the book"]


def test_a_layer_of_unknown_stage_hides_no_pad_before_it_and_stands_for_none() -> None:
    strange, media = ("b2", "something found"), ("b3", "good", 1.0)
    assert "media in the pre-filter" not in faults(book([COARSE, FINE, strange, media]))
    assert "media in the pre-filter" in faults(book([strange, media]))


@pytest.mark.parametrize("kind", ["internal", "air sponge"])
def test_internal_filters_have_no_order(kind: str) -> None:
    assert faults(book([("cup", "bio foam"), ("b1", "good", 1.0)], kind)) == []


def test_a_trickle_tower_needs_no_fine_stage() -> None:
    assert faults(book([COARSE, ("b1", "good", 1.0), GOOD], "trickle")) == []


def test_every_day_and_filter_has_its_own_audit() -> None:
    """The pad was moved a week ago; a second filter is right throughout; a filter on no tank is not looked at."""
    r = (
        book([COARSE, ("b2", "good", 1.0)])
        .filter("F2", "T1", RIGHT, model="five")
        .filter("F3", None, [GOOD], model="five")
    )
    r.fill("F1", [("b1", "fine pad")], since=1)
    frame = audit(r.tables(), r.requests(0, 1, 2), FIGURES)
    assert frame.select("filter", "as_of", "fault").rows() == [
        ("F1", r.day(2), "empty compartment"), ("F1", r.day(2), "no fine stage")]  # fmt: skip


def test_parts_of_a_room_with_their_own_depth_add_up() -> None:
    """A slope of 30 mm for the coarse and 20 mm for the fine pad is 50 mm deep, not 30."""
    slope = {"compartment": "slope", "shape": "box", "length_mm": 300, "width_mm": 220, "usable_share": 1}
    rooms = [{**slope, "stage": "coarse", "depth_mm": 30}, {**slope, "stage": "fine", "depth_mm": 20}, ROOMS[3]]
    pads = [("slope", "coarse pad", {"thickness_mm": 30}), ("slope", "fine pad", {"thickness_mm": 20})]
    assert faults(book([*pads, GOOD], rooms=rooms)) == []


@settings(max_examples=20)
@given(st.sets(st.sampled_from(STAGES)), st.permutations(STAGES))
def test_only_the_right_order_is_silent(there: set[str], order: list[str]) -> None:
    """Any stages, one a compartment: silent if and only if they stand in order, with a fine stage before media."""
    of = {"settlement": ("sock",), "coarse": ("coarse pad",), "medium": ("medium pad",), "fine": ("fine pad",),
          "biological": ("good", 1.0), "chemical": ("carbon", 0.8)}  # fmt: skip
    stages = [stage for stage in order if stage in there]
    rooms = [{"compartment": f"r{n}", "stage": stage, "usable_l": 2.0} for n, stage in enumerate(stages)]
    got = faults(book([(f"r{n}", *of[stage]) for n, stage in enumerate(stages)], rooms=rooms or ROOMS))
    ranks = [STAGES.index(stage) for stage in stages]
    rough = {"settlement", "coarse", "medium"} & there
    right = (
        bool(stages)
        and ranks == sorted(ranks)
        and ("biological" not in there or "fine" in there)
        and ("fine" not in there or bool(rough))
    )
    assert (got == []) == right
