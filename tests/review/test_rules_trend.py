"""Truth table of the rules about rating and trend: unknown is never green, and an overload is told in its week."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.review import rules_trend as r
from tests.review.tanks import ASSUMED, ago, holds, row, tank

PLAN, STEADY, DUE = "plan", "steady", "due"
RISE = {"recent_state": "ok", "recent_rate": 1.06, "recent_low": 0.6, "recent_high": 1.5}
FLAT = {"recent_state": "ok", "recent_rate": 0.1, "recent_low": -0.1, "recent_high": 0.3, "trend": "steady"}
UNCLEAR = {"recent_state": "ok", "recent_rate": 0.5, "recent_low": -0.1, "recent_high": 1.1, "trend": "not clear"}
CLIMBS = RISE | {"trend": "climbing"}
SWINGS = {"tap_least": 5.0, "tap_most": 30.0}
OVER = {"over_full_cycle": True, "plain_state": "over", "plain_load_pct": 140.0, "media_kg": 1.5, "plain_l": 150.0}
OFF = {"plateau": 52.0, "plateau_low": 36.0, "plateau_high": 69.0}
UNDER = {"plateau": 30.0, "plateau_low": 20.0, "plateau_high": 40.0}
ROUTINE = {"mean_gap_days": 7.0, "tap": 5.0, "change_share": 0.9, "mean_fraction": 0.2}


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        (OVER | {"over_full_cycle": None}, None, ()),
        (OVER | {"over_full_cycle": False}, None, ()),
        (OVER | {"plain_state": "half cycle only"}, None, ()),
        (OVER | {"plain_load_pct": None}, None, ()),
        (OVER | CLIMBS, PLAN, ("bioload 140 % of its plain rating, short of 0.5 kg media", "Feed less or add 0.5 kg media",
            "200 L net on 1.5 kg of media rates 150 L", "disputed")),
        (OVER | UNCLEAR | OFF, PLAN, ("short of 0.5 kg media",)),
        (OVER | CLIMBS | {"media_kg": 1.625}, PLAN, ("short of 0.38 kg media",)),
        (OVER | CLIMBS | {"media_kg": None}, PLAN, ("short of 2 kg media",)),
        (OVER | CLIMBS | {"net_l": None}, PLAN, ("Feed less or add media",)),
        (OVER | CLIMBS | ROUTINE, PLAN, ("until then change 21 % (42 L)",)),  # 1.06 × 7 ÷ 35
        (OVER | FLAT, STEADY, ("bioload 140 % of its plain rating, nitrate steady", "Leave it")),
        (OVER | UNCLEAR | UNDER, STEADY, ("levels off near 30 mg/L (20–40)",)),
        (OVER | UNCLEAR | UNDER | {"plateau_high": 40.1}, PLAN, ("no clear trend", "Test nitrate at each visit")),
        (OVER | UNCLEAR | UNDER | {"recent_state": "at least"}, PLAN, ()),
        (OVER | {"recent_state": "too few", "trend": "not clear"}, PLAN, ("no trend known yet",)),
        (OVER, PLAN, ("no trend known yet",)),
        (OVER | FLAT | {"plain_state": "borderline", "plain_load_pct": 100.4}, STEADY,
         ("bioload 100.4 %", "within the rule's own uncertainty")),
        (OVER | FLAT | {"net_l": None}, STEADY, ("Bioload 140 %",)),
    ],
)  # fmt: skip
def test_over_full_cycle_rating(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.over_full_cycle_rating, tank(**facts), class_, *words)


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        (OVER | FLAT, None, ()),
        (OVER | CLIMBS | {"over_full_cycle": False}, None, ()),
        (OVER | CLIMBS | {"plain_load_pct": None}, None, ()),
        (OVER | CLIMBS, PLAN, ("bioload 140 % plain, rises 7.4 mg/L a week (4.2–10.5)", "four to six months")),
        (OVER | CLIMBS | OFF, PLAN, ("levels off near 52 mg/L (36–69); limit 40",)),
        (OVER | CLIMBS | {"recent_state": "rough"}, PLAN, ("rises roughly 7.4",)),
        (OVER | UNCLEAR | {"trend": "climbing", "step_since": ago(30)}, PLAN, ("its rise stepped up on 2 May",)),
        (OVER | CLIMBS | SWINGS, PLAN, ("Within 52 weeks this tap brought 5–30 mg/L nitrate: test it first",)),
    ],
)
def test_over_and_climbing(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.over_and_climbing, tank(**facts), class_, *words)


WITHIN = {"over_full_cycle": False, "plain_state": "within", "plain_load_pct": 90.0}


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        (WITHIN, None, ()),
        (WITHIN | UNCLEAR, None, ()),
        (WITHIN | CLIMBS, PLAN, ("rises 7.4 mg/L a week (4.2–10.5) though bioload is 90 %", "weigh food")),
        (OVER | CLIMBS, None, ()),
        (CLIMBS | {"plain_state": "half cycle only"}, None, ()),
        (CLIMBS, PLAN, ("and its rating is not known",)),
        (CLIMBS | SWINGS, PLAN, ("brought 5–30 mg/L nitrate: test it first",)),
        (CLIMBS | SWINGS | {"tap_most": 10.9}, PLAN, ("not the first thing to buy.",)),
    ],
)
def test_climbing_within_rating(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.climbing_within_rating, tank(**facts), class_, *words)


HALF = {"plain_state": "half cycle only", "media_kg": 0.0}


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        (WITHIN, None, ()),
        ({"plain_state": "can't say"}, None, ()),  # no filter on record is not half cycle only
        (HALF | CLIMBS, PLAN, ("half cycle only: no rated media; rises 7.4", "Add 2 kg media after a fine stage")),
        (HALF | CLIMBS | ROUTINE, PLAN, ("Change 21 % (42 L) a visit, or add 2 kg media",)),
        (HALF | FLAT | UNDER | ROUTINE, STEADY, ("the changes hold it", "Leave it: the water changes hold it")),
        (HALF | FLAT | UNDER | ROUTINE | {"change_share": 0.0}, STEADY, ("no rated media; nitrate steady",)),
        (HALF | FLAT | UNDER | ROUTINE | {"change_share": None}, STEADY, ("no rated media; nitrate steady",)),
        (HALF | FLAT | ROUTINE, STEADY, ("no rated media; nitrate steady",)),
        (HALF | UNCLEAR | ROUTINE, PLAN, ("no rated media; no clear trend", "Test nitrate at each visit")),
        (HALF | ROUTINE, PLAN, ("no trend known yet",)),
        (HALF | FLAT | {"net_l": None}, STEADY, ("or add porous media",)),
    ],
)
def test_no_rated_media(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    found = tank(**facts)
    holds(r.no_rated_media, found, class_, *words)
    told = r.no_rated_media(found)
    if told is not None and not (facts.get("trend") == "steady" and facts.get("change_share") and "plateau" in facts):
        assert "hold it" not in told.reason + told.step


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        ({}, None, ()),
        (RISE | OFF, PLAN, ("levels off near 52 mg/L (36–69); limit 40 |", "no water change alone holds it")),
        (RISE | OFF | {"weeks_to_ceiling": 5.2}, PLAN, ("limit 40, there in about 5 weeks",)),
        (RISE | OFF | {"weeks_to_ceiling": 1.4}, PLAN, ("there in about a week",)),
        (RISE | OFF | {"plateau": 40.0}, None, ()),
        (RISE | OFF | {"ceiling": None}, None, ()),
        (RISE | OFF | {"recent_state": "too few"}, None, ()),
        (RISE | OFF | {"recent_state": "below chart"}, None, ()),
        (RISE | OFF | ROUTINE, PLAN, ("Change 21 % (42 L) each visit holds it",)),
        (RISE | OFF | ROUTINE | {"tap": 40.0}, PLAN, ("Tap is 40 mg/L: part RO water",)),
        (RISE | {"weeks_to_ceiling": 9.0}, PLAN, ("rises 7.4 mg/L a week (4.2–10.5), no water changed; limit 40 in about 9",
            "it does not level off")),
        (RISE | {"weeks_to_ceiling": 0.0}, None, ()),
        (RISE | {"weeks_to_ceiling": 9.0, "recent_low": 0.0}, None, ()),
        (RISE | {"weeks_to_ceiling": None}, None, ()),
    ],
)  # fmt: skip
def test_plateau_above_ceiling(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.plateau_above_ceiling, tank(**facts), class_, *words)


def test_a_change_that_no_visit_can_make_is_not_asked_for() -> None:
    at_limit = {"recent_rate": 3.0, "mean_gap_days": 7.0, "tap": 5.0}
    limit = ASSUMED["change_limit"]
    assert r.change_for_ceiling(tank(**at_limit | {"recent_rate": limit * 35 / 7})) == pytest.approx(limit)
    assert r.change_for_ceiling(tank(**at_limit | {"recent_rate": limit * 35 / 7 + 0.01})) is None
    assert r.change_for_ceiling(tank(**at_limit | {"recent_rate": 0.0})) is None
    assert r.change_for_ceiling(tank(**at_limit | {"tap": 40.0})) is None
    for name in at_limit:
        assert r.change_for_ceiling(tank(**at_limit | {name: None})) is None
    assert r.change_for_ceiling(tank(**at_limit | {"recent_rate": 0.75})) == pytest.approx(0.15)


STEP = {"step_since": ago(48), "step_size": 0.89}


@pytest.mark.parametrize(
    ("facts", "class_"),
    [({}, None), (STEP, PLAN), (STEP | {"step_size": None}, None), (STEP | {"step_kit_batch": "K1"}, None)],
)
def test_rise_stepped_up(facts: dict[str, Any], class_: str | None) -> None:
    words = ("nitrate rises faster by 6.2 mg/L a week since Tue 14 April", "Ask what changed") if class_ else ()
    holds(r.rise_stepped_up, tank(**facts), class_, *words)


@pytest.mark.parametrize(
    ("facts", "class_"),
    [({}, None), (STEP, None), (STEP | {"step_kit_batch": "K1"}, DUE), ({"step_kit_batch": "K1"}, None)],
)
def test_kit_shift(facts: dict[str, Any], class_: str | None) -> None:
    words = ("tanks of kit K1 stepped together: doubt the kit", "paused") if class_ else ()
    holds(r.kit_shift, tank(**facts), class_, *words)


SEEN = {"recent_state": "too few", "span_days": 14, "span_one_kit": True, "span_first_low": 7.0,
        "span_first_high": 18.5, "span_last_low": 36.5, "span_last_high": 65.0}  # fmt: skip


@pytest.mark.parametrize(
    ("facts", "class_"),
    [
        ({}, None),
        (SEEN, PLAN),
        (SEEN | {"span_last_low": 18.5}, None),
        (SEEN | {"span_last_low": 18.6}, PLAN),
        (SEEN | {"span_one_kit": False}, None),
        (SEEN | {"span_one_kit": None}, None),
        (SEEN | {"span_days": 0}, None),
        (SEEN | {"span_first_high": None}, None),
        (SEEN | {"span_last_low": None}, None),
        (SEEN | {"recent_state": "ok"}, None),
        (SEEN | {"recent_state": None}, PLAN),
        (SEEN | {"trend": "climbing"}, None),
        (SEEN | {"span_last_high": None}, PLAN),
    ],
)
def test_rise_seen(facts: dict[str, Any], class_: str | None) -> None:
    holds(r.rise_seen, tank(**facts), class_, *(["nitrate rose from 7–19 to", "in 14 days"] if class_ else []))


LEFT_OUT = {"changes_lately": 1, "visits_lately": 4, "changes_before": 11, "visits_before": 12}


@pytest.mark.parametrize(
    ("facts", "class_", "words"),
    [
        (
            LEFT_OUT | RISE,
            DUE,
            ("water changed at 1 of the last 4 visits, at 11 of 12 before", "rises 7.4 mg/L a week"),
        ),
        (LEFT_OUT | RISE | {"net_l": None}, DUE, ("Change 25 %",)),
        (LEFT_OUT | FLAT, None, ()),
        (LEFT_OUT | RISE | {"recent_low": 0.0}, None, ()),
        (LEFT_OUT | {"recent_state": "too few"}, None, ()),
        (LEFT_OUT | RISE | {"changes_lately": 2}, None, ()),
        (LEFT_OUT | RISE | {"visits_lately": 3, "changes_lately": 0}, None, ()),
        (LEFT_OUT | RISE | {"visits_before": 3, "changes_before": 3}, None, ()),
        (LEFT_OUT | RISE | {"visits_before": 10, "changes_before": 7}, DUE, ()),
        (LEFT_OUT | RISE | {"visits_before": 10, "changes_before": 6}, None, ()),
        (LEFT_OUT | RISE | {"visits_before": None, "changes_before": None}, None, ()),
        (LEFT_OUT | RISE | {"tap": 20.0, "level": 20.0}, None, ()),  # such a change would make it worse
        (LEFT_OUT | RISE | {"tap": 19.0, "level": 20.0}, DUE, ()),
        (RISE, None, ()),
    ],
)
def test_changes_missed(facts: dict[str, Any], class_: str | None, words: tuple[str, ...]) -> None:
    holds(r.changes_missed, tank(**facts), class_, *words)


LOADED = {"was_working_load_pct": 86.0, "working_load_pct": 152.0, "working_state": "over"}


def feeding(*rows: tuple[int, float]) -> dict[str, Any]:
    return {"feeding": [row("feeding", days=days, feed_g_day=grams) for days, grams in rows]}


@pytest.mark.parametrize(
    ("records", "facts", "class_", "words"),
    [
        ({}, LOADED, None, ()),  # no record of the week: media that clogs or water that warms is told elsewhere
        (feeding((90, 1.0), (3, 2.0)), LOADED, PLAN,
         ("food up from 1 to 2 g a day on 29 May: working bioload 86 % → 152 %", "within a week")),
        (feeding((90, 1.0), (6, 2.0)), LOADED, PLAN, ()),
        (feeding((90, 1.0), (7, 2.0)), LOADED, None, ()),
        (feeding((90, 2.0), (3, 1.0)), LOADED, None, ()),
        (feeding((3, 2.0)), LOADED, PLAN, ("food 2 g a day from 29 May",)),
        (feeding((90, 1.0), (-1, 2.0)), LOADED, None, ()),
        (feeding((90, 1.0), (3, 2.0)), LOADED | {"was_working_load_pct": 100.0}, PLAN, ()),
        (feeding((90, 1.0), (3, 2.0)), LOADED | {"was_working_load_pct": 100.1}, None, ()),
        (feeding((90, 1.0), (3, 2.0)), LOADED | {"was_working_load_pct": None}, None, ()),
        (feeding((90, 1.0), (3, 2.0)), LOADED | {"working_load_pct": 100.0}, None, ()),
        (feeding((90, 1.0), (3, 2.0)), LOADED | {"working_load_pct": 100.1}, PLAN, ("86 % → 100.1 %",)),
        (feeding((90, 1.0), (3, 2.0)), LOADED | {"working_load_pct": None, "working_state": "can't say"}, None, ()),
        ({"event": [row("event", days=2, event="fish in", count=8.0)]}, LOADED, PLAN, ("8 fish in on 30 May",)),
        ({"event": [row("event", days=2, event="fish in")]}, LOADED, PLAN, ("fish in on 30 May",)),
        ({"event": [row("event", days=2, event="fish out")]}, LOADED, None, ()),
        ({}, LOADED | {"was_media_kg": 3.0, "media_kg": 2.0}, PLAN, ("media down from 3 to 2 kg",)),
        ({}, LOADED | {"was_media_kg": 2.0, "media_kg": 2.0}, None, ()),
        ({}, LOADED | {"was_media_kg": 2.0, "media_kg": None}, None, ()),
        ({}, LOADED | {"was_filters": ["A", "B"], "filters": ["B"]}, PLAN, ("filter A moved away",)),
        ({}, {"was_working_load_pct": 86.0, "working_state": "half cycle only", "was_filters": ["A"], "filters": []}, PLAN,
         ("filter A moved away: working bioload 86 % → no media that works",)),
    ],
)  # fmt: skip
def test_overload_recorded(
    records: dict[str, Any], facts: dict[str, Any], class_: str | None, words: tuple[str, ...]
) -> None:
    holds(r.overload_recorded, tank(records, **facts), class_, *words)


def test_within_plan_the_nearest_limit_comes_first() -> None:
    soon, later = tank(weeks_to_ceiling=3.0), tank(weeks_to_ceiling=9.0)
    never, likelier = tank(), tank(over_ceiling_probability=0.4)
    harms = [r.soon(f) for f in (soon, later, likelier, never)]
    assert harms == sorted(harms)
    assert r.soon(never) == ASSUMED["far_weeks"] + 1
    assert r.soon(likelier) == pytest.approx(ASSUMED["far_weeks"] + 0.6)


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        (RISE, "rises 7.4 mg/L a week"),
        (RISE | {"step_since": ago(20)}, "rises 7.4 mg/L a week"),
        (FLAT | {"step_since": ago(20)}, "its rise stepped up on 12 May"),
        (FLAT, "no clear trend"),
        (RISE | {"recent_rate": -1.0, "recent_low": -1.5, "recent_high": -0.6, "step_since": ago(20)}, "falls 7"),
        ({"step_since": ago(20), "recent_state": "too few"}, "its rise stepped up on 12 May"),
    ],
)
def test_the_rise_is_told_or_else_its_step(facts: dict[str, Any], words: str) -> None:
    assert r.rise(tank(**facts)).replace("\u00a0", " ").startswith(words)
