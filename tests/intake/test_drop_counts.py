"""Kits that count drops: what one is worth, the cell a count stands for, and what is told of a count that is none."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline import weekly
from pipeline.assumptions import built_in
from pipeline.intake import amounts
from pipeline.papers.phone_form import phone_form
from tests.small_folder import write_folder


@pytest.mark.parametrize(
    ("text", "worth"),
    [("0.5 a drop", 0.5), ("1 per drop", 1.0), ("0,5 / drop", 0.5), ("1 dKH a drop", 1.0),
     ("0 a drop", None), ("-1 a drop", None), ("a drop", None), ("0|4|13", None), ("", None)],
)  # fmt: skip
def test_what_a_drop_is_worth(text: str, worth: float | None) -> None:
    assert amounts.read_per_drop(text) == worth
    steps, cell = amounts.read_steps(text)
    assert bool(cell.held) == (worth is None and text not in ("", "0|4|13"))
    assert steps == ([0, 4, 13] if text == "0|4|13" else [])


@pytest.mark.parametrize(
    ("typed", "low", "high", "whole"),
    [(4.0, 3.5, 4.0, True), (0.5, 0.0, 0.5, True), (0.0, 0.0, 0.5, True), (4.3, 4.0, 4.5, False)],
)
def test_a_count_is_one_drop_wide(typed: float, low: float, high: float, whole: bool) -> None:
    """The colour turned at the last drop, and not at the one before."""
    assert amounts.drop_interval(0.5, typed) == pytest.approx((low, high, whole))


def test_drops_of_other_units_and_cells_that_are_no_count() -> None:
    kit = amounts.KitRow((), 0.056, "mg/L CaCO3", per_drop=10.0)
    assumed = built_in()
    taken = amounts.read_reading("kh", "80", "", kit, assumed)
    assert (taken.low, taken.high, taken.outcome) == (pytest.approx(3.92), pytest.approx(4.48), "converted")
    odd = amounts.read_reading("kh", "83", "", kit, assumed)
    assert (odd.outcome, odd.fault) == ("warned", "off the ladder")
    assert odd.says == "83 is no whole number of drops of 10 each; taken as between 80 and 90."
    drops = amounts.read_reading("kh", "8 drops", "", kit, assumed)
    assert (drops.low, drops.high, drops.says) == (pytest.approx(3.92), pytest.approx(4.48), "8 drops read as 80.")
    assert amounts.read_reading("kh", "8 drops", "", None, assumed).held


def test_a_folder_with_a_drop_count_kit(tmp_path: Path) -> None:
    """Loaded as counts, kept with what a drop is worth; the phone counts drops and keeps degrees."""
    logs = write_folder(tmp_path / "logs", 1)
    with (logs / "kits.csv").open("a") as kits:
        kits.write("K1,kh,dKH,0.5 a drop\n")
    week = weekly.open_week(logs)
    kit = week.table("kit").filter(parameter="kh")
    assert kit.select("per_drop", "ladder").rows() == [(0.5, [])]
    assert set(week.table("reading").filter(parameter="kh").select("low", "high", "matched").rows()) == {
        (4.5, 5.0, 5.0)
    }
    assert '"drops": 0.5' in phone_form(week, "S1", week.as_of)
