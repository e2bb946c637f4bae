"""The last gate: what is kept must be what the models in schemas/ say. A row that is not is held, never dropped.

Cells were read and checked before; a row that fails here got past a check that should have known it.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pandera.polars as pa
import polars as pl
from pandera.constants import CHECK_OUTPUT_KEY
from pandera.errors import SchemaErrors

from pipeline.intake.sheets import ISSUE, no_issues
from schemas import TABLES, Tables
from schemas.visits import Reading

KEY = ["file", "line"]
NOT_YET = ("outcome",)  # of a row: it is known when all checks, this one too, have spoken


class BadTable(Exception):
    """A failure that is no row's: a column of another type, a check that broke. A fault of ours, not of the logs."""


@cache
def _schema(name: str) -> Any:
    schema = TABLES[name].to_schema()
    return schema.remove_columns([c for c in NOT_YET if c in schema.columns]) if name == "visit" else schema


@cache
def _meaning_schema() -> Any:
    """What a reading must be, as far as its typed cell settles it."""
    schema = Reading.to_schema()
    settled = {"parameter", "low", "high", "matched", "unit", "text", "kit", "outcome"}
    return schema.remove_columns([c for c in schema.columns if c not in settled])


def _failures(schema: Any, frame: pl.DataFrame) -> list[tuple[str | None, str, pl.Series]]:
    """(column, rule, failing rows as Booleans) of every rule that some row breaks."""
    try:
        schema.validate(frame, lazy=True)
    except SchemaErrors as found:
        told = []
        for error in found.schema_errors:
            flags = error.check_output
            if not isinstance(flags, pl.DataFrame) or flags.height != frame.height:
                raise BadTable(f"{error.reason_code}: {str(error)[:300]}") from found
            of_cell = isinstance(error.schema, pa.Column)
            rule = error.check if isinstance(error.check, str) else (error.check.error or error.check.name or "a rule")
            # By name: a composite check returns the whole frame beside the flag. Null means: nothing to say.
            failing = ~flags[CHECK_OUTPUT_KEY].fill_null(True)
            told.append((error.schema.name if of_cell else None, str(rule), failing))
        return told
    return []


def _issues(name: str, frame: pl.DataFrame, column: str | None, rule: str) -> pl.DataFrame:
    text = pl.col(column).cast(pl.String).fill_null("") if column in frame.columns else pl.lit("")
    return frame.select(
        *KEY,
        pl.lit(column, pl.String).alias("column"),
        text.alias("text"),
        pl.lit("held").alias("outcome"),
        pl.lit("not as described").alias("fault"),
        pl.lit(
            f"What was read is not what {name.replace('_', ' ')} allows ({rule}); expected a value as the template shows."
            " The row waits: put it right in the file, or reject it."
        ).alias("says"),
        pl.lit(None, pl.String).alias("suggestion"),
    ).select(list(ISSUE))


def through(name: str, frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The rows of a table that its model allows, and the issues of the others."""
    if frame.height == 0:
        return frame, no_issues()
    schema = _schema(name)
    failures = _failures(schema, frame.select(list(schema.columns)))
    if not failures:
        return frame, no_issues()
    issues = pl.concat([_issues(name, frame.filter(failing), column, rule) for column, rule, failing in failures])
    bad = np.logical_or.reduce([failing.to_numpy() for _, _, failing in failures])
    return frame.filter(pl.Series(~bad)), issues


def visits_through(found: Tables) -> tuple[Tables, pl.DataFrame, pl.DataFrame]:
    """Visits, their readings and changes that the models allow; the issues; and the rows held whole (file, line)."""
    visit, issues = through("visit", found["visit_row"])
    whole = issues.select(KEY).unique()
    change, of_changes = through("water_change", found["water_change"])
    cells, meaning = found["reading_cell"], found["meaning"]
    if whole.height:
        change = change.join(whole, on=KEY, how="anti", maintain_order="left")
        cells = cells.join(visit.select("row"), on="row", how="semi", maintain_order="left")
    told = [issues, of_changes]
    schema = _meaning_schema()
    for column, rule, failing in _failures(schema, meaning.select(list(schema.columns))) if meaning.height else []:
        strange = meaning.filter(failing).select("meaning", "text", "parameter")
        rows = cells.join(strange, on="meaning", how="inner").join(visit.select("row", *KEY), on="row", how="inner")
        parts = [
            _issues("reading", part.rename({column: "_"}, strict=False) if column else part, str(parameter), rule)
            .with_columns(part["text"])
            for (parameter,), part in rows.group_by("parameter", maintain_order=True)
        ]  # fmt: skip
        told += parts
        cells = cells.join(strange, on="meaning", how="anti", maintain_order="left")
    return {**found, "visit_row": visit, "reading_cell": cells, "water_change": change}, pl.concat(told), whole
