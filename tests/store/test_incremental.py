"""A load that uses what was calculated before leaves the same warehouse as one that calculates everything."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline import derive, weekly
from tests.small_folder import TODAY, sheet_text, write_folder
from tests.store.sameness import assert_same_tables, tables_of


def assert_like_rebuild(folder: Path, tmp: Path, today: dt.date = TODAY) -> None:
    """The folder's warehouse holds what one built from nothing holds, row for row."""
    fresh = tmp / "fresh.duckdb"
    fresh.unlink(missing_ok=True)
    weekly.load(folder, fresh, today)
    assert_same_tables(tables_of(weekly.warehouse_of(folder)), tables_of(fresh))


def test_only_the_tanks_touched_are_calculated_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = write_folder(tmp_path / "logs", weeks=16)
    weekly.load(folder, today=TODAY)
    asked: list[pl.DataFrame] = []
    real = derive.calc
    monkeypatch.setattr(
        derive, "calc", lambda tables, wanted, **more: (asked.append(wanted), real(tables, wanted, **more))[1]
    )
    path = folder / "visits" / "week-12.csv"
    path.write_text(path.read_text().replace("T1,before,0,0,11", "T1,before,0,0,26"))
    weekly.load(folder, today=TODAY)
    assert asked.pop()["tank"].unique().to_list() == ["T1"]
    kits = folder / "kits.csv"
    kits.write_text(kits.read_text().replace("0|3|11|26|47|83", "0|3|11|26|47|90"))
    weekly.load(folder, today=TODAY)
    assert asked[0]["tank"].n_unique() > 1, "another kit is another reading of every visit"
    assert_like_rebuild(folder, tmp_path)


@pytest.mark.parametrize("days", [1, 30])
def test_a_load_on_a_later_day_ends_as_a_rebuild(tmp_path: Path, days: int) -> None:
    """Also where a visit of that day has come, so that every day that the review looks at has moved on."""
    folder = write_folder(tmp_path / "logs", weeks=12)
    today = dt.date(2026, 1, 5) + dt.timedelta(7 * 11 + 2)
    weekly.load(folder, today=today)
    later = today + dt.timedelta(days)
    (folder / "visits" / "next.csv").write_text(f"date,tank,nitrate,kit\n{later},T1,26,K1\n")
    weekly.load(folder, today=later)
    assert_like_rebuild(folder, tmp_path, later)


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


@settings(max_examples=2, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=st.lists(STEP, min_size=2, max_size=4))
def test_any_sequence_of_edits_ends_as_a_rebuild(tmp_path: Path, steps: list[tuple[str, str, object]]) -> None:
    folder = tmp_path / "any"
    shutil.rmtree(folder, ignore_errors=True)
    write_folder(folder, weeks=1)
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
