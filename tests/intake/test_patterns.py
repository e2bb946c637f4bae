"""What a tank's own series is held against is an assumption of the round, and its sentence says which."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from pipeline import intake
from pipeline.assumptions import with_overrides
from tests.bench.large_logs import write_standing

TODAY = dt.date(2026, 3, 1)
HEAD = "date,tank,taken,nitrate,ph,kh,kit,water_changed\n"


def remarks(folder: Path, rows: str, assumed: str = "") -> dict[str, str]:
    """fault -> sentence of what is said of the last row."""
    write_standing(folder, 1)
    (folder / "round.toml").write_text(f"[round]\n[assumptions]\n{assumed}\n")
    (folder / "visits" / "a.csv").write_text(HEAD + rows)
    round_ = intake.read_round(folder)
    assert not round_.problems
    chosen, _ = with_overrides(round_.overrides)
    files = intake.find_files(folder, chosen["file_limit_mb"])
    found = intake.check(intake.read_sheets(folder, files), round_, chosen, TODAY)["remark"]
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
