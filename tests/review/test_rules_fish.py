"""Truth table of the rules about the fish: they look off, gasp, are not seen, are fewer, die."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.review import rules_tank as r
from tests.review.tanks import holds, read, row, tank

ACT, WEEK = "act today", "this week"
BAD = {"nitrite": read(0.3)}


def visit(days: int, **cells: Any) -> dict[str, Any]:
    return row("visit", days=days, **cells)


def event(days: int, name: str, **cells: Any) -> dict[str, Any]:
    return row("event", days=days, event=name, **cells)


@pytest.mark.parametrize(
    ("text", "gasps"),
    [
        ("two tetras gasping at the top", True),
        ("Fish Gasp in the morning", True),
        ("no gasping", False),
        ("not seen gasping today", False),
        ("they stopped gasping", False),
        ("no food left. One gasps", True),
        ("gulping air", True),
        ("all well", False),
        (None, False),
    ],
)
def test_a_note_of_gasping(text: str | None, gasps: bool) -> None:
    assert r.gasps(text) is gasps


@pytest.mark.parametrize(
    ("visits", "events", "class_"),
    [
        ([], [], None),
        ([visit(0, note="gasping")], [], WEEK),
        ([visit(6, note="gasping")], [], WEEK),
        ([visit(7, note="gasping")], [], None),
        ([], [event(2, "other", note="fish gasp at dawn")], WEEK),
        ([visit(3, note="gasping"), visit(1, fish_look="well")], [], None),
        ([visit(3, note="gasping", fish_look="well")], [], WEEK),
        ([visit(3, note="gasping"), visit(1, fish_look="off")], [], WEEK),
    ],
)
def test_fish_gasping(visits: list[dict[str, Any]], events: list[dict[str, Any]], class_: str | None) -> None:
    holds(
        r.fish_gasping, tank({"visit": visits, "event": events}), class_, *(["fish gasp, by a note"] if class_ else [])
    )


@pytest.mark.parametrize(
    ("visits", "class_"),
    [
        ([], None),
        ([visit(0, fish_look="well")], None),
        ([visit(0, fish_look="off")], WEEK),
        ([visit(27, fish_look="off")], WEEK),
        ([visit(28, fish_look="off")], None),
        ([visit(7, fish_look="off"), visit(0, fish_look="well")], None),
        ([visit(7, fish_look="off"), visit(0, fish_seen=9.0)], WEEK),
        ([visit(0, fish_look="not seen")], None),
    ],
)
def test_fish_look_off(visits: list[dict[str, Any]], class_: str | None) -> None:
    holds(r.fish_look_off, tank({"visit": visits}), class_, *(["the fish looked off"] if class_ else []))


@pytest.mark.parametrize(
    ("visits", "class_"),
    [
        ([], None),
        ([visit(0, fish_look="not seen")], WEEK),
        ([visit(0, fish_seen=0.0)], WEEK),
        ([visit(0, fish_seen=1.0)], None),
        ([visit(7, fish_seen=0.0), visit(0, fish_seen=5.0)], None),
        ([visit(7, fish_look="not seen"), visit(0, fish_look="well")], None),
    ],
)
def test_fish_not_seen(visits: list[dict[str, Any]], class_: str | None) -> None:
    holds(r.fish_not_seen, tank({"visit": visits}), class_, *(["no fish seen"] if class_ else []))


def counts(was: float, now: float, days: int = 0) -> list[dict[str, Any]]:
    return [visit(days + 7, fish_seen=was), visit(days, fish_seen=now)]


@pytest.mark.parametrize(
    ("visits", "events", "class_"),
    [
        ([], [], None),
        ([visit(0, fish_seen=3.0)], [], None),
        (counts(10, 8), [], WEEK),  # a fifth
        (counts(10, 9), [], None),
        (counts(15, 14), [], None),
        (counts(8, 10), [], None),
        (counts(10, 0), [], None),  # told as no fish seen
        (counts(10, 8, days=27), [], WEEK),
        (counts(10, 8, days=28), [], None),
        (counts(10, 8), [event(3, "fish out", count=2.0)], None),
        (counts(10, 8), [event(3, "fish died")], None),  # one without a count; one of nine is no fifth
        (counts(10, 6), [event(3, "fish died")], WEEK),
        (counts(10, 8), [event(7, "fish out", count=2.0)], None),
        (counts(10, 8), [event(8, "fish out", count=2.0)], WEEK),
        (counts(10, 10), [event(3, "fish in", count=5.0)], WEEK),
        (counts(10, 10), [event(0, "fish in", count=5.0)], None),
        (counts(10, 10), [event(7, "fish in", count=5.0)], None),
    ],
)
def test_fish_fewer(visits: list[dict[str, Any]], events: list[dict[str, Any]], class_: str | None) -> None:
    holds(r.fish_fewer, tank({"visit": visits, "event": events}), class_, *(["no record why"] if class_ else []))


def test_the_counts_are_told() -> None:
    holds(r.fish_fewer, tank({"visit": counts(10, 8)}), WEEK, "8 fish seen today, 10 before: no record why")
    moved = {"visit": counts(10, 6), "event": [event(3, "fish died")]}
    holds(r.fish_fewer, tank(moved), WEEK, "6 fish seen today, 9 expected")


@pytest.mark.parametrize("rule", [r.fish_gasping, r.fish_look_off, r.fish_not_seen, r.fish_fewer])
def test_bad_water_makes_it_act_today(rule: Any) -> None:
    records = {
        r.fish_gasping: [visit(0, note="gasping")],
        r.fish_look_off: [visit(0, fish_look="off")],
        r.fish_not_seen: [visit(0, fish_look="not seen")],
        r.fish_fewer: counts(10, 8),
    }[rule]
    holds(rule, tank({"visit": records}, **BAD), ACT, "A reading of the water is bad too.", "ask a vet")
    holds(rule, tank({"visit": records}, nitrite=read(0.0)), WEEK)


@pytest.mark.parametrize(
    ("events", "class_", "words"),
    [
        ([], None, ()),
        ([event(1, "fish died", count=1.0)], None, ()),
        ([event(1, "fish died", count=2.0)], ACT, ("2 fish died within a week, the last yesterday",)),
        ([event(1, "fish died"), event(6, "fish died")], ACT, ("the last yesterday", "ask what was sprayed")),
        ([event(1, "fish died"), event(7, "fish died")], None, ()),
        ([event(1, "fish out", count=5.0)], None, ()),
    ],
)
def test_fish_deaths(events: list[dict[str, Any]], class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.fish_deaths, tank({"event": events}), class_, *words)
