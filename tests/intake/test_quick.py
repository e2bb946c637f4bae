"""The quick way through a clean file reads what the careful way reads: the same cells on the same lines."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from pipeline.intake import structure
from pipeline.intake.quick import look, split
from pipeline.intake.structure import _lines, _read_clean, _read_line_by_line, _records

SEPARATORS = ",;\t"
FIRST = 3  # lines above the body, which both ways must count
# What makes a CSV ambiguous, what polars or a text splitter might take for a line end or a blank, and plain text.
MARKS = [
    ",",
    ";",
    "\t",
    '"',
    '""',
    "\n",
    "\r\n",
    "\r",
    " ",
    "\u00a0",
    "\u2028",
    "\x0b",
    "\x85",
    "\ufeff",
    "#",
    "'",
    "\\",
]
CELL = st.text(
    st.sampled_from([*"ab1.–é𝄞", *(mark for mark in MARKS if len(mark) == 1 and mark not in "\r\n")]), max_size=4
)
RAW = st.lists(st.sampled_from([*MARKS, "a", "1", "é", "NA", "null", "nan"]), max_size=40).map("".join)


def by_quick(body: str, separator: str) -> list[tuple[int, list[str]]] | None:
    clean = look(body.encode(), separator)
    found = None if clean is None else split([clean], separator, [FIRST + 1])
    return None if found is None else [(line, list(cells)) for line, *cells in found.iter_rows()]


def by_csv(body: str, separator: str) -> list[tuple[int, list[str]]]:
    above = "x\n" * FIRST
    return [(first, fields or [""]) for first, _, fields in _records(_lines(above + body), separator, FIRST)]


def without_blanks(rows: list[tuple[int, list[str]]]) -> list[tuple[int, list[str]]]:
    return [(line, cells) for line, cells in rows if any(cell.strip() for cell in cells)]


@settings(max_examples=600)
@given(body=RAW, separator=st.sampled_from(SEPARATORS))
@example(body='"a"",b"\n1,2\n', separator=",")
@example(body='"a""",b\n1,2\n', separator=",")
@example(body='a,"",b\n"""",,\n', separator=",")
@example(body='"a\nb",c\n"d\ne",f\n', separator=",")
@example(body="a,b\r\n1,2\n", separator=",")
@example(body="a,b\r1,2\r", separator=",")
@example(body="a\n\nb\n", separator=",")
@example(body="\na,b\n", separator=",")
@example(body="\n\n", separator=",")
@example(body='"",\n', separator=",")
@example(body="a,\n,b\n,\n", separator=",")
def test_where_the_quick_way_answers_it_says_what_csv_says(body: str, separator: str) -> None:
    quick = by_quick(body, separator)
    if quick is not None:
        assert without_blanks(quick) == without_blanks(by_csv(body, separator))


@st.composite
def tables(draw: st.DrawFn) -> tuple[str, str, int]:
    """A whole table as text, its separator and width: quoted where it must be or by whim, one kind of line end."""
    width = draw(st.integers(2, 4))
    separator = draw(st.sampled_from(SEPARATORS))
    rows = draw(st.lists(st.lists(CELL, min_size=width, max_size=width), min_size=1, max_size=6))
    spare = draw(st.booleans())
    text = io.StringIO()
    writer = csv.writer(
        text,
        delimiter=separator,
        lineterminator=draw(st.sampled_from(["\n", "\r\n"])),
        quoting=draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])),
    )
    writer.writerows([[*row, *([""] if spare else [])] for row in rows])
    body = text.getvalue()
    if draw(st.booleans()):
        body = body.rstrip("\r\n")
    return body, separator, width


@settings(max_examples=200)
@given(table=tables())
def test_a_table_as_a_spreadsheet_writes_it_goes_the_quick_way(table: tuple[str, str, int]) -> None:
    body, separator, _ = table
    assume(not body.startswith("\ufeff"))  # a mark there is no spreadsheet's
    quick = by_quick(body, separator)
    assert quick is not None
    assert without_blanks(quick) == without_blanks(by_csv(body, separator))


@settings(max_examples=300)
@given(
    table=st.one_of(tables(), st.tuples(RAW, st.sampled_from(SEPARATORS), st.integers(1, 4))),
    fewer=st.integers(0, 2),
)
def test_a_sheet_is_the_same_whichever_way_it_went(table: tuple[str, str, int], fewer: int) -> None:
    """With a header of as many names as fields, or fewer: the same names, cells, lines, and no line held or short."""
    body, separator, width = table
    names = [f"n{place}" for place in range(max(width - fewer, 1))]
    quick = _read_clean(body, FIRST, separator, names)
    if quick is None:
        return
    careful = _read_line_by_line(_lines("x\n" * FIRST + body), FIRST, separator, names)
    assert quick.header == careful.header
    assert quick.cells.rows() == careful.cells.rows()
    assert (careful.bad, careful.short) == ([], [])


@pytest.mark.parametrize(
    "body",
    [
        "a,b\n",
        " a,b\nc,d\n",
        "a,b\nc,d ",
        "a, b\n",
        "a,b \r\nc,d\r\n",
        '"a ",b\n',
        "\u00a0a,b\n",
        "a\t,b\n",
    ],
)
def test_a_sheet_called_tidy_needs_no_stripping(body: str) -> None:
    table = _read_clean(body, FIRST, ",", ["n0", "n1"])
    assert table is not None
    untidy = [cell for row in table.cells.rows() for cell in row[1:] if cell != cell.strip(" \t\u00a0")]
    assert not (table.tidy and untidy)
    assert table.tidy or untidy, "these are told apart, else nothing would be gained"


def test_a_tab_in_quotes_is_no_separator() -> None:
    """It is part of its cell, so that a sheet parted by tabs with quotes in it is not called tidy."""
    table = _read_clean('"\t",b\n'.replace(",", "\t"), FIRST, "\t", ["n0", "n1"])
    assert table is not None
    assert table.cells.rows() == [(FIRST + 1, "\t", "b")]
    assert not table.tidy


def test_a_byte_order_mark_inside_a_file_is_kept_in_its_cell() -> None:
    """As where two files with a mark each were joined: dropped silently it would be a cell not as typed."""
    assert by_quick("\ufeffa,b\n", ",") in (None, by_csv("\ufeffa,b\n", ","))


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ('5" tank,1\n', "a stray quote"),
        ('"open,1\n2,3\n', "a quote never closed"),
        ('"over\ntwo lines",1\n', "a record over two lines"),
        ("a,b\nc\n", "a short line"),
        ("a,b\nc,d,e\n", "a long line"),
        ("a,b\rc,d\r", "lone carriage returns"),
        ("a,b\r\nc,d\ne,f\n", "two kinds of line end"),
        ("a\x00,b\n", "a null byte"),
        ("a,b\nc\nd,e,f\n", "a short line and a long one that make up for each other"),
        ('"over,\ntwo",1\n', "a record over two lines that each have a separator"),
        ('"over\nthree\nlines"\n', "a record of more lines than fields"),
        ('"a\rb",c\r\nd,e\r\n', "a carriage return inside quotes"),
        ("", "nothing"),
    ],
)
def test_anything_odd_goes_the_careful_way(body: str, why: str) -> None:
    assert look(body.encode(), ",") is None, why


def test_both_ways_are_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """The comparison above would prove nothing if a sheet never came to the quick way, or always did."""
    careful = []
    real = structure._read_line_by_line
    monkeypatch.setattr(structure, "_read_line_by_line", lambda *given: (careful.append(1), real(*given))[1])
    for text in ("date,tank\n2026-01-05,T1\n", 'date,tank\n2026-01-05,5" T1\n'):
        assert structure.read_table(text.encode(), frozenset({"date", "tank"}), str).cells.height == 1
    assert careful == [1]
