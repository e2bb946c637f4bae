"""The KH witness: the trade's worked check, its algebra, and every way in which it cannot tell."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from pipeline.assumptions import built_in
from pipeline.calc.witness import CANNOT_TELL, DOUBT, MORE_ACID, REMOVAL, judge, kh_per_nitrate, predictions, witness
from schemas import Tables, conform
from tests.small_logs import change, day, reading, requests, small_log, tap

FIGURES = built_in()


def kh(number: int, value: float) -> dict[str, object]:
    """A drop test of whole degrees."""
    return reading(number, value, parameter="kh", cell=(max(value - 0.5, 0.0), value + 0.5))


def told(tables: Tables, as_of: int, rise: float = 46.8 / 42, flat: bool = True) -> tuple[str, str]:
    found = witness(tables, requests(as_of), np.array([rise]), np.array([flat]), FIGURES)
    return found.row(0)


def test_cost_of_nitrate_made_from_food() -> None:
    """C6, C8: 0.452 dKH for 10 mg/L NO3 from food, half of what nitrifying added ammonium takes (stoichiometry)."""
    assert kh_per_nitrate(FIGURES) * 10 == pytest.approx(0.452, rel=2e-3)


def test_predictions_of_the_worked_check() -> None:
    none, every = predictions(*(np.array(x) for x in (6.0, 1.0, 0.0, 42.0, 46.8 / 42)), kh_per_nitrate(FIGURES))
    assert (every - none) == pytest.approx(2.1, abs=0.05)


@pytest.mark.parametrize(
    ("end", "word", "says"),
    [
        (4, DOUBT, "cross-check the kit"),
        (6, REMOVAL, "by the filter or by plants"),
        (2, MORE_ACID, "more food goes in"),
    ],
)
def test_worked_check(end: float, word: str, says: str) -> None:
    """Nitrate flat, no changes for six weeks, 46.8 mg/L made: KH 6 → 4, 6 → 6, 6 → 2."""
    found = told(small_log([kh(0, 6), kh(42, end)]), 42)
    assert found[0] == word
    assert says in found[1]
    assert found[1].startswith(f"KH went from 6 to {end} in 42\u00a0days; with none")


def test_three_weeks_with_whole_degrees_cannot_tell() -> None:
    word, says = told(small_log([kh(0, 6), kh(21, 5)]), 21, rise=23.4 / 21)
    assert word == CANNOT_TELL
    assert "1.1 dKH" in says


def test_changes_are_allowed_for() -> None:
    """Half the water changed for tap of KH 10: KH rises though acid is made."""
    days = range(0, 77, 7)
    level, log = 6.0, []
    rise = 3.0
    for n in days:
        level -= rise * kh_per_nitrate(FIGURES) * 7 if n else 0.0
        log.append(kh(n, round(level)))
        level = 0.9 * level + 0.1 * 8.0
    tables = small_log(log, [change(n, 0.1) for n in days], [tap(-3, 8.0, "kh")])
    assert told(tables, 70, rise)[0] == DOUBT
    held = small_log([kh(n, 6 if n < 40 else 7) for n in days], [change(n, 0.1) for n in days], [tap(-3, 8.0, "kh")])
    assert told(held, 70, rise)[0] == REMOVAL


@pytest.mark.parametrize(
    ("tables", "more", "says"),
    [
        (small_log([kh(0, 6)]), {}, "not read twice"),
        (small_log([kh(0, 6), kh(10, 4)]), {"rise": 9.0}, "span under 14 days"),
        (small_log([kh(0, 6), kh(42, 4)]), {"rise": np.nan}, "No feeding is recorded"),
        (small_log([kh(0, 6), kh(42, 4)], [change(7, 0.2)]), {}, "tap's KH was never tested"),
        (small_log([kh(0, 6), kh(42, 4)]), {"flat": False}, "Nitrate is not steady"),
        (small_log([kh(0, 6), kh(42, 4)], note="CO2 for the plants"), {}, "Limestone, a buffer or CO2"),
        (small_log([kh(0, 6), kh(42, 4)], note="coral gravel"), {}, "Limestone, a buffer or CO2"),
    ],
    ids=["once", "short", "no feed", "no tap", "rising", "co2", "coral"],
)
def test_cannot_tell_and_says_why(tables: Tables, more: dict, says: str) -> None:
    word, told_so = told(tables, 42, **more)
    assert word == CANNOT_TELL
    assert says in told_so


def test_a_note_of_the_weeks_counts_and_an_old_one_does_not() -> None:
    tables = small_log([kh(0, 6), kh(42, 4), kh(84, 4)])
    noted = pl.DataFrame({"tank": ["T1"], "date": [day(30)], "event": ["other"], "note": ["pH buffer added"]})
    tables["event"] = conform("event", noted.with_columns(file=pl.lit("events/a.csv"), line=2))
    assert told(tables, 42)[0] == CANNOT_TELL
    tables["event"] = tables["event"].with_columns(date=pl.lit(day(-60)))
    assert told(tables, 42)[0] == DOUBT


def test_the_span_begins_with_the_feeding_in_force() -> None:
    """What was fed before the present feeding is not known by its assumption."""
    tables = small_log([kh(0, 9), kh(21, 6), kh(63, 4)])
    feeding = pl.DataFrame(
        {"tank": ["T1"], "from": [day(21)], "feed_g_day": [1.0], "file": ["feeding.csv"], "line": [2]}
    )
    tables["feeding"] = conform("feeding", feeding)
    word, says = told(tables, 63)
    assert (word, says[:33]) == (DOUBT, "KH went from 6 to 4 in 42\u00a0days; w")


def test_judge_is_exact_at_the_limit() -> None:
    """Predictions 1.5 steps apart do speak; a reading 1.5 steps under the lower one is more acid."""
    arrays = [np.array(x, float) for x in ([4.5, 4.6, 4.5], [6.0, 6.0, 6.0], [4.5, 4.5, 3.0], [1.0, 1.0, 1.0])]
    assert judge(*arrays, FIGURES).tolist() == [DOUBT, CANNOT_TELL, MORE_ACID]


def test_many_asks_keep_their_order() -> None:
    tables = small_log([kh(0, 6), kh(42, 4)])
    found = witness(tables, requests(42, 0, 20), np.full(3, 46.8 / 42), np.ones(3, bool), FIGURES)
    assert found["witness"].to_list() == [DOUBT, CANNOT_TELL, CANNOT_TELL]
    assert dt.date(2026, 1, 5) == day(0)
