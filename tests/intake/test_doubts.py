"""Results that agree, names that come again, parameters nobody knows, and rows on hold that still tell their tank."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl
import pytest

from pipeline.assumptions import built_in
from pipeline.intake.check import check
from pipeline.intake.files import find_files, read_round
from pipeline.intake.sheets import read_sheets
from pipeline.units import factor
from schemas import Tables
from tests.small_folder import TODAY, write_folder

SMALL = pl.col("file") == "media.csv"  # what the small folder itself has on hold
HEAD = "date,time,tank,nitrate,kh,kit\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = write_folder(tmp_path / "logs", weeks=0)
    (place / "kits.csv").write_text(
        "kit,parameter,basis,steps\nK1,nitrate,NO3,0|3|11|26|47|83\nK2,nitrate,NO3-N,0|1|2.5|6|11|20\n"
    )
    return place


def checked(folder: Path, **sheets: str) -> Tables:
    for name, text in sheets.items():
        (folder / "visits" / f"{name}.csv").write_text(text)
    files = find_files(folder)
    return check(read_sheets(folder, files), read_round(folder), built_in(), TODAY)


def test_a_millimole_of_carbonate_hardness_is_one_equivalent_and_of_general_hardness_two() -> None:
    assert factor("kh", "mmol/L") == pytest.approx(2.804, abs=5e-4)
    assert factor("gh", "mmol/L") == pytest.approx(5.608, abs=5e-4)
    assert factor("kh", "meq/L") == factor("kh", "mmol/L")


def test_equal_results_in_two_kits_are_no_contradiction(folder: Path) -> None:
    cases = (  # tank, day, the second result, outcome, readings kept
        ("T1", "12", "11,,K1", None, 1),  # the same again
        ("T2", "12", "2.5,,K2", "warned", 1),  # 11 in another unit and kit
        ("T3", "12", "47,,K1", "held", 0),
        ("T1", "13", "26,,K1", "held", 0),  # the next step of the same kit: they only touch
    )
    rows = "".join(f"2026-06-{day},,{tank},11,,K1\n2026-06-{day},,{tank},{second}\n" for tank, day, second, *_ in cases)
    tables = checked(folder, a=HEAD + rows)
    for n, (tank, day, second, outcome, kept) in enumerate(cases):
        mine = pl.col("line").is_in([2 * n + 2, 2 * n + 3]) & (pl.col("file") == "visits/a.csv")
        reading = tables["reading"].filter(tank=tank, day=dt.date(2026, 6, int(day)))
        assert reading.height == kept, second
        assert tables["held"].filter(mine, fault="two values").height == (2 if outcome == "held" else 0), second
        twice = tables["remark"].filter(mine, fault="read twice")
        assert twice.height == (2 if outcome == "warned" else 0), second
        if outcome == "warned":
            assert reading["outcome"].to_list() == ["warned"]
            assert "they agree, and the first counts" in twice["says"][0]


def test_an_unknown_parameter_of_a_long_sheet_is_reported_as_an_unknown_column_is(folder: Path) -> None:
    rows = "2026-06-12,T1,colour,green\n2026-06-12,T1,colour,brown\n2026-06-12,T1,ntrite,0\n2026-06-12,T1,nitrate,11\n"
    tables = checked(folder, a="date,tank,parameter,value\n" + rows)
    assert tables["unknown_column"].rows() == [("visits/a.csv", "colour", None), ("visits/a.csv", "ntrite", "nitrite")]
    assert tables["held"].filter(file="visits/a.csv").height == 0
    assert "nitrate" in tables["reading"]["parameter"].to_list()


def test_a_tank_name_given_again_is_of_the_tank_that_ran_on_the_day(folder: Path) -> None:
    (folder / "tanks.csv").write_text(
        "tank,site,name,set_up,closed\nT1,S1,Lounge,2024-01-01,2026-03-31\nT2,S1,Lounge,2026-04-10,\n"
    )
    days = ("2026-03-31", "2026-04-05", "2026-04-10")
    tables = checked(folder, a="date,tank,nitrate\n" + "".join(f"{day},Lounge,11\n" for day in days))
    assert tables["visit"].select("day", "tank").rows() == [
        (dt.date(2026, 3, 31), "T1"),
        (dt.date(2026, 4, 10), "T2"),
    ]
    assert tables["held"].filter(file="visits/a.csv").select("line", "fault").rows() == [(3, "same name twice")], (
        "neither ran"
    )


def test_a_row_on_hold_still_tells_its_tank(folder: Path) -> None:
    (folder / "events" / "a.csv").write_text(
        "date,tank,event,count\nsoon,T1,fish died,3\n2026-06-12,nobody,fish died,1\n"
    )
    (folder / "services" / "a.csv").write_text("date,tank,filter,job\n32/13/2026,t2,F2,media rinsed\n")
    tables = checked(folder, a="date,tank,nitrate\nsoon,Lounge,11\n")
    held = {
        (file, line): tank
        for file, line, tank in tables["held"].filter(~SMALL).select("file", "line", "tank").iter_rows()
    }
    assert held == {
        ("events/a.csv", 2): "T1",
        ("events/a.csv", 3): None,
        ("services/a.csv", 2): "T2",
        ("visits/a.csv", 2): "T1",
    }


def test_days_and_weeks_out_of_reach_are_held_with_a_sentence(folder: Path) -> None:
    (folder / "kits.csv").write_text("kit,parameter,basis,expires\nK1,nitrate,NO3,9999-12-31\n")
    (folder / "services" / "a.csv").write_text("date,tank,filter,job,next_weeks\n2026-06-12,T1,F1,check,500000\n")
    held = checked(folder)["held"].filter(~SMALL).select("file", "column", "fault", "reason").rows()
    assert held == [
        ("kits.csv", "expires", "out of reach", "“9999-12-31” is after 2057; expected a date up to then."),
        (
            "services/a.csv",
            "next_weeks",
            "out of reach",
            "“500000” weeks is longer than any interval between services; expected 260 or less.",
        ),
    ]


def test_a_file_of_hundreds_of_megabytes_is_held_unread(folder: Path) -> None:
    with (folder / "visits" / "big.csv").open("wb") as file:
        file.truncate(500_000_000)
    tables = checked(folder)
    held = tables["held"].filter(file="visits/big.csv")["reason"].to_list()
    assert held == ["The whole file is held: it is larger than 50 MB; split it into several files."]
