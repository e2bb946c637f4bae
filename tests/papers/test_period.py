"""The sentence on what a report will hold, and what counts as a gap."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import polars as pl

from pipeline.papers.report_facts import rhythm
from pipeline.papers.site_report import period_text
from pipeline.week import Week
from schemas import Tables, conform

Make = Callable[..., Week]
FROM, TO = dt.date(2026, 5, 1), dt.date(2026, 5, 31)


def _frame(table: str, rows: list[dict[str, object]]) -> pl.DataFrame:
    return conform(table, pl.DataFrame([{"file": f"{table}.csv", "line": n + 2, **row} for n, row in enumerate(rows)]))


def test_sheets_visits_gaps_and_held_items_are_said(week: Week) -> None:
    assert period_text(week, "orchard", FROM, TO) == (
        "A cover and two sheets, one a tank: four visits, on 6, 13, 20 and 27 May 2026;"
        " no visit to Day room tank in the weeks of 4, 11, 18 and 25 May; nothing held."
    )
    assert period_text(week, "quay", FROM, TO) == (
        "A cover and one sheet: one visit, on 1 May 2026; no visit in the weeks of 4, 11, 18 and 25 May; nothing held."
    )


def test_held_items_are_counted(make_week: Make) -> None:
    def edit(tables: Tables) -> None:
        held = {"table": "visits", "tank": "T01", "column": "nitrate", "text": "?", "reason": "no number"}
        tables["held"] = _frame("held", [{**held, "day": dt.date(2026, 5, day)} for day in (6, 13)])

    assert period_text(make_week(edit), "orchard", FROM, TO).endswith("; two items held and left out.")


def test_no_visit_at_all_and_no_tank_at_all(week: Week) -> None:
    words = period_text(week, "orchard", dt.date(2026, 2, 2), dt.date(2026, 2, 15))
    assert words == (
        "A cover and two sheets, one a tank: no visit from 2 February to 15 February 2026;"
        " no visit in the weeks of 2 and 9 February; nothing held."
    )
    assert "no tank of Orchard Rise ran" in period_text(week, "orchard", dt.date(2020, 1, 1), dt.date(2020, 2, 1))


def test_many_visits_are_counted_and_the_year_is_said_once(week: Week) -> None:
    words = period_text(week, "quay", dt.date(2026, 3, 1), dt.date(2026, 5, 1))
    assert words == "A cover and one sheet: nine visits, from 6 March to 1 May 2026; no gaps; nothing held."


def test_a_fortnightly_tank_on_a_weekly_round_has_no_gap_in_the_weeks_between(make_week: Make) -> None:
    def every_other(tables: Tables) -> None:
        for table in ("visit", "reading", "water_change"):
            tables[table] = tables[table].filter(pl.col("day").dt.week() % 2 == 0)

    week = make_week(every_other)
    days = week.table("visit").filter(pl.col("tank") == "T01")["day"].to_list()
    assert rhythm(days, week) == 14
    assert "no visit to Dining room tank" not in period_text(week, "orchard", FROM, TO)


def test_the_rhythm_is_the_rounds_own_where_too_little_is_known_or_visits_are_closer(week: Week) -> None:
    start = dt.date(2026, 4, 1)
    assert rhythm([], week) == 7
    assert rhythm([start, start + dt.timedelta(20)], week) == 7
    assert rhythm([start + dt.timedelta(3 * n) for n in range(12)], week) == 7
    assert rhythm([start - dt.timedelta(90) + dt.timedelta(40 * n) for n in range(4)], week) == 7
