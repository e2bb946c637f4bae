"""The van list: sums that add up, and what can't be summed is said."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from pipeline.papers import proposals
from pipeline.papers.proposals import Proposal
from pipeline.papers.van_list import list_data, van_list, with_spare
from pipeline.week import Week
from schemas import Tables

DAY = dt.date(2026, 6, 3)
Make = Callable[..., Week]


def test_the_sums(week: Week) -> None:
    data = list_data(week, ["orchard", "quay"], DAY)
    assert data["visits"].replace("\u00a0", " ") == "2 sites, 3 tanks"
    assert [(pad["grade"], pad["medium"], pad["due"], pad["take"]) for pad in data["pads"]] == [
        ("coarse", "open foam", "1", "2"),
        ("fine", "floss", "1", "2"),
    ]
    assert [line.replace("\u00a0", " ") for line in data["carbon"]] == ["T01 Dining room: carbon, 0.3 kg"]
    # 30 % of 150 L on its way down to the limit, 25 % of 170 L where none was recorded; T03's net volume is not known.
    assert [line.replace("\u00a0", " ").partition(",")[0] for line in data["water"]] == [
        "New water: 88 L",
        "Conditioner: 9 ml",
    ]
    assert data["weight"].replace("\u00a0", " ").startswith("0 kg of carbon and RO water; 88 kg if all new water")
    assert data["unknown"] == ["water for T03: net volume not known"]


def test_what_was_proposed_for_the_tanks_of_the_day_is_named(make_week: Make, tmp_path: Path) -> None:
    week = replace(make_week(), folder=tmp_path)
    assert list_data(week, ["orchard"], DAY)["proposals"] == []
    for tank in ("T01", "T03"):
        one = Proposal(tank, "Add 0.22 kg of pumice.", "More material.", (), "me", DAY, DAY)
        proposals.keep(tmp_path, one)
    assert list_data(week, ["orchard"], DAY)["proposals"] == ["T01 Dining room: Add 0.22 kg of pumice."]


def test_tests_needed_against_tests_left(week: Week) -> None:
    def line(day: dt.date, parameter: str) -> dict[str, str]:
        tests = list_data(week, ["orchard", "quay"], day)["tests"]
        return next(test for test in tests if parameter in test["parameter"])

    nitrate = line(dt.date(2026, 6, 1), "Nitrate")
    assert (nitrate["needed"], nitrate["left"]) == ("2", "1")
    assert nitrate["says"] == "short by 1: take another kit"
    assert line(DAY, "Nitrate")["says"] == "expired: take another kit"
    assert line(dt.date(2026, 6, 1), "KH")["says"] == ""


def test_the_van_is_warned_of_weight(make_week: Make) -> None:
    def ro(tables: Tables) -> None:
        tables["water_change"] = tables["water_change"].with_columns(ro_share=pl.lit(1.0))

    week = make_week(ro, van={"payload_kg": 25.0, "container_l": 20.0})
    data = list_data(week, ["orchard"], DAY)
    assert "OVER the van's payload of 25" in data["weight"]
    assert "two trips" in data["weight"]
    fits = list_data(make_week(van={"payload_kg": 50.0}), ["orchard", "quay"], DAY)
    assert "fill at the sites" in fits["weight"]
    assert fits["too_much"]


def test_what_is_not_set_is_said_and_never_nought(make_week: Make) -> None:
    week = make_week(van={}, dosing={})
    data = list_data(week, ["orchard"], DAY)
    assert any("conditioner_ml_per_l" in line for line in data["unknown"])
    assert any("payload_kg" in line for line in data["unknown"])
    assert not any("Conditioner" in line for line in data["water"])


def test_the_paper(week: Week, pdf_pages: Callable[[bytes], list[str]]) -> None:
    page = pdf_pages(van_list(week, ["orchard"], DAY))[0].replace("\u00a0", " ")
    for said in ("Van list", "Wednesday 3 June 2026", "150 mm, 50 mm thick", "carbon, 0.3 kg", "bring a lid lock",
                 "two buckets for each site, marked: 2 buckets", "New water: 88 L"):  # fmt: skip
        assert said in page, said


def test_a_day_without_visits_is_an_empty_list(week: Week, pdf_pages: Callable[[bytes], list[str]]) -> None:
    page = pdf_pages(van_list(week, [], DAY))[0]
    assert "No filter service is due." in page
    assert "None due." in page


@given(st.integers(0, 500))
def test_a_tenth_more_rounded_up(due: int) -> None:
    take = with_spare(due, 0.1)
    assert take >= due * 1.1 - 1e-6
    assert take < due * 1.1 + 1
    assert (take == 0) == (due == 0)
