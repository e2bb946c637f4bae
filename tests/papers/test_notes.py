"""Which notes a report may be offered: those of the site and its days, blank ones and other sites' never."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import polars as pl
import pytest

from pipeline.papers.report_facts import notes_of, offered
from pipeline.papers.site_report import site_report
from pipeline.week import Week
from schemas import Tables, conform

Make = Callable[..., Week]
FROM, TO = dt.date(2026, 5, 1), dt.date(2026, 5, 31)


def _frame(table: str, rows: list[dict[str, object]]) -> pl.DataFrame:
    return conform(table, pl.DataFrame([{"file": f"{table}.csv", "line": n + 2, **row} for n, row in enumerate(rows)]))


def _noted(tables: Tables) -> None:
    texts = {dt.date(2026, 5, 6): "lamp flickers", dt.date(2026, 5, 13): "  ", dt.date(2026, 4, 29): "before the span"}
    note = pl.col("day").replace_strict(texts, default=None, return_dtype=pl.String)
    tables["visit"] = tables["visit"].with_columns(pl.when(pl.col("tank") == "T01").then(note).alias("note"))
    tables["tank"] = tables["tank"].with_columns(note=pl.lit("half cycle by choice"))
    tables["promise"] = _frame("promise", [
        {"made_on": dt.date(2026, 5, 20), "site": "orchard", "promise": "a new sign for the lobby"},
        {"made_on": dt.date(2026, 5, 20), "site": "quay", "promise": "a lid for the school"},
    ])  # fmt: skip


@pytest.fixture(scope="module")
def noted(make_week: Make) -> Week:
    return make_week(_noted)


def test_the_notes_of_the_days_are_offered_newest_first(noted: Week) -> None:
    rows = offered(noted, "orchard", FROM, TO)
    assert rows.select("kind", "tank", "text").rows() == [
        ("promise", None, "a new sign for the lobby"),
        ("visit", "T01", "lamp flickers"),
    ]


def test_notes_of_the_site_hold_earlier_and_standing_ones_but_nothing_of_another_site(noted: Week) -> None:
    texts = notes_of(noted, "orchard")["text"].to_list()
    assert texts == [
        "half cycle by choice", "half cycle by choice", "before the span", "lamp flickers", "a new sign for the lobby"
    ]  # fmt: skip


def test_a_note_on_the_whole_site_goes_on_each_of_its_sheets(noted: Week) -> None:
    row = offered(noted, "orchard", FROM, TO).row(0, named=True)
    sheets = site_report(noted, "orchard", FROM, TO, {(row["file"], row["line"])}).sheets
    assert [sheet["notes"] for sheet in sheets] == [["a new sign for the lobby"]] * 2
    other = site_report(noted, "quay", FROM, TO, {(row["file"], row["line"])}).sheets
    assert [sheet["notes"] for sheet in other] == [[]]
