"""What holds of all rules: each has its row, its causes, its plain words, its caution; facts and words are kept apart."""

from __future__ import annotations

import math
from pathlib import Path

import polars as pl
import pytest

from pipeline.papers import plain_text
from pipeline.review.causes import OF_DOUBT, TABLE, diagnosis
from pipeline.review.evidence import EVIDENCE
from pipeline.review.facts import gather
from pipeline.review.finding import MATCH, POWER, Finding, cautioned, found, sentences
from pipeline.review.rules import RULES
from pipeline.sentences import filled
from pipeline.week import Round
from pipeline.wording import NotKnown, amount, change_text, levels_off, reading, reading_range, rise_text, span
from schemas.words import CAUSES, PARAMETERS
from tests.review.tanks import ASSUMED, DAY, read, tank
from tests.rounds import Rounds

ROOM = TABLE.parent
NAMES = [rule.__name__ for rule in RULES]


def test_every_rule_has_its_row_its_causes_and_plain_words() -> None:
    assert len(set(NAMES)) == len(NAMES)
    tables = "".join(path.read_text() for path in Path(__file__).parent.glob("test_rules_*.py"))
    for rule in RULES:
        module = rule.__module__.rsplit(".", 1)[1]
        assert f".{rule.__name__}," in tables, f"{module}.{rule.__name__} has no truth table"
    assert set(diagnosis()["rule"]) == set(NAMES)
    assert set(NAMES) <= set(plain_text.TEXTS["rule"])


def test_every_case_that_a_rule_names_has_its_sentences_and_no_other() -> None:
    rules = "".join(path.read_text() for path in ROOM.glob("rules_*.py"))
    for case, parts in sentences().items():
        assert f'"{case}"' in rules, case
        assert {"reason", "step", "basis"} <= set(parts) <= {*Finding._fields}, case


def test_every_cause_has_its_check_and_words_and_those_with_evidence_are_of_this_list() -> None:
    assert set(diagnosis()["cause"]) == set(CAUSES)
    assert set(EVIDENCE) <= set(CAUSES)
    assert set(plain_text.TEXTS["cause"]) >= set(CAUSES)
    named = {cause for listed in diagnosis()["rule"].values() for cause in listed}
    refitted = {*OF_DOUBT.values(), "plants or algae", "tap nitrate", "kit batch"}
    assert named <= set(EVIDENCE) | refitted  # nothing is likely that nothing can point to
    assert named == set(CAUSES)


@pytest.mark.parametrize(
    ("do", "said"),
    [
        ("Clean pads, hose and impeller now.", POWER),
        ("Check the heater and its plug.", POWER),
        ("Take the carbon out of F1.", POWER),
        ("Count the fish, look behind the decor and at the intake.", POWER),
        ("Change 40 % (80 L) today.", MATCH),
        ("No big change: 10 % (20 L) a day.", MATCH),
        ("Change no more than 10 % a day.", MATCH),
        ("Test nitrate at the next visit.", None),
        ("Ask what changed: food, fish, filter.", None),
    ],
)
def test_the_caution_is_where_the_work_is_told(do: str, said: str | None) -> None:
    assert cautioned(do) == (do if said is None else f"{do} {said}")


def test_no_sentence_is_made_in_a_polars_expression() -> None:
    """polars 2.1 dies in pl.format where chunks do not lie side by side: words are ordinary Python text."""
    product = [path for room in ("schemas", "pipeline", "dashboard") for path in (ROOM.parents[1] / room).rglob("*.py")]
    assert len(product) > 100
    for path in product:
        assert not any(word in path.read_text() for word in ("pl.format", "concat_str")), path


@pytest.mark.parametrize("unknown", [None, math.nan, math.inf, -math.inf])
def test_words_refuse_what_is_not_known(unknown: float | None) -> None:
    for say in (
        lambda: amount(unknown),
        lambda: reading("ph", unknown),
        lambda: reading_range("nitrate", unknown, 5.0),
        lambda: levels_off(unknown, 1.0, 2.0),
        lambda: change_text(unknown, 200.0),
        lambda: span(unknown, 2.0),
    ):
        with pytest.raises(NotKnown):
            say()


@pytest.mark.parametrize(
    ("parameter", "low", "high", "said"),
    [
        ("nitrate", 36.5, 58.1, "36–59 mg/L"),
        ("nitrate", 6.7, 9.6, "6.5–10 mg/L"),
        ("nitrate", 10.0, 10.0, "10 mg/L"),
        ("nitrate", 83.0, None, "over 83 mg/L"),
        ("ph", 7.0, 7.0, "7.0"),
        ("ph", 7.24, 7.26, "7.2–7.3"),
        ("ammonia", 0.0, 0.123, "0–0.13 mg/L"),
        ("free_ammonia", 0.0119, 0.0301, "0.011–0.031 mg/L"),
        ("temperature", 24.96, 24.96, "24.9–25.0 °C"),
        ("kh", 3.0, 4.0, "3–4 dKH"),
    ],
)
def test_a_range_is_rounded_outward(parameter: str, low: float, high: float | None, said: str) -> None:
    assert reading_range(parameter, low, high).replace("\u00a0", " ") == said


@pytest.mark.parametrize(
    ("state", "rate", "low", "high", "said"),
    [
        ("ok", 1.06, 0.6, 1.5, "rises 7.4 mg/L a week (4.2–10.5)"),
        ("rough", 1.06, 0.6, 1.5, "rises roughly 7.4 mg/L a week (4.2–10.5)"),
        ("ok", -1.0, -1.5, -0.5, "falls 7 mg/L a week (3.5–10.5)"),
        ("ok", 0.1, -0.1, 0.3, "no clear trend"),
        ("ok", 0.1, 0.0, 0.3, "no clear trend"),
        ("at least", None, 0.5, None, "rises at least 3.5 mg/L a week"),
        ("at least", None, 0.0, None, "no clear trend"),
        ("below chart", None, None, 0.31, "rises under 2.2 mg/L a week"),
        ("too few", None, None, None, "no trend known yet"),
        (None, None, None, None, "no trend known yet"),
    ],
)
def test_the_rise_in_words(
    state: str | None, rate: float | None, low: float | None, high: float | None, said: str
) -> None:
    assert rise_text(state, rate, low, high).replace("\u00a0", " ") == said


def test_a_tank_of_which_nothing_is_known_is_told_by_every_rule_without_a_null_word() -> None:
    bare = tank(net_l=None, set_c=None, ceiling=None, age_weeks=None)
    frame = found([bare], RULES)
    assert set(frame["rule"]) == {"no_usable_reading", "not_tested", "rating_not_known"}
    text = " ".join(frame.select(pl.concat_str("reason", "step", "says", "do", separator=" ")).to_series())
    assert not any(word in text for word in ("None", "nan", "inf", "∞"))


def test_gather_makes_nan_and_infinity_none_and_joins_each_fact() -> None:
    r = Rounds().tank("T1", net_l=200, temperature_c=25.0, set_up=DAY.replace(year=2024))
    r.reading("T1", 0, "nitrate", 20.0, kit="K1").reading("T1", 2, "nitrate", 10.0, kit="K1")
    r.reading("T1", 1, "nitrate", 90.0, taken="after", kit="K1")
    r.add("tap", water_supply="W1", date=r.day(3), parameter="nitrate", low=5.0, high=5.0, matched=5.0, text="5")
    capacity, _ = r.capacity(0, 1)
    capacity = capacity.with_columns(pl.lit(float("inf")).alias("plain_load_pct"), pl.lit(float("nan")).alias("load"))
    (f,) = gather(r.tables() | {"capacity": capacity}, r.requests(), ASSUMED, Round())
    assert (f.plain_load_pct, f.load, f.net_l, f.set_c, f.tap) == (None, None, 200.0, 25.0, 5.0)
    assert (f.span_days, f.span_first_high, f.span_last_low, f.span_one_kit) == (14, 10.0, 20.0, True)
    assert (f.last_age, f.last_matched, f.visit_days, f.established) == (0, 20.0, 7.0, True)
    assert f.was_filters == []
    assert not f.climbing


def test_what_is_not_known_fills_no_place_of_a_sentence() -> None:
    assert filled("{n:whole} and {n}", n=3.0) == "3 and 3.0"
    for place in ("{n}", "{n:whole}", "{n:nitrate}"):
        with pytest.raises(NotKnown):
            filled(place, n=None)


def test_every_parameter_has_its_precision_and_unit() -> None:
    for parameter in (*PARAMETERS, "free_ammonia"):
        assert reading(parameter, 1.0)


def test_records_of_a_day_are_those_up_to_it() -> None:
    f = tank({"event": [{"day": DAY, "event": "overfed"}, {"day": DAY.replace(day=2), "event": "overfed"}]})
    assert [row["ago"] for row in f.lately("event", 7)] == [0]
    assert not f.shows("nitrite")
    assert tank(nitrite=read(0.05)).shows("nitrite")
