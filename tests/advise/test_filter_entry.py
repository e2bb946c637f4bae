"""An entry of the filter book: its bands in flow order, what it is good for alone, and holes in the book."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import polars as pl
import pytest

from pipeline.advise import filter_entry
from pipeline.advise.filter_entry import Entry
from pipeline.problems import Problem
from pipeline.week import Week
from tests.advise.test_fit import CUP, PADS, basket
from tests.rounds import Rounds


def round_of(*layers: Any, clean: float | None = 700, tank: str | None = "T1", net: float = 200, **more: Any) -> Week:
    r = Rounds().tank("T1", net_l=net).model("F-07", [CUP, *PADS, basket(2), basket(3), basket(4)])
    r.filter("F1", tank, layers, model="F-07", clean=clean, **more)
    return r.week()


FULL = (("cup", "coarse pad", {"thickness_mm": 40}), ("basket 1", "fine pad"), ("basket 2", "good", 1.0),
        ("basket 3", "good", 0.6))  # fmt: skip


def drawn(entry: Entry) -> list[tuple[Any, ...]]:
    return [(b.room, b.number, b.medium, b.depth_mm and round(b.depth_mm)) for b in entry.bands]


def test_bands_follow_the_water_and_show_what_is_left_empty() -> None:
    """The cup is 60 mm deep with 40 mm of pad; 0.6 kg of 1.0 fills 60 of 100 mm; nothing lies in basket 4."""
    assert drawn(filter_entry.of_filter(round_of(*FULL), "F1")) == [
        ("cup", 1, "coarse pad", 40), ("cup", None, None, 20), ("basket 1", 2, "fine pad", None),
        ("basket 2", 3, "good", 100), ("basket 3", 4, "good", 60), ("basket 3", None, None, 40),
        ("basket 4", None, None, 100),
    ]  # fmt: skip


def test_where_a_depth_is_not_known_nothing_is_said_to_be_empty() -> None:
    week = round_of(("basket 2", "good", 0.5), ("basket 2", "balls"))
    rooms = [band.room for band in filter_entry.of_filter(week, "F1").bands if band.empty]
    assert "basket 2" not in rooms


def test_a_sliver_is_not_drawn_as_empty() -> None:
    week = round_of(("cup", "coarse pad", {"thickness_mm": 56}))
    assert [b.room for b in filter_entry.of_filter(week, "F1").bands if b.room == "cup"] == ["cup"]


@pytest.mark.parametrize(
    ("clean", "half", "full"), [(700, (280, "flow"), (160, "media")), (300, (120, "flow"), (120, "flow")),
                                (None, (640, "flow unknown"), (160, "media"))]
)  # fmt: skip
def test_what_it_is_good_for_alone(clean: float | None, half: tuple[float, str], full: tuple[float, str]) -> None:
    """1.6 kg: 640 L half by media (÷ 0.25), flow ÷ 2.5; full 160 L, and never more than the half."""
    good = filter_entry.of_filter(round_of(*FULL, clean=clean), "F1").good
    assert (good.half_l, good.half_limit) == (pytest.approx(half[0]), half[1])
    assert (good.full_l, good.full_limit) == (pytest.approx(full[0]), full[1])
    assert good.full_kg == pytest.approx(1.6)


def test_a_second_filter_on_the_tank_does_not_count_for_the_first() -> None:
    r = Rounds().tank("T1", net_l=200)
    r.filter("A", "T1", [("cup", "fine pad"), ("b", "good", 1.0)], clean=500)
    r.filter("B", "T1", [("cup", "fine pad"), ("b", "good", 3.0)], clean=900)
    week = r.week()
    kilos = {entry.name: entry.good.full_kg for entry in filter_entry.on_tank(week, "T1")}
    assert kilos == {"A": 1.0, "B": 3.0}
    assert filter_entry.of_filter(week, "A").good.worked_kg == pytest.approx(1.0)


def test_a_filter_on_no_tank_is_calculated_all_the_same() -> None:
    entry = filter_entry.of_filter(round_of(*FULL, tank=None), "F1")
    assert entry.tank is None
    assert entry.good.full_kg == pytest.approx(1.6)


def test_an_internal_filter_is_good_for_none_of_the_full_cycle() -> None:
    r = Rounds().tank("T1", net_l=50).filter("I", "T1", [("block", "good", 0.5)], kind="internal", clean=300)
    good = filter_entry.of_filter(r.week(), "I").good
    assert (good.full_l, good.full_kg) == (0.0, 0.0)
    assert good.half_l == pytest.approx(120)


def test_media_without_a_mass_leaves_the_full_cycle_unknown_and_names_it() -> None:
    good = filter_entry.of_filter(round_of(("basket 1", "fine pad"), ("basket 2", "good")), "F1").good
    assert (good.half_l, good.full_l, good.full_kg) == (None, None, None)
    assert good.missing == "the mass of good in F1 basket 2"


def test_a_filter_without_fills_says_so_and_is_not_recorded() -> None:
    entry = filter_entry.of_filter(round_of(), "F1")
    assert not entry.recorded
    assert [row["fault"] for row in entry.audit] == ["no layout"]
    assert entry.good.missing == "what fills F1"


def test_a_filter_of_no_recorded_model_has_its_layers_and_no_rooms() -> None:
    week = round_of(*FULL)
    unknown = week.table("filter").with_columns(model=pl.lit(None, pl.String))
    entry = filter_entry.of_filter(replace(week, tables={**week.tables, "filter": unknown}), "F1")
    assert entry.model is None
    assert {(band.room, band.medium) for band in entry.bands} == {layer[:2] for layer in FULL}


def test_a_model_is_filled_with_its_usual_media() -> None:
    entry = filter_entry.of_model(round_of(*FULL), "f-07")
    assert entry.is_model
    assert [(b.room, b.medium, b.kg) for b in entry.bands if b.stage == "biological"] == [
        (f"basket {n}", "good", 1.0) for n in (2, 3, 4)
    ]
    assert entry.good.full_kg == pytest.approx(3.0)
    assert entry.flow_basis == "timed on this model"


def test_the_way_a_model_is_packed_is_told_beside() -> None:
    ways = dict(filter_entry.ways_of(round_of(*FULL), "F-07"))
    assert ways["filled loosely"].full_kg == pytest.approx(3.0)
    assert ways["packed neatly"].full_kg == pytest.approx(3.45)


def test_room_for_more_is_told_with_what_goes_in() -> None:
    week = round_of(*FULL)
    (room,) = filter_entry.spare_rooms(week, filter_entry.of_filter(week, "F1"))
    assert room == ("basket 4", "good", pytest.approx(1.0))
    empty = round_of()
    assert filter_entry.spare_rooms(empty, filter_entry.of_filter(empty, "F1")) == []


def test_what_the_book_knows_of_a_room_keeps_its_sources() -> None:
    box = {"shape": "box", "length_mm": 100, "width_mm": 100, "depth_mm": 50}
    one = {"compartment": "c", "source": "guess", **box}
    r = Rounds().model("m", [one, {"compartment": "d", "usable_l": 2.0, "source": "measured by me"}])
    told = [
        (row["compartment"], row["volume_basis"], row["sources"]) for row in filter_entry.rooms_known(r.week(), "m")
    ]
    assert told == [("c", "dimensions", ["guess"]), ("d", "measured fill", ["measured by me"])]


def test_standing_tells_when_it_is_back_and_what_it_hangs_on() -> None:
    r = Rounds().tank("T1", net_l=240).filter("F1", "T1", [("cup", "fine pad"), ("b", "good", 2.8)])
    r.service("F1", 3, "media rinsed", media_share=1.0, rinse_water="tap")
    capacity, _ = r.capacity()
    week = r.week(capacity=capacity)
    found = filter_entry.standing(week, "T1")
    assert found is not None
    back, hangs_on = found
    assert back == "Back within rating on Thu 25 June, if nothing else happens."
    assert {row["what"] for row in hangs_on} >= {"net litres", "quality of the media"}
    assert filter_entry.standing(week, "nobody") is None


def test_filters_on_tanks_come_before_those_in_the_van_and_a_wrong_name_is_told() -> None:
    r = Rounds().tank("T1", net_l=100)
    r.filter("A", None, []).filter("B", "T1", []).filter("C", "T1", [], to=r.day(10))
    week = r.week()
    assert filter_entry.filters_of(week) == [("B", "T1"), ("A", None), ("C", None)]
    with pytest.raises(Problem, match=r"“Z” is not a filter of filters\.csv; expected one of: A, B, C"):
        filter_entry.of_filter(week, "Z")
