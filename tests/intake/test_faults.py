"""Every way a record goes wrong ends as the table says, its sentence says why, and every row is in the account."""

from __future__ import annotations

import shutil
import tempfile
from functools import cache
from pathlib import Path

import polars as pl
import pytest

from pipeline.assumptions import with_overrides
from pipeline.intake import grammar
from pipeline.intake.check import check
from pipeline.intake.files import find_files
from pipeline.intake.round_file import read_round
from pipeline.intake.sheets import read_sheets
from schemas import Tables
from schemas.words import PARAMETERS, ROW_OUTCOMES
from tests.intake.fault_cases import CASES, FAULTS, LIMITS, TODAY, Case

ALL = CASES + LIMITS
FOLDERS = sorted({case.folder for case in ALL})
FIRST_FAULT, LAST_FAULT = 1, 42


@cache
def checked(folder: str) -> Tables:
    """The tables of a case's folder laid over the base."""
    with tempfile.TemporaryDirectory() as place:
        logs = Path(place) / "logs"
        shutil.copytree(FAULTS / "base", logs)
        shutil.copytree(FAULTS / folder, logs, dirs_exist_ok=True)
        round_ = read_round(logs)
        sheets = read_sheets(logs, find_files(logs))
        return check(sheets, round_, with_overrides(round_.overrides)[0], TODAY)


def at(frame: pl.DataFrame, case: Case, column: str | None = None) -> pl.DataFrame:
    """The rows of a table that stand on the case's line, and in its cell where `column` names where that is told."""
    rows = frame.filter((pl.col("file") == case.file) & (pl.col("line") == case.line))
    return rows if column is None else rows.filter(pl.col(column).eq_missing(pl.lit(case.column, pl.String)))


def account_of(tables: Tables, file: str) -> str:
    """What a file's rows came to, as the table writes it."""
    row = tables["account"].filter(pl.col("file") == file).row(0, named=True)
    return ", ".join(f"{name} {row[name]}" for name in ROW_OUTCOMES if row[name])


def kept(tables: Tables, case: Case) -> object:
    """What is kept of a cell: a range, litres, or the cell of its table; None where nothing is."""
    if case.column in (*PARAMETERS, "value") and not case.file.startswith("tap"):
        rows = at(tables["reading"], case)
        rows = rows if case.column == "value" else rows.filter(pl.col("parameter") == case.column)
        return rows.select("low", "high").row(0) if rows.height else None
    if case.column == "water_changed":
        rows = at(tables["water_change"], case)
        return rows["litres"][0] if rows.height else None
    family = tables["account"].filter(pl.col("file") == case.file)["family"][0]
    name = {"date": "day", "time": "at"}.get(case.column or "", case.column) if family == "visit" else case.column
    if family == "tap":
        rows = at(tables["tap"], case).filter(pl.col("parameter") == case.column)
        return rows["matched"][0] if rows.height else None
    rows = at(tables[family], case)
    return rows[name][0] if rows.height and name in rows.columns else None


@pytest.mark.parametrize("case", ALL, ids=[case.name for case in ALL])
def test_a_fault_ends_as_the_table_says(case: Case) -> None:
    tables = checked(case.folder)
    held, remark = at(tables["held"], case, "column"), at(tables["remark"], case, "column")
    outcome = "held" if held.height else remark["outcome"][0] if remark.height else "accepted"
    assert outcome == (case.outcome if case.outcome != "repeats" else "accepted")
    assert account_of(tables, case.file) == case.account
    assert held.height + remark.height <= 1, "one cell, one sentence"
    says = [*held["reason"], *remark["says"]]
    for part in (case.says,) if isinstance(case.says, str) else case.says:
        assert part in says[0]
    if case.outcome == "held":
        assert held["suggestion"][0] == case.suggestion
        assert case.value is None
        if case.column not in (None, "taken", "time"):
            assert kept(tables, case) is None
    if case.outcome != "accepted" and case.line:
        assert case.typed in ([*held["text"], *remark["text"]] or [case.typed])[0] or case.column is None


@pytest.mark.parametrize("case", [c for c in ALL if c.value is not None], ids=lambda case: case.name)
def test_what_is_kept_is_what_was_meant(case: Case) -> None:
    found = kept(checked(case.folder), case)
    if isinstance(case.value, tuple):
        assert isinstance(found, tuple)
        low, high = case.value
        assert found[0] == pytest.approx(low, rel=2e-3)
        assert found[1] == (None if high is None else pytest.approx(high, rel=2e-3))
    elif isinstance(case.value, float):
        assert found == pytest.approx(case.value, rel=1e-3)
    else:
        assert found == case.value


@pytest.mark.parametrize("case", [c for c in ALL if c.column == "nitrate" and c.value], ids=lambda case: case.name)
def test_only_doubtful_nitrate_is_left_out_of_the_trend(case: Case) -> None:
    rows = at(checked(case.folder)["reading"], case).filter(pl.col("parameter") == "nitrate")
    assert rows["doubt"][0] == case.doubt


@pytest.mark.parametrize("folder", FOLDERS)
def test_every_row_is_in_the_account(folder: str) -> None:
    account = checked(folder)["account"]
    assert account.height >= 10, "the base lies under every case"
    assert account.filter(pl.col("rows_in") != pl.sum_horizontal(ROW_OUTCOMES)).height == 0


@pytest.mark.parametrize("folder", FOLDERS)
def test_the_base_itself_is_in_order(folder: str) -> None:
    """What lies under a case is accepted, so that what is told is told of the case."""
    tables = checked(folder)
    own = [path.relative_to(FAULTS / folder).as_posix() for path in (FAULTS / folder).rglob("*") if path.is_file()]
    if "tanks.csv" not in own:
        assert tables["held"].filter(~pl.col("file").is_in(own)).height == 0
        assert tables["remark"].filter(~pl.col("file").is_in(own)).height == 0


def test_every_fault_of_the_list_has_a_case() -> None:
    numbers = {int("".join(c for c in case.number if c.isdigit())) for case in CASES}
    assert numbers == set(range(FIRST_FAULT, LAST_FAULT + 1))
    assert sorted(p.name for p in FAULTS.iterdir() if p.is_dir() and p.name != "base") == FOLDERS


@pytest.mark.parametrize("case", ALL, ids=[case.name for case in ALL])
def test_the_table_quotes_its_files(case: Case) -> None:
    """What the table says was typed stands in the file, on that line."""
    raw = (FAULTS / case.folder / case.file).read_bytes()
    for encoding in ("utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8", "cp1252"):
        try:
            lines = raw.decode(encoding).splitlines()
            break
        except UnicodeDecodeError:
            continue
    if case.column is not None and case.line:
        assert case.typed in lines[case.line - 1].replace('""', '"')


def test_every_sentence_of_the_table_is_said_somewhere() -> None:
    code = "".join(path.read_text() for path in Path(grammar.__file__).parent.glob("*.py"))
    for case in grammar.faults():
        assert f'"{case}"' in code, case
