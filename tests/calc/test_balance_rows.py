"""From frames to rows: before, after, both, neither; two changes a day; top-ups, RO, taps of other days; gaps."""

import datetime as dt

import numpy as np
import pytest

from pipeline.assumptions import built_in
from pipeline.calc.balance_rows import Rows, build_rows, supply_tap, tap_of
from pipeline.calc.balance_windows import batch, median_gap, spans_of_weeks
from tests.small_logs import change, day, reading, requests, small_log, tap

FIGURES = built_in()


def rows_of(*args: object) -> Rows:
    return build_rows(small_log(*args), ["T1"], FIGURES)  # type: ignore[arg-type]


def test_before_and_after_of_one_day_stand_on_either_side_of_the_change() -> None:
    rows = rows_of([reading(0, 26), reading(0, 11, "after"), reading(7, 26)], [change(0, 0.4)])
    assert rows.matched.tolist() == [26, 11, 26]
    assert rows.fraction.tolist() == pytest.approx([0.4, 0.0, 0.0])
    assert rows.after.tolist() == [False, False, False]  # its change lies in the row before
    assert rows.days.tolist() == [0, 0, 7]
    assert rows.visit.tolist() == [1, 1, 2]


def test_an_after_reading_alone_carries_its_change() -> None:
    rows = rows_of([reading(0, 26), reading(7, 11, "after")], [change(0, 0.3), change(7, 0.5)])
    assert rows.fraction.tolist() == pytest.approx([0.3, 0.5])
    assert rows.after.tolist() == [False, True]


def test_a_change_without_a_reading_keeps_its_row() -> None:
    """A visit whose nitrate was not read still dilutes."""
    rows = rows_of([reading(0, 26), reading(14, 26)], [change(0, 0.2), change(7, 0.3), change(14, 0.2)])
    assert rows.fraction.tolist() == pytest.approx([0.2, 0.3, 0.2])
    assert rows.reading.tolist() == [True, False, True]
    assert rows.visit.tolist() == [1, 2, 3]


def test_two_changes_of_a_day_are_one_after_the_other() -> None:
    rows = rows_of([reading(0, 26)], [change(0, 0.5), change(0, 0.5)], [tap(-3, 10.0)])
    assert rows.fraction[0] == pytest.approx(0.75)
    assert rows.uptake[0] * rows.tap[0] == pytest.approx(7.5)


def test_a_top_up_dilutes_nothing_and_is_no_visit() -> None:
    rows = rows_of([reading(0, 26), reading(7, 26)], [change(3, 0.05, "top-up")], [tap(-3, 20.0)])
    assert rows.fraction.tolist() == [0, 0, 0]
    assert rows.uptake.tolist() == [0, 0.05, 0]
    assert rows.visit.tolist() == [1, 1, 2]


def test_a_reading_beside_a_top_up_is_a_visit() -> None:
    rows = rows_of([reading(0, 26), reading(7, 26)], [change(7, 0.05, "top-up")])
    assert rows.visit.tolist() == [1, 2]


@pytest.mark.parametrize(("source", "share", "uptake"), [("W1", 0.5, 0.2), ("ro", 1.0, 0.0), ("ro", 0.0, 0.0)])
def test_ro_brings_nothing(source: str, share: float, uptake: float) -> None:
    rows = rows_of([reading(0, 26)], [change(0, 0.4, source=source, ro_share=share)], [tap(-3, 20.0)])
    assert rows.uptake[0] == pytest.approx(uptake)


def test_doubted_readings_stay_out() -> None:
    rows = rows_of([reading(0, 26), reading(7, 47, doubt="nitrite"), reading(14, 26)])
    assert rows.matched[rows.reading].tolist() == [26, 26]
    assert len(rows.day) == 3  # the visit itself is kept


def test_a_change_of_unknown_size_breaks_the_balance() -> None:
    rows = rows_of([reading(n, 26) for n in (0, 7, 14, 21)], [change(7, None), change(21, None)])
    assert rows.segment.tolist() == [0, 0, 1, 1]
    wanted = spans_of_weeks(rows, np.array([0]), np.array([rows.day[-1]]), np.array([8.0]))
    assert (wanted.start[0], wanted.end[0]) == (2, 4)
    after = rows_of([reading(0, 26), reading(7, 26, "after"), reading(14, 26)], [change(7, None)])
    assert after.segment.tolist() == [0, 1, 1]


def test_the_tap_between_two_tests_is_interpolated_once_both_are_known() -> None:
    log = [reading(0, 26), reading(30, 26), reading(60, 26)], [change(n, 0.3) for n in (0, 30, 60)]
    rows = rows_of(*log, [tap(20, 10.0), tap(50, 14.0)])
    base = (day(0) - dt.date(1970, 1, 1)).days
    every = np.arange(3)
    value, days = tap_of(rows, every, base + 60, {"tap_unknown_mg_l": 8.0})
    assert value.tolist() == pytest.approx([10, 10 + 4 / 3, 14])
    assert days.tolist() == [20, 0, 10]  # before the first, between two, after the last
    assert tap_of(rows, every, base + 40, {"tap_unknown_mg_l": 8.0})[0].tolist() == pytest.approx(
        [10, 10, 14]
    )  # the second was to come
    value, days = tap_of(rows, every, base + 10, {"tap_unknown_mg_l": 8.0})
    assert value[0] == 8.0  # nobody had tested it by then
    assert np.isnan(days[0])


def test_a_zero_tap_is_the_middle_of_its_range() -> None:
    """A matched 0 is “under the first step”, not pure water."""
    rows = rows_of([reading(0, 26)], [change(0, 0.3)], [tap(-3, 0.0, low=0.0, high=3.0)])
    assert rows.tap[0] == pytest.approx(1.5)


def test_a_supply_without_a_name_has_no_tap() -> None:
    tables = small_log([reading(0, 26)], [change(0, 0.3, source=None)], [tap(-3, 20.0)])
    tables["site"] = tables["site"].with_columns(water_supply=None)
    rows = build_rows(tables, ["T1"], FIGURES)
    assert np.isnan(rows.tap).all()
    assert supply_tap(tables, requests(0), "nitrate")["tap"].to_list() == [None]


def test_windows_are_padded_in_front_and_start_at_a_reading() -> None:
    tables = small_log(
        [reading(n, 26, kit=f"K{n // 21}") for n in (7, 14, 21, 28)], [change(n, 0.2) for n in (0, 7, 14)]
    )
    rows = build_rows(tables, ["T1", "T2"], FIGURES)
    last = int(rows.day.max())
    wanted = spans_of_weeks(rows, np.array([0, 0]), np.array([last, last - 14]), np.array([8.0, 8.0]))
    found = batch(rows, wanted, np.arange(2), FIGURES)
    assert found.windows.days[:, 0].tolist() == [0, 7, 7, 7]
    assert found.windows.days[:, 1].tolist() == [0, 0, 0, 7]
    assert found.windows.reading.sum(axis=0).tolist() == [4, 2]
    assert sorted(set(found.windows.kit[:, 0].tolist())) == [0, 1]


def test_readings_of_one_day_by_hour_and_line() -> None:
    rows = rows_of([reading(0, 47, line=9), reading(0, 26, line=3)])
    assert rows.matched.tolist() == [26, 47]


def test_median_gap_counts_visits() -> None:
    rows = rows_of([reading(n, 26) for n in (0, 7, 14, 35)])
    last = np.array([rows.day[-1]])
    assert median_gap(rows, np.array([0]), last, 26, 99.0).tolist() == [7.0]
    assert median_gap(rows, np.array([0]), last - 35, 26, 14.0).tolist() == [14.0]  # one visit: what the round says


def test_no_rows_at_all() -> None:
    rows = build_rows({}, ["T1"], FIGURES)
    assert len(rows.day) == 0
    assert rows.first.tolist() == [0, 0]
