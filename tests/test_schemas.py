"""The schemas build, describe themselves, and hold each other's names."""

from __future__ import annotations

import polars as pl
import pytest

import schemas
from schemas import tables
from schemas.columns import describe
from schemas.words import CANON, PARAMETER_TITLES, PARAMETERS


@pytest.mark.parametrize("table", tables.TABLES)
def test_every_table_builds_and_describes_every_column(table: str) -> None:
    frame = schemas.empty(table)
    tables.TABLES[table].validate(frame)
    notes = describe(tables.TABLES[table])
    assert list(notes) == frame.columns
    for note in notes.values():
        assert note.title, (table, note.name)
        assert note.kind != "word" or note.words, (table, note.name)


@pytest.mark.parametrize("table", list(tables.TABLES))
def test_a_tables_columns_are_those_that_pandera_reads_from_its_model(table: str) -> None:
    model = tables.TABLES[table]
    told = {name: column.dtype.type for name, column in model.to_schema().columns.items()}
    assert list(schemas.columns_of(model).items()) == list(told.items())


@pytest.mark.parametrize("family", schemas.FAMILIES, ids=lambda family: family.name)
def test_every_family_has_a_table_and_a_key_of_its_own_columns(family: schemas.Family) -> None:
    assert family.name in tables.BASE_TABLES
    assert set(family.key) <= set(describe(family.model))


def test_a_parameter_has_a_unit_and_a_title() -> None:
    assert set(PARAMETERS) == set(CANON) == set(PARAMETER_TITLES)


def test_conform_orders_casts_and_fills() -> None:
    frame = schemas.conform("filter", pl.DataFrame({"line": [2], "filter": ["A"], "file": ["filters.csv"]}))
    assert frame.columns == schemas.empty("filter").columns
    assert frame["model"].to_list() == [None]
    assert frame.schema == schemas.empty("filter").schema
