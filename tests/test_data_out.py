"""Data out: what README shows in Python and SQL runs; the warehouse says what its columns are; a workbook opens."""

from __future__ import annotations

import importlib
import io
import re
import sys
import textwrap
from contextlib import redirect_stdout
from pathlib import Path

import duckdb
import polars as pl
import pytest
from python_calamine import CalamineWorkbook

from pipeline.frames import FRAMES, Frames
from pipeline.papers.export import columns_of_tables, contents, to_xlsx
from pipeline.problems import Problem
from pipeline.weekly import load
from schemas.columns import describe
from schemas.tables import TABLES
from tests.small_folder import write_folder

README = (Path(__file__).parents[1] / "README.md").read_text("utf-8")


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_folder(tmp_path_factory.mktemp("data_out"), 6)


@pytest.fixture(scope="module")
def frames(logs: Path) -> Frames:
    found: Frames = importlib.import_module("pipeline.tankround").open(logs)
    return found


def shown(language: str) -> str:
    block = re.search(rf"```{language}\n(.*?)```", README, re.DOTALL)
    assert block
    return textwrap.dedent(block[1])


def test_the_three_lines_of_the_readme_run(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "tankround", importlib.import_module("pipeline.tankround"))
    code = re.sub(r', as_of="[^"]*"', "", shown("python")).replace('"tankround-demo"', repr(str(logs)))
    assert len([line for line in code.splitlines() if line]) == 3
    with redirect_stdout(io.StringIO()) as out:
        exec(code, {})
    assert out.getvalue().count("shape: (") == 4


def test_the_query_of_the_readme_and_every_view_run(logs: Path, frames: Frames) -> None:
    with duckdb.connect(str(load(logs).db), read_only=True) as con:
        rows = con.sql(shown("sql")).pl()
        assert rows.height == frames.tanks.height > 0
        newest = con.sql("select tank, parameter, max(day) as day from reading group by all order by all").pl()
        assert con.sql("select tank, parameter, day from latest_reading order by all").pl().equals(newest)
        assert con.sql("select count(*) from latest_rating").fetchall() == [(frames.ratings.height,)]
        assert con.sql("select count(*) from latest_finding").fetchall() == [(frames.findings.height,)]
        notes = {(table, name) for table, model in TABLES.items() for name in describe(model)}
        told = con.sql(
            "select table_name, column_name, comment from duckdb_columns() where comment is not null"
        ).fetchall()
        assert {(table, name) for table, name, _ in told} == notes
        assert ("nitrate_fit", "rate", "Net rise [mg/L NO3 per day].") in told
        tables = con.sql("select table_name from duckdb_tables() where comment is null").fetchall()
        assert sorted(tables) == [("calculated",), ("meta",)]


def test_every_frame_is_there_and_described(frames: Frames) -> None:
    for name, table in FRAMES.items():
        frame = getattr(frames, name)
        assert isinstance(frame, pl.DataFrame)
        assert set(frames.columns(name)["column"]) <= set(frame.columns), name
        assert name in dir(frames)
        assert frame.columns == list(frames.table(table).columns)
    assert frames.review["as_of"].unique().to_list() == [frames.week.as_of]
    with pytest.raises(AttributeError, match="there are alarms, causes"):
        _ = frames.weather
    for request in (frames.table, frames.columns):
        with pytest.raises(Problem, match="expected one of"):
            request("weather")


def test_a_workbook_holds_every_table_and_text_stays_text(frames: Frames) -> None:
    ((name, content),) = contents(frames.week, "xlsx")
    book = CalamineWorkbook.from_filelike(io.BytesIO(content))
    assert name == "tankround.xlsx"
    assert book.sheet_names == ["columns", *TABLES]
    assert len(book.get_sheet_by_name("columns").to_python()) == columns_of_tables().height + 1
    odd = ["=1+1", "https://x.example", "007", "-", None]
    cells = CalamineWorkbook.from_filelike(
        io.BytesIO(to_xlsx({"a": pl.DataFrame({"text": odd, "n": [1.5, None, float("nan"), 0, 2]})}))
    )
    rows = cells.get_sheet_by_name("a").to_python(skip_empty_area=False)
    assert [row[0] for row in rows] == ["text", *odd[:4], ""]
    assert [row[1] for row in rows[:3]] == ["n", 1.5, ""]
