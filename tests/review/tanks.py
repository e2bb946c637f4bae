"""One tank's facts written by hand, and what a rule says of them: for the truth tables of the rules."""

from __future__ import annotations

import datetime as dt
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline.assumptions import built_in
from pipeline.review.facts import DATED, Read, TankFacts
from pipeline.review.finding import REASON_MOST, STEP_MOST, Finding, Rule
from schemas import columns_of
from schemas.tables import TABLES
from schemas.words import PARAMETERS

DAY = dt.date(2026, 6, 1)  # a Monday
ASSUMED = built_in()
NBSP = "\u00a0"
# Every finding of the truth tables, word for word, as it was read and agreed. After a wording was changed on purpose:
# `AGREE=1 python -m pytest -n 0 tests/review`, then read the difference.
AGREED = Path(__file__).with_name("agreed.json")
_agreed: dict[str, list[str]] = json.loads(AGREED.read_text("utf-8")) if AGREED.exists() else {}
_said: tuple[str, list[str]] = ("", [])  # the running test, and what it was told so far


def ago(days: int) -> dt.date:
    return DAY - dt.timedelta(days)


def read(matched: float, low: float | None = None, high: float | None = -1.0, **more: Any) -> Read:
    """A reading; without ends it is exact, `high` None is open above."""
    ends = {"low": matched if low is None else low, "high": matched if high == -1.0 else high}
    return Read(matched=matched, **ends, **{"age_days": 3, **more})


def row(table: str, **cells: Any) -> dict[str, Any]:
    """A record with all its columns; `days` counts back from DAY."""
    found = dict.fromkeys(columns_of(TABLES[table])) | {"file": f"{table}.csv", "line": 7, "tank": "T1"}
    days = cells.pop("days", None)
    if days is not None:
        found |= {"day": ago(days), DATED.get(table, "day"): ago(days)}
    if table == "held":
        found["parameter"] = cells.get("column") if cells.get("column") in PARAMETERS else None
    return found | cells


def tank(records: Mapping[str, list[dict[str, Any]]] | None = None, **facts: Any) -> TankFacts:
    """A tank of 200 L, two years old, of which nothing else is known but what is given; readings by their names."""
    kept = records or {}
    water = {name: facts.pop(name) for name, value in list(facts.items()) if isinstance(value, Read)}
    usual = {"net_l": 200.0, "set_c": 25.0, "ceiling": 40.0, "age_weeks": 104.0}
    return TankFacts(
        tank="T1", as_of=DAY, assumed=ASSUMED, water=water, records=lambda name: kept.get(name, []), **(usual | facts)
    )


def text(told: Finding) -> str:
    """All that a finding says, with plain blanks."""
    return " | ".join((told.reason, told.step, told.says, told.do, told.basis)).replace(NBSP, " ")


def as_agreed(said: str) -> None:
    """Holds what the running test was told against what was agreed for it."""
    test = os.environ["PYTEST_CURRENT_TEST"].split("tests/review/", 1)[1].removesuffix(" (call)")
    global _said
    if _said[0] != test:
        _said = (test, [])
    told = _said[1]
    told.append(said.replace(NBSP, " "))
    if os.environ.get("AGREE"):
        _agreed[test] = told
        AGREED.write_text(json.dumps(_agreed, ensure_ascii=False, indent=0, sort_keys=True) + "\n", "utf-8")
    assert _agreed.get(test, [])[len(told) - 1 : len(told)] == told[-1:], f"not as agreed: {told[-1]}"


def holds(rule: Rule, facts: TankFacts, class_: str | None, *words: str) -> None:
    """The rule says this class (None: nothing) with these words; and never a word that stands for a null."""
    told = rule(facts)
    assert (told and told.class_) == class_, told
    if told is None:
        return
    said = text(told)
    as_agreed(f"{said} | {told.harm:.9g}")
    for word in words:
        assert word in said, (word, said)
    for null in ("None", "nan", "inf", "∞", "not known %"):
        assert null not in said
    assert len(told.reason) <= REASON_MOST + 25, told.reason
    assert len(told.step) <= STEP_MOST + 25, told.step
    assert told.basis
