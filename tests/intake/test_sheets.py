"""Files to text cells, split by polars or line by line: every record is a row or held with its line; what is too large is refused."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.intake import structure
from pipeline.intake.files import LogFile, family_of
from pipeline.intake.sheets import Sheets, read_sheets

NOWHERE = Path("/nowhere")
CELLS = (
    "2026-06-12", "A1", "nitrate", "5", "7.2", "", "", "total", " a", "a\u00a0", "\u00a0", "é", "tank",
    "ok; fed, twice", "\t", 'said "no"', "two\nlines", "NA",
)  # fmt: skip
NAMES = ["date", "tank", "nitrate"]
SOUND = "date,tank,nitrate,kit,note\n2026-06-12,A1,5,KA,\n2026-06-12,A2,10,KA,fed\n"


@st.composite
def bodies(draw: st.DrawFn) -> str:
    """Rows of three fields: mostly sound, some short, long, blank, with quotes where they need or do not need them."""
    cells = CELLS if draw(st.booleans()) else CELLS[:8]
    rows = st.lists(st.sampled_from(cells), min_size=3, max_size=draw(st.sampled_from([3, 3, 3, 4])))
    text = io.StringIO()
    quoting = draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]))
    end = draw(st.sampled_from(["\n", "\n", "\r\n"]))
    csv.writer(text, lineterminator=end, quoting=quoting).writerows(draw(st.lists(rows, min_size=1, max_size=6)))
    odd = draw(
        st.sampled_from(["", "", "", "\n", "x\n", 'a 5" tank,b,c\n', '"a"b,c,d\n', "\x00,b,c\n", ",,\n", "a,b,c"])
    )
    return text.getvalue() + odd


@settings(max_examples=300)
@given(body=bodies())
@example(body='"",x,"y"\na,"",c\n')
@example(body="a,b\na,b,c,d\n")
@example(body="a,b,c,\nd,e,f,\n")
@example(body='""",a,b\n')
def test_every_record_of_a_body_is_a_row_or_held_with_its_line(body: str) -> None:
    lines = list(io.StringIO(body, newline=""))
    table = structure._read_lines(lines, 0, ",", NAMES)
    by_polars = structure._read_clean(lines, 0, ",", NAMES)
    if by_polars is not None:
        assert_frame_equal(by_polars.cells, table.cells)
        assert table.odd == []
    held = [line for line, outcome, *_ in table.odd if outcome == "held"]
    assert sorted({*held, *table.cells["line"]}) == sorted([*held, *table.cells["line"]])
    try:
        records = [row for row in csv.reader(lines, strict=True) if any(cell.strip() for cell in row)]
    except csv.Error:
        return
    spare = min(map(len, records), default=3) > 3 and not any("".join(row[3:]).strip() for row in records)
    sound = [row for row in records if len(row) <= (min(map(len, records)) if spare else 3)]
    assert [list(row) for row in table.cells.select(NAMES).iter_rows()] == [
        [cell.strip(" \t\u00a0") for cell in (*row, "", "")[:3]] for row in sound
    ]
    assert len(held) == len(records) - len(sound)


@pytest.mark.parametrize("body", ["2026-06-12,A1,5\n", '"a",b,""\n', "2026-06-12,A1,\r\n2026-06-13,A1,7\r\n", "a,b,\n"])
def test_a_clean_body_is_split_by_polars(body: str) -> None:
    """The comparison above would prove nothing if no body went this way."""
    assert structure._read_clean(list(io.StringIO(body, newline="")), 0, ",", NAMES) is not None


def read(contents: dict[str, str], most_columns: int = 500) -> Sheets:
    raws = {path: text.encode() for path, text in contents.items()}
    files = [LogFile(path, family_of(path), "hash", len(raw)) for path, raw in raws.items()]
    return read_sheets(NOWHERE, files, raws, most_columns)


def test_lines_are_counted_as_they_stand_in_the_file() -> None:
    sheets = read({
        "visits/1.csv": SOUND,
        "visits/2.csv": "\ufeff" + SOUND.replace("\n", "\r\n"),
        "visits/3.csv": "Visits of May\n" + SOUND.replace("fed", '"fed, twice"'),
        "visits/4.csv": SOUND + "\n2026-06-12,A3\n",
    })  # fmt: skip
    lines = sheets.frames["visit"].group_by("file", maintain_order=True).agg("line", "note").rows()
    assert lines == [
        ("visits/1.csv", [2, 3], ["", "fed"]),
        ("visits/2.csv", [2, 3], ["", "fed"]),
        ("visits/3.csv", [3, 4], ["", "fed, twice"]),
        ("visits/4.csv", [2, 3, 5], ["", "fed", ""]),
    ]
    assert sheets.issues.select("file", "line", "fault").rows() == [
        ("visits/3.csv", 0, "file form"),
        ("visits/4.csv", 5, "short line"),
    ]


def test_a_totals_line_is_one_only_where_it_ends_its_file() -> None:
    sums = ",,15,,\n"
    sheets = read({"visits/1.csv": SOUND + sums + SOUND[27:], "visits/2.csv": SOUND + sums})
    assert sorted(sheets.issues.select("file", "line", "fault").rows()) == [
        ("visits/1.csv", 0, "no kit"),
        ("visits/2.csv", 4, "totals line"),
    ]
    assert sheets.files["rows_in"].to_list() == [5, 3]


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_a_file_of_too_many_columns_is_held_before_it_is_split(mark: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(structure, "decode", lambda raw: pytest.fail("it was read"))
    sheets = read({"visits/1.csv": mark.join(["date", "tank", *["x"] * 1_000_000])})
    assert sheets.issues["fault"].to_list() == ["too many columns"]
    assert "1000002 columns, more than the 500" in sheets.issues["says"][0]
    monkeypatch.undo()
    assert read({"visits/1.csv": SOUND}, most_columns=5).issues.height == 0
    assert read({"visits/1.csv": SOUND}, most_columns=4).issues["fault"].to_list() == ["too many columns"]
