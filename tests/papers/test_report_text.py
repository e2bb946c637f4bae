"""Sentences of the manager's page: suggestions from a plan, the small table, gaps at the edges."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import polars as pl
import pytest

from pipeline.papers.report_facts import next_visit, spans_without, weeks_without
from pipeline.papers.report_text import MOST_NOTE, from_plan
from pipeline.papers.site_report import site_report
from pipeline.week import Week
from pipeline.wording import in_currency, short
from schemas import Tables

Make = Callable[..., Week]
AS_OF = dt.date(2026, 5, 31)


def day(number: int) -> dt.date:
    return dt.date(2026, 5, number)


def test_a_plan_in_plain_words() -> None:
    plan = {
        "options": [
            {"changes": [{"kind": "feed cut"}], "cost": 0.0, "effective_on": "2026-06-01"},
            {"changes": [{"kind": "carbon to media"}, {"kind": "repack"}], "cost": 18.4, "effective_on": "2026-12-01"},
            {"changes": [{"kind": "magic"}], "cost": 1.0},
            {"changes": [{"kind": "second filter"}], "cost": None, "effective_on": dt.date(2026, 12, 1)},
            {"changes": [{"kind": "size the changes"}], "cost": 0.4},
        ]
    }
    in_currency("£")
    said = from_plan(plan, AS_OF)
    assert [item.cost for item in said] == ["Free.", "About £18; we quote first.", "We quote first."]
    assert said[0].text == "Feed about a quarter less. We bring marked pots, one for each day."
    assert said[1].text.endswith("Pack the filter material more neatly. It works fully from December 2026 on.")
    assert from_plan({"options": []}, AS_OF) == []


def test_a_note_is_cut_to_its_room() -> None:
    assert short("  two\n lines ", MOST_NOTE) == "two lines"
    assert len(short("x" * 999, MOST_NOTE)) == MOST_NOTE


def test_weeks_without_a_visit() -> None:
    visits = [day(6), day(20)]
    assert weeks_without(visits, day(1), day(31)) == [day(11), day(25)]
    assert weeks_without([], day(4), day(10)) == [day(4)]
    assert weeks_without([], day(5), day(10)) == []  # no whole week


def test_spans_without_a_visit() -> None:
    assert spans_without([day(6), day(20)], day(1), day(31), 11) == [(day(6), day(20))]
    assert spans_without([], day(1), day(31), 21) == [(day(1), day(31))]


@pytest.mark.parametrize(
    ("fixed", "weekday", "said"),
    [
        (dt.date(2026, 6, 9), "Monday", dt.date(2026, 6, 9)),
        (day(1), "Monday", dt.date(2026, 6, 1)),  # a fixed date that has passed
        (None, "Sunday", dt.date(2026, 6, 7)),  # as-of is a Sunday: the next one, not today
        (None, None, None),
    ],
)
def test_the_next_visit(fixed: dt.date | None, weekday: str | None, said: dt.date | None) -> None:
    assert next_visit({"next_visit": fixed, "visit_day": weekday}, AS_OF) == said


def test_the_small_table_says_days_and_old_kits(make_week: Make) -> None:
    def edit(tables: Tables) -> None:
        kh = pl.col("parameter") == "kh"
        tables["water"] = tables["water"].with_columns(
            day=pl.when(kh).then(pl.lit(day(13))).otherwise(pl.col("day")),
            expired=kh,
            high=pl.when(pl.col("parameter") == "nitrate").then(None).otherwise(pl.col("high")),
        )

    sheet = site_report(make_week(edit), "orchard", day(1), AS_OF).sheets[0]
    values = {cell["name"]: cell["value"].replace("\u00a0", " ") for cell in sheet["tests"]}
    assert values["KH"] == "3.5–4.5 dKH (13 May) (old kit)"
    assert values["Nitrate"] == "over 40.5 mg/L"
    assert values["Ammonia"] == "none found"


def test_no_water_changed_and_top_ups_are_said(make_week: Make) -> None:
    def edit(tables: Tables) -> None:
        tables["water_change"] = tables["water_change"].with_columns(kind=pl.lit("top-up"))

    did = site_report(make_week(edit), "orchard", day(1), AS_OF).sheets[0]["did"]
    assert did[:3] == [
        "Water tested at each of the four visits.",
        "No water was changed.",
        "Water topped up on 6, 13, 20 and 27 May.",
    ]


def test_held_by_changes_is_said_only_under_the_limit(make_week: Make) -> None:
    def edit(tables: Tables) -> None:
        nitrate = pl.col("parameter") == "nitrate"
        tables["reading"] = tables["reading"].with_columns(
            low=pl.when(nitrate).then(8.5).otherwise(pl.col("low")),
            high=pl.when(nitrate).then(21.0).otherwise(pl.col("high")),
        )

    lead = site_report(make_week(edit), "orchard", day(1), AS_OF).sheets[0]["lead"][0]
    assert lead.endswith("It is under the limit we keep to. Our water changes are holding it.")
