"""Every way a record goes wrong ends as the table says, its sentence says why, and every row is in the account."""

from __future__ import annotations

import re
import shutil
import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path

import polars as pl
import pytest

from pipeline.assumptions import with_overrides
from pipeline.intake import grammar
from pipeline.intake.check import check
from pipeline.intake.files import find_files, read_round
from pipeline.intake.sheets import read_sheets
from schemas import Tables
from schemas.words import PARAMETERS, ROW_OUTCOMES
from tests.intake.fault_cases import CASES, FAULTS, LIMITS, TODAY, Case

ALL = CASES + LIMITS
FOLDERS = sorted({case.folder for case in ALL})
FIRST_FAULT, LAST_FAULT = 1, 42
LONE = ("21b", "24_", "33b")


# Folders that set what holds for a whole round, or are bytes of another kind, or ask how a name is told from others.
ALONE = frozenset(
    name for name in FOLDERS if name[:3] in LONE or any(
        path.parent.name not in ("visits", "services") or path.read_bytes()[:2] in (b"\xff\xfe", b"\xfe\xff")
        for path in (FAULTS / name).rglob("*") if path.is_file()
    )
)  # fmt: skip
TOGETHER = [name for name in FOLDERS if name not in ALONE]
NAMES = re.compile(
    r"\b(A1|A2|A3|B1|F1|F2|Parlour|Lounge|Landing|porch|old parlour|Crumpetwell House|Quay School|mill|quay)\b"
)
PER_TANK = ("sites", "tanks", "feeding", "filters", "placements", "fills")


def named(folder: str, text: str) -> str:
    """A text of a folder's own: its sites, tanks and filters bear its number where it lies among others."""
    return text if folder in ALONE else NAMES.sub(rf"\1n{folder.split('_')[0]}", text)


def place_of(case: Case) -> str:
    """Where a case's file lies among those of others."""
    return case.file if case.folder in ALONE else case.file.replace("/", f"/{case.folder.split('_')[0]} ", 1)


def lay_together(logs: Path) -> None:
    """All folders that do not disturb each other as one round: each has a copy of the base's sites and tanks."""
    shutil.copytree(FAULTS / "base", logs)
    for name in PER_TANK:
        head, rows = (logs / f"{name}.csv").read_text().split("\n", 1)
        (logs / f"{name}.csv").write_text(f"{head}\n" + "".join(named(folder, rows) for folder in TOGETHER))
    for folder in TOGETHER:
        for path in (FAULTS / folder).rglob("*.csv"):
            to = logs / path.parent.name / f"{folder.split('_')[0]} {path.name}"
            to.parent.mkdir(exist_ok=True)
            to.write_bytes(named(folder, path.read_bytes().decode("latin-1")).encode("latin-1"))


@cache
def _checked(folder: str) -> Tables:
    with tempfile.TemporaryDirectory() as place:
        logs = Path(place) / "logs"
        if folder:
            shutil.copytree(FAULTS / "base", logs)
            shutil.copytree(FAULTS / folder, logs, dirs_exist_ok=True)
        else:
            lay_together(logs)
        round_ = read_round(logs)
        sheets = read_sheets(logs, find_files(logs))
        return check(sheets, round_, with_overrides(round_.overrides)[0], TODAY)


def checked(folder: str) -> Tables:
    """The tables of a case's folder laid over the base, alone or among others."""
    return _checked(folder if folder in ALONE else "")


def at(frame: pl.DataFrame, case: Case, column: str | None = None) -> pl.DataFrame:
    """The rows of a table that stand on the case's line, and in its cell where `column` names where that is told."""
    rows = frame.filter((pl.col("file") == place_of(case)) & (pl.col("line") == case.line))
    return rows if column is None else rows.filter(pl.col(column).eq_missing(pl.lit(case.column, pl.String)))


def said(case: Case, text: str) -> str:
    """A text of the table as it reads where the case lies: names and files are the folder's own."""
    for file in {one.file for one in ALL if one.folder == case.folder}:
        text = text.replace(file, place_of(replace(case, file=file)))
    return named(case.folder, text)


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
    family = tables["account"].filter(pl.col("file") == place_of(case))["family"][0]
    name = {"date": "day", "time": "at"}.get(case.column or "", case.column) if family == "visit" else case.column
    if family == "tap":
        rows = at(tables["tap"], case).filter(pl.col("parameter") == case.column)
        return rows["matched"][0] if rows.height else None
    rows = at(tables[family], case)
    return rows[name][0] if rows.height and name in rows.columns else None


def what_it_came_to(case: Case) -> None:
    """What is told of a case's cell, what is kept of it, and what its file came to."""
    tables = checked(case.folder)
    held, remark = at(tables["held"], case, "column"), at(tables["remark"], case, "column")
    outcome = "held" if held.height else remark["outcome"][0] if remark.height else "accepted"
    assert outcome == (case.outcome if case.outcome != "repeats" else "accepted")
    assert account_of(tables, place_of(case)) == case.account
    assert held.height + remark.height <= 1, "one cell, one sentence"
    told = [*held["reason"], *remark["says"]]
    for part in (case.says,) if isinstance(case.says, str) else case.says:
        assert said(case, part) in told[0]
    if case.outcome == "held":
        assert held["suggestion"][0] == (case.suggestion and said(case, case.suggestion))
        assert case.value is None
        if case.column not in (None, "taken", "time"):
            assert kept(tables, case) is None
    if case.outcome != "accepted" and case.line:
        assert (
            said(case, case.typed) in ([*held["text"], *remark["text"]] or [said(case, case.typed)])[0]
            or case.column is None
        )


def what_is_kept(case: Case) -> None:
    found = kept(checked(case.folder), case)
    if isinstance(case.value, tuple):
        assert isinstance(found, tuple)
        low, high = case.value
        assert found[0] == pytest.approx(low, rel=2e-3)
        assert found[1] == (None if high is None else pytest.approx(high, rel=2e-3))
    elif isinstance(case.value, float):
        assert found == pytest.approx(case.value, rel=1e-3)
    else:
        assert found == (said(case, case.value) if isinstance(case.value, str) else case.value)


def is_quoted(case: Case) -> None:
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


@pytest.mark.parametrize("case", ALL, ids=[case.name for case in ALL])
def test_a_fault_ends_as_the_table_says(case: Case) -> None:
    is_quoted(case)
    what_it_came_to(case)
    if case.value is not None:
        what_is_kept(case)
    if case.column == "nitrate" and case.value:  # only doubtful nitrate is left out of the trend
        rows = at(checked(case.folder)["reading"], case).filter(pl.col("parameter") == "nitrate")
        assert rows["doubt"][0] == case.doubt


@pytest.mark.parametrize("folder", [*sorted(ALONE), TOGETHER[0]])
def test_every_row_is_in_the_account_and_what_lies_under_a_case_is_accepted(folder: str) -> None:
    """So that what is told is told of the case."""
    tables = checked(folder)
    account = tables["account"]
    assert account.height >= 10, "the base lies under every case"
    assert account.filter(pl.col("rows_in") != pl.sum_horizontal(ROW_OUTCOMES)).height == 0
    own = {place_of(case) for case in ALL if (case.folder == folder if folder in ALONE else case.folder in TOGETHER)}
    if "tanks.csv" not in own:
        assert tables["held"].filter(~pl.col("file").is_in(own)).height == 0
        assert tables["remark"].filter(~pl.col("file").is_in(own)).height == 0


def test_every_fault_of_the_list_has_a_case() -> None:
    numbers = {int("".join(c for c in case.number if c.isdigit())) for case in CASES}
    assert numbers == set(range(FIRST_FAULT, LAST_FAULT + 1))
    assert sorted(p.name for p in FAULTS.iterdir() if p.is_dir() and p.name != "base") == FOLDERS


def test_every_sentence_of_the_table_is_said_somewhere() -> None:
    code = "".join(path.read_text() for path in Path(grammar.__file__).parent.glob("*.py"))
    for case in grammar.faults():
        assert f'"{case}"' in code, case
