"""Truth tables of the rules about what is in doubt: each fires, and is quiet, at its edge. All are due, but a tap over
the limit."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.review import rules_doubt as r
from pipeline.review.finding import DUE, PLAN
from tests.review.tanks import ago, holds, read, row, tank

Records = dict[str, list[dict[str, Any]]]


def explained(cause: str, days: int = 21, gain: float = 3.0, **cells: Any) -> Records:
    return {"explanation": [row("explanation", cause=cause, gain=gain, **{"tanks": 1} | cells) | {"since": ago(days)}]}


def doubted(days: int, why: str, **cells: Any) -> Records:
    return {"doubt": [row("doubt", days=days, parameter="nitrate", doubt=why, matched=4.5, **cells)]}


SLIP = {"was": 200.0, "would_be": 20.0}


@pytest.mark.parametrize(
    ("records", "class_", "words"),
    [
        ({}, None, ()),
        (doubted(13, "basis", would_be=20.0), DUE, ("reading of 19 May in doubt", "NO3 or NO3-N", "no reason to act")),
        (doubted(14, "basis"), None, ()),
        (doubted(3, "off steps"), None, ()),
        (doubted(3, "leap"), DUE, ("over twice the last reading", "paper sheet")),
        (explained("typing slip", 13, **SLIP), DUE, ("200 mg/L on 19 May would be 20 mg/L",)),
        (explained("typing slip", 14, **SLIP), None, ()),
        (explained("rise", 7, size=1.0), None, ()),
        (
            doubted(9, "leap") | explained("wrong tank", 3, was=9.0, would_be=43.0, other="T2"),
            DUE,
            ("29 May", "tank T2"),
        ),
    ],
)
def test_reading_in_doubt(records: Records, class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.reading_in_doubt, tank(records), class_, *words)


@pytest.mark.parametrize(
    ("every", "days", "fires"), [(10.0, 19, True), (10.0, 20, False), (30.0, 27, True), (30.0, 28, False)]
)
def test_a_reading_is_asked_about_for_two_visits_and_four_weeks_at_most(every: float, days: int, fires: bool) -> None:
    assert (r.reading_in_doubt(tank(doubted(days, "leap"), visit_days=every)) is not None) is fires


KIT = explained("kit batch", size=1.8, kit="K1", tanks=5)


def test_kit_moved() -> None:
    for rule, facts, class_, words in (
        (r.kit_moved, tank(), None, ()),
        (r.kit_moved, tank(KIT), DUE, ("kit K1 reads 1.8 times the expected in 5 tanks", "Retest three")),
        (r.kit_moved, tank(KIT, step_kit_batch="K1"), None, ()),
    ):
        holds(rule, facts, class_, *words)


FELL = explained("fall", size=-0.5)
FED = [row("feeding", days=300, feed_g_day=2.0)]


@pytest.mark.parametrize(
    ("records", "class_", "words"),
    [
        ({}, None, ()),
        (FELL, DUE, ("nitrate fell about 11 May and no record says why", "3.5 mg/L a week less")),
        (explained("unlogged change", size=0.5), DUE, ("change of about 50 % before 11 May",)),
        (explained("not shaken", size=0.5), DUE, ("0.5 times what the balance",)),
        (explained("rise", size=0.5), None, ()),
        (explained("fall", 55, size=-0.5), DUE, ()),
        (explained("fall", 56, size=-0.5), None, ()),
        (FELL | {"feeding": [*FED, row("feeding", days=20, feed_g_day=1.0)]}, None, ()),
        (FELL | {"feeding": [*FED, row("feeding", days=20, feed_g_day=3.0)]}, DUE, ()),
        (FELL | {"feeding": [*FED, row("feeding", days=90, feed_g_day=1.0)]}, DUE, ()),  # long before it fell
        (FELL | {"event": [row("event", days=30, event="fish out")]}, None, ()),
        (FELL | {"event": [row("event", days=84, event="fish out")]}, DUE, ()),
    ],
)
def test_nitrate_fell(records: Records, class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.nitrate_fell, tank(records), class_, *words)


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        ({"tap_nitrate": 19.9}, None, ()),
        ({"tap_nitrate": 20.0}, DUE, ("the tap brings 20 mg/L nitrate; limit 40", "dilute little")),
        ({"tap_nitrate": 39.9}, DUE, ()),
        ({"tap_nitrate": 40.0}, PLAN, ("Mix in RO water", "cannot bring the tank under")),
        ({"tap_nitrate": 40.0, "ceiling": None}, None, ()),
    ],
)
def test_tap_near_limit(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.tap_near_limit, tank(**facts), class_, *words)


WENT_UP = {"tap_nitrate": 12.0, "tap_was": 6.0, "tap_nitrate_day": ago(30)}


def test_tap_moved() -> None:
    for rule, facts, class_, words in (
        (r.tap_moved, tank(), None, ()),
        (r.tap_moved, tank(explained("tap nitrate", size=24.0, tanks=4)), DUE, ("24 mg/L more nitrate since 11 May", "Test the tap")),
        (r.tap_moved, tank(**WENT_UP), DUE, ("went up from 6 to 12 mg/L", "Size the changes")),
        (r.tap_moved, tank(**WENT_UP | {"tap_nitrate": 11.9}), None, ()),
        (r.tap_moved, tank(**WENT_UP | {"tap_nitrate_day": ago(120)}), None, ()),
    ):  # fmt: skip
        holds(rule, facts, class_, *words)


TESTED = {"tap_ammonia": 0.3, "tap_ammonia_day": ago(12), "water_supply": "W1"}


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        (TESTED, DUE, ("the tap had 0.3 mg/L ammonia on 20 May", "conditioner")),
        (TESTED | {"tap_ammonia": 0.04}, None, ()),
        (TESTED | {"tap_ammonia_day": ago(180)}, DUE, ()),
        (TESTED | {"tap_ammonia_day": ago(181)}, None, ()),
        # Harmful at this pH: told more urgently by its own rule.
        (TESTED | {"tap_ammonia": 4.0, "ph": read(8.5), "temperature": read(25.0)}, None, ()),
    ],
)
def test_tap_has_ammonia(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.tap_has_ammonia, tank(**facts), class_, *words)


@pytest.mark.parametrize(
    ("facts", "class_"),
    [
        ({}, None),
        ({"kh": read(8.0)}, None),
        ({"kh": read(7.9), "kh_was": 6.0}, None),
        ({"kh": read(8.0), "kh_was": 6.0}, DUE),
        ({"kh": read(4.0), "kh_was": 6.0}, None),
    ],
)
def test_kh_climbs(facts: dict[str, Any], class_: str | None) -> None:
    words = ("KH rose from 6 to 8 dKH within some weeks", "vinegar") if class_ else ()
    holds(r.kh_climbs, tank(**facts), class_, *words)
