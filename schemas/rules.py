"""Rules of a row: named checks of the models, each with what a row gets that breaks it, and the sentence.

A rule's test is given the limits in force (assumptions by name) and returns an expression that is true where the row is
wrong; null is right. The sentence is that of a case of faults.toml, or a function of the row and the limits.
"""

import datetime as dt
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Literal

import polars as pl

from schemas.models import pa

Limits = Mapping[str, float]
Row = Mapping[str, Any]
Test = Callable[[Limits], pl.Expr]
Sentence = str | Callable[[Row, Limits], str]
SENTENCES: dict[str, str] = tomllib.loads(Path(__file__).with_name("faults.toml").read_text(encoding="utf-8"))

_JUDGED_BY: ContextVar[tuple[Limits, dt.date]] = ContextVar("judged_by")


@contextmanager
def judged_by(limits: Limits, today: dt.date) -> Iterator[None]:
    """Models are validated by these limits, as of the day of loading."""
    token = _JUDGED_BY.set((limits, today))
    try:
        yield
    finally:
        _JUDGED_BY.reset(token)


def today() -> dt.date:
    return _JUDGED_BY.get()[1]


@dataclass(frozen=True)
class Rule:
    """What a row gets that breaks it. `column` is the cell it is said of; `fault` names it in lists of what is held."""

    column: str
    outcome: Literal["held", "warned"]
    fault: str
    says: Sentence  # a template over the columns of the row, or what makes the sentence
    suggestion: Callable[[Row, Limits], str] | None = None
    shows: Mapping[str, Test] = field(default_factory=dict)  # what the sentence shows besides the columns of the row


def _check(rule: Rule, test: Test) -> Callable[[Any, pa.PolarsData], pl.LazyFrame]:
    def passes(cls: Any, data: pa.PolarsData) -> pl.LazyFrame:
        if (judged_by := _JUDGED_BY.get(None)) is None:  # nobody said by what to judge
            return data.lazyframe.select(pl.first().is_null() | True)
        return data.lazyframe.select(~test(judged_by[0]).fill_null(False))

    passes.__doc__ = f"{rule.outcome}: {rule.fault}"
    return passes


def _attached(
    outcome: Literal["held", "warned"], column: str, fault: str, says: Sentence, test: Test, **more: Any
) -> Any:
    rule = Rule(column, outcome, fault, SENTENCES[says] if isinstance(says, str) else says, **more)
    return pa.dataframe_check(name=fault, error=fault, statistics={"rule": rule})(_check(rule, test))


# Checks of a model: the cell of a row that breaks one is not used, or is used and marked.
held, warned = partial(_attached, "held"), partial(_attached, "warned")


def not_to_come(column: str) -> Any:
    """No record is of a day after the day of loading."""
    return held(column, "future", "future", lambda _: pl.col(column) > today())


def within_reach(column: str) -> pa.Check:
    """A date lies between the first year of any round and the last that one may be planned for."""

    def beyond(f: Limits) -> pl.Expr:
        year = pl.col(column).dt.year()
        return (year < int(f["first_year"])) | (year > today().year + int(f["date_reach_years"]))

    def says(row: Row, f: Limits) -> str:
        day, last = row[column], today().year + int(f["date_reach_years"])
        if day.year < f["first_year"]:
            return f"“{row['typed']}” is before {f['first_year']:g}; expected a date of this round."
        return f"“{row['typed']}” is after {last}; expected a date up to then."

    rule = Rule(column, "held", "out of reach", says)
    check = _check(rule, beyond)
    return pa.Check(lambda data: check(None, data), name=rule.fault, statistics={"rule": rule})
