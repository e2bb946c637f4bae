"""Truth table of the rules about a tank: a filter that stopped, nitrate over its limit or off the chart, flow, half cycle."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from pipeline.review import rules_tank as r
from tests.review.tanks import DAY, ago, holds, read, row, tank

ACT, WEEK, CANT, PLAN, DUE = "act today", "this week", "can't say", "plan", "due"


def event(days: int, name: str, hours: float | None = None) -> dict[str, Any]:
    return row("event", days=days, event=name, hours=hours)


def stop(days: int, hours: float | None) -> dict[str, Any]:
    return row("service", days=days, job="check", hours_stopped=hours)


@pytest.mark.parametrize(
    ("records", "facts", "class_", "words"),
    [
        ({}, {}, None, ()),
        ({"event": [event(1, "filter stopped")]}, {}, ACT,
         ("filter stopped for a time not recorded, yesterday", "Over 12 hours: do not restart into the tank")),
        ({"event": [event(1, "filter stopped", 12.0)]}, {}, ACT, ("for 12 hours", "do not restart into the tank")),
        ({"event": [event(1, "filter stopped", 11.9)]}, {}, ACT, ("See that it runs",)),
        ({"event": [event(1, "filter stopped", 4.0)]}, {}, ACT, ()),
        ({"event": [event(1, "filter stopped", 3.9)]}, {}, WEEK, ("for 3.9 hours", "See that it runs")),
        ({"event": [event(6, "filter stopped", 12.0)]}, {}, ACT, ()),
        ({"event": [event(7, "filter stopped", 12.0)]}, {}, None, ()),
        ({"event": [event(1, "power cut", 4.0)]}, {}, ACT, ()),
        ({"event": [event(1, "power cut", 3.9)]}, {}, None, ()),
        ({"event": [event(1, "power cut")]}, {}, None, ()),
        ({"event": [event(1, "overfed")]}, {}, None, ()),
        ({"service": [stop(1, 12.0)]}, {}, ACT, ()),
        ({"service": [stop(1, 11.0)]}, {}, None, ()),
        ({"service": [stop(1, None)]}, {}, None, ()),
        ({}, {"flow_l_h": read(0.0, age_days=6)}, ACT, ("not recorded, 6 days ago",)),
        ({}, {"flow_l_h": read(0.0, age_days=7)}, None, ()),
        ({}, {"flow_l_h": read(90.0)}, None, ()),
        # Tested on a later day: both, or it still asks.
        ({"event": [event(3, "filter stopped")]}, {"ammonia": read(0, age_days=2), "nitrite": read(0, age_days=2)}, None, ()),
        ({"event": [event(3, "filter stopped")]}, {"ammonia": read(0, age_days=2), "nitrite": read(0, age_days=3)}, ACT, ()),
        ({"event": [event(3, "filter stopped")]}, {"nitrite": read(0, age_days=2)}, ACT, ("were not tested since",)),
    ],
)  # fmt: skip
def test_filter_stopped(
    records: dict[str, Any], facts: dict[str, Any], class_: str | None, words: tuple[str, ...]
) -> None:
    holds(r.filter_stopped, tank(records, **facts), class_, *words)


TRAP = {"ph": read(6.1), "kh": read(1.0)}


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        ({"nitrate": read(40.0, 30, 50)}, None, ()),
        ({"nitrate": read(47.0, 37, 65), "ceiling": None}, None, ()),
        ({"nitrate": read(47.0, 40.0, 65)}, PLAN, ("nitrate 40–65 mg/L may be over its limit of 40, 3 days ago", "Retest")),
        ({"nitrate": read(47.0, 40.1, 65)}, WEEK, ("nitrate 40–65 mg/L, over its limit of 40, 3 days ago",)),
        ({"nitrate": read(47.0, 36, 65), "over_ceiling_probability": 0.79}, PLAN, ()),
        ({"nitrate": read(47.0, 36, 65), "over_ceiling_probability": 0.8}, WEEK, ()),
        ({"nitrate": read(60.0), "tap": 10.0}, WEEK, ("Change 30 % (60 L) at each of the next 2 visits, and retest",
            "brings nitrate under the limit")),
        ({"nitrate": read(60.5), "tap": 10.0}, WEEK, ("Change 30 % (60 L) at each of the next 2 visits",)),
        ({"nitrate": read(41.0), "tap": 0.0}, WEEK, ("Change 30 % (60 L) at the next visit, and retest",)),
        ({"nitrate": read(200.0), "tap": 0.0}, WEEK, ("Change 30 % (60 L) at each of the next 5 visits",)),
        ({"nitrate": read(60.0), "tap": 40.0}, WEEK, ("Tap is 40 mg/L: mix in RO water", "not under the limit of 40")),
        ({"nitrate": read(60.0), "tap": 39.9}, WEEK, ("Change 50 %",)),
        ({"nitrate": read(60.0)}, WEEK, ("Change 25 % (50 L)", "never tested: test it")),
        ({"nitrate": read(60.0), "net_l": None}, WEEK, ("Change 25 %, retest",)),
        ({"nitrate": read(60.0), "tap": 40.0, **TRAP}, WEEK, ("No big change: 10 % (20 L) a day",)),
        ({"nitrate": read(60.0), "tap": 10.0, "recent_rate": 1.0}, WEEK, ("Change 30 % (60 L) at each of the next 4",)),
        ({"nitrate": read(60.0), "tap": 10.0, "recent_rate": 1.0, "mean_gap_days": 14.0, "visit_days": 7.0}, WEEK, ()),
        ({"nitrate": read(60.0), "tap": 10.0, "recent_rate": 1.0, "visit_days": 14.0}, WEEK, ()),
        ({"nitrate": read(60.0), "tap": 10.0, "recent_rate": 1.95}, WEEK, ()),
        ({"nitrate": read(60.0), "tap": 10.0, "recent_rate": 9.0}, WEEK, ("retest; see the plan", "25 % (50 L)")),
        ({"nitrate": read(60.0), "tap": 10.0, "level": 35.0}, WEEK, ("Change 25 % (50 L), retest; see the plan",)),
        ({"nitrate": read(200.0), "tap": 10.0, "ph": read(6.6), "tap_ph": 7.8}, WEEK, ()),
        ({"nitrate": read(200.0), "tap": 10.0, "tap_ph": 7.8}, WEEK, ()),
        ({"nitrate": read(83.0, 83, None)}, WEEK, ("nitrate over 83 mg/L, over its limit", "Dilute the sample by half")),
    ],
)  # fmt: skip
def test_nitrate_over_ceiling(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.nitrate_over_ceiling, tank(**facts), class_, *words)


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        ({"last_low": 30.0, "last_high": 50.0, "last_age": 3}, None, ()),
        (
            {"last_low": 30.0, "last_high": None, "last_age": 3},
            CANT,
            (
                "nitrate over 30 mg/L, off the top of the chart, 3 days ago",
                "Dilute the sample by half",
                "double the result",
            ),
        ),
        ({"last_low": 20.0, "last_high": 30.0, "last_age": 3, "recent_state": "at least"}, CANT, ("half or more",)),
        ({"last_low": 20.0, "last_high": 30.0, "last_age": 3, "recent_state": "ok"}, None, ()),
        ({"last_low": 30.0, "last_age": None}, None, ()),
    ],
)
def test_off_the_chart(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.off_the_chart, tank(**facts), class_, *words)


FLOW = {"flow_basis": "timed", "flow_of_clean": 0.59, "flow_l_h": 354.0, "flow_day": ago(12)}


@pytest.mark.parametrize(
    ("facts", "class_"),
    [
        ({}, None),
        (FLOW, WEEK),
        (FLOW | {"flow_of_clean": 0.6}, None),
        (FLOW | {"flow_basis": "estimated"}, None),
        (FLOW | {"flow_of_clean": None}, None),
        (FLOW | {"flow_l_h": None}, None),
        (FLOW | {"flow_day": None}, None),
    ],
)
def test_flow_low(facts: dict[str, Any], class_: str | None) -> None:
    words = ("flow at 59 % of clean, 12 days ago", "354 L/h", "Pads now") if class_ else ()
    holds(r.flow_low, tank(**facts), class_, *words)


SHORT = {"half_rating_l": 150.0, "half_limit": "flow", "flow_basis": "timed"}


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        (SHORT, PLAN, ("half cycle good for 150 L of 200 L: the flow limits it", "Time the flow")),
        (SHORT | {"half_rating_l": 200.0}, None, ()),
        (SHORT | {"half_rating_l": 199.9}, PLAN, ()),
        (SHORT | {"net_l": None}, None, ()),
        (SHORT | {"flow_basis": "estimated"}, PLAN, ("the flow limits it (flow estimated)",)),
        (SHORT | {"half_limit": "media"}, PLAN, ("the media limits it", "Add biological media or foam")),
        (SHORT | {"half_limit": None}, PLAN, ("half cycle good for 150 L of 200 L |",)),
        (SHORT | {"nitrite": read(0.05)}, WEEK, ("of 200 L; nitrite 3 days ago",)),
        (SHORT | {"nitrite": read(0.04)}, PLAN, ()),
        (SHORT | {"nitrite": read(0.1), "ammonia": read(0.1, age_days=1)}, WEEK, ("ammonia and nitrite yesterday",)),
    ],
)
def test_half_cycle_short(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.half_cycle_short, tank(**facts), class_, *words)


@pytest.mark.parametrize(
    ("closed", "class_"), [(None, None), (DAY, DUE), (ago(1), None), (DAY + dt.timedelta(1), None)]
)
def test_closed_today(closed: dt.date | None, class_: str | None) -> None:
    holds(r.closed_today, tank(closed=closed), class_, *(["closed today"] if class_ else []))
