"""What lies in filters and what reaches it: place in the flow, rinses, stops, drying out, flow, clogging, servicing."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from pipeline.calc.layers import filters_on, layers_on, rooms
from pipeline.calc.servicing import checks, flow_and_clog, next_step
from tests.rounds import AS_OF, FIGURES, Layer, Rounds

FINE = ("basket 1", "fine pad")
GOOD = ("basket 2", "good", 2.0)


def media(r: Rounds, day: dt.date | float = 0, of: str = "biological") -> list[dict[str, object]]:
    """The biological layers of tank T1 in flow order."""
    _, layers = r.capacity(day)
    return layers.filter((pl.col("stage") == of) & (pl.col("tank") == "T1")).to_dicts()


def tank(*layers: Layer, **more: object) -> Rounds:
    return Rounds().tank("T1", net_l=100).filter("F1", "T1", list(layers) or [FINE, GOOD], **more)  # type: ignore[arg-type]


# -- place -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "place"),
    [([], 0.25), (["sock"], 0.25), (["coarse pad"], 0.6), (["coarse pad", "medium pad"], 0.8), (["medium pad"], 0.8),
     (["coarse pad", "fine pad"], 1.0), (["fine pad", "coarse pad"], 1.0), (["coarse pad", "carbon"], 1.0),
     (["bio foam"], 0.25)],
)  # fmt: skip
@pytest.mark.parametrize("rooms_", ["one", "each"])
def test_place_follows_the_water(before: list[str], place: float, rooms_: str) -> None:
    """The stages met before the layer count, across compartments and within one."""
    names = ["basket" if rooms_ == "one" else f"basket {n}" for n in range(len(before) + 1)]
    layers = [*zip(names, before, strict=False), (names[-1], "good", 1.0)]
    got = media(tank(*layers))[-1]
    assert got["place"] == place


def test_flow_order_is_the_books_and_not_the_order_of_typing() -> None:
    r = Rounds().tank("T1", net_l=100).model("m", [{"compartment": "top"}, {"compartment": "bottom"}])
    r.filter("F1", "T1", [("bottom", "good", 1.0), ("top", "fine pad")], model="m")
    assert media(r)[0]["place"] == 1.0


@pytest.mark.parametrize(
    ("kind", "note", "place"),
    [("trickle", None, 0.2), ("internal", None, 0.0), ("air sponge", None, 0.0), ("sump", "bag, not in the flow", 0.5),
     ("canister", "suspected bypass at the lid", 0.5), ("canister", "no bypass seen", 1.0), ("hang-on", None, 1.0)],
)  # fmt: skip
def test_place_by_kind_and_note(kind: str, note: str | None, place: float) -> None:
    r = tank(FINE, ("basket 2", "good", 2.0, {"note": note}), kind=kind)
    assert media(r)[0]["place"] == pytest.approx(place)
    assert r.rating()["plain_load_pct"] == 50.0  # the bare rule looks at none of it


def test_a_compartment_the_book_does_not_know_has_no_place() -> None:
    r = Rounds().tank("T1", net_l=100).filter("F1", "T1", [FINE, GOOD])
    r.rows["compartment"] = [row for row in r.rows["compartment"] if row["compartment"] != "basket 2"]
    got = r.rating()
    assert (got["plain_load_pct"], got["working_state"]) == (50.0, "can't say")
    assert got["missing"] == "the place of F1 basket 2 in the flow"


# -- disturbance -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("job", "expected"),
    [
        ({"media_share": 0.33, "rinse_water": "tank"}, 1.0),
        ({"media_share": 1 / 3, "rinse_water": "tank"}, 1.0),
        ({"media_share": 0.5, "rinse_water": "tank"}, 1 - 0.5 * (1 - 0.8)),
        ({"media_share": 1.0, "rinse_water": "tank"}, 0.8),
        ({"media_share": 1.0, "rinse_water": "tap"}, 0.3),
        ({"media_share": 0.2, "rinse_water": "tap"}, 1 - 0.2 * 0.7),
        ({"media_share": 1.0, "rinse_water": "none"}, 1.0),
        ({"rinse_water": "tap"}, 0.3),
        ({}, 0.8),
        ({"hours_stopped": 13, "rinse_water": "none"}, 0.5),
        ({"hours_stopped": 12, "rinse_water": "none"}, 1.0),
    ],
)
def test_services_disturb(job: dict[str, object], expected: float) -> None:
    r = tank().service("F1", 0, "media rinsed", **job)
    assert media(r)[0]["disturbance"] == pytest.approx(expected)


def test_pads_rinsed_under_the_tap_do_not_touch_the_media() -> None:
    assert media(tank().service("F1", 0, "pads", rinse_water="tap"))[0]["disturbance"] == 1.0


@pytest.mark.parametrize(
    ("event", "more", "expected"),
    [("medication", {}, 0.4), ("power cut", {"hours": 20}, 0.5), ("filter stopped", {"hours": 20}, 0.5),
     ("power cut", {"hours": 3}, 1.0), ("filter stopped", {}, 1.0), ("overfed", {"hours": 20}, 1.0)],
)  # fmt: skip
def test_events_disturb(event: str, more: dict[str, object], expected: float) -> None:
    r = tank().event("T1", 0, event, **more)
    assert media(r)[0]["disturbance"] == pytest.approx(expected)


def test_the_worst_current_one_applies_and_not_the_product() -> None:
    """Medication three weeks ago (0.7) and a tap rinse today (0.3): 0.3, and it says which."""
    r = tank().event("T1", 3, "medication").service("F1", 0, "full", media_share=1.0, rinse_water="tap")
    got = media(r)[0]
    assert got["disturbance"] == pytest.approx(0.3)
    assert got["why"] == "100\u00a0% rinsed in tap water on Mon 1 June"


def test_each_heals_in_its_own_weeks() -> None:
    r = tank().event("T1", 3, "medication")
    assert media(r)[0]["disturbance"] == pytest.approx(0.4 + 0.6 / 2)
    assert media(r, dt.date(2026, 6, 22))[0]["disturbance"] == 1.0  # six weeks after
    assert media(r, 3.2)[0]["disturbance"] == 1.0  # before it


def test_a_job_in_one_compartment_reaches_the_media_there() -> None:
    """Half of a filter's media, all of basket 2: that basket is knocked back, the other one is not."""
    r = tank(FINE, ("basket 2", "good", 1.0), ("basket 3", "good", 1.0))
    r.service("F1", 0, "media rinsed", compartment="basket 2", media_share=0.5, rinse_water="tap")
    assert [row["disturbance"] for row in media(r)] == pytest.approx([0.3, 1.0])
    third = tank(FINE, *((f"basket {n}", "good", 1.0) for n in (2, 3, 4)))
    third.service("F1", 0, "media rinsed", compartment="basket 2", media_share=1.0, rinse_water="tank")
    assert [row["disturbance"] for row in media(third)] == [1.0, 1.0, 1.0]  # a third of it all: free


def test_media_put_in_after_the_event_is_not_touched() -> None:
    r = tank(FINE, GOOD).service("F1", 2, "full", media_share=1.0, rinse_water="tap")
    r.add("compartment", model="model of F1", position=3, compartment="basket 3", stage="biological")
    r.fill("F1", [("basket 3", "good", 0.5, {"wetted": 60})], since=1)  # ripe media from elsewhere
    assert [row["disturbance"] for row in media(r)] == pytest.approx([0.475, 1.0])


def test_a_disturbance_follows_its_media() -> None:
    """Repacked in the same filter, or carried to another under its batch: what happened to it goes along."""
    r = Rounds().tank("T1", net_l=100).tank("T2", net_l=100)
    r.filter("F1", "T2", [FINE, ("basket 2", "good", 2.0, {"batch": "B7", "wetted": 60, "to": r.day(1)})])
    r.filter("F2", "T1", [FINE])
    r.add("compartment", model="model of F2", position=2, compartment="basket 2", stage="biological")
    r.service("F1", 2, "full", media_share=1.0, rinse_water="tap")
    r.fill("F2", [("basket 2", "good", 2.0, {"batch": "B7", "wetted": 60})], since=0.5)
    assert media(r)[0]["disturbance"] == pytest.approx(0.475)
    again = tank(FINE, ("basket 2", "good", 2.0, {"wetted": 60, "to": r.day(1)}))
    again.service("F1", 2, "full", media_share=1.0, rinse_water="tap").fill(
        "F1", [("basket 2", "good", 2.0, {"wetted": 60})], since=0.5
    )
    assert media(again)[0]["disturbance"] == pytest.approx(0.475)


def test_dried_out_media_starts_again() -> None:
    r = tank().event("T1", 10, "other", note="filter ran dry over the weekend")
    got = media(r)[0]
    assert got["maturity"] == pytest.approx(6 / 22)
    assert got["why"] == "new: 10\u00a0weeks old, mature at week 26; dried out on 23 March 2026; service not recorded"


def test_age_not_recorded_is_ripe_and_marked() -> None:
    got = media(tank(FINE, ("basket 2", "good", 2.0, {"wetted": None})))[0]
    assert (got["maturity"], got["age_weeks"]) == (1.0, None)
    assert "age not recorded" in str(got["why"])


# -- flow, clogging and servicing --------------------------------------------------------------------


def flow(r: Rounds, day: dt.date | float = 0) -> dict[str, object]:
    placed = filters_on(r.tables(), r.requests(day))
    return flow_and_clog(r.tables(), placed, FIGURES).row(0, named=True)


def test_flow_is_the_last_timed_else_clean_else_estimated_else_unknown() -> None:
    r = tank(rated=1000)
    assert (flow(r)["flow_l_h"], flow(r)["flow_basis"]) == (600, "estimated")
    assert flow(tank())["flow_basis"] == "unknown"
    r = tank(rated=1000, clean=700)
    assert (flow(r)["flow_l_h"], flow(r)["flow_basis"], flow(r)["flow_day"]) == (700, "timed", None)
    r.service("F1", 5, flow_before=400, flow_after=650).reading("T1", 2, "flow_l_h", 610)
    assert (flow(r)["flow_l_h"], flow(r)["flow_day"]) == (610, r.day(2))
    assert flow(r, 3)["flow_l_h"] == 650
    assert flow(r, 6)["flow_l_h"] == 700
    assert flow(r)["flow_of_clean"] == pytest.approx(610 / 700)


def test_a_visits_flow_is_nobodys_where_two_filters_run() -> None:
    r = tank(clean=700).filter("F2", "T1", [FINE, GOOD], clean=500).reading("T1", 0, "flow_l_h", 90)
    got = r.rating()
    assert (got["flow_l_h"], got["half_rating_l"], got["half_limit"]) == (1200, 480, "flow")
    assert got["if_biggest_stops_pct"] == pytest.approx(50.0)


def test_half_rating_of_the_tank() -> None:
    got = tank(FINE, ("b", "smooth", 0.5), clean=700).rating()
    assert (got["half_rating_l"], got["half_limit"]) == (200, "media")
    foam = Rounds().tank("T1", net_l=100).model("m", [{"compartment": "block", "usable_l": 0.6, "depth_mm": 98}])
    got = foam.filter("F1", "T1", [("block", "bio foam")], model="m").rating()
    assert (got["half_rating_l"], got["half_limit"]) == (60, "flow unknown")
    assert tank(FINE, ("b", "good"), clean=700).rating()["half_rating_l"] is None


@pytest.mark.parametrize(
    ("build", "clog"),
    [
        (lambda r: r, 1.0),
        (lambda r: r.service("F1", 4), 1.0),
        (lambda r: r.service("F1", 6), 1.0),  # two weeks over: not more
        (lambda r: r.service("F1", 6.2), 0.9),
        (lambda r: r.service("F1", 9, next_weeks=8), 1.0),
        (lambda r: r.service("F1", 1, found="sludge"), 0.6),
        (lambda r: r.service("F1", 1, "full", found="sludge", media_share=0.3, rinse_water="tank"), 1.0),
        (lambda r: r.service("F1", 1, found="sludge").service("F1", 0, found="light"), 1.0),
        (lambda r: r.service("F1", 1, flow_after=410), 0.6),
        (lambda r: r.service("F1", 1, flow_after=420), 1.0),  # 60 % of 700 exactly is not under
    ],
)
def test_clog(build, clog: float) -> None:  # type: ignore[no-untyped-def]
    assert media(build(tank(clean=700)))[0]["clog"] == clog


def test_service_not_recorded_is_marked() -> None:
    assert "service not recorded" in str(media(tank())[0]["why"])


@pytest.mark.parametrize(
    ("found", "weeks"),
    [
        (["clean", "clean", "clean"], [6, 8, 8]),
        (["light", "light"], [4, 4]),
        (["clean", "clean", "heavy", "heavy", "heavy"], [6, 8, 6, 4, 4]),
        (["clean", "clean", "sludge", "clean"], [6, 8, 4, 6]),
        ([None, "clean", None], [4, 6, 6]),
    ],
)
def test_check_interval_4_6_8(found: list[str | None], weeks: list[float]) -> None:
    """Common practice, no source: longer only when found clean, held when light, back when heavy, 4 on sludge."""
    r = tank()
    for n, dirt in enumerate(found):
        r.service("F1", 40 - 5 * n, found=dirt)
    r.filter("F2", None, [FINE]).service("F2", 39, found="clean")
    got = checks(r.tables(), FIGURES).filter(pl.col("filter") == "F1")
    assert got["weeks"].to_list() == weeks


def test_low_flow_sends_the_interval_back_and_a_chosen_one_stands() -> None:
    r = tank(clean=700).service("F1", 30, found="clean").service("F1", 20, found="clean", flow_before=400)
    assert checks(r.tables(), FIGURES)["weeks"].to_list() == [6, 4]
    r.service("F1", 10, found="light", next_weeks=8).service("F1", 2, found="heavy")
    assert checks(r.tables(), FIGURES)["weeks"].to_list() == [6, 4, 8, 6]
    assert next_step([2, 2], ["clean", "clean"], [False, True], FIGURES).tolist() == [2, 0]


def test_a_blank_filter_is_the_tanks_only_one() -> None:
    r = tank().service(None, 0, "full", tank="T1", media_share=1.0, rinse_water="tap")
    assert media(r)[0]["disturbance"] == pytest.approx(0.3)
    r.filter("F2", "T1", [FINE, GOOD])
    assert {row["disturbance"] for row in media(r)} == {1.0}  # whose it was cannot be told


# -- rooms and layers --------------------------------------------------------------------------------


def test_rooms_from_dimensions_or_a_measured_fill() -> None:
    r = Rounds().model("m", [
        {"compartment": "box", "shape": "box", "length_mm": 200, "width_mm": 100, "depth_mm": 50, "usable_share": 0.8},
        {"compartment": "jug", "shape": "box", "length_mm": 200, "width_mm": 100, "depth_mm": 50, "usable_l": 0.7},
        {"compartment": "bare"},
        {"compartment": "two", "stage": "medium", "shape": "cylinder", "width_mm": 150, "depth_mm": 60,
         "usable_share": 1},
        {"compartment": "two", "stage": "fine"},
    ])  # fmt: skip
    got = rooms(r.tables()["compartment"], FIGURES)
    assert got["usable_l"].to_list() == pytest.approx([0.8, 0.7, None, 1.0603], abs=1e-4)
    assert got["volume_basis"].to_list() == ["dimensions", "measured fill", "not known", "dimensions"]
    assert got["position"].to_list() == [1, 2, 3, 4]


def test_depth_of_layers() -> None:
    """As typed; else by mass, neatly packed up to 1.15 of it; else what the others leave free."""
    r = Rounds().tank("T1", net_l=100).model("m", [{"compartment": "b", "usable_l": 2.0, "depth_mm": 100}])
    r.filter("F1", "T1", [("b", "fine pad", {"thickness_mm": 20}), ("b", "good", 0.5), ("b", "medium pad")], model="m")
    assert layers_on(r.tables(), r.requests(), FIGURES)["depth_mm"].to_list() == pytest.approx([20, 50, 30])
    for kg, depth in ((0.5, 50), (1.0, 100), (1.1, 100), (1.15, 100), (1.38, 120)):
        full = Rounds().tank("T1", net_l=100).model("m", [{"compartment": "b", "usable_l": 2.0, "depth_mm": 100}])
        full.filter("F1", "T1", [("b", "good", kg)], model="m")
        assert layers_on(full.tables(), full.requests(), FIGURES)["depth_mm"].to_list() == pytest.approx([depth])


def test_temperature_is_the_median_of_four_weeks_else_the_set_one() -> None:
    r = tank().feed("T1", 0.5)
    assert (r.rating()["temperature_c"], r.rating()["temperature_basis"]) == (None, "none")
    r.rows["tank"][0]["temperature_c"] = 22.0
    assert (r.rating()["temperature_c"], r.rating()["temperature_basis"]) == (22.0, "set temperature")
    for weeks, value in ((0, 24.0), (1, 26.0), (3.9, 25.0), (4, 10.0)):
        r.reading("T1", weeks, "temperature", value)
    assert (r.rating()["temperature_c"], r.rating()["temperature_basis"]) == (25.0, "readings")


def test_a_class_load_takes_no_temperature() -> None:
    r = tank()
    r.rows["tank"][0]["temperature_c"] = 18.0
    assert media(r)[0]["temperature"] == 1.0
    assert media(r.feed("T1", 0.5, 1))[0]["temperature"] == pytest.approx(0.616, abs=5e-4)


def test_feeding_in_force_that_day() -> None:
    r = tank().feed("T1", 1.0, 10).feed("T1", 2.0, 2)
    assert [r.rating(day=d)["load"] for d in (0, 2, 3, 11)] == [4.0, 4.0, 2.0, 1.0]
    assert r.rating(day=11)["load_basis"] == "stocking class"
    assert AS_OF.weekday() == 0
