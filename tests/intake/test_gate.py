"""The last gate: a row that is not as its model says is held with file, line, column and rule; the account adds up."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipeline import intake
from pipeline.assumptions import built_in
from pipeline.intake import gate
from schemas import TABLES, Tables, conform
from schemas.words import ROW_OUTCOMES
from tests.small_folder import TODAY, write_folder


def checked(folder: Path) -> Tables:
    files = intake.find_files(folder, 64)
    return intake.check(intake.read_sheets(folder, files), intake.read_round(folder), built_in(), TODAY)


def adds_up(tables: Tables) -> bool:
    account = tables["account"]
    return bool((account["rows_in"] == account.select(pl.sum_horizontal(ROW_OUTCOMES)).to_series()).all())


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_folder(tmp_path / "logs", weeks=4)


@pytest.fixture
def blind(monkeypatch: pytest.MonkeyPatch) -> None:
    """Intake with a bug: it lets words and limits pass that it should hold."""
    from pipeline.intake import visits
    from pipeline.intake.grammar import Cell

    real = visits.read_word
    monkeypatch.setattr(
        visits, "read_word", lambda text, *rest: Cell(word=text) if text == "sideways" else real(text, *rest)
    )


def test_rows_that_are_as_described_pass_unchanged(folder: Path) -> None:
    tables = checked(folder)
    for name in ("tank", "visit", "water_change", "kit", "fill"):
        kept, issues = gate.through(name, tables[name])
        assert kept.equals(tables[name])
        assert issues.height == 0


def test_a_row_that_got_past_every_check_is_held_with_its_place(folder: Path, blind: None) -> None:
    sheet = folder / "visits" / "week-01.csv"
    sheet.write_text(sheet.read_text().replace("T2,before", "T2,sideways"))
    tables = checked(folder)
    held = tables["held"].filter(pl.col("file") == "visits/week-01.csv")
    assert held.select("line", "column", "text").rows() == [(3, "taken", "sideways")]
    assert "isin" in held["reason"][0]
    assert tables["visit"].height == 11, "the other rows are used"
    assert tables["reading"].filter((pl.col("tank") == "T2") & (pl.col("file") == "visits/week-01.csv")).height == 0
    assert tables["water_change"].height == 11
    assert tables["account"].filter(pl.col("file") == "visits/week-01.csv")["held"].item() == 1
    assert adds_up(tables)


def test_several_rows_and_rules_at_once() -> None:
    rows = pl.DataFrame(
        {
            "file": ["tanks.csv"] * 3,
            "line": [2, 3, 4],
            "tank": ["T1", "T2", "T3"],
            "site": ["S1", "S1", "S1"],
            "planting": ["none", "jungle", "thicket"],
            "stocking": ["normal", "normal", "crammed"],
        }
    )
    kept, issues = gate.through("tank", conform("tank", rows))
    assert kept["tank"].to_list() == ["T1"]
    assert set(issues.select("line", "column", "text").rows()) == {
        (3, "planting", "jungle"), (4, "planting", "thicket"), (4, "stocking", "crammed"),
    }  # fmt: skip
    assert issues["outcome"].unique().to_list() == ["held"]


def test_a_meaning_that_is_none_holds_its_cells_only(folder: Path) -> None:
    files = intake.find_files(folder, 64)
    parts = intake.check_parts(intake.read_sheets(folder, files), intake.read_round(folder), built_in(), TODAY)
    turned = parts["meaning"].with_columns(
        pl.when(pl.col("text") == "26").then(pl.lit(99.0)).otherwise("low").alias("low")
    )
    many = parts["reading_cell"].join(turned.filter(pl.col("low") == 99.0), on="meaning", how="semi").height
    found, issues, whole = gate.visits_through({**parts, "meaning": turned})
    assert many > 0
    assert issues.height == many
    assert issues["column"].unique().to_list() == ["nitrate"]
    assert whole.height == 0
    assert found["visit_row"].height == parts["visit_row"].height
    assert found["reading_cell"].height == parts["reading_cell"].height - many


def test_a_table_of_the_wrong_shape_is_our_fault_and_said_so() -> None:
    frame = conform("site", pl.DataFrame({"file": ["s"], "line": [2], "site": ["a"], "name": ["b"]}))
    with pytest.raises(gate.BadTable):
        gate.through("site", frame.with_columns(pl.col("line").cast(pl.String)))


def test_every_table_has_a_model_to_pass() -> None:
    for name in TABLES:
        assert TABLES[name].to_schema().columns
