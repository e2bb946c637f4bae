"""The models of schemas/ decide: which rows are good, which cells are held or marked, and what is said of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import pandera.polars as pa
import polars as pl
from pandera.constants import CHECK_OUTPUT_KEY
from pandera.errors import SchemaErrors

from pipeline.intake.columns import ISSUE, KEY, Context, join_issues, sentences
from pipeline.intake.grammar import BLANKS, nearest_word
from schemas.columns import Note, describe
from schemas.rules import Rule, judged_by, within_reach

Model = type[pa.DataFrameModel]
BOUNDS = {
    "greater_than": "more than {min_value:g}{unit}",
    "greater_than_or_equal_to": "{min_value:g}{unit} or more",
    "less_than": "less than {max_value:g}{unit}",
    "less_than_or_equal_to": "{max_value:g}{unit} or less",
}


class BadTable(Exception):
    """A failure that is no row's: a column of another type, a check that broke. A fault of ours, not of the logs."""


@dataclass(frozen=True)
class Judged:
    """Good rows and failures together: `good` has null where a cell is held, `issues` what is said, `held` the rows
    (file, line) that are not used at all."""

    good: pl.DataFrame
    issues: pl.DataFrame
    held: pl.DataFrame


@dataclass(frozen=True)
class _Failure:
    column: str
    check: Any  # pandera's Check, or a word for a failure that has none
    rows: pl.Series  # Booleans


@cache
def _schema(model: Model) -> Any:
    """A model's schema, every date of it within reach."""
    schema = model.to_schema()
    dates = [name for name, note in describe(model).items() if note.kind == "date"]
    schema.checks = [*(within_reach(name) for name in dates), *schema.checks]
    # A column that may hold anything costs as much to ask as one that may not.
    free = [name for name, c in schema.columns.items() if c.nullable and not c.checks and c.dtype.type == pl.String]
    return schema.remove_columns(free)


def _failures(schema: Any, frame: pl.DataFrame) -> list[_Failure]:
    try:
        schema.validate(frame, lazy=True)
    except SchemaErrors as found:
        failures = []
        for error in found.schema_errors:
            flags = error.check_output
            if not isinstance(flags, pl.DataFrame) or flags.height != frame.height:
                raise BadTable(f"{error.reason_code}: {str(error)[:300]}") from found
            rule = _rule(error.check)
            # A null result means that there is nothing to judge.
            failing = ~flags[CHECK_OUTPUT_KEY].fill_null(True)
            failures.append(_Failure(rule.column if rule else error.schema.name, error.check, failing))
        return failures
    return []


def _rule(check: Any) -> Rule | None:
    return (getattr(check, "statistics", None) or {}).get("rule")


def _of_column(note: Note, failure: _Failure, rows: pl.DataFrame) -> pl.DataFrame:
    """Issues of a check of one column: a word that is not allowed, a bound, or a blank where something must be."""
    name = failure.check if isinstance(failure.check, str) else failure.check.name
    fault, words = "limit", note.words if name == "isin" else ()
    if name == "not_nullable":  # a cell that could not be read is held by its reader
        rows, fault = rows.filter(pl.col("typed").str.to_lowercase().is_in(list(BLANKS))), "key missing"
        says = f"The row has no {note.name.replace('_', ' ')}; expected one. The row is on hold."
    elif name == "isin":
        says, fault = f"{note.title} “{{typed}}” is not known; expected {', '.join(note.words)}.", "word not known"
    else:
        unit = f" {note.unit}" if note.unit else ""
        bound = BOUNDS[name].format(**failure.check.statistics, unit=unit)
        says = f"{note.title} “{{typed}}” is outside what is accepted; expected {bound}."
    suggestion = [nearest_word(text, words) or None for text in rows["typed"]]
    return _said(rows, "held", fault, sentences(rows, says), suggestion)


def _said(
    rows: pl.DataFrame, outcome: str, fault: str, says: pl.Series, suggestion: Sequence[str | None]
) -> pl.DataFrame:
    offered = pl.Series("suggestion", suggestion, pl.String)
    return rows.with_columns(says, offered, outcome=pl.lit(outcome), fault=pl.lit(fault))


def _of_rule(rule: Rule, rows: pl.DataFrame, context: Context) -> pl.DataFrame:
    rows = rows.with_columns(test(context.limits).alias(name) for name, test in rule.shows.items())
    if isinstance(rule.says, str):
        says = sentences(rows, rule.says, context.limits)
    else:
        says = pl.Series("says", [rule.says(row, context.limits) for row in rows.iter_rows(named=True)], pl.String)
    offered = [rule.suggestion(row, context.limits) or None if rule.suggestion else None
               for row in rows.iter_rows(named=True)]  # fmt: skip
    return _said(rows, rule.outcome, rule.fault, says, offered)


def judge(model: Model, frame: pl.DataFrame, context: Context, typed: pl.DataFrame | None = None) -> Judged:
    """What a model makes of a frame that has its columns, and `file` and `line`. `typed` has the same rows as they were
    typed. A held cell of a column that must be there holds its row."""
    schema, notes = _schema(model), describe(model)
    with judged_by(context.limits, context.today):
        failures = _failures(schema, frame.select(list(schema.columns))) if frame.height else []
        return _sorted_out(failures, frame, notes, context, typed)


def _sorted_out(
    failures: list[_Failure],
    frame: pl.DataFrame,
    notes: Mapping[str, Note],
    context: Context,
    typed: pl.DataFrame | None,
) -> Judged:
    """Failures as issues, held cells emptied, rows that miss a cell they must have put aside."""
    issues, whole, emptied = [], pl.Series([False]).new_from_index(0, frame.height), {}  # type: ignore[var-annotated]
    for failure in failures:
        column, rule = failure.column, _rule(failure.check)
        source = typed if typed is not None and column in typed.columns else frame
        text = source[column] if column in source.columns else frame["text"]
        rows = frame.with_columns(text.cast(pl.String).fill_null("").alias("typed")).filter(failure.rows)
        said = _of_rule(rule, rows, context) if rule else _of_column(notes[column], failure, rows)
        issues.append(said.select(pl.lit(column).alias(k) if k == "column" else
                                  pl.col("typed").alias(k) if k == "text" else pl.col(k) for k in ISSUE))  # fmt: skip
        if rule and rule.outcome == "warned":
            continue
        if column not in notes or notes[column].required:
            whole |= failure.rows
        else:
            emptied[column] = emptied.get(column, False) | failure.rows
    good = frame.with_columns(pl.when(~rows).then(pl.col(name)).alias(name) for name, rows in emptied.items())
    return Judged(good.filter(~whole), join_issues(issues), frame.filter(whole).select(KEY))
