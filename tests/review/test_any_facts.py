"""Whatever is known and whatever is not: every rule and every cause speaks in whole sentences or not at all."""

from __future__ import annotations

import datetime as dt
import types
from dataclasses import fields
from typing import Any, get_args, get_type_hints

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.review.causes import of_rule
from pipeline.review.evidence import EVIDENCE
from pipeline.review.facts import DATED, Read, TankFacts
from pipeline.review.finding import REASON_MOST, STEP_MOST, found
from pipeline.review.rules import RULES
from schemas import columns_of
from schemas.tables import TABLES
from schemas.words import (
    CAUSES,
    CLASSES,
    EVENTS,
    FISH_LOOK,
    FOUND,
    JOBS,
    LOAD_STATES,
    RATE_STATES,
    RINSE_WATER,
    SUSPICIONS,
)
from tests.review.tanks import ASSUMED, DAY

WORDS: dict[str, tuple[str, ...]] = {
    "plain_state": LOAD_STATES, "working_state": LOAD_STATES, "recent_state": RATE_STATES, "load_basis": ("feed", "stocking class"),
    "half_limit": ("media", "flow", "flow unknown"), "flow_basis": ("timed", "estimated", "unknown"),
    "trend": ("climbing", "steady", "not clear"), "stocking": ("normal", "heavy", "messy"), "planting": ("none", "dense"),
    "missing": ("a filter on record", "what fills F1", "net or gross litres"), "witness": ("doubt the nitrate test", "cannot tell"),
    "event": EVENTS, "fish_look": FISH_LOOK, "job": JOBS, "found": FOUND, "rinse_water": RINSE_WATER, "doubt": SUSPICIONS, "parameter": ("nitrate", "ph"), "cause": (*CAUSES, "rise", "fall"),
    "kind": ("change", "top-up"), "column": ("ammonia", "nitrite", "ph", "kh", "temperature", "water_changed"),
    "text": ("9.5", "7..4", "O", "05-Oct", "24-26"), "what": ("check", "carbon", "kit", "tests left", "tap test", "flow test", "promise"),
    "note": ("gasping", "all well"), "fault": ("beyond limits", "future", "half-empty compartment"), "suggestion": ("7.4", "5-10"),
}  # fmt: skip
NUMBER = st.one_of(
    st.sampled_from([0.0, 0.05, 0.5, 1.0, 6.0, 7.2, 25.0, 40.0, 100.0, 100.04, 1e5]), st.floats(0, 500, allow_nan=False)
)
DATE = st.integers(-5, 200).map(lambda days: DAY - dt.timedelta(days))
NEVER_NULL = {"low", "matched", "reason", "file", "line", "says", "do", "basis", "on", "late_days", "about", "filter",
              "medium", "compartment", "counts", "feed_g_day", "event", "what", "text", "fault", "kind", "job", "parameter", "doubt", "cause", "gain", "since", "tanks"}  # fmt: skip


def _value(name: str, kind: Any) -> st.SearchStrategy[Any]:
    if name in WORDS:
        return st.sampled_from(WORDS[name])
    if kind is bool:
        return st.booleans()
    if kind is int:
        return st.integers(-3, 60)
    if kind is float:
        return NUMBER
    if kind is dt.date:
        return DATE
    if kind is str:
        return st.just("some text")
    return st.lists(st.just("F1"), max_size=2)


def _of(name: str, kind: Any) -> st.SearchStrategy[Any]:
    """A value of a field, or None where its type allows it."""
    if isinstance(kind, types.UnionType):
        first = next(k for k in get_args(kind) if k is not types.NoneType)
        return st.none() | _value(name, first)
    return _value(name, kind)


READ = st.builds(Read, **{name: _of(name, kind) for name, kind in get_type_hints(Read).items()})

PY = {"String": str, "Float64": float, "Int64": int, "Boolean": bool, "Date": dt.date}


def _row(table: str) -> st.SearchStrategy[dict[str, Any]]:
    cells = {}
    for name, kind in columns_of(TABLES[table]).items():
        value = _value(name, PY.get(str(kind), list))
        cells[name] = value if name in NEVER_NULL else st.none() | value
    day = DATE if table in DATED or table == "suspect" else st.none() | DATE
    return st.fixed_dictionaries(cells | {"day": day})


RECORDS = st.fixed_dictionaries(
    {
        name: st.lists(_row(name), max_size=2)
        for name in (*DATED, "held", "due", "audit", "suspect", "capacity_layer", "explanation")
    }
)
OWN = {"tank", "as_of", "assumed", "water", "records", "held"}
HINTS = get_type_hints(TankFacts)
FACTS = st.fixed_dictionaries({f.name: _of(f.name, HINTS[f.name]) for f in fields(TankFacts) if f.name not in OWN})
PARAMETERS = ("free_ammonia", "ammonia", "nitrite", "nitrate", "ph", "kh", "temperature", "flow_l_h")


@settings(max_examples=15)
@given(FACTS, st.dictionaries(st.sampled_from(PARAMETERS), READ), RECORDS)
def test_no_null_is_ever_said(facts: dict[str, Any], water: dict[str, Read], records: dict[str, Any]) -> None:
    f = TankFacts(
        tank="T1", as_of=DAY, assumed=ASSUMED, water=water, records=lambda name: records.get(name, []), **facts
    )
    told = found([f], RULES)
    said = [text for row in told.select("reason", "step", "says", "do", "basis").iter_rows() for text in row]
    said += [one.because for rule in told["rule"] for one in of_rule(rule, f)]
    said += [points.because for point in EVIDENCE.values() if (points := point(f)) is not None]
    for text in said:
        assert text
        assert not any(null in text for null in ("None", "nan", "∞", " inf", "not known %", "{")), text
    assert set(told["class"]) <= set(CLASSES)
    assert told["reason"].str.len_chars().max() is None or told["reason"].str.len_chars().max() <= REASON_MOST  # type: ignore[operator]
    assert told["step"].str.len_chars().max() is None or told["step"].str.len_chars().max() <= STEP_MOST  # type: ignore[operator]
