"""The calendar, opened by a real iCalendar reader."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from typing import Any

import polars as pl
from icalendar import Calendar

from pipeline.papers.calendar import calendar
from pipeline.week import Week
from schemas import Tables

Make = Callable[..., Week]


def entries(week: Week) -> dict[str, Any]:
    book = Calendar.from_ical(calendar(week))
    return {str(event["summary"]): event for event in book.walk("VEVENT")}


def test_visits_and_jobs_are_whole_days(week: Week) -> None:
    found = entries(week)
    assert set(found) == {
        "Visit: Orchard Rise",
        "Visit: Quay School",
        "Overdue: Carbon: Dining room tank, Orchard Rise",
        "Kit blue case",
        "Check: Dining room tank, Orchard Rise",
        "Promise: Dining room tank, Orchard Rise",
    }
    check = found["Check: Dining room tank, Orchard Rise"]
    assert check.decoded("dtstart") == dt.date(2026, 6, 3)
    assert check.decoded("dtend") == dt.date(2026, 6, 4)
    assert "Open, look, rinse pads." in str(check["description"])
    assert found["Visit: Orchard Rise"].decoded("dtstart") == dt.date(2026, 6, 3)
    assert str(found["Visit: Quay School"]["location"]) == "Quay School"


def test_a_late_job_stands_on_today_and_says_since_when(week: Week) -> None:
    late = entries(week)["Overdue: Carbon: Dining room tank, Orchard Rise"]
    assert late.decoded("dtstart") == week.as_of
    assert "Due since Wed 20 May 2026." in str(late["description"])


def test_a_shared_kit_is_one_entry(week: Week) -> None:
    assert "Tanks: Dining room tank and Hall tank" in str(entries(week)["Kit blue case"]["description"])


def test_ids_are_unique_and_stay_from_week_to_week(week: Week, make_week: Make) -> None:
    def later(tables: Tables) -> None:
        check = pl.col("what") == "check"
        moved = pl.when(check).then(pl.lit(dt.date(2026, 6, 24))).otherwise(pl.col("on"))
        tables["due"] = tables["due"].with_columns(on=moved)

    ids = [str(event["uid"]) for event in entries(week).values()]
    assert len(set(ids)) == len(ids)
    name = "Check: Dining room tank, Orchard Rise"
    moved_week = make_week(later, as_of=dt.date(2026, 5, 31))
    now, then = entries(week)[name], entries(moved_week)[name]
    assert now["uid"] == then["uid"]
    assert then.decoded("dtstart") == dt.date(2026, 6, 24)


def test_one_kit_with_two_dates_is_two_entries(make_week: Make) -> None:
    def edit(tables: Tables) -> None:
        kit = tables["due"].filter(pl.col("what") == "kit").with_columns(on=pl.lit(dt.date(2026, 7, 1)))
        tables["due"] = pl.concat([tables["due"], kit])

    events = Calendar.from_ical(calendar(make_week(edit))).walk("VEVENT")
    kits = [event for event in events if str(event["summary"]) == "Kit blue case"]
    assert len({str(event["uid"]) for event in kits}) == 2


def test_the_file_keeps_to_the_standard(make_week: Make) -> None:
    def edit(tables: Tables) -> None:
        tables["due"] = tables["due"].with_columns(says=pl.lit("Tief, 花; \x07 a\\b\nEND:VCALENDAR" * 5))

    raw = calendar(make_week(edit))
    assert raw.endswith(b"END:VCALENDAR\r\n")
    assert b"\n" not in raw.replace(b"\r\n", b"")
    assert max(len(line) for line in raw.split(b"\r\n")) <= 75
    assert not re.search(rb"[\x00-\x08\x0b\x0c\x0e-\x1f]", raw)
    assert raw.count(b"\r\nEND:VCALENDAR") == 1
    assert len(Calendar.from_ical(raw).walk("VEVENT")) == 6


def test_the_same_week_gives_the_same_file(week: Week) -> None:
    assert calendar(week) == calendar(week)


def test_an_empty_round_is_an_empty_calendar(make_week: Make) -> None:
    week = make_week(lambda tables: [tables.pop(name) for name in list(tables)] and None)
    assert Calendar.from_ical(calendar(week)).walk("VEVENT") == []


def test_closed_tanks_have_no_jobs(make_week: Make) -> None:
    week = make_week(lambda t: t.update(tank=t["tank"].with_columns(closed=pl.lit(dt.date(2026, 5, 1)))))
    assert entries(week) == {}
