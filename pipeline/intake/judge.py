"""The models of schemas/ decide: which rows are good, which cells are held or marked, and what is said of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import polars as pl
from pandera.api.polars.types import PolarsData

from pipeline.intake.columns import KEY, NO_ISSUES, Context, join_issues, sentences
from pipeline.intake.grammar import BLANKS, nearest_word
from schemas import columns_of
from schemas.columns import Note, describe
from schemas.models import pa
from schemas.rules import Rule, judged_by, within_reach

Model = type[pa.DataFrameModel]
BOUNDS = {
    "greater_than": "more than {min_value:g}{unit}",
    "greater_than_or_equal_to": "{min_value:g}{unit} or more",
    "less_than": "less than {max_value:g}{unit}",
    "less_than_or_equal_to": "{max_value:g}{unit} or less",
}
NOT_BLANK = "not blank"  # what a column asks that must be there, beside pandera's checks


class BadTable(Exception):
    """A failure that is no row's: a column that is missing or of another type. A fault of ours, not of the logs."""


@dataclass(frozen=True)
class Judged:
    """Good rows and failures together: `good` has null where a cell is held, `issues` what is said, `held` the rows
    (file, line) that are not used at all."""

    good: pl.DataFrame
    issues: pl.DataFrame
    held: pl.DataFrame


@cache
def _checks(model: Model) -> list[tuple[str, Any]]:
    """What a model asks, each with the column it is asked of: first its columns, then its dates, then whole rows."""
    schema = model.to_schema()
    dates = [within_reach(name) for name, note in describe(model).items() if note.kind == "date"]
    return [
        *((name, NOT_BLANK if check is None else check) for name, column in schema.columns.items()
          for check in (*([] if column.nullable else [None]), *column.checks)),
        *((check.statistics["rule"].column, check) for check in (*dates, *schema.checks)),
    ]  # fmt: skip


def _failures(model: Model, frame: pl.DataFrame) -> list[tuple[str, Any, pl.Series]]:
    """(column, check, the rows that fail it as Booleans) of a model's checks that any fails. pandera makes a plan of each, and all are carried out in one pass: going
    through them one by one takes it longer than all else that is done with a small folder."""
    types, rows = columns_of(model), frame.lazy()
    checks = _checks(model)
    asked = {name for name, _ in checks if name in types}
    if wrong := sorted(name for name in asked if frame.schema.get(name) != types[name]):
        raise BadTable(f"{', '.join(wrong)}: missing, or of another type than in {model.__name__}.")
    plans = [
        rows.select(pl.col(name).is_not_null())
        if check is NOT_BLANK
        else check.get_backend(rows)(check).apply(PolarsData(rows, name))
        for name, check in checks
    ]
    # A null result means that there is nothing to judge.
    results = [plan.select(pl.first().fill_null(True).alias(str(place))) for place, plan in enumerate(plans)]
    passed = pl.concat(results, how="horizontal").collect()
    return [(name, check, ~rows) for (name, check), rows in zip(checks, passed, strict=True) if not rows.all()]


def _of_column(note: Note, check: Any, rows: pl.DataFrame) -> pl.DataFrame:
    """Issues of a check of one column: a word that is not allowed, a bound, or a blank where something must be."""
    words: Sequence[str] = ()
    if check == NOT_BLANK:  # a cell that could not be read is held by its reader
        rows, fault = rows.filter(pl.col("typed").str.to_lowercase().is_in(list(BLANKS))), "key missing"
        says = f"The row has no {note.name.replace('_', ' ')}; expected one. The row is on hold."
    elif check.name == "isin":
        words, fault = note.words, "word not known"
        says = f"{note.title} “{{typed}}” is not known; expected {', '.join(note.words)}."
    else:
        bound, fault = BOUNDS[check.name].format(**check.statistics, unit=f" {note.unit}" if note.unit else ""), "limit"
        says = f"{note.title} “{{typed}}” is outside what is accepted; expected {bound}."
    return _issues(rows, "held", fault, sentences(rows, says), [nearest_word(text, words) for text in rows["typed"]])


def _issues(rows: pl.DataFrame, outcome: str, fault: str, says: pl.Series, suggestions: Sequence[str]) -> pl.DataFrame:
    offered = pl.Series("suggestion", [text or None for text in suggestions], pl.String)
    return rows.with_columns(says, offered, outcome=pl.lit(outcome), fault=pl.lit(fault), text="typed")


def _of_rule(rule: Rule, rows: pl.DataFrame, limits: Mapping[str, float]) -> pl.DataFrame:
    rows = rows.with_columns(test(limits).alias(name) for name, test in rule.shows.items())
    each = list(rows.iter_rows(named=True))
    if isinstance(rule.says, str):
        says = sentences(rows, rule.says, limits)
    else:
        says = pl.Series("says", [rule.says(row, limits) for row in each], pl.String)
    offered = [rule.suggestion(row, limits) if rule.suggestion else "" for row in each]
    return _issues(rows, rule.outcome, rule.fault, says, offered)


def judge(model: Model, frame: pl.DataFrame, context: Context, typed: pl.DataFrame | None = None) -> Judged:
    """What a model makes of a frame that has its columns, and `file` and `line`. `typed` has the same rows as they were
    typed. A held cell is emptied; one of a column that must be there holds its row."""
    notes = describe(model)
    issues, whole, emptied = [], pl.Series([False]).new_from_index(0, frame.height), {}  # type: ignore[var-annotated]
    with judged_by(context.limits, context.today):
        failures = _failures(model, frame) if frame.height else []
        for column, check, wrong in failures:
            rule = (getattr(check, "statistics", None) or {}).get("rule")
            source = typed if typed is not None and column in typed.columns else frame
            text = source[column if column in source.columns else "text"]
            rows = frame.with_columns(text.cast(pl.String).fill_null("").alias("typed")).filter(wrong)
            found = _of_rule(rule, rows, context.limits) if rule else _of_column(notes[column], check, rows)
            issues.append(found.with_columns(column=pl.lit(column)))
            if rule and rule.outcome == "warned":
                continue
            if column not in notes or notes[column].required:
                whole |= wrong
            else:
                emptied[column] = emptied.get(column, False) | wrong
    if not failures:
        return Judged(frame, NO_ISSUES, NO_ISSUES[KEY])
    good = frame.with_columns(pl.when(~rows).then(pl.col(name)).alias(name) for name, rows in emptied.items())
    return Judged(good.filter(~whole), join_issues(issues), frame.filter(whole).select(KEY))
