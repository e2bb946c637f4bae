"""corrections.csv: applies while the cell still reads what it read; a line that is no row can be rejected."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from pipeline import intake
from pipeline.figures import with_overrides
from schemas import Tables

HEAD = "file,line,column,was,now,by,on,why\n"


def checked(folder: Path, corrections: str, visits: str) -> Tables:
    (folder / "visits").mkdir(exist_ok=True)
    (folder / "sites.csv").write_text("site,name\na,Hall\n")
    (folder / "tanks.csv").write_text("tank,site,name,net_l\nT1,a,Lounge,100\n")
    (folder / "visits" / "x.csv").write_text("date,tank,nitrate,note\n" + visits)
    (folder / "corrections.csv").write_text(HEAD + corrections)
    round_ = intake.read_round(folder)
    figures, _ = with_overrides({})
    sheets = intake.read_sheets(folder, intake.find_files(folder))
    return intake.check(sheets, round_, figures, dt.date(2026, 6, 2))


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
