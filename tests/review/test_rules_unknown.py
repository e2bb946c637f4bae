"""Truth table of the rules about what nobody knows, and of the jobs whose day has come."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.review import rules_doubt as r
from tests.review.tanks import ago, holds, read, row, tank

CANT, DUE = "can't say", "due"


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, CANT, ("no usable nitrate reading yet", "nobody can say", "enter any paper sheets not yet typed")),
        ({"last_age": 10, "visit_days": 7.0}, None, ()),
        (
            {"last_age": 11, "visit_days": 7.0},
            CANT,
            ("no usable nitrate reading for 11 days", "the last one 11 days ago"),
        ),
        ({"last_age": 42, "visit_days": 28.0}, None, ()),
        ({"last_age": 43, "visit_days": 28.0}, CANT, ("for 6 weeks", "of 28 days")),
        ({"last_age": 1, "visit_days": None}, CANT, ()),
    ],
)
def test_no_usable_reading(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.no_usable_reading, tank(**facts), class_, *words)


def cell(column: str | None, text: str, days: int | None, **more: Any) -> dict[str, Any]:
    when = {} if days is None else {"days": days}
    return row("held", column=column, text=text, fault="x", reason="It is odd.", **when, **more)


@pytest.mark.parametrize(
    ("items", "class_", "words"),
    [
        ([], None, ()),
        ([cell("kh", "65", 3, suggestion="3.64")], CANT,
         ("reading on hold: KH 65, 3 days ago", "Settle it under Held rows: 3.64?", "held.csv line 7", "It is odd.")),
        ([cell("kh", "65", 28)], CANT, ("Settle it under Held rows.",)),
        ([cell("kh", "65", 29)], None, ()),
        ([cell("kh", "65", -1)], None, ()),
        ([cell("kh", "65", -1) | {"fault": "future"}], CANT, ()),
        ([cell("kh", "65", None)], CANT, ("reading on hold: KH 65 |",)),
        ([cell(None, "a,b,c", 3)], CANT, ("row on hold, 3 days ago",)),
        ([cell("water_changed", "9 gal", 3)], CANT, ("on hold: water_changed 9 gal",)),
        ([cell("kh", "65", 9), cell("ph", "7..4", 2)], CANT, ("pH 7..4 and 1 more, 2 days ago",)),
        ([cell("kh", "65", 9), cell("ph", "7..4", None)], CANT, ("pH 7..4 and 1 more |",)),
    ],
)  # fmt: skip
def test_held(items: list[dict[str, Any]], class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.held, tank({"held": items}), class_, *words)


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        ({"last_expired": False, "last_age": 3}, None, ()),
        ({"last_expired": True, "last_age": None}, None, ()),
        ({"last_expired": True, "last_age": 3, "last_kit": "M0"}, DUE, ("with kit M0, past its date, 3 days ago",)),
        ({"last_expired": True, "last_age": 3}, DUE, ("with a kit, past its date",)),
    ],
)
def test_kit_expired(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.kit_expired, tank(**facts), class_, *words)


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, DUE, ("ammonia and nitrite not tested within 28 days",)),
        ({"ammonia": read(0.0)}, DUE, ("| Test nitrite at the next visit",)),
        ({"nitrite": read(0.0)}, DUE, ("| Test ammonia at the next visit",)),
        ({"ammonia": read(0.0), "nitrite": read(0.0)}, None, ()),
    ],
)
def test_not_tested(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.not_tested, tank(**facts), class_, *words)


@pytest.mark.parametrize(
    ("facts", "none", "needs"),
    [
        ({}, None, DUE),
        ({"plain_state": "within"}, None, None),
        ({"plain_state": "half cycle only", "missing": "no rated media"}, None, None),
        ({"plain_state": "can't say", "missing": "a filter on record", "filters": []}, DUE, None),
        ({"plain_state": "can't say", "missing": "what fills F1", "filters": ["F1"]}, DUE, None),
        ({"plain_state": "can't say", "missing": "net or gross litres", "filters": ["F1"]}, None, DUE),
    ],
)
def test_no_filter_recorded_and_rating_not_known(facts: dict[str, Any], none: str | None, needs: str | None) -> None:
    bare = not facts.get("filters")
    words = ["no filter recorded" if bare else "what is in filter F1 is not recorded"] if none else []
    holds(r.no_filter_recorded, tank(**facts), none, *words)
    lacking = facts.get("missing", "the tank's litres and its filter's media")
    holds(r.rating_not_known, tank(**facts), needs, *([f"rating not known: needs {lacking}"] if needs else []))


def due(what: str, late: int, about: str = "F1") -> dict[str, Any]:
    told = {"says": f"{what} of {about} in full", "do": "Do it.", "basis": "every so often", "about": about}
    return row("due", what=what, late_days=late, on=ago(late), **told)


@pytest.mark.parametrize(
    ("rule", "what", "late", "said"),
    [
        (r.service_due, "check", 46, "service of filter F1 overdue by 46 days"),
        (r.service_due, "check", 1, "service of filter F1 overdue by 1 day |"),
        (r.service_due, "check", 0, "service of filter F1 due today"),
        (r.carbon_due, "carbon", 35, "carbon in F1 overdue by 35 days"),
        (r.kit_due, "kit", 32, "kit F1 expired 32 days ago"),
        (r.kit_due, "kit", 0, "kit F1 expires today"),
        (r.kit_due, "tests left", 0, "kit F1 is nearly used up"),
        (r.flow_test_due, "flow test", 12, "flow test of filter F1 overdue by 12 days"),
        (r.promise_due, "promise", 6, "promised for 26 May: F1"),
    ],
)
def test_a_job_whose_day_has_come(rule: Any, what: str, late: int, said: str) -> None:
    holds(rule, tank({"due": [due(what, late)]}), DUE, said, "Do it.")
    holds(rule, tank({"due": [due(what, -1)]}), None)
    holds(rule, tank({"due": [due("something else", late)]}), None)
    holds(rule, tank(), None)


def test_the_latest_job_speaks_and_the_others_are_counted() -> None:
    jobs = {"due": [due("check", 3, "A"), due("check", 9, "B"), due("check", -4, "C")]}
    holds(r.service_due, tank(jobs), DUE, "service of filter B overdue by 9 days (and 1 more)")
    assert r.service_due(tank(jobs)).harm == -9.0  # type: ignore[union-attr]


def test_a_tap_test_is_its_supplys_and_not_told_in_a_tank() -> None:
    facts = tank({"due": [due("tap test", 40)]})
    for rule in (r.service_due, r.carbon_due, r.kit_due, r.flow_test_due, r.promise_due):
        holds(rule, facts, None)
