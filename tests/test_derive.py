"""Calculation some sites at a time comes to the same as calculation all at once."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline import derive, weekly
from pipeline.assumptions import built_in
from pipeline.intake.files import read_round
from pipeline.progress import silent
from pipeline.store import warehouse as store
from schemas import Tables
from tests.bench.large_logs import FIRST, write_standing, write_visits
from tests.conftest import DEMO_DAY
from tests.loads import Checked, checked, derived
from tests.store.sameness import assert_same_tables, tables_of


def both_ways(found: Checked, today: dt.date, at_once: int, monkeypatch: pytest.MonkeyPatch) -> list[Tables]:
    """What is calculated of a folder all at once and a few tanks at a time."""
    made = []
    for many in (10**6, at_once):
        monkeypatch.setattr(derive, "TANKS_AT_ONCE", many)
        made.append(derived(found, today))
    return made


def test_the_demo_comes_to_the_same_however_many_tanks_are_calculated_at_once(
    demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = tables_of(weekly.warehouse_of(demo_logs))
    monkeypatch.setattr(derive, "TANKS_AT_ONCE", 9)
    parts = derived((whole, read_round(demo_logs), built_in()), DEMO_DAY)
    assert whole["finding"].height > 20
    assert_same_tables(parts, {name: whole[name] for name in parts})
    ranks = parts["review"].sort("as_of", "rank").select("as_of", "tank", "rank")
    assert ranks.equals(whole["review"].sort("as_of", "rank").select("as_of", "tank", "rank"))


def test_a_kit_is_judged_by_its_users_in_every_part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "logs"
    write_standing(folder, 12)
    write_visits(folder, 12, 60)
    # From a day on the kit reads a step more in every tank: it has gone off, not their filters.
    for file in sorted((folder / "visits").glob("*.csv")):
        rows = pl.read_csv(file, infer_schema=False)
        late = pl.col("date") >= "2022-05-01"
        rows.with_columns(pl.when(late).then(pl.lit("47")).otherwise(pl.lit("11")).alias("nitrate")).write_csv(file)
    today = dt.date(2022, 8, 1)
    whole, parts = both_ways(checked(folder, today), today, 6, monkeypatch)
    assert whole["step_alarm"]["kit_batch"].drop_nulls().len() > 0
    assert_same_tables(parts, whole)


def of_three_tanks() -> Tables:
    growing = {name: pl.DataFrame({"tank": ["T1", "T2", "T3"]}) for name in derive.GROWING}
    return {
        "tank": pl.DataFrame({"tank": ["T1", "T2", "T3"], "site": ["S1", "S1", "S2"]}),
        "placement": pl.DataFrame({"filter": ["F1", "F1", "F2"], "tank": ["T1", "T3", "T2"]}),
        **growing,
    }


def test_tanks_that_shared_a_filter_are_calculated_with_each_others_records(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(derive, "TANKS_AT_ONCE", 2)
    groups = list(derive.some_at_a_time(of_three_tanks()))
    assert [mine for mine, _ in groups] == [["T1", "T2"], ["T3"]]
    for name in derive.GROWING:
        assert [records[name]["tank"].to_list() for _, records in groups] == [["T1", "T2", "T3"], ["T1", "T3"]]


def test_a_few_tanks_are_calculated_in_one_go() -> None:
    tables = of_three_tanks()
    assert list(derive.some_at_a_time(tables)) == [(["T1", "T2", "T3"], tables)]


def test_the_last_visit_and_readings_before_the_window_stay(demo_logs: Path) -> None:
    with store.looking(weekly.warehouse_of(demo_logs)) as con:
        tables = store.read_tables(con, list(derive.GROWING))
    since = dt.date(2026, 4, 1)
    kept = derive.recent(tables, since)
    old = pl.col("day") < since
    for name, key in (("visit", ["tank"]), ("reading", ["tank", "parameter"])):
        before = tables[name].filter(old)
        assert before.height > kept[name].filter(old).height > 0
        latest = before.group_by(key).agg(pl.col("at").max())
        assert kept[name].filter(old).select(*key, "at").unique().sort(key).equals(latest.sort(key))
        assert kept[name].filter(~old).equals(tables[name].filter(~old))
    assert kept["water_change"].equals(tables["water_change"].filter(~old))


def test_what_is_no_longer_looked_at_makes_no_difference(tmp_path: Path) -> None:
    """Four years of visits, one tank quarterly and with top-ups only between; from all of them, and from what is kept."""
    folder = tmp_path / "logs"
    write_standing(folder, 4)
    write_visits(folder, 4, 214)
    for file in sorted((folder / "visits").glob("*.csv")):
        rows = pl.read_csv(file, infer_schema=False)
        seldom, week = pl.col("tank") == "T00003", pl.col("date").str.to_date().dt.ordinal_day() // 7
        rare = seldom & (week % 13 != 0)
        of = ("ammonia", "nitrite", "nitrate", "kh", "gh", "phosphate")
        rows = rows.with_columns(pl.when(~rare).then(pl.col(of)), change_kind=pl.when(seldom).then(pl.lit("top-up")))
        rows.filter(~rare | (week % 3 == 0)).write_csv(file)
    today = FIRST + dt.timedelta(7 * 214 - 3)  # twelve days into a quarter, by which windows move
    tables, round_, assumed = checked(folder, today)
    kept = derive.looked_back(tables, today, assumed)
    few, old = pl.col("parameter") == "gh", pl.col("day") < dt.date(2025, 1, 1)
    assert tables["reading"].filter(few & old).height > 400
    assert 0 < kept["reading"].filter(few & old).height < 60
    assert kept["reading"].filter(pl.col("parameter") == "nitrate", old).height > 300
    whole, part = (derive.derived(of, today, assumed, round_, silent) for of in (tables, kept))
    for name in whole.keys() - {"calculated"}:
        assert_frame_equal(part[name], whole[name], check_row_order=True)


def test_a_part_may_have_nothing_to_calculate(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Tanks closed long ago, tanks never read, and those between."""
    folder = tmp_path / "logs"
    write_standing(folder, 12)
    write_visits(folder, 12, 20)
    tanks = pl.read_csv(folder / "tanks.csv", infer_schema=False)
    tanks = tanks.with_columns(
        pl.when(pl.col("tank") < "T00003").then(pl.lit("2021-05-01")).otherwise(pl.lit("")).alias("closed")
    )
    tanks.write_csv(folder / "tanks.csv")
    for file in sorted((folder / "visits").glob("*.csv")):
        rows = pl.read_csv(file, infer_schema=False)
        rows.filter(~pl.col("tank").is_in(["T00006", "T00007", "T00008"])).write_csv(file)
    today = dt.date(2021, 11, 1)
    whole, parts = both_ways(checked(folder, today), today, 3, monkeypatch)
    assert whole["review"].height > 0
    assert_same_tables(parts, whole)
