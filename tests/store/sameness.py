"""Whether two warehouses hold the same, row for row."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl
from polars.testing import assert_frame_equal

from pipeline.store import warehouse as store
from schemas import Tables
from schemas.tables import BASE_TABLES, DERIVED_TABLES

DERIVED = [name for name in DERIVED_TABLES if name != "nitrate_path"]


def tables_in(con: duckdb.DuckDBPyConnection) -> Tables:
    """All that a load fills."""
    return store.read_tables(con, [*BASE_TABLES, *DERIVED, "calculated"])


def tables_of(db: Path) -> Tables:
    with store.looking(db) as con:
        return tables_in(con)


def in_order(frame: pl.DataFrame) -> pl.DataFrame:
    plain = [name for name, kind in frame.schema.items() if not kind.is_nested()]
    return frame.sort(plain, nulls_last=False, maintain_order=True)


def assert_same_tables(ours: Tables, theirs: Tables) -> None:
    """Each table alike in any order of rows; what was calculated in another batch may differ in its last digit."""
    assert ours.keys() == theirs.keys()
    for name, frame in theirs.items():
        assert_frame_equal(in_order(ours[name]), in_order(frame), rel_tol=1e-9, abs_tol=1e-9)
