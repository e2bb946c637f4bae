"""The export, opened with other people's readers; nothing in it runs in a spreadsheet."""

from __future__ import annotations

import csv
import io
import json
import warnings
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.papers.export import RISKY, export, schema_of, to_csv
from pipeline.problems import Problem
from pipeline.week import Week
from schemas import Tables, conform, empty
from schemas.columns import describe
from schemas.tables import TABLES

Make = Callable[..., Week]
HOSTILE = ["=HYPERLINK(1)", "+1", "-", "@SUM(A1)", "\ttab", "\rreturn", "\nline", "plain", 'quo"te, and\ncomma', "'=x"]


def _hostile(tables: Tables) -> None:
    notes = HOSTILE + [None] * (tables["visit"].height - len(HOSTILE))
    tables["visit"] = tables["visit"].with_columns(pl.Series("note", notes))


def test_the_package_is_valid_and_describes_every_column(make_week: Make, tmp_path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # frictionless's own
        import frictionless

        written = export(make_week(_hostile), tmp_path)
        report = frictionless.Package(str(tmp_path / "datapackage.json")).validate()
    assert report.valid, report.flatten(["title", "message"])
    assert written[-1].name == "datapackage.json"
    package = json.loads(written[-1].read_text(encoding="utf-8"))
    assert {resource["path"] for resource in package["resources"]} == {path.name for path in written[:-1]}
    reading = next(r for r in package["resources"] if r["name"] == "reading")
    fields = {field["name"]: field for field in reading["schema"]["fields"]}
    assert fields["high"]["description"] == "Blank when open above."
    assert fields["parameter"]["constraints"]["enum"][0] == "ammonia"


@pytest.mark.parametrize("table", list(TABLES))
def test_the_schema_of_each_table_follows_the_models(table: str) -> None:
    notes, fields = describe(TABLES[table]), schema_of(table)["fields"]
    assert [field["name"] for field in fields] == list(notes) == empty(table).columns
    assert all(field["title"] for field in fields)
    assert {f["name"]: f["unit"] for f in fields if "unit" in f} == {n.name: n.unit for n in notes.values() if n.unit}


def test_hostile_text_is_guarded_and_nothing_else_is_touched(make_week: Make, tmp_path: Path) -> None:
    week = make_week(_hostile)
    export(week, tmp_path)
    raw = (tmp_path / "visit.csv").read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf")
    rows = list(csv.DictReader(io.StringIO(raw.decode("utf-8-sig"), newline="")))
    notes = [row["note"] for row in rows]
    assert notes[: len(HOSTILE)] == [n if n[0] in "pq" else f"'{n}" for n in HOSTILE]
    back = pl.read_csv(tmp_path / "visit.csv", schema_overrides=empty("visit").schema).with_columns(
        pl.when(pl.col("note").str.contains(RISKY))
        .then(pl.col("note").str.slice(1))
        .otherwise(pl.col("note"))
        .alias("note")
    )
    assert_frame_equal(back, conform("visit", week.table("visit")))


@given(st.text(max_size=30))
def test_no_cell_begins_like_a_formula(text: str) -> None:
    raw = to_csv(pl.DataFrame({"a": [text], "b": ["x"]})).decode("utf-8-sig")
    cell = next(csv.DictReader(io.StringIO(raw, newline="")))["a"]
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    assert cell in (text, f"'{text}")


def test_lists_are_json_arrays_and_unknown_is_empty() -> None:
    frame = pl.DataFrame({"l": [[1.0, 2.5], [], None], "s": [["a", 'b"c'], [], None], "n": [None, 0.0, 1.0]})
    rows = list(csv.DictReader(io.StringIO(to_csv(frame).decode("utf-8-sig"), newline="")))
    assert [json.loads(row["l"]) if row["l"] else None for row in rows] == [[1.0, 2.5], [], None]
    assert [json.loads(row["s"]) if row["s"] else None for row in rows] == [["a", 'b"c'], [], None]
    assert [row["n"] for row in rows] == ["", "0.0", "1.0"]


def test_parquet_keeps_every_table_as_it_is(make_week: Make, tmp_path: Path) -> None:
    week = make_week(_hostile)
    written = export(week, tmp_path, "parquet")
    assert len(written) == len(week.tables) + 1
    for table in week.tables:
        assert_frame_equal(pl.read_parquet(tmp_path / f"{table}.parquet"), conform(table, week.tables[table]))
    package = json.loads((tmp_path / "datapackage.json").read_text(encoding="utf-8"))
    assert all(resource["format"] == "parquet" for resource in package["resources"])


def test_an_unknown_format_gets_a_sentence(week: Week, tmp_path: Path) -> None:
    with pytest.raises(Problem, match="expected csv, xlsx or parquet"):
        export(week, tmp_path, "feather")
    assert list(tmp_path.iterdir()) == []
