"""Visit sheets and van list as pages: the same words as on paper, in one file, escaped."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import polars as pl

from pipeline.papers.van_list import list_data, load_html
from pipeline.papers.visit_sheets import sheets_html, visit_sheets
from pipeline.week import Week
from schemas import Tables

Make = Callable[..., Week]
DAY = dt.date(2026, 6, 3)


def test_the_page_of_the_sheets_says_what_the_paper_says(week: Week) -> None:
    text = sheets_html(week, ["orchard", "quay"], DAY)
    for said in (
        "Orchard Rise", "Quay School", "Wednesday 3 June 2026", "38–52", "Kit: blue case, EXPIRED on 2 June 2026.",
        "Carbon is 11 days late. Take it out or renew it.", "cup: open foam (coarse)", "bring a lid lock",
        "Power off at the wall",
    ):  # fmt: skip
        assert said in text, said
    assert text.count('<section class="sheet">') == 2
    assert "http" not in text.replace("http-equiv", "")


def test_the_page_of_the_van_list_says_what_the_paper_says(week: Week) -> None:
    text = load_html(week, ["orchard", "quay"], DAY)
    data = list_data(week, ["orchard", "quay"], DAY)
    for said in (
        data["weight"],
        *data["water"],
        *data["spares"],
        *data["unknown"],
        "No proposal is kept for these tanks.",
    ):
        assert said.replace("'", "&#39;") in text, said


def test_tests_of_a_kit_that_need_the_same_share_a_line(week: Week) -> None:
    tests = list_data(week, ["orchard", "quay"], dt.date(2026, 6, 1))["tests"]
    assert [(t["parameter"], t["needed"], t["left"], t["says"]) for t in tests] == [
        ("KH", "2", "40", ""),
        ("Nitrate", "2", "1", "short by 1: take another kit"),
    ]
    later = list_data(week, ["orchard"], DAY)["tests"]
    assert all(t["says"] == "expired: take another kit" for t in later)


def test_what_was_typed_is_text(make_week: Make) -> None:
    def edit(tables: Tables) -> None:
        for table, column in (("site", "name"), ("tank", "name"), ("promise", "promise"), ("medium", "medium")):
            tables[table] = tables[table].with_columns(pl.lit("<img src=x>").alias(column))

    week = make_week(edit)
    for text in (sheets_html(week, ["orchard"], DAY), load_html(week, ["orchard"], DAY)):
        assert "<img" not in text
        assert "&lt;img src=x&gt;" in text


def test_a_site_without_a_tank_that_day_says_so(make_week: Make) -> None:
    week = make_week(lambda tables: tables.update(tank=tables["tank"].clear()))
    assert "No tank of this site runs on that day." in sheets_html(week, ["quay"], DAY)


def test_each_site_begins_its_own_page(week: Week, pdf_pages: Callable[[bytes], list[str]]) -> None:
    pages = pdf_pages(visit_sheets(week, ["orchard", "quay"], DAY))
    assert len(pages) == 2
    assert "Orchard Rise" in pages[0]
    assert "Quay" not in pages[0]
    assert "Quay School" in pages[1]
