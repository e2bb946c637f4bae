"""What a tank's own series is held against is an assumption of the round, and its sentence says which."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from pipeline.assumptions import with_overrides
from pipeline.intake.check import check
from pipeline.intake.files import find_files
from pipeline.intake.round_file import read_round
from pipeline.intake.sheets import read_sheets
from schemas import Tables
from tests.bench.large_logs import write_standing

TODAY = dt.date(2026, 3, 1)
HEAD = "date,tank,taken,nitrate,ph,kh,kit,water_changed\n"


def checked(folder: Path, rows: str, assumed: str = "", corrections: str = "") -> Tables:
    """The tables of one tank with these visit rows."""
    write_standing(folder, 1)
    (folder / "round.toml").write_text(f"[round]\n[assumptions]\n{assumed}\n")
    (folder / "visits" / "a.csv").write_text(HEAD + rows)
    if corrections:
        (folder / "corrections.csv").write_text("file,line,column,was,now,by,on,why\n" + corrections)
    round_ = read_round(folder)
    assert not round_.problems
    chosen, _ = with_overrides(round_.overrides)
    files = find_files(folder, chosen["file_limit_mb"])
    return check(read_sheets(folder, files), round_, chosen, TODAY)


def remarks(folder: Path, rows: str, assumed: str = "") -> dict[str, str]:
    """fault -> sentence of what is said of the last row."""
    found = checked(folder, rows, assumed)["remark"]
    last = len(rows.strip().splitlines()) + 1
    return {row["fault"]: row["says"] for row in found.filter(line=last).iter_rows(named=True)}


LEAP = "2026-01-05,T00000,none,11,7.0,9,K1,\n2026-01-12,T00000,none,47,7.0,9,K1,\n"
FALL = "2026-01-05,T00000,none,47,7.0,9,K1,\n2026-01-12,T00000,none,11,7.0,8,K1,\n"
SWING = "2026-01-05,T00000,none,11,7.0,9,K1,\n2026-01-14,T00000,none,11,8.0,9,K1,\n"
SOFT = "2026-01-05,T00000,none,11,7.0,9,K1,\n2026-02-08,T00000,none,11,7.0,5,K1,\n"
SIPS = "".join(f"2026-01-{d:02},T00000,before,11,7.0,9,K1,2%\n" for d in (5, 10, 13))


@pytest.mark.parametrize(
    ("rows", "usual", "assumed", "then"),
    [
        (LEAP, "More than 2 times the last reading (11)", "leap_times = 5", ""),
        (LEAP, "More than 2 times the last reading (11)", "near_days = 5", ""),
        (FALL, "50 % or less of 47", "not_shaken_share = 0.2", ""),
        (SWING, "", "ph_move_days = 9", "pH has moved from 7 within 9 days."),
        (SOFT, "", "kh_fall_days = 34", "KH has fallen from 9 within 34 days."),
        (SIPS, "", "topup_days = 8", "Three small amounts within 8 days"),
    ],
)
def test_an_assumption_moves_the_limit_and_the_sentence(
    rows: str, usual: str, assumed: str, then: str, tmp_path: Path
) -> None:
    sentence = usual or then
    for name, chosen, wanted in (("usual", "", usual), ("moved", assumed, then)):
        told = " ".join(remarks(tmp_path / name, rows, chosen).values())
        assert (sentence in told) == bool(wanted)


def test_a_copied_sheet_needs_so_many_cells_above_zero(tmp_path: Path) -> None:
    rows = "".join(f"2026-01-{d:02},T00000,none,0,7.0,9,K1,\n" for d in (5, 8, 12, 15))
    few = "copied_cells = 3\n"
    assert "copied down" in remarks(tmp_path / "two", rows, few)
    assert "copied down" not in remarks(tmp_path / "three", rows, few + "copied_above_zero = 3")


def steady(*last: str) -> str:
    """Four visits at 47, then these rows."""
    days = [dt.date(2026, 1, 5) + dt.timedelta(7 * week) for week in range(4 + len(last))]
    rows = [f"{day},T00000,none,47,7.0,9,K1," for day in days[:4]]
    return "".join(
        f"{row}\n" for row in rows + [f"{day},T00000,{row}" for day, row in zip(days[4:], last, strict=True)]
    )


@pytest.mark.parametrize(
    ("last", "told"),
    [
        ("none,47,7.0,9,K1,", {}),
        ("none,11,7.0,9,K1,", {"basis": 48.7, "unlogged change": 47.0}),
        ("none,11,7.0,8,K1,", {"basis": 48.7, "unlogged change": 47.0, "not shaken": 47.0}),
        ("before,11,7.0,9,K1,70%", {"basis": 48.7, "unlogged change": 47.0, "after": 47.0}),
        ("none,5,7.0,9,K1,", {"slip": 50.0, "unlogged change": 47.0, "off steps": None}),
        ("unknown,47,7.0,9,K1,30%", {"taken": None}),
    ],
)
def test_a_doubt_is_a_row_with_what_it_would_be(last: str, told: dict[str, float | None], tmp_path: Path) -> None:
    doubt = checked(tmp_path, steady(last))["doubt"]
    assert set(doubt["line"]) <= {6}
    found = dict(doubt.select("doubt", "would_be").iter_rows())
    assert set(found) == set(told)
    for word, value in told.items():
        assert found[word] == (value if value is None else pytest.approx(value, rel=0.01))


def test_a_value_that_was_accepted_is_in_no_doubt(tmp_path: Path) -> None:
    rows, answer = steady("none,11,7.0,9,K1,"), "visits/a.csv,6,nitrate,11,accept,k,2026-02-20,\n"
    assert checked(tmp_path / "asked", rows)["doubt"].height == 2
    assert checked(tmp_path / "answered", rows, corrections=answer)["doubt"].height == 0
