"""Truth table of the rules about the water: each fires, stays quiet, on both sides of its limits, and without a value."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.calc.water import ASSUMED, SAMPLE
from pipeline.review import rules_doubt as d
from pipeline.review import rules_water as w
from tests.review.tanks import holds, read, row, tank

ACT, WEEK, DUE = "act today", "this week", "due"
FREE: dict[str, Any] = {"celsius": 25.0, "celsius_from": SAMPLE, "of_ammonia": 0.5, "of_ph": 8.2}
TRAP = {"ph": read(6.1), "kh": read(1.0), "nitrate": read(90.0, 64, 95)}


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        ({"free_ammonia": read(0.02, **FREE)}, None, ()),
        ({"free_ammonia": read(0.021, **FREE)}, ACT, ("free ammonia 0.021 mg/L, 3 days ago", "over the 0.02",
            "Change 40 % (80 L) today, no food", "ammonia 0.5 mg/L at pH 8.2 and 25.0 °C)")),
        ({"free_ammonia": read(0.03, **FREE | {"celsius_from": ASSUMED})}, ACT, ("25.0 °C, assumed)",)),
        ({"free_ammonia": read(0.01, 0.0, 0.02, **FREE)}, None, ()),
        ({"free_ammonia": read(0.01, 0.0, 0.021, **FREE)}, WEEK, ("may be over 0.02: 0–0.021 mg/L", "Retest ammonia")),
        ({"free_ammonia": read(0.01, 0.0, None, **FREE)}, WEEK, ("over 0 mg/L",)),
        ({"free_ammonia": read(0.0, 0.0, 0.05, zero=True, **FREE)}, None, ()),
        ({"free_ammonia": read(0.03, **FREE), **TRAP}, ACT, ("Change no more than 10 % (20 L)",)),
        ({"free_ammonia": read(0.03, **FREE), "net_l": None}, ACT, ("Change 40 % today",)),
    ],
)  # fmt: skip
def test_free_ammonia(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(w.free_ammonia, tank(**facts), class_, *words)


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        ({"nitrite": read(0.5)}, ACT, ("nitrite 0.5 mg/L, 3 days ago", "Change 40 % (80 L) today", "no food for 48 hours")),
        ({"nitrite": read(0.5), "age_weeks": 8.0}, ACT, ("Change 25 % (50 L) today", "still maturing")),
        ({"nitrite": read(0.49)}, None, ()),
        ({"nitrite": read(0.0, 0.0, 0.5)}, WEEK, ("may reach 0.5: 0–0.5 mg/L", "halve the food")),
        ({"nitrite": read(0.0, 0.0, 0.49)}, None, ()),
        ({"nitrite": read(0.0, 0.0, None)}, WEEK, ("over 0",)),
        ({"nitrite": read(0.0, 0.0, 0.6, zero=True)}, None, ()),
        ({"nitrite": read(0.3, 0.1, 0.6)}, None, ()),  # told by the rule of an established tank, with its retest
        ({"nitrite": read(0.3, 0.1, 0.6), "age_weeks": 5.0}, WEEK, ("may reach",)),
    ],
)  # fmt: skip
def test_nitrite_act(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(w.nitrite_act, tank(**facts), class_, *words)


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        ({"nitrite": read(0.0)}, None, ()),
        ({"nitrite": read(0.049)}, None, ()),  # a trace: nothing is asked
        ({"nitrite": read(0.05)}, WEEK, ("nitrite 0.05 mg/L in an established tank, 3 days ago", "halve the food")),
        ({"nitrite": read(0.49)}, WEEK, ("retest in two days",)),
        ({"nitrite": read(0.5)}, None, ()),
        ({"nitrite": read(0.3), "age_weeks": 8.0}, None, ()),
        ({"nitrite": read(0.3), "age_weeks": 8.1}, WEEK, ()),
        ({"nitrite": read(0.3), "age_weeks": None}, WEEK, ()),
    ],
)
def test_nitrite(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(w.nitrite, tank(**facts), class_, *words)


TAP = {"tap_ammonia": 0.3, "tap_ammonia_high": 0.4, "last_fraction": 0.3}


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        ({"ammonia": read(0.049)}, None, ()),
        ({"ammonia": read(0.05)}, WEEK, ("ammonia 0.05 mg/L in an established tank, 3 days ago", "dead fish")),
        ({"ammonia": read(0.3), "age_weeks": 8.0}, None, ()),
        ({"ammonia": read(0.12, taken="after"), **TAP}, None, ()),  # 0.4 × 30 %
        ({"ammonia": read(0.13, taken="after"), **TAP}, WEEK, ()),
        ({"ammonia": read(0.09, taken="after"), **TAP | {"tap_ammonia_high": None}}, None, ()),
        ({"ammonia": read(0.12, taken="before"), **TAP}, WEEK, ()),
        ({"ammonia": read(0.12, taken="after"), **TAP | {"last_fraction": None}}, WEEK, ()),
        ({"ammonia": read(0.12, taken="after")}, WEEK, ()),
    ],
)
def test_ammonia(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(w.ammonia, tank(**facts), class_, *words)


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        ({"tap_ammonia": 0.049}, None, ()),
        ({"tap_ammonia": 0.4}, None, ()),
        ({"tap_ammonia": 0.4, "ph": read(7.0)}, None, ()),
        (
            {"tap_ammonia": 2.0, "ph": read(8.4)},
            WEEK,
            (
                "tap mains brought ammonia: 2 mg/L, 12 days ago",
                "25 % brings 0.5 mg/L of it, which is harmful at pH 8.4",
                "treat the water",
                "Use a conditioner",
            ),
        ),
        ({"tap_ammonia": 2.0, "ph": read(8.4), "last_fraction": 0.05}, None, ()),
        ({"tap_ammonia": 0.049, "ph": read(9.9), "last_fraction": 1.0}, None, ()),
        ({"tap_ammonia": 2.0, "ph": read(8.4), "water_supply": None}, None, ()),
        ({"tap_ammonia": 2.0, "ph": read(8.4), "tap_ammonia_day": None}, None, ()),
    ],
)
def test_tap_ammonia(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    from tests.review.tanks import ago

    usual = {"water_supply": "mains", "tap_ammonia_day": ago(12)}
    holds(w.tap_ammonia, tank(**usual | facts), class_, *words)


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        ({"age_weeks": None}, None, ()),
        ({"age_weeks": 8.01}, None, ()),
        ({"age_weeks": 8.0}, DUE, ("new tank, 8 weeks old", "add no fish", "still maturing.")),
        (
            {"age_weeks": 1.9, "nitrite": read(0.3)},
            DUE,
            ("new tank, 1 week old; ammonia or nitrite shows, as expected",),
        ),
        ({"age_weeks": 2.0, "ammonia": read(0.04)}, DUE, ("new tank, 2 weeks old |",)),
    ],
)
def test_new_tank(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(w.new_tank, tank(**facts), class_, *words)


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        ({"ph": read(6.0)}, None, ()),
        ({"ph": read(5.96)}, ACT, ("pH 5.9, 3 days ago", "10 % (20 L) a day: no big change", "1 dKH a day")),
        ({"ph": read(6.2, 5.9, 6.5)}, WEEK, ("may be under 6: read as 5.9–6.5",)),
        ({"ph": read(6.2, 6.0, 6.5)}, None, ()),
    ],
)
def test_ph_low(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(w.ph_low, tank(**facts), class_, *words)


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        ({"ph": read(7.4)}, None, ()),
        ({"ph": read(7.4, before_matched=6.6)}, ACT, ("pH moved from 6.6 to 7.4 in about a week, 3 days ago",)),
        ({"ph": read(6.6, before_matched=7.4)}, ACT, ("from 7.4 to 6.6",)),
        ({"ph": read(7.4, before_matched=6.61)}, None, ()),
    ],
)
def test_ph_moved(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(w.ph_moved, tank(**facts), class_, *words)


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        ({"kh": read(2.1)}, None, ()),
        ({"kh": read(2.0)}, WEEK, ("KH 2 dKH, 3 days ago", "25 % (50 L) weekly three times", "little is left")),
        ({"kh": read(1.0), "ph": read(6.6, before_matched=6.8)}, ACT, ("pH falling, to 6.6", "can drop overnight",
            "10 % (20 L) a day for a week")),
        ({"kh": read(1.0), "ph": read(6.8, before_matched=6.8)}, WEEK, ()),
        ({"kh": read(1.1), "ph": read(6.6, before_matched=6.8)}, WEEK, ()),
        ({"kh": read(1.0), "ph": read(6.6)}, WEEK, ()),
        (TRAP, WEEK, ("10 % (20 L) a day for a week, test ammonia first",)),
    ],
)  # fmt: skip
def test_kh_low(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(w.kh_low, tank(**facts), class_, *words)


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        (TRAP, WEEK, ("old-tank trap: pH 6.1, KH 1 dKH, nitrate 64–95 mg/L, 3 days ago", "No big change: 10 % (20 L)")),
        ({**TRAP, "ammonia": read(0.02)}, ACT, ("suddenly becomes harmful",)),
        ({**TRAP, "ammonia": read(0.0)}, WEEK, ()),
        ({**TRAP, "ph": read(6.2)}, None, ()),
        ({**TRAP, "kh": read(1.1)}, None, ()),
        ({**TRAP, "nitrate": read(40.0)}, None, ()),
        ({**TRAP, "ceiling": None}, None, ()),
        ({"ph": read(6.1), "kh": read(1.0)}, None, ()),
    ],
)
def test_old_tank_trap(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(w.old_tank_trap, tank(**facts), class_, *words)


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        (
            {"temperature": read(21.0)},
            ACT,
            ("water at 21.0 °C, set to 25.0 °C, 3 days ago", "warm by no more than 1 °C"),
        ),
        ({"temperature": read(21.1)}, None, ()),
        ({"temperature": read(29.0)}, ACT, ("cool slowly",)),
        ({"temperature": read(28.9)}, None, ()),
        ({"temperature": read(29.0), "set_c": None}, None, ()),
    ],
)
def test_temperature_off(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(w.temperature_off, tank(**facts), class_, *words)


def cell(column: str, text: str, days: int | None = 1, **more: Any) -> dict[str, Any]:
    day = {} if days is None else {"days": days}
    return row(
        "held", column=column, text=text, fault="beyond limits", reason="Outside what is accepted.", **day, **more
    )


@pytest.mark.parametrize(
    ("held", "facts", "fires"),
    [
        (cell("ammonia", "9.5"), {}, True),
        (cell("ammonia", "8"), {}, False),
        (cell("ammonia", "0.9"), {"ph": read(8.4)}, True),  # free ammonia over its limit at this tank's pH
        (cell("ammonia", "0.9"), {"ph": read(6.8)}, False),
        (cell("nitrite", "0.5"), {}, True),
        (cell("nitrite", "0,49"), {}, False),
        (cell("nitrite", "O"), {}, False),
        (cell("nitrite", "12", days=None), {}, True),
        (cell("nitrite", "12", days=28), {}, True),
        (cell("nitrite", "12", days=29), {}, False),
        (cell("nitrite", "12", days=-2), {}, False),
        (cell("nitrite", "12", days=5), {"nitrite": read(0.0, age_days=4)}, False),  # read again since
        (cell("nitrite", "12", days=5), {"nitrite": read(0.0, age_days=5)}, True),
        (cell("ph", "3.9"), {}, True),
        (cell("ph", "6.0"), {}, False),
        (cell("ph", "10.1"), {}, True),
        (cell("ph", "10"), {}, False),
        (cell("ph", "72", suggestion="7.2"), {}, False),  # no water has it: judged by what it may stand for
        (cell("ph", "55", suggestion="5.5"), {}, True),
        (cell("temperature", "2"), {}, True),
        (cell("temperature", "41"), {}, True),
        (cell("temperature", "77", suggestion="25.0"), {}, False),
        (cell("temperature", "95", suggestion="35.0"), {}, True),
        (cell("temperature", "22"), {"set_c": None}, False),
        (cell("temperature", "24-26"), {}, False),
        (cell("temperature", "24-30"), {}, True),
        (cell("ph", "7..4", suggestion="7.4") | {"fault": "not a number"}, {}, False),
        (cell("ph", "7..4") | {"fault": "not a number"}, {}, False),
        (cell("ph", "72"), {}, False),
        (cell("nitrite", "45935", suggestion="5-10"), {}, True),
        (cell("nitrite", "45935"), {}, False),
        (cell("nitrite", "02-Jan", suggestion="0.1-0.2") | {"fault": "eaten by a spreadsheet"}, {}, False),
        (cell("nitrite", "-0.6"), {}, False),
        (cell("nitrite", "0.8 mg/l") | {"fault": "two values"}, {}, True),
        (cell("temperature", "29"), {"set_c": None}, True),
        (cell("nitrate", "900"), {}, False),
        (cell("ammonia", "0.5"), {"ph": read(8.0)}, True),
        (cell("ammonia", "0.5"), {"ph": read(8.0), "set_c": 18.0}, False),
        (cell("ammonia", "0.5"), {"ph": read(8.0), "set_c": None}, True),
        (cell("ammonia", "0.5"), {"ph": read(8.0), "temperature": read(18.0)}, False),
        (cell("ammonia", "0.5"), {"ph": read(8.0), "temperature": read(25.0), "set_c": 18.0}, True),
        (cell("value", "9.5", parameter="ammonia"), {}, True),
        (cell("value", "9.5") | {"reason": "Ammonia is not what this row measures."}, {}, False),
        (row("held", text="a row", fault="x", reason="y", days=1), {}, False),
    ],
)
def test_held_danger(held: dict[str, Any], facts: dict[str, Any], fires: bool) -> None:
    holds(
        d.held_danger,
        tank({"held": [held]}, **facts),
        ACT if fires else None,
        *(["dangerous if true"] if fires else []),
    )


def test_the_value_typed_and_its_place_are_told() -> None:
    facts = tank({"held": [cell("nitrite", "12", days=9), cell("ammonia", "9.5")]})
    holds(d.held_danger, facts, ACT, "Ammonia 9.5 typed, yesterday, on hold", "held.csv line 7", "Retest ammonia now")


def test_what_kills_sooner_comes_first() -> None:
    """Order of harm: the trap, then free ammonia, nitrite, pH, KH, temperature, ammonia; the further over, the sooner."""
    facts = [
        (w.old_tank_trap, tank(**TRAP)),
        (w.free_ammonia, tank(free_ammonia=read(0.03, **FREE))),
        (w.nitrite_act, tank(nitrite=read(0.5))),
        (w.ph_low, tank(ph=read(5.9))),
        (w.kh_low, tank(kh=read(2.0))),
        (w.temperature_off, tank(temperature=read(29.0))),
        (w.ammonia, tank(ammonia=read(0.3))),
    ]
    told = [rule(f) for rule, f in facts]
    harms = [finding.harm for finding in told if finding is not None]
    assert len(harms) == 7
    assert harms == sorted(harms)
    assert w.nearer(100.0, 2.0) == 80.0
    assert w.nearer(100.0, -1.0) == 100.0
    assert w.nearer(100.0, 50.0) == 10.0


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"of_ammonia": None, "of_ph": 8.0}, "(calculated from readings of one visit)"),
        ({"of_ammonia": 0.5, "of_ph": None}, "(calculated from readings of one visit)"),
        ({"of_ammonia": 0.5, "of_ph": 8.0, "celsius": None}, "(calculated from ammonia 0.5 mg/L at pH 8.0)"),
    ],
)
def test_what_free_ammonia_is_calculated_from(more: dict[str, Any], words: str) -> None:
    holds(w.free_ammonia, tank(free_ammonia=read(0.03, **{**FREE, **more})), ACT, words)
