"""A row for each cause: what points to it and how much that says, what points to nothing, and how causes are weighed."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.review.causes import of_rule, of_tank, weighed
from pipeline.review.evidence import EVIDENCE
from schemas.words import SUSPICIONS
from tests.review.tanks import ago, as_agreed, read, row, tank


def service(days: int, job: str = "check", **cells: Any) -> dict[str, Any]:
    return row("service", days=days, job=job, **cells)


def event(days: int, name: str, **cells: Any) -> dict[str, Any]:
    return row("event", days=days, event=name, **cells)


def layer(**cells: Any) -> dict[str, Any]:
    return row("capacity_layer", **{"counts": True, "maturity": 0.2, "age_weeks": 8.4, "mass_kg": 1.66} | cells)


def feed(*pairs: tuple[int, float]) -> list[dict[str, Any]]:
    return [row("feeding", days=days, feed_g_day=grams) for days, grams in pairs]


def doubt(days: int, why: str, **cells: Any) -> dict[str, Any]:
    return row("doubt", days=days, parameter="nitrate", doubt=why, text="4.5", **{"matched": 4.5} | cells)


def explained(cause: str, gain: float, days: int = 21, **cells: Any) -> dict[str, Any]:
    return row("explanation", cause=cause, gain=gain, **{"tanks": 1} | cells) | {"since": ago(days)}


OVER = {"over_full_cycle": True, "media_kg": 1.46, "net_l": 204.0}
FLOW = {"flow_basis": "timed", "flow_of_clean": 0.79, "flow_l_h": 474.0, "flow_day": ago(12)}
FED = {"load_basis": "feed", "load": 1.25, "feed_g_day": 2.4}
OUTRUN = {"recent_low": 1.0, "recent_high": 2.0, "recent_rate": 1.5, "expected_low": 0.5, "expected_high": 0.9}

LEFT_OUT = {"changes_lately": 1, "visits_lately": 4, "changes_before": 12, "visits_before": 12}

POINTS: list[tuple[str, dict[str, Any], dict[str, Any], str]] = [
    ("overfeeding", {"event": [event(27, "overfed")]}, {}, "overfed on 5 May"),
    ("overfeeding", {"feeding": feed((300, 0.75), (119, 1.68))}, {}, "food went up from 0.75 to 1.68 g a day on 2 February"),
    ("overfeeding", {}, FED, "2.4 g of food a day is 1.3 times normal for 200 L"),
    ("overfeeding", {}, OUTRUN, "nitrate rises 10.5 mg/L a week (7–14), and the recorded food makes 3.5–6.3"),
    ("new fish", {"event": [event(83, "fish in", count=6.0)]}, {}, "6 fish in on 10 March"),
    ("too much stock", {}, {"stocking": "heavy"}, "stocking is recorded as heavy"),
    ("too much stock", {}, {"stocking": "messy"}, "stocking is recorded as messy"),
    ("too little media", {}, OVER, "1.46 kg of media on 204 L, which needs 2.04 kg"),
    ("too little media", {}, OVER | {"over_full_cycle": None, "plain_state": "half cycle only", "media_kg": 0.0},
     "0 kg of media on 204 L"),
    ("media not ripe", {"capacity_layer": [layer(), layer(mass_kg=1.0, maturity=1.0)]}, {},
     "1.66 kg of its media is 8 weeks old; mature at 26"),
    ("media clogged", {"service": [service(119, found="sludge")]}, {}, "found sludge on 2 February"),
    ("media clogged", {"service": [service(9, found="heavy")]}, {}, "found heavy on 23 May"),
    ("media clogged", {"due": [row("due", what="check", late_days=15, about="F1")]}, {},
     "the service of filter F1 is overdue by 15 days"),
    ("flow lost", {}, FLOW, "flow 474 L/h on 20 May, 79 % of clean"),
    ("bypass", {"audit": [row("audit", fault="half-empty compartment", filter="F1")]}, {}, "a compartment of F1 half empty"),
    ("rinsed in tap water", {"service": [service(55, "media rinsed", rinse_water="tap")]}, {},
     "media rinsed in tap water on 7 April"),
    ("over-cleaned", {"service": [service(27, "media rinsed", media_share=0.5)]}, {}, "50 % of its media handled on 5 May"),
    ("over-cleaned", {"service": [service(9, "media rinsed")]}, {}, "its media handled on 23 May"),
    ("over-cleaned", {"service": [service(9, "full", media_share=0.1)]}, {}, "10 % of its media handled"),
    ("medication", {"event": [event(41, "medication")]}, {}, "medicine on 21 April"),
    ("filter stopped", {"service": [service(41, hours_stopped=4.0)]}, {}, "stopped 4 hours on 21 April"),
    ("filter stopped", {"event": [event(3, "power cut", hours=2.0)]}, {}, "power cut on 29 May, 2 hours"),
    ("filter stopped", {"event": [event(3, "filter stopped")]}, {}, "filter stopped on 29 May"),
    ("dead fish", {"event": [event(20, "fish died", count=1.0)]}, {}, "1 fish died on 12 May"),
    ("dead fish", {"visit": [row("visit", days=7, fish_seen=15.0), row("visit", days=0, fish_seen=14.0)]}, {},
     "14 fish seen today, 15 before"),
    ("dead fish", {"visit": [row("visit", days=d, fish_seen=n) for d, n in ((14, 15.0), (7, 14.0), (0, 14.0))]}, {},
     "14 fish seen 7 days ago, 15 before"),
    ("heater", {}, {"temperature": read(23.0)}, "23.0 °C read, set to 25.0 °C"),
    ("tap nitrate", {}, {"tap": 25.0, "ceiling": None}, "the tap brings 25 mg/L"),
    ("tap nitrate", {}, {"tap": 20.0}, "the tap brings 20 mg/L"),
    ("tap nitrate", {}, {"tap": 12.0, "tap_nitrate": 12.0, "tap_was": 6.0}, "the tap went up from 6 to 12 mg/L"),
    ("tap ammonia", {}, {"ammonia": read(0.1), "ammonia_before": 0.0, "ammonia_after": 0.25},
     "ammonia 0 mg/L before the change and 0.25 mg/L after it"),
    ("tap ammonia", {}, {"tap_ammonia": 0.3, "tap_ammonia_day": ago(12)}, "the tap had 0.3 mg/L ammonia on 20 May"),
    ("too few changes", {}, {"change_share": 0.69}, "water changed at 69 % of recent visits"),
    ("too few changes", {}, {"change_share": 0.0}, "no water changed at recent visits"),
    ("top-ups only", {"water_change": [row("water_change", days=20, kind="top-up")]}, {}, "1 top-up and no change in 3 weeks"),
    ("kit expired", {}, {"last_expired": True, "last_age": 3, "last_kit": "M0"}, "kit M0 was past its date 3 days ago"),
    ("kit expired", {}, {"last_expired": True, "last_age": 3}, "the last kit was past its date"),
    ("kit batch", {}, {"step_kit_batch": "K1"}, "other tanks of kit K1 stepped at the same time"),
    ("not shaken", {}, {"witness": "doubt the nitrate test", "witness_says": "KH fell"}, "KH fell"),
    ("plants or algae", {}, {"planting": "dense"}, "planting is dense"),
    ("limestone", {}, {"kh": read(8.0, before_matched=6.0)}, "KH rose from 6 to 8 dKH"),
    ("limestone", {}, {"kh": read(8.0, before_matched=7.5), "kh_was": 5.0}, "KH rose from 5 to 8 dKH"),
    ("tank still new", {}, {"age_weeks": 5.9}, "set up 5 weeks ago"),
    ("typing slip", {"held": [row("held", days=3, reason="It is odd.")]}, {}, "held.csv line 7: It is odd"),
    ("typing slip", {"suspect": [row("suspect", days=27)]}, {}, "the reading of 5 May does not fit the others"),
    ("too few changes", {}, {"change_share": 0.8, **LEFT_OUT}, "water changed at 1 of the last 4 visits, at 12 of 12 before"),
]  # fmt: skip

QUIET: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    ("overfeeding", {"event": [event(28, "overfed")]}, {}),
    ("overfeeding", {"feeding": feed((300, 0.75), (120, 1.68))}, {}),
    ("overfeeding", {"feeding": feed((300, 1.68), (30, 0.75))}, {}),
    ("overfeeding", {"feeding": feed((300, 0.75), (-3, 1.68))}, {}),
    ("overfeeding", {}, FED | {"load": 1.24}),
    ("overfeeding", {}, FED | {"load_basis": "stocking class"}),
    ("overfeeding", {}, OUTRUN | {"expected_high": 1.0}),
    ("new fish", {"event": [event(84, "fish in")]}, {}),
    ("too much stock", {}, {"stocking": "normal"}),
    ("too little media", {}, OVER | {"over_full_cycle": False}),
    ("too little media", {}, OVER | {"net_l": None}),
    ("media not ripe", {"capacity_layer": [layer(maturity=0.95), layer(age_weeks=26.0), layer(counts=False)]}, {}),
    ("media not ripe", {"capacity_layer": [layer(maturity=None), layer(age_weeks=None)]}, {}),
    ("media clogged", {"service": [service(120, found="sludge")]}, {}),
    ("media clogged", {"service": [service(30, found="sludge"), service(3, found="clean")]}, {}),
    ("media clogged", {"due": [row("due", what="check", late_days=14, about="F1")]}, {}),
    ("flow lost", {}, FLOW | {"flow_of_clean": 0.8}),
    ("flow lost", {}, FLOW | {"flow_basis": "estimated"}),
    ("bypass", {"audit": [row("audit", fault="no fine stage", filter="F1")]}, {}),
    ("rinsed in tap water", {"service": [service(56, "media rinsed", rinse_water="tap")]}, {}),
    ("rinsed in tap water", {"service": [service(5, "media rinsed", rinse_water="tank")]}, {}),
    ("over-cleaned", {"service": [service(28, "media rinsed", media_share=0.5)]}, {}),
    ("over-cleaned", {"service": [service(9, "media rinsed", media_share=0.5, rinse_water="tap")]}, {}),
    ("over-cleaned", {"service": [service(9, "media rinsed", media_share=0.34)]}, {}),
    ("over-cleaned", {"service": [service(9, "pads", media_share=0.5)]}, {}),
    ("medication", {"event": [event(42, "medication")]}, {}),
    ("filter stopped", {"service": [service(3, hours_stopped=3.9)]}, {}),
    ("filter stopped", {"event": [event(42, "power cut")]}, {}),
    ("dead fish", {"event": [event(21, "fish died")]}, {}),
    ("dead fish", {"event": [event(5, "fish out")],
                   "visit": [row("visit", days=7, fish_seen=15.0), row("visit", days=0, fish_seen=14.0)]}, {}),
    ("dead fish", {"visit": [row("visit", days=7, fish_seen=14.0), row("visit", days=0, fish_seen=14.0)]}, {}),
    ("heater", {}, {"temperature": read(23.1)}),
    ("heater", {}, {"temperature": read(23.0), "set_c": None}),
    ("tap nitrate", {}, {"tap": 19.9}),
    ("tap nitrate", {}, {"tap": 11.9, "tap_nitrate": 11.9, "tap_was": 6.0}),
    ("tap ammonia", {}, {"ammonia": read(0.1), "ammonia_before": 0.25, "ammonia_after": 0.25}),
    ("tap ammonia", {}, {"tap_ammonia": 0.0, "tap_ammonia_day": ago(12)}),
    ("too few changes", {}, {"change_share": 0.7}),
    ("too few changes", {}, {"change_share": 1.0, "mean_fraction": 0.05}),  # small is not few
    ("top-ups only", {"water_change": [row("water_change", days=21, kind="top-up")]}, {}),
    ("top-ups only", {"water_change": [row("water_change", days=5, kind="top-up"),
                                       row("water_change", days=9, kind="change")]}, {}),
    ("kit expired", {}, {"last_expired": False, "last_age": 3}),
    ("not shaken", {}, {"witness": "consistent with removal", "witness_says": "KH held"}),
    ("plants or algae", {}, {"planting": "light"}),
    ("limestone", {}, {"kh": read(7.9, before_matched=6.0)}),
    ("limestone", {}, {"kh": read(8.0)}),
    ("tank still new", {}, {"age_weeks": 8.1}),
    ("typing slip", {"held": [row("held", days=29, reason="It is odd.")]}, {}),
    ("typing slip", {"suspect": [row("suspect", days=28)]}, {}),
]  # fmt: skip


@pytest.mark.parametrize(("cause", "records", "facts", "because"), POINTS)
def test_what_points_to_a_cause(cause: str, records: dict[str, Any], facts: dict[str, Any], because: str) -> None:
    said = EVIDENCE[cause](tank(records, **facts))
    assert said is not None
    as_agreed(said.because)
    assert because in said.because.replace("\u00a0", " ")
    assert not any(null in said.because for null in ("None", "nan", "inf"))


@pytest.mark.parametrize(("cause", "records", "facts"), QUIET)
def test_what_points_to_nothing(cause: str, records: dict[str, Any], facts: dict[str, Any]) -> None:
    assert EVIDENCE[cause](tank(records, **facts)) is None


def test_nothing_known_points_to_nothing_and_every_cause_has_its_row() -> None:
    assert not [cause for cause, point in EVIDENCE.items() if point(tank()) is not None]
    assert {cause for cause, *_ in POINTS} == set(EVIDENCE)


DOUBTS: list[tuple[dict[str, Any], str, str]] = [
    (
        doubt(27, "basis", would_be=20.0),
        "wrong basis",
        "4.5 mg/L on 5 May fits nitrate given as nitrogen: it would be 20 mg/L",
    ),
    (doubt(3, "nitrite", size=0.5), "nitrite interference", "nitrite showed at the same visit (0.5 mg/L), 3 days ago"),
    (doubt(3, "taken"), "taken after the change", "water was changed on 29 May and the sheet does not say"),
    (
        doubt(3, "after", size=0.5, would_be=9.0),
        "taken after the change",
        "that day's change of 50 %; before it about 9 mg/L",
    ),
    (
        doubt(3, "unlogged change", size=0.6, would_be=12.0),
        "unlogged change",
        "a change of about 60 % that is not in the log",
    ),
    (doubt(3, "not shaken", would_be=12.0), "not shaken", "4.5 mg/L on 29 May, where about 12 mg/L was to be expected"),
    (doubt(3, "wrong tank", other="T2"), "wrong tank", "fits tank T2, whose reading fits this one"),
    (doubt(3, "slip", would_be=45.0), "typing slip", "ten times too much or too little: 45 mg/L"),
    (doubt(3, "leap", would_be=2.0), "typing slip", "over twice the last reading, 2 mg/L"),
]


@pytest.mark.parametrize(("reading", "cause", "because"), DOUBTS)
def test_a_doubt_is_a_word_that_points_to_its_cause(reading: dict[str, Any], cause: str, because: str) -> None:
    told = weighed(tank({"doubt": [reading]}))
    assert set(told) == {cause}
    assert because in told[cause].because.replace("\u00a0", " ")
    assert weighed(tank({"doubt": [doubt(28, reading["doubt"])]})) == {}


def test_every_suspicion_but_a_number_off_the_steps_points_to_a_cause() -> None:
    assert {reading["doubt"] for reading, *_ in DOUBTS} == set(SUSPICIONS) - {"off steps"}
    assert weighed(tank({"doubt": [doubt(3, "off steps")]})) == {}


EXPLAINED: list[tuple[dict[str, Any], str, str]] = [
    (explained("unlogged change", 3.0, size=0.6), "unlogged change", "a change of about 60 % before 11 May that is not in the log"),
    (explained("taken after the change", 3.0, was=9.0, would_be=20.0), "taken after the change", "before it about 20 mg/L"),
    (explained("typing slip", 3.0, was=200.0, would_be=20.0), "typing slip", "200 mg/L on 11 May would be 20 mg/L"),
    (explained("wrong basis", 3.0, was=5.0, would_be=22.0), "wrong basis", "given as nitrogen: it would be 22 mg/L"),
    (explained("wrong basis", 3.0, size=0.23), "wrong basis", "0.23 times the expected"),
    (explained("not shaken", 3.0, size=0.4), "not shaken", "about 0.4 times what the balance leads to expect"),
    (explained("not shaken", 3.0, was=9.0, would_be=25.0), "not shaken", "9 mg/L on 11 May, where about 25 mg/L"),
    (explained("wrong tank", 3.0, was=9.0, would_be=43.0, other="T2"), "wrong tank", "fits tank T2, whose 43 mg/L fits this one"),
    (explained("kit batch", 3.0, size=1.8, kit="K1", tanks=5), "kit batch", "kit K1 in 5 tanks since 11 May fit 1.8 times"),
    (explained("tap nitrate", 3.0, size=24.0), "tap nitrate", "a tap with 24 mg/L more nitrate from 11 May on"),
    (explained("tap ammonia", 3.0, size=4.0, tanks=3), "tap ammonia", "ammonia showed in 3 of 4 other tanks of the same supply"),
    (explained("fall", 3.0, size=-0.5), "plants or algae", "3.5 mg/L a week less since about 11 May"),
    (explained("rise", 3.0, size=1.0), "overfeeding", "7 mg/L a week since about 11 May: food that was not recorded is left over"),
]  # fmt: skip


@pytest.mark.parametrize(("refitted", "cause", "because"), EXPLAINED)
def test_what_an_explanation_would_make_of_the_readings(refitted: dict[str, Any], cause: str, because: str) -> None:
    told = weighed(tank({"explanation": [refitted]}))
    assert set(told) == {cause}
    assert because in told[cause].because.replace("\u00a0", " ")


def test_food_is_left_over_only_where_no_record_explains_the_rise() -> None:
    rise, good = [explained("rise", 6.0, size=1.0)], {"flow_basis": "timed", "flow_of_clean": 0.9}
    assert set(weighed(tank({"explanation": rise}, **good))) == {"overfeeding", "bypass"}
    recorded = weighed(tank({"explanation": rise, "event": [event(21, "medication")]}, **good))
    assert set(recorded) == {"medication"}
    assert recorded["medication"].score > weighed(tank({"event": [event(21, "medication")]}))["medication"].score


def test_what_is_left_is_told_only_where_no_more_than_a_state_speaks() -> None:
    bare = of_rule("ammonia", tank())
    assert {one.cause for one in bare} == {"dead fish", "overfeeding", "tap ammonia"}
    assert all("nothing recorded explains it" in one.because for one in bare)
    known = of_rule("ammonia", tank({"event": [event(5, "medication")]}))
    assert [one.cause for one in known] == ["medication"]
    assert of_rule("kit_expired", tank()) == []


def test_records_weigh_more_than_states_and_a_gain_more_than_either() -> None:
    records = {"event": [event(5, "medication")], "explanation": [explained("tap nitrate", 9.0, size=20.0)]}
    told = weighed(tank(records, stocking="heavy"))
    assert told["tap nitrate"].score > told["medication"].score > told["too much stock"].score


def test_three_causes_at_most_the_likeliest_first_and_of_like_ones_the_cheapest_check() -> None:
    records = {
        "feeding": feed((300, 0.75), (60, 1.68)),
        "event": [event(5, "fish in"), event(5, "medication")],
        "service": [service(5, "media rinsed", rinse_water="tap")],
    }
    told = of_rule("over_and_climbing", tank(records, **OVER))
    # Food is met twice as often as new fish; as a gap under one log unit that leaves the cheaper check before it.
    assert [one.cause for one in told] == ["new fish", "overfeeding", "rinsed in tap water"]
    assert max(one.score for one in told) == told[1].score
    assert of_rule("service_due", tank(records)) == []


def of(rule: str, name: str, score: float = 1.0) -> dict[str, Any]:
    return {"rule": rule, "cause": name, "score": score}


def test_causes_of_a_tank_are_the_likeliest_over_all_findings_and_one_of_the_gravest() -> None:
    slow, grave, paused, calm = (
        {"rule": name, "class": class_, "harm": 1.0, "quiet": name == "paused"}
        for name, class_ in (("slow", "plan"), ("grave", "act today"), ("paused", "this week"), ("calm", "steady"))
    )
    causes = [
        of("slow", "tap nitrate", 6.0), of("slow", "wrong basis", 5.0), of("slow", "overfeeding", 4.0), of("slow", "flow lost"),
        of("grave", "overfeeding", 4.0), of("grave", "dead fish", 2.0), of("paused", "kit expired", 9.0), of("calm", "heater", 9.0),
    ]  # fmt: skip

    def names(*found: dict[str, Any]) -> list[str]:
        return [cause["cause"] for cause in of_tank(found, causes)]

    assert names(slow, grave, paused, calm) == ["overfeeding", "tap nitrate", "wrong basis"]
    assert names(grave, paused) == ["overfeeding", "dead fish"]
    assert names(calm) == ["heater"]
    assert names(paused) == []


def test_nitrite_that_spoils_the_nitrate_test_is_among_the_causes_of_a_tank_whose_nitrite_nothing_explains() -> None:
    facts = tank({"doubt": [doubt(3, "nitrite", size=0.5)]})
    found = [{"rule": rule, "class": class_, "harm": 1.0, "quiet": False}
             for rule, class_ in (("nitrite_act", "act today"), ("ammonia", "this week"), ("no_usable_reading", "can't say"))]  # fmt: skip
    causes = [{**one._asdict(), "rule": f["rule"]} for f in found for one in of_rule(f["rule"], facts)]
    assert {cause["cause"] for cause in of_tank(found, causes)} == {"overfeeding", "nitrite interference", "dead fish"}
