"""A load that reads only what has changed leaves the same warehouse as one that reads everything."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline import derive, intake, store, weekly
from tests.small_folder import TODAY, sheet_text, write_folder
from tests.store.sameness import assert_same_tables, tables_of


def assert_like_rebuild(folder: Path, tmp: Path, today: dt.date = TODAY) -> None:
    """The folder's warehouse holds what one built from nothing holds, row for row."""
    fresh = tmp / "fresh.duckdb"
    fresh.unlink(missing_ok=True)
    weekly.load(folder, fresh, today)
    assert_same_tables(tables_of(weekly.warehouse_of(folder)), tables_of(fresh))


def reads(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """The sheets that each reading of a load opens, visits only."""
    told: list[list[str]] = []
    real = intake.read_sheets

    def spy(folder: Path, files: list[intake.LogFile]) -> intake.Sheets:
        told.append([file.path for file in files if file.family == "visit"])
        return real(folder, files)

    monkeypatch.setattr("pipeline.intake.partly.read_sheets", spy)
    monkeypatch.setattr("pipeline.intake.read_sheets", spy)
    return told


def test_one_more_week_reads_only_the_weeks_it_can_touch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = write_folder(tmp_path / "logs", weeks=60)
    last = folder / "visits" / "week-59.csv"
    kept = last.read_text()
    last.unlink()
    weekly.load(folder, today=TODAY)
    last.write_text(kept)
    opened = reads(monkeypatch)
    assert weekly.load(folder, today=TODAY).new
    assert opened[0] == ["visits/week-59.csv"]
    assert len(opened) == 2
    assert 2 < len(opened[1]) < 25, "a quarter of a year of context, not five"
    assert_like_rebuild(folder, tmp_path)


def test_one_more_week_is_checked_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Which weeks it can touch shows in the dates as typed, also where one was typed wrong and put right."""
    folder = write_folder(tmp_path / "logs", weeks=60)
    last = folder / "visits" / "week-59.csv"
    kept = last.read_text()
    last.unlink()
    day = f"{dt.date(2026, 1, 5) + dt.timedelta(7 * 59)}"
    (folder / "corrections.csv").write_text(
        f"file,line,column,was,now,by,on,why\nvisits/week-59.csv,2,date,2026-01-05,{day},me,2027-03-01,\n"
    )
    weekly.load(folder, today=TODAY)
    last.write_text(kept.replace(day, "2026-01-05", 1))
    opened, checks = reads(monkeypatch), []
    real = intake.check_parts
    monkeypatch.setattr("pipeline.intake.partly.check_parts", lambda *given: (checks.append(1), real(*given))[1])
    weekly.load(folder, today=TODAY)
    assert len(checks) == 1
    assert len(opened[1]) < 25, "the day as it was typed is not read around"
    assert_like_rebuild(folder, tmp_path)


def test_a_day_that_the_dates_as_typed_did_not_show_is_read_around(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The look at the dates is only a guess: what the checks made of the rows settles it."""
    folder = write_folder(tmp_path / "logs", weeks=12)
    last = folder / "visits" / "week-11.csv"
    kept = last.read_text()
    last.unlink()
    weekly.load(folder, today=TODAY)
    monkeypatch.setattr("pipeline.intake.partly._days_typed", lambda *_: pl.Series(dtype=pl.Date))
    last.write_text(kept.replace("T1,before,0,0,11", "T1,before,0,0,83"))
    weekly.load(folder, today=TODAY)
    assert_like_rebuild(folder, tmp_path)


def test_only_the_tanks_touched_are_calculated_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = write_folder(tmp_path / "logs", weeks=30)
    weekly.load(folder, today=TODAY)
    asked: list[pl.DataFrame] = []
    real = derive.calc
    monkeypatch.setattr(derive, "calc", lambda tables, asks, *rest: (asked.append(asks), real(tables, asks, *rest))[1])
    path = folder / "visits" / "week-25.csv"
    path.write_text(path.read_text().replace("T1,before,0,0,11", "T1,before,0,0,26"))
    weekly.load(folder, today=TODAY)
    assert asked[0]["tank"].unique().to_list() == ["T1"]
    assert asked[0]["as_of"].min() >= dt.date(2026, 1, 5) + dt.timedelta(7 * 24)
    assert_like_rebuild(folder, tmp_path)


def test_what_every_visit_leans_on_is_read_with_every_visit(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "logs", weeks=8)
    weekly.load(folder, today=TODAY)
    kits = folder / "kits.csv"
    kits.write_text(kits.read_text().replace("0|3|11|26|47|83", "0|3|11|26|47|90"))
    weekly.load(folder, today=TODAY)
    assert_like_rebuild(folder, tmp_path)


@pytest.mark.parametrize("sent_again", [False, True])
def test_a_sheet_sent_again_under_another_name_and_taken_away(tmp_path: Path, sent_again: bool) -> None:
    folder = write_folder(tmp_path / "logs", weeks=12)
    weekly.load(folder, today=TODAY)
    first, copy = folder / "visits" / "week-05.csv", folder / "visits" / "a-copy.csv"
    text = first.read_text()
    copy.write_text(text.replace(",11,", ",83,", 1) if sent_again else text)
    weekly.load(folder, today=TODAY)
    assert_like_rebuild(folder, tmp_path)
    first.unlink()
    weekly.load(folder, today=TODAY)
    assert_like_rebuild(folder, tmp_path)


def test_a_service_is_held_against_changes_of_sheets_not_read_again(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "logs", weeks=60)
    first = folder / "visits" / "week-01.csv"
    first.write_text(first.read_text().replace("30%", "45%"))
    (folder / "services" / "a.csv").write_text("date,tank,filter,job\n2026-01-12,T1,F1,full\n")
    weekly.load(folder, today=TODAY)
    last = folder / "visits" / "week-59.csv"
    last.write_text(last.read_text().replace("T1,before,0,0,11", "T1,before,0,0,3"))
    weekly.load(folder, today=TODAY)
    remark = tables_of(weekly.warehouse_of(folder))["remark"]
    assert remark.filter(pl.col("file") == "services/a.csv").height == 1
    assert_like_rebuild(folder, tmp_path)


def test_a_meaning_that_stands_twice_counts_no_reading_twice(tmp_path: Path) -> None:
    """“nitrate” and “nitrate (mg/L NO3)” above the same text mean the same, under two numbers."""
    folder = write_folder(tmp_path / "logs", weeks=4)
    for week in (0, 1):
        path = folder / "visits" / f"week-{week:02}.csv"
        path.write_text(path.read_text().replace(",nitrate,", ",nitrate (mg/L NO3),", 1))
    weekly.load(folder, today=TODAY)
    con = store.read_copy(weekly.warehouse_of(folder))
    meant = store.query(con, "select * exclude meaning from meaning")
    con.close()
    assert meant.is_duplicated().any(), "nothing stands twice here, so nothing is shown"
    last = folder / "visits" / "week-03.csv"
    last.write_text(last.read_text() + "2026-01-28,,T1,before,0,0,26,7.2,5,K1,,one more\n")
    weekly.load(folder, today=TODAY)
    assert_like_rebuild(folder, tmp_path)


ROW = st.tuples(
    st.sampled_from(["T1", "T2", "T3", "Lounge", "nobody"]),
    st.integers(0, 40),
    st.sampled_from(["", "0", "3", "11", "26", "47", "<3", "11-26", "05-Oct", "7..2"]),
    st.sampled_from(["", "30%", "40 L", "50", "3%"]),
    st.sampled_from(["before", "after", "", "none"]),
)
STEP = st.one_of(
    st.tuples(st.just("write"), st.sampled_from(["a", "b", "c"]), st.lists(ROW, max_size=6)),
    st.tuples(st.just("delete"), st.sampled_from(["a", "b", "c"]), st.none()),
    st.tuples(st.just("rename"), st.sampled_from(["a", "b", "c"]), st.sampled_from(["a", "b", "d"])),
)


@settings(max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=st.lists(STEP, min_size=2, max_size=4))
def test_any_sequence_of_edits_ends_as_a_rebuild(tmp_path: Path, steps: list[tuple[str, str, object]]) -> None:
    folder = tmp_path / "any"
    shutil.rmtree(folder, ignore_errors=True)
    write_folder(folder, weeks=3)
    weekly.load(folder, today=TODAY)
    for what, name, more in steps:
        path = folder / "visits" / f"{name}.csv"
        if what == "write":
            path.write_text(sheet_text(more))  # type: ignore[arg-type]
        elif what == "delete":
            path.unlink(missing_ok=True)
        elif path.exists():
            path.rename(folder / "visits" / f"{more}.csv")
        weekly.load(folder, today=TODAY)
    assert_like_rebuild(folder, tmp_path)
