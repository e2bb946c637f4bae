"""The warehouse: a pure function of the folder and the day of loading, swapped in whole, read as a copy."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import pytest

from pipeline import store, weekly
from schemas import BASE_TABLES, DERIVED_TABLES
from tests.conftest import SAMPLE_LOGS

TODAY = dt.date(2026, 6, 2)


@pytest.fixture
def logs(tmp_path: Path) -> Path:
    folder = tmp_path / "logs"
    shutil.copytree(SAMPLE_LOGS, folder, ignore=shutil.ignore_patterns(".tankround"))
    return folder


def tables(folder: Path) -> dict:
    con = store.read_copy(weekly.warehouse_of(folder))
    try:
        return store.read_tables(con, [*BASE_TABLES, *DERIVED_TABLES])
    finally:
        con.close()


def test_deleted_and_loaded_again_all_is_the_same(logs: Path) -> None:
    first = weekly.load(logs, today=TODAY)
    before = tables(logs)
    weekly.warehouse_of(logs).unlink()
    second = weekly.load(logs, today=TODAY)
    assert first.new
    assert second.new
    assert first.account == second.account
    after = tables(logs)
    for name, frame in before.items():
        assert frame.equals(after[name]), name


def test_a_second_load_is_nothing_new_and_an_edit_is(logs: Path) -> None:
    weekly.load(logs, today=TODAY)
    stamp = store.stamp(weekly.warehouse_of(logs))
    assert not weekly.load(logs, today=TODAY).new
    assert store.stamp(weekly.warehouse_of(logs)) == stamp
    sites = logs / "sites.csv"
    sites.write_text(sites.read_text("utf-8").replace("Larkmead", "Larkmeadow"), "utf-8")
    assert weekly.load(logs, today=TODAY).new


def test_a_reader_keeps_its_copy_while_a_new_warehouse_is_swapped_in(logs: Path) -> None:
    weekly.load(logs, today=TODAY)
    con = store.read_copy(weekly.warehouse_of(logs))
    (logs / "promises.csv").unlink(missing_ok=True)
    weekly.load(logs, today=TODAY)
    rows = store.query(con, "select count(*) as n from tank")
    con.close()
    assert rows["n"][0] == 24


def test_a_broken_warehouse_is_built_anew(logs: Path) -> None:
    weekly.load(logs, today=TODAY)
    target = weekly.warehouse_of(logs)
    target.write_bytes(target.read_bytes()[:5000])
    assert weekly.load(logs, today=TODAY).new
    assert tables(logs)["review"].height > 0


def test_the_overloaded_tank_is_flagged_before_its_nitrate_passes_the_ceiling(logs: Path) -> None:
    """LM2: more fish and food in mid April; its ceiling is 50. Flagged while every reading so far lies under it."""
    day = dt.date(2026, 5, 11)
    week = weekly.open_week(logs, as_of=day, today=TODAY)
    row = week.now("review").filter(tank="LM2").to_dicts()[0]
    assert row["class"] == "plan", row
    reading = week.table("reading").filter(tank="LM2", parameter="nitrate")
    assert reading.filter(reading["day"] <= day)["matched"].max() < 50
