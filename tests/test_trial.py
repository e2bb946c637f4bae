"""A trial says what the intake would make of a cell, a correction or a file, and writes nothing."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import polars as pl
import pytest

from pipeline import trial
from pipeline.assumptions import with_overrides
from pipeline.intake.amounts import KitRow
from pipeline.intake.check import check
from tests.conftest import SAMPLE_LOGS

TODAY = dt.date(2026, 6, 2)
SHEET = "visits/2026-03-24-evening-sheet.csv"
STEPS = ("0", "4", "9", "16", "27")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> trial.Folder:
    place = tmp_path_factory.mktemp("trial") / "logs"
    shutil.copytree(SAMPLE_LOGS, place, ignore=shutil.ignore_patterns(".tankround", "2025-*.csv", "2026-0[124]*.csv"))
    return trial.read_folder(place, TODAY)


@pytest.fixture(scope="module")
def held(folder: trial.Folder) -> pl.DataFrame:
    return check(folder.sheets, folder.round, folder.assumed, TODAY)["held"]


def put_right(line: int, column: str, was: str, now: str, file: str = SHEET, **more: str) -> dict[str, str]:
    return {"file": file, "line": str(line), "column": column, "was": was, "now": now, "by": "k", "why": "w", **more}


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (put_right(5, "nitrate", "05-Oct", "accept"), "Read as 5–10\u00a0mg/L NO3."),
        (put_right(14, "water_changed", "9 gal", "9 imp gal"), "Read as 29\u00a0%, 41\u00a0L."),
        (put_right(8, "tank", "Therapy rom", "accept"), "Read as Therapy room (MD3)."),
        (put_right(15, "kh", "ok", "reject"), "The cell will not be used; the rest of its row is."),
        (put_right(17, "", "", "reject"), "The row will not be used."),
    ],
)
def test_a_correction_says_what_it_would_do(
    row: dict[str, str], said: str, folder: trial.Folder, held: pl.DataFrame
) -> None:
    answer = trial.correction(folder, held, trial.with_repeats(folder, row))
    assert answer.good
    assert said in answer.says


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (put_right(5, "nitrate", "05-Oct", "fine"), "would be held again: “fine” is not a result"),
        (put_right(8, "tank", "Therapy rom", "Attic"), "would be held again: “Attic” is not a known tank"),
        (put_right(15, "kh", "ok", "accept"), "would be held again"),
        (put_right(15, "kh", "other text", "5.2"), "reads otherwise by now"),
        (put_right(17, "", "not what it says", "reject"), "reads otherwise by now"),
        (put_right(5, "nitrate", "05-Oct", " "), "Nothing is typed"),
    ],
)
def test_a_correction_that_would_not_do_says_why(
    row: dict[str, str], said: str, folder: trial.Folder, held: pl.DataFrame
) -> None:
    answer = trial.correction(folder, held, trial.with_repeats(folder, row))
    assert not answer.good
    assert said in answer.says


def test_a_corrected_tank_tells_what_its_row_then_holds(tmp_path: Path) -> None:
    (tmp_path / "visits").mkdir()
    (tmp_path / "sites.csv").write_text("site,name\na,Hall\n")
    (tmp_path / "tanks.csv").write_text("tank,site,name,net_l\nT1,a,Lounge,100\n")
    (tmp_path / "visits" / "x.csv").write_text("date,tank,nitrate\n2026-06-01,Loungs,ok\n")
    here = trial.read_folder(tmp_path, TODAY)
    held = check(here.sheets, here.round, here.assumed, TODAY)["held"]
    answer = trial.correction(here, held, [put_right(2, "tank", "Loungs", "T1", "visits/x.csv")])
    assert answer.good
    assert "Then held: nitrate “ok” in visits/x.csv, line 2." in answer.says


def test_an_exact_repeat_is_put_right_with_its_row(folder: trial.Folder, held: pl.DataFrame) -> None:
    alone = put_right(10, "nitrite", "O", "0")
    both = trial.with_repeats(folder, alone)
    assert [row["line"] for row in both] == ["10", "11"]
    assert "Then held: nitrite “O” in visits/2026-03-24-evening-sheet.csv, line 11" in (
        trial.correction(folder, held, [alone]).says
    )
    answer = trial.correction(folder, held, both)
    assert "Then held" not in answer.says
    assert f"The same for its exact repeat in {SHEET}, line 11." in answer.says


def test_new_files_have_their_account_before_they_are_kept(folder: trial.Folder, held: pl.DataFrame) -> None:
    before = trial.stamp(folder.path)
    content = (
        b"date,tank,nitrate,kit,water_changed,odd\n"
        b"2026-06-02,TC1,9,R2,20%,x\n2026-06-02,TC2,05-Oct,R2,40,\n2026-06-02,Nowhere,9,R2,,\n"
    )
    told = trial.files(folder, held, {"visits/new.csv": content})
    assert {k: told.account[k] for k in ("rows_in", "accepted", "part_held", "held")} == {
        "rows_in": 3,
        "accepted": 1,
        "part_held": 1,
        "held": 1,
    }
    assert [(r["line"], r["column"]) for r in told.held] == [(3, "nitrate"), (3, "water_changed"), (4, "tank")]
    assert [c["column"] for c in told.account["unknown_columns"]] == ["odd"]
    assert not told.elsewhere
    assert trial.stamp(folder.path) == before


def test_a_file_sent_again_repeats_and_a_changed_one_would_hold_both_sides(
    folder: trial.Folder, held: pl.DataFrame
) -> None:
    old = (folder.path / "visits" / "2026-06.csv").read_bytes()
    again = trial.files(folder, held, {"visits/2026-06-again.csv": old})
    assert again.account["repeats"] == again.account["rows_in"] > 0
    changed = trial.files(
        folder, held, {"visits/2026-06-again.csv": old.replace(b"LM1,before,0,0,9", b"LM1,before,0,0,27")}
    )
    assert [(r["column"], r["text"]) for r in changed.held] == [("nitrate", "27")]
    assert [(r["file"], r["column"], r["text"]) for r in changed.elsewhere] == [("visits/2026-06.csv", "nitrate", "9")]


def test_a_file_that_is_no_table_is_told(folder: trial.Folder, held: pl.DataFrame) -> None:
    told = trial.files(folder, held, {"visits/new.csv": b"\x00\x01\x02hello", "events/e.csv": b""})
    assert "whole file is held" in told.held[0]["reason"]


def test_the_day_of_a_row_held_for_its_tank_is_read_from_its_date(folder: trial.Folder, held: pl.DataFrame) -> None:
    since = dict(zip(held.select("line", "file").iter_rows(), trial.held_since(folder, held), strict=True))
    assert since[8, SHEET] == dt.date(2026, 3, 24)
    assert since[17, SHEET] is None


def test_a_cell_of_the_raw_files_is_found_again(folder: trial.Folder) -> None:
    assert trial.cell_now(folder, SHEET, 9, "pH") == "72"
    assert trial.cell_now(folder, SHEET, 9, "no such") is None
    assert trial.cell_now(folder, "visits/none.csv", 9, "ph") is None
    assert (trial.cell_now(folder, SHEET, 17, "") or "").startswith("2026-03-26,09:49,inkpebble")


@pytest.mark.parametrize(
    ("chosen", "text", "wrong"),
    [
        ((), "", False),
        (("9",), "9", False),
        (("16", "9"), "9-16", False),
        (("4", "16"), "", True),
        (("4", "9", "16"), "", True),
    ],
)
def test_taps_are_one_step_or_two_that_touch(chosen: tuple[str, ...], text: str, wrong: bool) -> None:
    got, trouble = trial.tapped(STEPS, chosen)
    assert got == text
    assert bool(trouble) is wrong


def test_a_reading_is_echoed_in_the_unit_it_is_kept_in() -> None:
    assumed, _ = with_overrides({})
    as_nitrogen = KitRow((0.0, 5.8, 9.7, 16.5), 4.4268, "NO3-N")
    assert trial.reading("nitrate", "9.7", as_nitrogen, assumed).says == "read as 34.3–58\u00a0mg/L NO3"
    assert trial.reading("nitrate", "16.5", as_nitrogen, assumed).says == "read as over 58\u00a0mg/L NO3"
    assert not trial.reading("temperature", "77", None, assumed).good
    assert trial.reading("nitrate", "", None, assumed) == trial.Answer(True, "")


def test_a_change_is_echoed_in_per_cent_and_litres() -> None:
    assumed, _ = with_overrides({})
    assert trial.change("25%", 240, assumed, "").says == "read as 25\u00a0%, 60\u00a0L"
    assert trial.change("60 L", 240, assumed, "").says == "read as 25\u00a0%, 60\u00a0L"
    assert trial.change("25%", None, assumed, "").says == "read as 25\u00a0%"
    assert trial.change("60 L", None, assumed, "").says == "read as 60\u00a0L"
    assert not trial.change("300 L", 240, assumed, "").good
    assert not trial.change("25", 240, assumed, "").good
