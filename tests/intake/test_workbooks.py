"""Spreadsheets as they are: own headers, a sheet a tank, a file a tank; what is no workbook, or too large, is told."""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from pathlib import Path

import polars as pl
import pytest

from pipeline.assumptions import built_in
from pipeline.intake.check import check
from pipeline.intake.files import family_of, find_files, own_name, read_round
from pipeline.intake.sheets import read_sheets
from pipeline.intake.structure import as_text, sheets_of
from schemas import Tables
from tests.spreadsheets import ods, ods_of, xlsx

TODAY = dt.date(2026, 6, 20)
DAYS = [dt.date(2026, 6, 1), dt.date(2026, 6, 8)]
OWN = '[columns]\n"Visit date" = "date"\n"Acidity" = "ph"\n"Vol out" = "water_changed"\n"Weather" = ""\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "visits").mkdir()
    (tmp_path / "sites.csv").write_text("site,name\nS1,Fernholt Lodge\n")
    (tmp_path / "tanks.csv").write_text("tank,site,name,gross_l\nT1,S1,Lounge,100\nT2,S1,Hall,200\n")
    return tmp_path


def checked(folder: Path) -> Tables:
    round_ = read_round(folder)
    sheets = read_sheets(folder, find_files(folder), own=round_.columns)
    return check(sheets, round_, built_in(), TODAY)


def readings(tables: Tables, parameter: str) -> list[tuple[object, ...]]:
    found = tables["reading"].filter(parameter=parameter).sort("tank", "day")
    return found.select("tank", "day", "matched", "file", "line").rows()


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_own_headers_under_a_title_with_real_dates(folder: Path, kind: str) -> None:
    (folder / "round.toml").write_text(OWN)
    grid = [
        ["My tanks this year"],
        [],
        ["Visit date", "tank", "Acidity", "NO3 (ppm)", "Vol out", "Weather"],
        [DAYS[0], "Lounge", 7.2, 40, 0.3, "wet"],
        [],
        [DAYS[1], "Hall", "7,4", "20-40", "25%"],
    ]
    book = xlsx({"Sheet1": grid}) if kind == "xlsx" else ods({"Sheet1": grid})
    (folder / "visits" / f"book.{kind}").write_bytes(book)
    tables = checked(folder)
    where = f"visits/book.{kind}, sheet Sheet1"
    assert readings(tables, "ph") == [("T1", DAYS[0], 7.2, where, 4), ("T2", DAYS[1], 7.4, where, 6)]
    assert readings(tables, "nitrate") == [("T1", DAYS[0], 40, where, 4), ("T2", DAYS[1], 30, where, 6)]
    assert tables["water_change"].sort("tank")["fraction"].to_list() == pytest.approx([0.3, 0.25])
    assert tables["unknown_column"].height == 0
    assert tables["held"].height == 0
    assert any("30% as 0.3" in says for says in tables["remark"]["says"])


def test_a_sheet_a_tank_and_sheets_that_name_their_records(folder: Path) -> None:
    """A note beside the table costs no row; a sheet without a table is held whole, with what to do."""
    (folder / "tanks.csv").unlink()
    tanks = [["tank", "site", "name", "gross_l"], ["T1", "S1", "Lounge", 100], ["T2", "S1", "Hall", 200]]
    one = [["date", "ph", "nitrate"], [DAYS[0], 7, 20, None, "a word beside"], [DAYS[1], 7.1, 25]]
    book = xlsx({"Tanks": tanks, "Lounge": one, "Hall": one[:2], "To do": [["buy wool"]], "Empty": []})
    (folder / "round.xlsx").write_bytes(book)
    tables = checked(folder)
    assert tables["tank"]["tank"].to_list() == ["T1", "T2"]
    assert [(tank, value) for tank, _, value, *_ in readings(tables, "nitrate")] == [("T1", 20), ("T1", 25), ("T2", 20)]
    assert tables["unknown_column"]["column"].unique().to_list() == ["(column 5)"]
    (held,) = tables["held"].select("file", "reason").rows()
    assert held[0] == "round.xlsx, sheet To do"
    assert "no line at its top names a known column" in held[1]
    assert "[columns]" in held[1]


def test_a_file_a_tank_with_semicolons_and_a_month_that_is_no_tank(folder: Path) -> None:
    (folder / "visits" / "lounge.csv").write_text("date;ph;nitrate\n2026-06-01;7,2;20\n")
    (folder / "visits" / "2026-06.csv").write_text("date;ph\n2026-06-01;7,2\n")
    tables = checked(folder)
    assert readings(tables, "ph") == [("T1", DAYS[0], 7.2, "visits/lounge.csv", 2)]
    assert "has no column tank" in tables["held"].row(0, named=True)["reason"]


def test_a_cell_of_a_sheet_is_put_right_as_any_other(folder: Path) -> None:
    (folder / "visits" / "a.xlsx").write_bytes(xlsx({"Lounge": [["date", "ph"], [DAYS[0], 72]]}))
    assert checked(folder)["held"]["column"].to_list() == ["ph"]
    (folder / "corrections.csv").write_text(
        'file,line,column,was,now,by,on,why\n"visits/a.xlsx, sheet Lounge",2,ph,72,7.2,me,2026-06-02,slip\n'
    )
    tables = checked(folder)
    assert tables["held"].height == 0
    assert readings(tables, "ph")[0][2] == 7.2


def test_other_sheets_take_a_tank_s_name_and_ask_about_a_near_one(folder: Path) -> None:
    """`Hall` is the one tank of that name; `Hal 2` may be it, and a person is asked: nothing is guessed."""
    (folder / "feeding.csv").write_text(
        "tank,from,feed_g_day\nhall,2026-06-01,2\nHal 2,2026-06-01,3\nAttic,2026-06-01,4\n"
    )
    tables = checked(folder)
    assert tables["feeding"].select("tank", "feed_g_day").rows() == [("T2", 2.0)]
    near, far = tables["held"].sort("line").select("text", "reason", "suggestion").rows()
    assert near[0] == "Hal 2"
    assert near[1].endswith("The row is on hold. Is it Hall (T2)?")
    assert near[2] == "T2"
    assert (far[0], far[2]) == ("Attic", None)
    assert "Is it" not in far[1]


def far_cell() -> bytes:
    grid: list[list[object]] = [["date"]]
    out = xlsx({"A": grid})
    return replaced(out, "xl/worksheets/sheet1.xml", b'r="A1"', b'r="XFD1048576"')


def replaced(book: bytes, part: str, old: bytes, new: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(book)) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for info in source.infolist():
            content = source.read(info)
            target.writestr(info.filename, content.replace(old, new) if info.filename == part else content)
    return out.getvalue()


def repeated_cell() -> bytes:
    cell = '<table:table-cell table:number-columns-repeated="16384"><text:p>x</text:p></table:table-cell>'
    row = f'<table:table-row table:number-rows-repeated="1048576">{cell}</table:table-row>'
    return ods_of(f'<table:table table:name="A">{row}</table:table>')


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "no workbook that can be read"),
        (b"PK\x03\x04 and nothing more", "no workbook that can be read"),
        (b"date,tank\n2026-06-01,T1\n", "no workbook that can be read"),
        (far_cell(), "cells, more than the 2000000"),
        (repeated_cell(), "cells, more than the 2000000"),
        (replaced(xlsx({"A": [["date"]]}), "xl/worksheets/sheet1.xml", b"<sheetData>", b" " * 101_000_000), "101 MB unpacked"),
        (replaced(xlsx({"A": [["date"]]}), "xl/workbook.xml", b"<sheets>", b"<sh"), "no workbook that can be read"),
        (replaced(ods({"A": [["date"]]}), "content.xml", b"</table:table-row>", b""), "no workbook that can be read"),
        (replaced(xlsx({"A": [["date"]]}), "xl/worksheets/sheet1.xml", b'r="A1"', b'r="a9999999999"'), "more than the 2000000"),
    ],
    ids=["empty", "torn", "a CSV", "far cell", "repeated cell", "bomb", "broken inside", "not closed", "odd place"],
)  # fmt: skip
def test_a_workbook_that_is_none_or_too_large_is_a_sentence(folder: Path, content: bytes, says: str) -> None:
    (folder / "visits" / "book.xlsx").write_bytes(content)
    (folder / "visits" / "good.csv").write_text("date,tank,ph\n2026-06-01,T1,7\n")
    tables = checked(folder)
    (held,) = tables["held"].rows(named=True)
    assert held["file"] == "visits/book.xlsx"
    assert says in held["reason"]
    assert tables["reading"].height == 1


def test_empty_cells_far_below_a_table_cost_nothing() -> None:
    far = '<table:table-row table:number-rows-repeated="1048000"><table:table-cell table:number-columns-repeated="16384"/></table:table-row>'
    row = "<table:table-row><table:table-cell office:value-type='string'><text:p>date</text:p></table:table-cell></table:table-row>"
    book = ods_of(f'<table:table table:name="A">{row}{far}</table:table>')
    assert list(sheets_of(book)) == [("A", b"date\n")]


@pytest.mark.parametrize(
    ("path", "family", "tank"),
    [
        ("visits/2026-05.csv", "visit", ""),
        ("visits/Lounge.xlsx, sheet Sheet1", "visit", "Lounge"),
        ("visits/year.ods, sheet Hall, left", "visit", "Hall, left"),
        ("My round.xlsx, sheet Filter models", "filter_model", "Filter models"),
        ("visits/a.xlsx, sheet Events", "event", "Events"),
        ("tanks.xlsx, sheet Tabelle1", "tank", "tanks"),
        ("My round.xlsx", "", "My round"),
        ("visits/a, sheet b.csv", "visit", "a, sheet b"),
    ],
)
def test_the_family_and_the_tank_that_a_name_gives(path: str, family: str, tank: str) -> None:
    assert (family_of(path), own_name(path)) == (family, tank)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (40.0, "40"), (7.2, "7.2"), (0.1 + 0.2, "0.3"), (dt.date(2026, 6, 1), "2026-06-01"),
        (dt.datetime(2026, 6, 1, 9, 30), "2026-06-01 09:30"), (dt.time(9, 5), "09:05"), (" a\nb ", "a b"), ("", ""),
    ],
)  # fmt: skip
def test_a_cell_reads_as_it_would_be_typed(value: object, text: str) -> None:
    assert as_text(value) == text


def test_a_column_that_is_none_is_told(folder: Path) -> None:
    (folder / "round.toml").write_text('[columns]\n"Visit date" = "day of visit"\n"x" = 3\n')
    problems = "\n".join(read_round(folder).problems)
    assert "“Visit date” is “day of visit”, which is not a column" in problems
    assert "x is “3”; expected text" in problems
    assert isinstance(checked(folder)["tank"], pl.DataFrame)
