"""What a tank's own series is held against is an assumption of the round, and its sentence says which."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from pipeline.assumptions import with_overrides
from pipeline.intake.check import check
from pipeline.intake.files import find_files, read_round
from pipeline.intake.sheets import read_sheets
from schemas import Tables
from tests.bench.large_logs import write_standing

TODAY = dt.date(2026, 3, 1)
HEAD = "date,tank,taken,nitrate,ph,kh,kit,water_changed\n"


def checked(folder: Path, rows: str, assumed: str = "", corrections: str = "", tanks: int = 1) -> Tables:
    """The tables of one tank, or of some, with these visit rows."""
    write_standing(folder, tanks)
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


def side_by_side(*tanks: str) -> tuple[str, list[int]]:
    """The rows of one tank each, on days of their own, and the line of the last row of each."""
    lines: list[str] = []
    last = []
    for n, rows in enumerate(tanks):
        for row in rows.strip().splitlines():
            day, _, rest = row.split(",", 2)
            lines.append(f"{dt.date.fromisoformat(day) + dt.timedelta(n)},T{n:05},{rest}\n")
        last.append(len(lines) + 1)
    return "".join(lines), last


def test_an_assumption_moves_the_limit_and_the_sentence(tmp_path: Path) -> None:
    moved = (  # rows, what is said usually, an assumption, what is said then
        (LEAP, "More than 2 times the last reading (11)", "leap_times = 5", ""),
        (FALL, "50 % or less of 47", "not_shaken_share = 0.2", ""),
        (SWING, "", "ph_move_days = 9", "pH has moved from 7 within 9 days."),
        (SOFT, "", "kh_fall_days = 34", "KH has fallen from 9 within 34 days."),
        (SIPS, "", "topup_days = 8", "Three small amounts within 8 days"),
    )
    rows, last = side_by_side(*(each[0] for each in moved))
    for name, assumed, wanted in (
        ("usual", "", [usual for _, usual, _, _ in moved]),
        ("moved", "\n".join(each[2] for each in moved), [then for _, _, _, then in moved]),
        ("near", "near_days = 5", ["", "", *(usual for _, usual, _, _ in moved[2:])]),
    ):
        remark = checked(tmp_path / name, rows, assumed, tanks=len(moved))["remark"]
        for line, want, (_, usual, _, then) in zip(last, wanted, moved, strict=True):
            assert ((usual or then) in " ".join(remark.filter(line=line)["says"])) == bool(want), (name, usual, then)


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


DOUBTS: tuple[tuple[str, dict[str, float | None]], ...] = (
    ("none,47,7.0,9,K1,", {}),
    ("none,11,7.0,9,K1,", {"basis": 48.7, "unlogged change": 47.0}),
    ("none,11,7.0,8,K1,", {"basis": 48.7, "unlogged change": 47.0, "not shaken": 47.0}),
    ("before,11,7.0,9,K1,70%", {"basis": 48.7, "unlogged change": 47.0, "after": 47.0}),
    ("none,5,7.0,9,K1,", {"slip": 50.0, "unlogged change": 47.0, "off steps": None}),
    ("unknown,47,7.0,9,K1,30%", {"taken": None}),
)


def test_a_doubt_is_a_row_with_what_it_would_be(tmp_path: Path) -> None:
    rows, last = side_by_side(*(steady(row) for row, _ in DOUBTS))
    doubt = checked(tmp_path, rows, tanks=len(DOUBTS))["doubt"]
    assert set(doubt["line"]) <= set(last)
    for line, (row, told) in zip(last, DOUBTS, strict=True):
        found = dict(doubt.filter(line=line).select("doubt", "would_be").iter_rows())
        assert set(found) == set(told), row
        for word, value in told.items():
            assert found[word] == (value if value is None else pytest.approx(value, rel=0.01)), row


def test_a_value_that_was_accepted_is_in_no_doubt(tmp_path: Path) -> None:
    rows, answer = steady("none,11,7.0,9,K1,"), "visits/a.csv,6,nitrate,11,accept,k,2026-02-20,\n"
    assert checked(tmp_path / "asked", rows)["doubt"].height == 2
    assert checked(tmp_path / "answered", rows, corrections=answer)["doubt"].height == 0
