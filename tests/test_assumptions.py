"""The assumptions: each has a unit and a basis; a folder overrides them by name, in words when it can't."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from pipeline.assumptions import ASSUMPTIONS_FILE, BASES, built_in, with_overrides


def test_every_assumption_has_a_basis_and_says_what_it_is() -> None:
    records = built_in().records()
    assert len(records) > 150
    for assumption in records:
        assert assumption.basis.startswith(BASES), assumption.name
        assert len(assumption.what) > 6, assumption.name
        if assumption.low is not None and assumption.high is not None:
            assert assumption.low <= assumption.value <= assumption.high, assumption.name


def test_an_assumption_has_one_name_and_numbers_for_its_values() -> None:
    groups = tomllib.loads(ASSUMPTIONS_FILE.read_text("utf-8"))
    del groups["allowed"]
    entries = [(name, entry) for group in groups.values() for name, entry in group.items()]
    assert len({name for name, _ in entries}) == len(entries)
    for name, entry in entries:
        assert all(type(entry[key]) in (int, float) for key in ("value", "low", "high") if key in entry), name


def test_a_stated_range_has_two_ends_and_a_basis_of_its_own() -> None:
    ranged = [
        assumption for assumption in built_in().records() if assumption.low is not None or assumption.high is not None
    ]
    assert len(ranged) > 30
    for assumption in ranged:
        assert None not in (assumption.low, assumption.high), assumption.name
        assert assumption.spread.startswith(BASES), assumption.name
        assert len(assumption.spread) > len("house figure: "), assumption.name


def test_a_published_assumption_names_its_source() -> None:
    for assumption in built_in().records():
        if assumption.basis.startswith("published"):
            assert len(assumption.basis) > len("published: "), assumption.name


def test_an_override_is_used_and_keeps_the_built_in_beside_it() -> None:
    assumed, problems = with_overrides({"litres_per_kg": 90})
    assert problems == []
    assert assumed["litres_per_kg"] == 90
    assert assumed.assumption("litres_per_kg").built_in == built_in()["litres_per_kg"] != 90
    again = assumed.with_values(litres_per_kg=80)
    assert again.assumption("litres_per_kg").built_in == built_in()["litres_per_kg"]


@pytest.mark.parametrize(
    ("overrides", "word"),
    [
        ({"litres_per_kilo": 90}, "not an assumption"),
        ({"litres_per_kg": "ninety"}, "“ninety”; expected 1 to 2000 L/kg. The built-in 100 is used."),
        ({"litres_per_kg": True}, "“True”; expected 1 to 2000"),
        ({"litres_per_kg": float("nan")}, "“nan”; expected 1 to 2000"),
        ({"litres_per_kg": float("inf")}, "“inf”; expected 1 to 2000"),
        ({"litres_per_kg": -5}, "“-5”; expected 1 to 2000"),
        ({"litres_per_kg": 0}, "“0”; expected 1 to 2000"),
        ({"gate_days": 27.5}, "“27.5”; expected a whole number from 1 to 1000 days"),
        ({"mass_n": 140.07}, "expected 12.6063 to 15.4077 g/mol"),
        ({"ph_hold_below": 9}, "expected ph_hold_below not above ph_warn_below. Of ph_hold_below the built-in"),
        ({"comfortable_pct": 300, "within_pct": 200}, "Of comfortable_pct and within_pct the built-in"),
    ],
)
def test_an_override_that_cannot_be_used_is_told_and_changes_nothing(overrides: dict[str, object], word: str) -> None:
    assumed, problems = with_overrides(overrides)
    assert len(problems) == 1
    assert word in problems[0]
    assert dict(assumed) == dict(built_in())


def test_every_allowed_range_holds_its_value_and_its_uncertainty() -> None:
    assumed = built_in()
    for own in assumed.records():
        assert -1e9 < own.least < own.most < 1e9, own.name
        assert own.least <= own.value <= own.most, own.name
        if own.low is not None and own.high is not None:
            assert own.least <= own.low <= own.high <= own.most, own.name
        assert not own.counted or own.value == int(own.value), own.name
        assert not own.not_above or own.value <= assumed[own.not_above], own.name
    for end in ("least", "most"):
        told = with_overrides({own.name: getattr(own, end) for own in assumed.records()})[1]
        assert not [problem for problem in told if "not above" not in problem]


# Read by a name that is put together; plain_grade is what tests hold the manager's page to.
BUILT_NAMES = ("disturb_", "mass_", "load_", "plants_", "check_second_weeks", "plain_grade", "met_")
BUILT_ENDS = ("_weekly", "_fortnightly", "_hold_above", "_hold_below", "_warn_above", "_warn_below")


def test_every_assumption_is_read_by_the_product() -> None:
    """A knob that turns nothing misleads whoever overrides it."""
    root = Path(__file__).parents[1]
    code = "".join(
        file.read_text(encoding="utf-8")
        for room in ("pipeline", "dashboard", "schemas")
        for file in (root / room).rglob("*.py")
    )
    for table in ("review/sentences.toml", "intake/units.toml"):
        code += (root / "pipeline" / table).read_text(encoding="utf-8")
    unread = [
        name
        for name in built_in()
        if f'"{name}"' not in code
        and f"f.assumed[{name}]" not in code
        and f"'{name}'" not in code
        and not name.startswith(BUILT_NAMES)
        and not name.endswith(BUILT_ENDS)
    ]
    assert unread == []
