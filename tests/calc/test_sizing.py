"""One size of a water change: what holds the limit, the way down, and what may be made in one go."""

import math

import pytest

from pipeline.assumptions import built_in
from pipeline.calc.mixing import holding_change, largest_change, way_down

A = built_in()


def test_what_holds_the_limit_is_the_rise_over_the_room() -> None:
    assert holding_change(0.6, 7, 40, 5, A) == pytest.approx(4.2 / 35)
    assert holding_change(-0.2, 7, 40, 5, A) == 0.0
    assert holding_change(0.6, 7, 40, 40, A) is None  # the tap is at the limit
    assert holding_change(5.0, 7, 40, 5, A) is None  # more than one change may be
    for unknown in range(4):
        known: list[float | None] = [0.6, 7.0, 40.0, 5.0]
        known[unknown] = None
        assert holding_change(*known, A) is None


def test_the_way_down_ends_under_the_limit_when_walked() -> None:
    for level in (41.0, 60.0, 90.0, 200.0):
        for rise in (0.0, 0.6, 1.5):
            way = way_down(level, 40, 5, rise, 7, 0.5, A)
            assert way is not None
            fraction, visits = way
            now, before = level, []
            for _ in range(visits):
                before.append(now)
                now = now + fraction * (5 - now) + 7 * rise
            assert now <= 40 + 1e-6
            assert all(one > 40 for one in before)


def test_it_is_gentle_where_that_is_quick_enough() -> None:
    assert way_down(60, 40, 5, 0.6, 7, 0.5, A) == (0.3, 2)
    fraction, visits = way_down(300, 40, 5, 1.0, 7, 0.5, A) or (0.0, 0)
    assert fraction > 0.3
    assert visits <= A["way_down_visits"]


def test_no_way_down_where_no_change_brings_it_under() -> None:
    assert way_down(60, 40, 45, 0.6, 7, 0.5, A) is None
    assert way_down(60, 40, 5, 9.0, 7, 0.5, A) is None
    assert way_down(40, 40, 5, 0.6, 7, 0.5, A) is None
    assert way_down(None, 40, 5, 0.6, 7, 0.5, A) is None


def test_a_tap_far_in_ph_makes_changes_small() -> None:
    assert largest_change(6.6, 8.0, A) == A["mix_change_share"]
    assert largest_change(7.2, 7.9, A) == A["change_at_once"]
    assert largest_change(7.2, 8.0, A) == A["mix_change_share"]
    assert largest_change(None, 8.0, A) == largest_change(7.0, None, A) == A["change_at_once"]
    assert not math.isnan(largest_change(6.6, 8.0, A))
