"""What hangs on the assumptions: the short way says what a whole calculation would, and no step reads an assumption unnoticed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from pipeline import derive, weekly
from pipeline.advise import hangs_on as room
from pipeline.advise.hangs_on import CAPACITY, ENTERS, FIT, NONE, REQUEST, TREND, ends, hangs_on
from pipeline.assumptions import Assumption, Assumptions, built_in
from pipeline.calc import capacity, nitrate
from pipeline.review import rules
from pipeline.week import Week
from tests.rounds import FIGURES, Rounds

RANGED = {assumption.name for assumption in built_in().records() if assumption.low is not None}


@pytest.fixture(scope="module")
def demo(demo_logs: Path) -> Week:
    return weekly.open_week(demo_logs)


class Watched(Assumptions):
    """Assumptions that remember which of them were read."""

    def __init__(self, assumed: Assumptions) -> None:
        super().__init__({assumption.name: assumption for assumption in assumed.records()})
        self.read: set[str] = set()

    def __getitem__(self, name: str) -> float:
        self.read.add(name)
        return super().__getitem__(name)

    def assumption(self, name: str) -> Assumption:
        self.read.add(name)
        return super().assumption(name)


def read_by(do: Callable[[Assumptions], object], assumed: Assumptions) -> set[str]:
    """The assumptions with a stated range that a step reads."""
    watched = Watched(assumed)
    do(watched)
    return watched.read & RANGED


def of_step(step: str) -> set[str]:
    return {name for name in RANGED if ENTERS.get(name, CAPACITY) == step}


def test_only_an_assumption_with_a_range_has_a_step() -> None:
    assert set(ENTERS) < RANGED


def test_no_step_reads_an_assumption_that_is_said_to_enter_elsewhere(demo: Week) -> None:
    """A class or a rating that moved by another way than is said would be missed."""
    requests = demo.now("capacity").select(REQUEST)
    by_capacity = read_by(lambda f: capacity.capacity(demo.tables, requests, f), FIGURES)
    by_nitrate = read_by(
        lambda f: nitrate.calculate_nitrate(demo.tables, requests, f, demo.round, demo.now("capacity")), FIGURES
    )
    assert of_step(CAPACITY) - {"usable_share_default"} <= by_capacity <= of_step(CAPACITY) | of_step(NONE)
    assert of_step(FIT) <= by_nitrate <= of_step(FIT) | of_step(TREND) | of_step(NONE)


def test_what_is_said_to_move_nothing_moves_nothing(demo: Week) -> None:
    """Assumptions of drawings and causes: the whole capacity comes out the same."""
    requests, states = demo.now("capacity").select(REQUEST), ["plain_state", "working_state"]
    now = demo.now("capacity").select(states)
    for name in of_step(NONE):
        for _, value in ends(FIGURES.assumption(name)):
            again, _ = capacity.capacity(demo.tables, requests, FIGURES.with_values(**{name: value}))
            assert again.select(states).equals(now), name


def classes_of(week: Week) -> dict[str, str]:
    return dict(week.now("review").select("tank", "class").iter_rows())


def test_nothing_moved_gives_the_classes_of_the_review(demo: Week) -> None:
    assert room._classes_if(demo, {}, FIGURES) == classes_of(demo)
    outlook = room._nitrate_if(demo, TREND, FIGURES)["nitrate_outlook"]
    assert outlook.equals(demo.now("nitrate_outlook").select(outlook.columns))


def in_full(week: Week, name: str, value: float) -> dict[str, str]:
    """Class of each tank when everything is calculated and reviewed with one assumption moved, the long way."""
    assumed = week.assumed.with_values(**{name: value})
    days = [week.as_of]
    requests = derive.requests_of(week.tables, days)
    earlier = {
        table: week.table(table).filter(pl.col("as_of") != week.as_of)
        for table in ("capacity", "capacity_layer", "nitrate_fit", "nitrate_outlook", "step_alarm", "suspect")
    }
    anew = derive.calc(week.tables, requests, assumed, week.round)
    both = {table: pl.concat([earlier[table], frame]) for table, frame in anew.items() if table in earlier}
    review = rules.looked_at({**week.tables, **both}, requests, assumed, week.round)["review"]
    return dict(review.filter(pl.col("as_of") == week.as_of).select("tank", "class").iter_rows())


@pytest.mark.parametrize(
    "name", ["climbing_rate", "reading_cv", "litres_per_kg", "act_free_ammonia", "half_turnover_h"]
)
def test_the_short_way_says_what_the_whole_calculation_says(name: str, demo: Week) -> None:
    moves = [move for move in hangs_on(demo, [name]) if move.of == "class"]
    now = classes_of(demo)
    for end, value in ends(FIGURES.assumption(name)):
        changed = {tank: (now[tank], was) for tank, was in in_full(demo, name, value).items() if was != now[tank]}
        assert {move.tank: (move.was, move.would) for move in moves if move.end == end} == changed


def two_tanks() -> Rounds:
    """T1 at 90 % of its plain rating, T2 at 50 %."""
    r = Rounds()
    for tank, net in (("T1", 180), ("T2", 100)):
        r.tank(tank, net_l=net).filter(f"F{tank}", tank, [("cup", "fine pad"), ("b", "good", 2.0)], clean=900)
    return r


def reviewed(r: Rounds) -> Week:
    week = r.week()
    rows = [{"tank": tank, "as_of": week.as_of, "class": "steady"} for tank in ("T1", "T2")]
    return Week(week.folder, week.round, week.assumed, week.as_of, week.loaded_on,
                {**week.tables, "review": pl.DataFrame(rows)})  # fmt: skip


def test_a_rating_that_an_assumption_decides_is_named_with_both_words() -> None:
    """180 L on 2 kg: 90 % at 100 L a kilogram, 120 % at 75 and 72 % at 125. 100 L stays comfortable at either end."""
    found = {
        (move.tank, move.of, move.end): (move.was, move.would)
        for move in hangs_on(reviewed(two_tanks()), ["litres_per_kg"])
    }
    assert found[("T1", "plain", "low")] == ("within", "borderline")
    assert found[("T1", "plain", "high")] == ("within", "comfortable")
    assert not [key for key in found if key[0] == "T2" and key[1] == "plain"]


def test_an_end_that_is_the_value_itself_is_not_moved() -> None:
    assert list(ends(FIGURES.assumption("act_free_ammonia"))) == [("high", 0.05)]
    assert list(ends(FIGURES.assumption("mass_n"))) == []


def test_a_round_without_a_review_has_nothing_to_move() -> None:
    assert hangs_on(Rounds().week()) == []
