"""Columns as codes: what comes out is what went in, row for row."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.intake import coded as room
from pipeline.intake.coded import Cells, coded, crossed, read_cells, spread
from pipeline.intake.grammar import Cell

TEXT = st.one_of(st.none(), st.sampled_from(["", "7", "7.1", "a", "A", "7 ", "\x00", "é"]), st.text(max_size=3))


@given(st.lists(TEXT, max_size=30))
def test_every_row_reads_its_own_text_and_null_is_blank(texts: list[str | None]) -> None:
    column = coded(pl.Series("text", texts, pl.String))
    values = column.values["text"]
    assert values.n_unique() == values.len()
    assert spread(values, column.codes).to_list() == [text or "" for text in texts]


def test_values_stand_in_the_order_in_which_they_appear() -> None:
    assert coded(pl.Series("text", ["b", "a", "b", None, "c"])).values["text"].to_list() == ["b", "a", "", "c"]


@pytest.mark.parametrize("table_at_most", [0, room.TABLE_AT_MOST])
@given(rows=st.lists(st.tuples(TEXT, TEXT, TEXT), max_size=30))
def test_columns_crossed_keep_every_rows_combination(table_at_most: int, rows: list[tuple[str | None, ...]]) -> None:
    names = ("one", "two", "three")
    columns = [coded(pl.Series(name, [row[i] for row in rows], pl.String)) for i, name in enumerate(names)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(room, "TABLE_AT_MOST", table_at_most)
        both = crossed(columns)
    told = both.values.rows()
    assert [told[code] for code in both.codes] == [tuple(text or "" for text in row) for row in rows]
    assert len(set(told)) == len(told)
    assert set(both.codes.tolist()) == set(range(len(told)))  # no combination that no row holds


def shout(text: str, of: str) -> Cell:
    if not text:
        return Cell()
    return Cell("held", fault="loud", says=f"{text} in {of}") if text.isupper() else Cell(word=text, low=1.0)


def test_a_cell_is_read_once_with_the_unit_of_its_header() -> None:
    asked = []
    frame = pl.DataFrame(
        {
            "file": ["f"] * 5,
            "line": [2, 3, 4, 5, 6],
            "x": ["a", "B", "a", "", "B"],
            "unit of x": ["u", "u", "u", "u", "v"],
        }
    )
    cells = read_cells(frame, "x", lambda text, of: (asked.append((text, of)), shout(text, of))[1])
    assert sorted(asked) == sorted({("a", "u"), ("B", "u"), ("", "u"), ("B", "v")})
    assert cells["word"].to_list() == ["a", None, "a", None, None]
    assert cells.select(pl.col("low") * 2).to_list() == [2.0, None, 2.0, None, None]
    told = cells.issues(frame, "x")
    assert told.select("line", "column", "text", "says").rows() == [(3, "x", "B", "B in u"), (6, "x", "B", "B in v")]
    assert cells.where(pl.col("low") > 0).tolist() == [0, 2]
    assert cells.at(np.array([4, 0]))["text"].to_list() == ["B", "a"]


def test_a_sheet_without_rows_has_no_cells() -> None:
    frame = pl.DataFrame(schema={"file": pl.String, "line": pl.Int64, "x": pl.String})
    cells = read_cells(frame, "x", shout)
    assert cells["word"].len() == 0
    assert cells.issues(frame, "x").height == 0
    assert cells.where(pl.lit(True)).size == 0
    assert isinstance(cells, Cells)
