"""Each explanation of nitrate is found where it is true, with its size, and none where nothing happened."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import numpy as np
import polars as pl
import pytest

from pipeline.calc.explanations import explain, implied, penalised, pooled, refitted
from pipeline.calc.nitrate_design import Windows, held
from schemas import Tables
from tests.rounds import AS_OF, FIGURES, Rounds

WEEKS = 26
LADDER = np.array([0.0, 3, 7, 12, 18, 25, 33, 44, 60, 85, 120, 180])
SHARE, RISE, TAP = 0.2, 0.5, 5.0
Change = Callable[[int, float], float]


def weigh(tables: Tables, requests: pl.DataFrame) -> pl.DataFrame:
    return explain([refitted(tables, requests, FIGURES)], tables, requests, FIGURES)


def same(_: int, value: float) -> float:
    return value


class Kept:
    """Tanks kept alike week for week: what is read as it is, but for what a test makes of it."""

    def __init__(self) -> None:
        self.r = Rounds()
        self.r.add("tap", water_supply="W1", date=AS_OF - dt.timedelta(400), parameter="nitrate", matched=TAP, low=TAP, high=TAP, text="5", outcome="accepted")  # fmt: skip

    def tank(
        self, name: str, *, level: Change = same, read: Change = same, rise: Change = same, tap: Change = same,
        share: Change = same, kit: str = "K1", start: float = 22.5, people: tuple[str | None, ...] = (None,),
    ) -> Kept:  # fmt: skip
        """A tank of 26 visits; `level` changes what it holds, `read` what is read of it, by week before as-of."""
        self.r.tank(name)
        now = start
        for back in reversed(range(WEEKS)):
            day = AS_OF - dt.timedelta(7 * back)
            now = level(back, now + 7 * rise(back, RISE))
            seen = read(back, now)
            step = LADDER[np.abs(LADDER - seen).argmin()]
            at = int(np.searchsorted(LADDER, step))
            ends = {
                "low": 0.0 if at == 0 else (LADDER[at - 1] + step) / 2,
                "high": (step + LADDER[at + 1]) / 2,
            }
            self.r.reading(name, day, "nitrate", float(step), kit=kit, **ends)
            place = {
                "file": "reading.csv",
                "line": self.r.rows["reading"][-1]["line"],
                "by": people[back % len(people)],
            }
            self.r.add("visit", **place, tank=name, day=day, at=dt.datetime.combine(day, dt.time(9)), taken="before", outcome="accepted")  # fmt: skip
            changed = share(back, SHARE)
            self.r.add("water_change", tank=name, day=day, at=dt.datetime.combine(day, dt.time(9)), fraction=changed,
                       kind="change", source="W1", ro_share=0.0, guessed=False, text="20%", outcome="accepted")  # fmt: skip
            now = now * (1 - changed) + changed * tap(back, TAP)
        return self

    def told(self) -> dict[tuple[str, str], dict[str, object]]:
        frame = weigh(self.r.tables(), self.r.requests())
        return {(row["tank"], row["cause"]): row for row in frame.iter_rows(named=True)}


def best(told: dict[tuple[str, str], dict[str, object]], tank: str = "T1") -> str:
    return max((row["gain"], cause) for (name, cause), row in told.items() if name == tank)[1]  # type: ignore[type-var]


def test_nothing_happened_and_nothing_is_told() -> None:
    assert Kept().tank("T1").tank("T2", start=30.0).told() == {}


def test_a_change_that_is_not_in_the_log() -> None:
    told = Kept().tank("T1", level=lambda back, now: TAP + (now - TAP) * 0.3 if back == 3 else now).told()
    assert best(told) == "unlogged change"
    row = told["T1", "unlogged change"]
    assert row["since"] == AS_OF - dt.timedelta(21)
    assert row["size"] == pytest.approx(0.7, abs=0.2)


@pytest.mark.parametrize(("cause", "more"), [("rise", 1.4), ("fall", -0.6)])
def test_the_source_from_a_day(cause: str, more: float) -> None:
    told = Kept().tank("T1", rise=lambda back, rise: rise + more * (back < 6)).told()
    assert best(told) == cause
    assert told["T1", cause]["size"] == pytest.approx(more, rel=0.4)


def test_the_tap_at_another_level_is_shared_by_its_tanks() -> None:
    kept = Kept()
    for number in range(4):
        kept.tank(f"T{number}", tap=lambda back, tap: tap + 25 * (back < 6), kit=f"K{number}", start=22.5 + number)
    told = kept.told()
    assert {best(told, f"T{number}") for number in range(4)} == {"tap nitrate"}
    assert told["T0", "tap nitrate"]["tanks"] == 4
    assert told["T0", "tap nitrate"]["size"] == pytest.approx(25, abs=9)


@pytest.mark.parametrize("times", [0.5, 1.9])
def test_a_kit_is_off_for_all_its_tanks_and_no_one_elses(times: float) -> None:
    kept = Kept()
    for number in range(4):
        kept.tank(f"T{number}", read=lambda back, now: now * (times if back < 4 else 1), start=22.5 + number)
    kept.tank("Z", kit="K9")
    told = kept.told()
    assert {best(told, f"T{number}") for number in range(4)} == {"kit batch"}
    assert told["T0", "kit batch"]["size"] == pytest.approx(times, rel=0.25)
    assert told["T0", "kit batch"]["kit"] == "K1"
    assert ("Z", "kit batch") not in told


def test_readings_given_as_nitrogen() -> None:
    told = (
        Kept()
        .tank("T1", read=lambda back, now: now / 4.43 if back < 4 else now, start=40.0, share=lambda *_: 0.1)
        .told()
    )
    assert best(told) == "wrong basis"
    once = (
        Kept()
        .tank("T1", read=lambda back, now: now / 4.43 if back == 1 else now, start=40.0, share=lambda *_: 0.1)
        .told()
    )
    assert best(once) == "wrong basis"
    row = once["T1", "wrong basis"]
    assert row["would_be"] == pytest.approx(4.43 * row["was"], rel=0.01)  # type: ignore[operator]


def test_a_reading_ten_times_too_high() -> None:
    told = Kept().tank("T1", read=lambda back, now: 115.0 if back == 1 else 11.5, rise=lambda *_: 0.2).told()
    assert best(told) == "typing slip"
    assert told["T1", "typing slip"]["would_be"] == pytest.approx(12.0)


def test_a_sample_taken_after_the_change() -> None:
    large = {"share": lambda back, share: 0.8 if back == 2 else share, "start": 40.0, "rise": lambda *_: 0.8}
    told = Kept().tank("T1", read=lambda back, now: 0.2 * now + 0.8 * TAP if back == 2 else now, **large).told()
    assert "taken after the change" in {cause for _, cause in told}
    assert ("T1", "taken after the change") not in Kept().tank("T1", **large).told()


def test_two_tanks_of_a_site_exchanged() -> None:
    kept = Kept().tank("T1", read=lambda back, now: 60.0 if back == 1 else 12.0, rise=lambda *_: 0.2)
    kept.tank("T2", read=lambda back, now: 12.0 if back == 1 else 60.0, rise=lambda *_: 1.5)
    told = kept.told()
    assert told["T1", "wrong tank"]["other"] == "T2"
    assert told["T2", "wrong tank"]["would_be"] == 60.0
    assert best(told) == "wrong tank"


def test_no_readings_and_few_tell_nothing() -> None:
    r = Rounds().tank("T1")
    assert weigh(r.tables(), r.requests()).height == 0
    for back in range(4):
        r.reading("T1", back, "nitrate", 20.0 * (back + 1))
    assert weigh(r.tables(), r.requests()).height == 0


def test_what_came_in_is_diluted_by_every_change_after_it() -> None:
    visits = 4
    windows = Windows(
        days=np.full((visits, 1), 7.0), fraction=np.full((visits, 1), 0.5), inflow=np.full((visits, 1), 2.0),
        low=np.zeros((visits, 1)), high=np.full((visits, 1), np.inf), after=np.array([[False], [False], [True], [False]]),
        kit=np.zeros((visits, 1), np.int64), reader=np.full((visits, 1), -1), cv=np.full((visits, 1), 0.25),
    )  # fmt: skip
    once = np.array([[0.0], [8.0], [0.0], [0.0]])
    assert held(windows, once, np.zeros((visits, 1)))[0][:, 0].tolist() == [0.0, 8.0, 2.0, 2.0]
    assert held(windows, np.zeros((visits, 1)), once)[0][:, 0].tolist() == [0.0, 0.0, 4.0, 4.0]


def test_a_shared_size_costs_those_it_does_not_suit() -> None:
    gain, size, precision = np.array([[4.0, 4.0, 1.0]]), np.array([[1.0, 3.0, 9.0]]), np.array([[1.0, 1.0, 1.0]])
    own, others, shared = pooled(gain, size, precision, np.array([0, 0, -1]))
    assert shared[0, :2].tolist() == [2.0, 2.0]
    assert own[0].tolist() == [3.5, 3.5, -np.inf]
    assert others[0, :2].tolist() == [3.5, 3.5]


def test_more_parameters_and_more_readings_cost_more() -> None:
    assert penalised(np.array(5.0), 26, 1) > penalised(np.array(5.0), 26, 2) > penalised(np.array(5.0), 52, 2)
    assert penalised(np.array(5.0), 1, 2) == 5.0


def test_the_same_whatever_the_order_and_the_company() -> None:
    """Tanks that share nothing do not change each other."""
    alone = Kept().tank("T1", rise=lambda back, rise: rise + 1.4 * (back < 6)).told()
    kept = Kept().tank("A", kit="K2").tank("T1", rise=lambda back, rise: rise + 1.4 * (back < 6))
    both = weigh(kept.r.tables(), kept.r.requests().reverse()).filter(pl.col("tank") == "T1")
    assert {row["cause"]: row["gain"] for row in both.iter_rows(named=True)}["rise"] == pytest.approx(
        alone["T1", "rise"]["gain"], abs=0.05
    )


def test_the_path_that_an_explanation_implies() -> None:
    kept = Kept().tank("T1", rise=lambda back, rise: rise + 1.4 * (back < 6))
    row = kept.told()["T1", "rise"]
    path, moved = implied(kept.r.tables(), "T1", AS_OF, row, FIGURES)
    assert moved.height == 0
    before, last = path["level"][0], path["level"][-2]
    assert before == pytest.approx(23, abs=5)
    assert last == pytest.approx(kept.r.rows["reading"][-1]["matched"], rel=0.25)


def test_the_readings_that_an_explanation_moves() -> None:
    kept = Kept().tank("T1", read=lambda back, now: 115.0 if back == 1 else 11.5, rise=lambda *_: 0.2)
    row = kept.told()["T1", "typing slip"]
    path, moved = implied(kept.r.tables(), "T1", AS_OF, row, FIGURES)
    assert moved.rows() == [(dt.datetime(2026, 5, 25, 9), dt.date(2026, 5, 25), 12.0, 12.0)]
    assert path.height == 2 * WEEKS
    times = {"cause": "not shaken", "since": AS_OF - dt.timedelta(7), "size": 0.5, "would_be": None}
    _, moved = implied(kept.r.tables(), "T1", AS_OF, times, FIGURES)
    assert moved["low"].to_list() == pytest.approx([205.0, 19.0])
    assert implied(Rounds().tank("T1").tables(), "T1", AS_OF, times, FIGURES)[0].height == 0


@pytest.mark.parametrize(("showing", "told"), [(3, True), (2, False)])
def test_ammonia_in_several_tanks_of_a_supply(showing: int, told: bool) -> None:
    kept = Kept()
    for number in range(4):
        kept.tank(f"T{number}")
        kept.r.reading(f"T{number}", 1, "ammonia", 0.25 if number < showing else 0.0)
    found = kept.told()
    assert (("T0", "tap ammonia") in found) == told
    assert ("T3", "tap ammonia") not in found
    if told:
        assert (found["T0", "tap ammonia"]["tanks"], found["T0", "tap ammonia"]["size"]) == (2, 3.0)


@pytest.mark.parametrize(
    ("times", "tanks", "told"), [(1.6, 4, True), (1 / 1.6, 4, True), (1.0, 4, False), (1.1, 4, False), (1.6, 2, False)]
)
def test_two_people_who_read_a_factor_apart(times: float, tanks: int, told: bool) -> None:
    def read(back: int, now: float) -> float:
        return now * times if back % 2 else now

    kept = Kept()
    for n in range(tanks):  # in the last of them the other reads most
        kept.tank(
            f"T{n}",
            read=read,
            start=16.0 + 5 * n,
            people=("Ann", "ben ") if n < tanks - 1 else ("Ann", "ben", "Ann", "ben", None, "ben"),
        )
    found = [row for (_, cause), row in kept.told().items() if cause == "reader"]
    assert len(found) == (tanks if told else 0)
    for row in found:
        assert (row["by"], row["than"]) == (("ben", "ann") if times > 1 else ("ann", "ben"))
        assert row["tanks"] == tanks
        assert row["size"] == pytest.approx(max(times, 1 / times), rel=0.2)
