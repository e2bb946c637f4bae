"""The warehouse: a pure function of the folder and the day of loading, swapped in whole, read where it stands."""

from __future__ import annotations

import datetime as dt
import os
import random
import re
import shutil
from pathlib import Path

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline import weekly
from pipeline.problems import Problem
from pipeline.store import warehouse as store
from schemas import Tables
from schemas.tables import BASE_TABLES, DERIVED_TABLES
from tests.conftest import DEMO_DAY, SAMPLE_LOGS
from tests.loads import checked
from tests.small_folder import write_folder
from tests.store.sameness import assert_same_tables, tables_of

VIEWS = re.findall(r"^create view (\w+)", store.VIEWS.read_text(), re.M)

TODAY = dt.date(2026, 6, 2)


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_folder(tmp_path_factory.mktemp("loaded") / "logs", weeks=1)
    assert weekly.load(folder, today=TODAY).new
    return folder


@pytest.fixture
def small(loaded: Path, tmp_path: Path) -> Path:
    """A small folder with its warehouse."""
    return shutil.copytree(loaded, tmp_path / "small")


def read_whole(db: Path) -> None:
    """As a load does that finds nothing new."""
    with store.looking(db) as con:
        store.read_through(con)


def tables(folder: Path) -> Tables:
    with store.looking(weekly.warehouse_of(folder)) as con:
        return store.read_tables(con, [*BASE_TABLES, *DERIVED_TABLES])


def test_a_second_load_is_nothing_new_and_deleted_and_loaded_again_all_is_the_same(small: Path) -> None:
    stamp = store.stamp(weekly.warehouse_of(small))
    first = weekly.load(small, today=TODAY)
    assert store.stamp(weekly.warehouse_of(small)) == stamp
    before = tables(small)
    weekly.warehouse_of(small).unlink()
    second = weekly.load(small, today=TODAY)
    assert (first.new, second.new, first.account) == (False, True, second.account)
    after = tables(small)
    for name, frame in before.items():
        assert frame.equals(after[name]), name


def test_an_edit_is_new_and_a_reader_keeps_its_file_while_the_new_warehouse_is_swapped_in(small: Path) -> None:
    with store.looking(weekly.warehouse_of(small)) as con:
        before = store.query(con, "select count(*)::bigint as n from visit").item()
        (small / "visits" / "week-00.csv").unlink()
        assert weekly.load(small, today=TODAY).new
        rows = store.query(con, "select count(*)::bigint as n from visit")
    assert rows.item() == before > 0
    assert tables(small)["visit"].height == 0


def test_the_overloaded_tank_is_flagged_before_its_nitrate_passes_the_ceiling(demo_logs: Path) -> None:
    """LM2: more fish and food in mid April; its ceiling is 50. Flagged while every reading so far lies under it."""
    day = dt.date(2026, 5, 11)
    week = weekly.open_week(demo_logs, as_of=day)
    row = week.now("review").filter(tank="LM2").to_dicts()[0]
    assert row["class"] == "plan", row
    reading = week.table("reading").filter(tank="LM2", parameter="nitrate")
    assert reading.filter(reading["day"] <= day)["matched"].max() < 50


def test_the_warehouse_holds_what_the_intake_checked(demo_logs: Path) -> None:
    stored, (found, *_) = tables(demo_logs), checked(SAMPLE_LOGS, DEMO_DAY)
    assert {"accepted", "converted", "warned"} <= set(found["reading"]["outcome"])
    for name in BASE_TABLES:
        assert_frame_equal(stored[name], found[name], check_exact=True)


def test_a_new_day_renews_the_day_of_loading_though_nothing_is_new_and_a_row_of_that_day_is(small: Path) -> None:
    tomorrow = TODAY + dt.timedelta(1)
    assert not weekly.load(small, today=tomorrow).new
    week = weekly.open_week(small, as_of=tomorrow, today=tomorrow)
    assert week.loaded_on == week.as_of == tomorrow
    with pytest.raises(Problem, match="after"):
        weekly.open_week(small, as_of=tomorrow + dt.timedelta(1), today=tomorrow)
    (small / "visits" / "soon.csv").write_text(f"date,tank,nitrate\n{tomorrow},T1,11\n")
    assert weekly.load(small, today=TODAY).account["held"] == 1
    later = weekly.load(small, today=tomorrow)
    assert (later.new, later.account["held"]) == (True, 0)


def test_a_folder_with_nothing_in_it_is_as_of_the_day_of_loading_and_every_view_runs(tmp_path: Path) -> None:
    (tmp_path / "logs").mkdir()
    for day in (TODAY, TODAY + dt.timedelta(40)):
        assert weekly.open_week(tmp_path / "logs", today=day).as_of == day
    with store.looking(weekly.warehouse_of(tmp_path / "logs")) as con:
        assert {view: store.query(con, f"select * from {view}").height for view in VIEWS} == dict.fromkeys(VIEWS, 0)


def test_what_a_killed_write_left_is_cleared_by_the_next_load(small: Path) -> None:
    """What a process that is gone left, and what is old; never what is being written."""
    gone = 2**22 + 1  # more than the kernel gives to a process
    old, dead = small / "visits" / f".a.csv.{os.getpid()}.x.unfinished", small / f".b.csv.{gone}.x.unfinished"
    issue, young = small / "issued" / "S1" / f".c.{gone}.x.unfinished", small / f".d.csv.{os.getpid()}.x.unfinished"
    issue.mkdir(parents=True)
    for left in (old, dead, issue / "report.pdf", young):
        left.write_text("half")
    os.utime(old, (1, 1))
    weekly.load(small, today=TODAY)
    assert [old.exists(), dead.exists(), issue.exists(), young.exists()] == [False, False, False, True]


def test_every_view_runs(demo_logs: Path) -> None:
    assert len(VIEWS) > 5
    with store.looking(weekly.warehouse_of(demo_logs)) as con:
        for view in VIEWS:
            rows = store.query(con, f"select * from {view}")
            assert rows.height > 0, view
            assert rows.width == len(set(rows.columns)), view
            assert pl.Decimal not in rows.schema.values(), "a number comes as a number"


def of_another_format(db: Path) -> None:
    with duckdb.connect(str(db)) as con:
        con.execute("update meta set value = '0' where key = 'format'")
        con.execute("drop view latest_review")
        con.execute("drop table capacity")


def test_a_warehouse_of_other_code_or_that_is_none_of_this_version_is_built_anew(
    small: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    db, before = weekly.warehouse_of(small), tables(small)
    account, whole = weekly.load(small, today=TODAY).account, db.read_bytes()
    monkeypatch.setattr("pipeline.reuse.code_fingerprint", lambda: "other lines")
    again = weekly.load(small, today=TODAY)
    assert (again.new, again.account) == (True, account)
    assert not weekly.load(small, today=TODAY).new
    # Cut short, empty, a table, only a database's mark: each is seen, and told to nobody.
    for content in (whole[:5000], b"", b"tank,site\nT1,S1\n", b"DUCK" * 4096):
        db.write_bytes(content)
        with pytest.raises(store.Unreadable):
            read_whole(db)
        assert weekly._old(db, {}) is None
    assert weekly.load(small, today=TODAY).new
    of_another_format(db)
    with pytest.raises(store.Unreadable, match="another version"):
        read_whole(db)
    assert weekly.load(small, today=TODAY).new
    assert_same_tables(tables(small), before)


def test_a_damaged_warehouse_is_seen_or_is_still_right(small: Path) -> None:
    """Bits turned, bytes blanked, an end cut off: never another number."""
    db = weekly.load(small, today=TODAY).db
    whole, right = db.read_bytes(), tables(small)
    draw, damaged = random.Random(5), db.with_name("damaged.duckdb")
    seen = 0
    for kind in ("cut", "blanked", "turned") * 6:
        content, at = bytearray(whole), draw.randrange(len(whole))
        if kind == "cut":
            del content[at:]
        elif kind == "blanked":
            content[at : at + 4096] = bytes(len(content[at : at + 4096]))
        else:
            for place in [draw.randrange(len(whole)) for _ in range(30)]:
                content[place] ^= 1 << draw.randrange(8)
        damaged.write_bytes(content)
        try:
            read_whole(damaged)
        except store.Unreadable:
            seen += 1
            continue
        with store.looking(damaged) as con:
            assert_same_tables(store.read_tables(con, list(right)), right)
    assert seen >= 6


def damage(db: Path, table: str) -> None:
    """Bits turned in the block that holds the first rows of a table."""
    with store.looking(db) as con:
        block = con.execute(
            "select min(block_id) from pragma_storage_info($table) where block_id >= 0", {"table": table}
        ).fetchone()
    assert block is not None
    content = bytearray(db.read_bytes())
    at = 3 * 4096 + 262_144 * block[0] + 20
    content[at : at + 64] = bytes(byte ^ 0xFF for byte in content[at : at + 64])
    db.write_bytes(content)
    with pytest.raises(store.Unreadable, match="checksum"):
        read_whole(db)


@pytest.fixture(scope="module")
def longer(tmp_path_factory: pytest.TempPathFactory) -> dict[bool, Path]:
    """Folders of 13 weeks, and of one week more, with their warehouses."""
    place = tmp_path_factory.mktemp("longer")
    folders = {weeks == 14: write_folder(place / str(weeks), weeks) for weeks in (13, 14)}
    for folder in folders.values():
        weekly.load(folder, today=TODAY)
    return folders


@pytest.mark.parametrize(
    ("table", "more"),
    [
        pytest.param("visit", False, id="nothing new"),
        pytest.param("nitrate_fit", True, id="one more sheet, in what is used again"),
    ],
)
def test_a_damage_that_only_some_rows_show_is_mended(
    longer: dict[bool, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, table: str, more: bool
) -> None:
    """A load that looks at a few rows may not see it, or see it half way; nobody is told a wrong number or nothing.
    Nor where it comes after the load: what was loaded now is told as it is, and the next look finds the damage."""
    folder = shutil.copytree(longer[False], tmp_path / "logs")
    if more:
        shutil.copy(longer[True] / "visits" / "week-13.csv", folder / "visits")
    db, visits = weekly.warehouse_of(folder), 42 if more else 39
    damage(db, table)
    real, loads = weekly.load, []

    def then_damaged(folder: Path, *given: object) -> weekly.LoadResult:
        loads.append(real(folder, *given))  # type: ignore[arg-type]
        assert_same_tables(tables_of(db), tables_of(weekly.warehouse_of(longer[more])))
        if not more and len(loads) == 1:
            damage(db, "reading")
        return loads[-1]

    monkeypatch.setattr(weekly, "load", then_damaged)
    for _ in range(1 if more else 2):
        assert weekly.open_week(folder, today=TODAY).table("visit").height == visits
    assert [done.new for done in loads] == ([True] if more else [True, True])


def test_a_look_leaves_no_hold_on_the_file(small: Path) -> None:
    db = weekly.load(small, today=TODAY).db
    with store.looking(db) as con:
        assert store.query(con, "select count(*)::bigint as n from visit").item() == 3
    with duckdb.connect(str(db)) as con:  # refused while anybody of this process has it open otherwise
        con.execute("create table mine as select 1 as one")


def test_a_slip_of_db_costs_nobody_a_file(small: Path, tmp_path: Path) -> None:
    sheet = small / "visits" / "week-00.csv"
    before = sheet.read_bytes()
    with pytest.raises(Problem, match=r"week-00\.csv is there already and is no warehouse.*--db another name"):
        weekly.load(small, sheet, TODAY)
    assert sheet.read_bytes() == before
    assert sorted(path.name for path in sheet.parent.iterdir()) == ["week-00.csv"]
    other = tmp_path / "takings.duckdb"
    with duckdb.connect(str(other)) as con:
        con.execute("create table takings as select 1 as pounds")
    with pytest.raises(Problem, match=r"takings\.duckdb is a database, but no warehouse"):
        weekly.load(small, other, TODAY)
    with duckdb.connect(str(other)) as con:
        assert con.execute("select pounds from takings").fetchall() == [(1,)]
    empty = tmp_path / "new.csv"
    empty.touch()
    with store.building_lock(empty):  # an empty file is nobody's
        store.publish({}, {}, empty)
    with store.building_lock(empty):  # and a warehouse, under whatever name, is ours
        pass
