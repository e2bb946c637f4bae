"""corrections.csv: a correction applies while its cell still reads what it read, and every one of them has a state."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl
import pytest

from pipeline import weekly
from pipeline.assumptions import with_overrides
from pipeline.intake.check import check
from pipeline.intake.files import find_files
from pipeline.intake.round_file import read_round
from pipeline.intake.sheets import read_sheets
from schemas import Tables
from tests.store.sameness import assert_same_tables, tables_of

HEAD = "file,line,column,was,now,by,on,why\n"


def written(folder: Path, corrections: str, visits: str) -> Path:
    (folder / "visits").mkdir(exist_ok=True)
    (folder / "sites.csv").write_text("site,name\na,Hall\n")
    (folder / "tanks.csv").write_text("tank,site,name,net_l\nT1,a,Lounge,100\n")
    (folder / "visits" / "x.csv").write_text("date,tank,nitrate,note\n" + visits)
    (folder / "corrections.csv").write_text(HEAD + corrections)
    return folder


def checked(folder: Path, corrections: str, visits: str) -> Tables:
    written(folder, corrections, visits)
    round_ = read_round(folder)
    assumed, _ = with_overrides({})
    sheets = read_sheets(folder, find_files(folder))
    return check(sheets, round_, assumed, dt.date(2026, 6, 2))


@pytest.mark.parametrize("was", ["", '"2026-06-01,T1,7,2,"', '"2026-06-01;T1"'])
def test_a_line_with_too_many_fields_can_be_rejected(tmp_path: Path, was: str) -> None:
    tables = checked(tmp_path, f"visits/x.csv,2,,{was},Reject,k,2026-06-02,torn\n", "2026-06-01,T1,7,2,\n")
    assert tables["held"].height == 0
    assert tables["correction"]["state"].to_list() == ["applied"]
    assert tables["account"].filter(file="visits/x.csv").select("rows_in", "held").row(0) == (1, 1)


@pytest.mark.parametrize("row", ["2026-06-02,T1,9,2,\n", "2026-06-02,T1,9,\n"])
def test_a_row_that_was_rejected_and_reads_otherwise_now_is_kept(tmp_path: Path, row: str) -> None:
    tables = checked(tmp_path, 'visits/x.csv,2,,"2026-06-01,T1,7",reject,k,2026-06-02,torn\n', row)
    assert tables["correction"]["state"].to_list() == ["stale"]
    assert tables["held"].height + tables["reading"].height == 1


def test_a_row_is_rejected_while_it_stands(tmp_path: Path) -> None:
    row = 'visits/x.csv,2,,"2026-06-01,T1,7",reject,k,2026-06-02,torn\n'
    tables = checked(tmp_path, row, "2026-06-01,T1,7,\n2026-06-01,T1,9,\n")
    assert tables["correction"]["state"].to_list() == ["applied"]
    assert tables["reading"]["text"].to_list() == ["9"]


ROW = "2026-06-01,T1,{},\n"


def put(was: str, now: str, column: str = "nitrate", line: int = 2) -> str:
    """A row of corrections.csv for the sheet's cell."""
    return f"visits/x.csv,{line},{column},{was},{now},k,2026-06-02,\n"


def texts(tables: Tables) -> list[str]:
    return tables["reading"]["text"].to_list()


def states(tables: Tables) -> list[str]:
    return tables["correction"].sort("line")["state"].to_list()


def account(tables: Tables, file: str) -> dict[str, object]:
    row = tables["account"].filter(pl.col("file") == file).drop("sha256", "family", "file").row(0, named=True)
    return {name: n for name, n in row.items() if n}


def test_a_value_is_used_and_the_account_says_converted(tmp_path: Path) -> None:
    tables = checked(tmp_path, put("7..2", "7.2"), ROW.format("7..2"))
    assert texts(tables) == ["7.2"]
    assert tables["held"].height == 0
    assert states(tables) == ["applied"]
    assert account(tables, "visits/x.csv") == {"rows_in": 1, "converted": 1}
    remark = tables["remark"].filter(pl.col("column") == "nitrate")
    assert remark.select("tank", "text", "says").rows() == [
        ("T1", "7..2", "Put right in corrections.csv: was “7..2”, now 7.2.")
    ]


def test_once_the_cell_reads_otherwise_the_correction_does_nothing_and_is_told(tmp_path: Path) -> None:
    tables = checked(tmp_path, put("7..2", "7.2"), ROW.format("8..2"))
    assert texts(tables) == []
    assert tables["held"]["text"].to_list() == ["8..2"]
    assert states(tables) == ["stale"]
    told = tables["remark"].filter(pl.col("file") == "corrections.csv")
    assert told.select("line", "column").rows() == [(2, "was")]
    assert "visits/x.csv, line 2, no longer reads like this" in told["says"][0]
    assert account(tables, "corrections.csv") == {"rows_in": 1, "warned": 1}


@pytest.mark.parametrize("place", ["visits/gone.csv,2,nitrate", "visits/x.csv,9,nitrate", "visits/x.csv,2,colour"])
def test_a_correction_of_a_cell_that_is_not_there_is_stale(tmp_path: Path, place: str) -> None:
    tables = checked(tmp_path, f"{place},7..2,7.2,k,2026-06-02,\n", ROW.format("7..2"))
    assert states(tables) == ["stale"]
    assert tables["held"].height == 1


@pytest.mark.parametrize("word", ["accept", "Accept", " ACCEPT "])
def test_accept_takes_the_suggestion(tmp_path: Path, word: str) -> None:
    tables = checked(tmp_path, put("05-Oct", word), ROW.format("05-Oct"))
    assert tables["reading"].select("text", "low", "high").rows() == [("5-10", 5.0, 10.0)]
    assert tables["held"].height == 0
    assert states(tables) == ["applied"]
    says = tables["remark"].filter(pl.col("column") == "nitrate")["says"].to_list()
    assert says == ["“05-Oct” read as 5-10, as accepted in corrections.csv."]
    assert account(tables, "visits/x.csv") == {"rows_in": 1, "converted": 1}


def test_accept_answers_a_warning(tmp_path: Path) -> None:
    asked = checked(tmp_path, "", ROW.format("90"))
    assert asked["remark"].filter(pl.col("outcome") == "warned").height == 1
    tables = checked(tmp_path, put("90", "accept"), ROW.format("90"))
    assert tables["remark"].filter(pl.col("outcome") == "warned").height == 0
    assert texts(tables) == ["90"]


def test_accept_where_nothing_is_suggested_leaves_the_cell_held(tmp_path: Path) -> None:
    tables = checked(tmp_path, put("ok", "accept"), ROW.format("ok"))
    assert tables["held"]["text"].to_list() == ["ok"]
    assert states(tables) == ["not understood"]
    assert "no suggestion to accept" in tables["remark"].filter(pl.col("file") == "corrections.csv")["says"][0]


def test_a_rejected_cell_costs_only_itself(tmp_path: Path) -> None:
    tables = checked(tmp_path, put("ok", "reject"), "2026-06-01,T1,ok,fed late\n")
    assert texts(tables) == []
    assert tables["held"].height == 0
    assert tables["visit"]["note"].to_list() == ["fed late"]
    assert account(tables, "visits/x.csv") == {"rows_in": 1, "converted": 1}


def test_a_cell_may_be_put_right_twice(tmp_path: Path) -> None:
    tables = checked(tmp_path, put("7..2", "7.2") + put("7.2", "72"), ROW.format("7..2"))
    assert texts(tables) == ["72"]
    assert states(tables) == ["applied", "applied"]


def test_of_two_corrections_of_one_reading_the_later_counts(tmp_path: Path) -> None:
    tables = checked(tmp_path, put("7..2", "7.2") + put("7..2", "72"), ROW.format("7..2"))
    assert texts(tables) == ["72"]
    assert states(tables) == ["stale", "applied"]


def test_of_two_values_the_wrong_one_is_rejected_and_the_other_used(tmp_path: Path) -> None:
    sheet = ROW.format("18") + ROW.format("31")
    assert checked(tmp_path, "", sheet)["held"].height == 2
    tables = checked(tmp_path, put("31", "reject", line=3), sheet)
    assert tables["held"].height == 0
    assert texts(tables) == ["18"]
    assert "was “31”, now reject" in tables["remark"].filter(pl.col("line") == 3)["says"][0]


def test_a_cell_of_a_column_that_stands_twice_is_put_right(tmp_path: Path) -> None:
    written(tmp_path, put("18", "31"), "")
    (tmp_path / "visits" / "x.csv").write_text("date,tank,nitrate,nitrate\n2026-06-01,T1,18,31\n")
    sheets = read_sheets(tmp_path, find_files(tmp_path))
    tables = check(sheets, read_round(tmp_path), with_overrides({})[0], dt.date(2026, 6, 2))
    assert texts(tables) == ["31"]
    assert tables["held"].height == 0
    assert states(tables) == ["applied"]


def test_a_totals_line_is_rejected_and_stays_in_the_account(tmp_path: Path) -> None:
    sheet = ROW.format("18") + "Total,,18,\n"
    assert checked(tmp_path, "", sheet)["held"]["fault"].to_list() == ["totals line"]
    tables = checked(tmp_path, "visits/x.csv,3,,,reject,k,2026-06-02,sum\n", sheet)
    assert tables["held"].height == 0
    assert account(tables, "visits/x.csv") == {"rows_in": 2, "accepted": 1, "held": 1}
    assert states(tables) == ["applied"]


def test_a_line_number_nobody_can_read_is_held_and_kept(tmp_path: Path) -> None:
    tables = checked(tmp_path, "visits/x.csv,two,nitrate,7..2,7.2,k,2026-06-02,\n", ROW.format("7..2"))
    assert states(tables) == ["not understood"]
    held = tables["held"].filter(pl.col("file") == "corrections.csv")
    assert held.select("column", "text").rows() == [("of_line", "two")]


def test_the_warehouse_figures_every_correction_with_its_state(tmp_path: Path) -> None:
    rows = put("7..2", "7.2") + put("old", "7.2", line=3) + "visits/x.csv,two,nitrate,x,y,k,,\n"
    folder = written(tmp_path, rows, ROW.format("7..2"))
    weekly.load(folder, today=dt.date(2026, 6, 2))
    kept = tables_of(weekly.warehouse_of(folder))["correction"].sort("line")
    assert kept.select("line", "was", "now", "by", "state").rows() == [
        (2, "7..2", "7.2", "k", "applied"),
        (3, "old", "7.2", "k", "stale"),
        (4, "x", "y", "k", "not understood"),
    ]


def test_a_load_of_one_new_sheet_leaves_the_states_of_all_others(tmp_path: Path) -> None:
    (tmp_path / "logs").mkdir()
    rows = put("7..2", "7.2") + put("old", "7.2", line=3) + put("x", "y", line=4).replace("x.csv", "y.csv")
    folder = written(tmp_path / "logs", rows, "2025-01-01,T1,7..2,\n2025-01-08,T1,9,\n")
    weekly.load(folder, today=dt.date(2026, 6, 2))
    (folder / "visits" / "z.csv").write_text("date,tank,nitrate\n2026-06-01,T1,18\n")
    weekly.load(folder, today=dt.date(2026, 6, 2))
    weekly.load(folder, tmp_path / "fresh.duckdb", dt.date(2026, 6, 2))
    kept = tables_of(weekly.warehouse_of(folder))
    assert states(kept) == ["applied", "stale", "stale"]
    assert_same_tables(kept, tables_of(tmp_path / "fresh.duckdb"))


@pytest.mark.parametrize(
    ("line", "was", "now", "kind"), [(2, "", "top-up", "top-up"), (3, "top-up", "reject", "change")]
)
def test_a_change_told_again_as_a_top_up_is_settled_either_way(
    tmp_path: Path, line: int, was: str, now: str, kind: str
) -> None:
    written(tmp_path, put(was, now, "change_kind", line), "")
    (tmp_path / "visits" / "x.csv").write_text(
        "date,tank,water_changed,change_kind\n2026-06-01,T1,10 L,\n2026-06-01,T1,10 L,top-up\n"
    )
    sheets = read_sheets(tmp_path, find_files(tmp_path))
    tables = check(sheets, read_round(tmp_path), with_overrides({})[0], dt.date(2026, 6, 2))
    assert tables["held"].height == 0
    assert tables["water_change"]["kind"].to_list() == [kind]
