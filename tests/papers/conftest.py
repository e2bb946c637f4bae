"""A small invented week, made by hand from frames, so that papers are tested without the rooms before them."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from pypdf import PageObject, PdfReader

from pipeline.assumptions import built_in
from pipeline.week import Round, Week
from schemas import Tables, conform, empty

TO = dt.date(2026, 5, 31)
LADDER = [0.0, 4.0, 13.0, 29.0, 52.0, 88.0]
CELLS = {13: (8.5, 21.0), 29: (21.0, 40.5), 52: (40.5, 70.0), 88: (70.0, None)}
NITRATE = [13, 29, 29, 13, 29, 52, 29, 29, 52, 52, 29, 52, 52]
SITES = [("orchard", "Orchard Rise", "care home", "Wednesday"), ("quay", "Quay School", "school", "Friday")]
TANKS = [
    ("T01", "orchard", "Dining room", 180.0, 150.0, 40.0),
    ("T02", "orchard", "Day room", 200.0, None, None),
    ("T03", "quay", "Hall", None, None, None),
]

Make = Callable[..., Week]


def frame(table: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Rows of a table; `file` and `line` are made up where they are not given."""
    if not rows:
        return empty(table)
    files = [{"file": f"{table}.csv", "line": n + 2, **row} for n, row in enumerate(rows)]
    return conform(table, pl.DataFrame(files, infer_schema_length=None))


def _visits(tank: str, days: list[dt.date], by: str = "round") -> list[dict[str, Any]]:
    return [
        {"tank": tank, "day": day, "at": dt.datetime.combine(day, dt.time(9)), "taken": "before", "kit": "blue case",
         "fish_seen": 14.0, "fish_look": "well", "by": by, "note": None, "outcome": "accepted"}
        for day in days
    ]  # fmt: skip


def reading(tank: str, day: dt.date, name: str, low: float, high: float | None, matched: float) -> dict[str, Any]:
    return {
        "tank": tank, "day": day, "at": dt.datetime.combine(day, dt.time(9)), "taken": "before", "parameter": name,
        "low": low, "high": high, "matched": matched, "unit": "", "text": f"{matched:g}", "kit": "blue case",
        "outcome": "accepted", "doubt": None, "expired": False,
    }  # fmt: skip


def _readings(tank: str, days: list[dt.date]) -> list[dict[str, Any]]:
    rows = []
    for n, day in enumerate(days):
        step = NITRATE[n % len(NITRATE)]
        rows += [
            reading(tank, day, "ammonia", 0.0, 0.1, 0.0),
            reading(tank, day, "nitrite", 0.0, 0.05, 0.0),
            reading(tank, day, "nitrate", *CELLS[step], float(step)),
            reading(tank, day, "ph", 7.1, 7.3, 7.2),
            reading(tank, day, "kh", 3.5, 4.5, 4.0),
            reading(tank, day, "temperature", 24.5, 25.0, 24.8),
        ]
    return rows


def _changes(tank: str, days: list[dt.date]) -> list[dict[str, Any]]:
    return [
        {"tank": tank, "day": day, "at": dt.datetime.combine(day, dt.time(10)), "fraction": 0.2, "litres": 30.0,
         "kind": "change", "source": "town", "ro_share": 0.0, "guessed": False, "text": "30 L", "outcome": "accepted"}
        for day in days
    ]  # fmt: skip


def base_tables() -> Tables:
    """Two sites, three tanks, thirteen weeks of visits to two of them."""
    wednesdays = [dt.date(2026, 3, 4) + dt.timedelta(7 * n) for n in range(13)]
    fridays = [dt.date(2026, 3, 6) + dt.timedelta(7 * n) for n in range(9)]
    return {
        "site": frame("site", [
            {"site": site, "name": name, "kind": kind, "water_supply": "town", "visit_day": day} for site, name, kind, day in SITES
        ]),
        "tank": frame("tank", [
            {"tank": tank, "site": site, "name": name, "gross_l": gross, "net_l": net, "nitrate_ceiling": ceiling,
             "set_up": dt.date(2024, 3, 5), "temperature_c": 25.0, "planting": "light", "stocking": "normal"}
            for tank, site, name, gross, net, ceiling in TANKS
        ]),
        "visit": frame("visit", _visits("T01", wednesdays) + _visits("T03", fridays)),
        "reading": frame("reading", _readings("T01", wednesdays) + _readings("T03", fridays)),
        "water_change": frame("water_change", _changes("T01", wednesdays) + _changes("T03", fridays)),
        "service": frame("service", [
            {"date": dt.date(2026, 5, 13), "tank": "T01", "filter": "Q1", "job": "check", "found": "light",
             "flow_after": 610.0, "next_weeks": 6.0},
            {"date": dt.date(2026, 5, 13), "tank": "T01", "filter": "Q1", "job": "pads"},
        ]),
        "event": frame("event", [{"date": dt.date(2026, 5, 6), "tank": "T01", "event": "fish in", "count": 6.0}]),
        "promise": frame("promise", [
            {"made_on": dt.date(2026, 5, 27), "site": "orchard", "tank": "T01", "promise": "bring a lid lock",
             "due": dt.date(2026, 6, 10)},
            {"made_on": dt.date(2026, 4, 1), "site": "quay", "tank": "T03", "promise": "a sign for pupils",
             "due": dt.date(2026, 4, 10), "done_on": dt.date(2026, 4, 10)},
        ]),
        "kit": frame("kit", [
            {"kit": "blue case", "parameter": name, "basis": basis, "steps": steps, "opened": dt.date(2026, 2, 3),
             "expires": dt.date(2026, 6, 2), "tests_left": left, "factor": 1.0, "ladder": ladder}
            for name, basis, steps, left, ladder in (
                ("nitrate", "NO3", "0|4|13|29|52|88", 1.0, LADDER),
                ("kh", "dKH", "0|1|2|3|4|5", 40.0, [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]),
                ("temperature", None, None, None, []),
            )
        ]),
        "filter_model": frame("filter_model", [{"model": "quern", "kind": "canister", "rated_flow_l_h": 900.0}]),
        "filter": frame("filter", [{"filter": "Q1", "model": "quern", "clean_flow_l_h": 640.0}]),
        "placement": frame("placement", [{"filter": "Q1", "tank": "T01", "from": dt.date(2024, 3, 5)}]),
        "compartment": frame("compartment", [
            {"model": "quern", "position": 1, "compartment": "cup", "stage": "coarse", "medium": "open foam", "pad_mm": 150.0},
            {"model": "quern", "position": 2, "compartment": "basket 1", "stage": "fine", "medium": "floss", "pad_mm": 160.0},
            {"model": "quern", "position": 3, "compartment": "basket 2", "stage": "biological", "medium": "pumice"},
            {"model": "quern", "position": 4, "compartment": "basket 3", "stage": "chemical", "medium": "carbon"},
        ]),
        "medium": frame("medium", [
            {"medium": "open foam", "stage": "coarse", "quality": 0.0},
            {"medium": "floss", "stage": "fine", "quality": 0.0, "life_days": 28.0},
            {"medium": "pumice", "stage": "biological", "quality": 1.0, "bulk_kg_l": 0.5},
            {"medium": "carbon", "stage": "chemical", "quality": 0.0, "life_days": 49.0},
        ]),
        "fill": frame("fill", [
            {"filter": "Q1", "compartment": place, "layer": 1, "medium": medium, "mass_kg": mass, "thickness_mm": thick,
             "wetted": dt.date(2024, 3, 5), "from": dt.date(2024, 3, 5)}
            for place, medium, mass, thick in (
                ("cup", "open foam", None, 50.0), ("basket 1", "floss", None, 30.0), ("basket 2", "pumice", 1.6, 105.0),
                ("basket 3", "carbon", 0.3, 60.0),
            )
        ]),
    }  # fmt: skip


def derived_tables(tables: Tables, as_of: dt.date) -> Tables:
    """A review of the three tanks: one watched, one silent, one good."""
    request = [{"tank": tank, "as_of": as_of} for tank, *_ in TANKS]
    last = tables["reading"].filter((pl.col("tank") == "T01") & (pl.col("day") == dt.date(2026, 5, 27)))
    return {
        "review": frame("review", [
            {**request[1], "rank": 1, "class": "can't say", "reason": "no nitrate reading in 13 weeks", "step": "test at the next visit"},
            {**request[0], "rank": 2, "class": "plan", "reason": "over its rating and climbing", "step": "plan more media, or less food"},
            {**request[2], "rank": 3, "class": "steady", "reason": "nitrate steady", "step": "nothing"},
        ]),
        "finding": frame("finding", [
            {**request[1], "rule": "no_usable_reading", "class": "can't say", "reason": "no nitrate reading", "step": "test",
             "says": "No reading.", "do": "Test nitrate.", "basis": "readings", "harm": 1.0, "quiet": False},
            {**request[0], "rule": "over_and_climbing", "class": "plan", "reason": "over its rating and climbing", "step": "media",
             "says": "Load 120 %.", "do": "Add 0.4 kg.", "basis": "plain rating", "harm": 1.0, "quiet": False},
            {**request[0], "rule": "carbon_due", "class": "due", "reason": "carbon due", "step": "carbon out",
             "says": "Carbon due.", "do": "Take it out.", "basis": "service", "harm": 2.0, "quiet": False},
        ]),
        "finding_cause": frame("finding_cause", [
            {**request[0], "rule": "over_and_climbing", "place": 1, "cause": "new fish", "because": "6 fish in on 6 May", "check": "count", "score": 6.0},
            {**request[0], "rule": "over_and_climbing", "place": 2, "cause": "overfeeding", "because": "flakes", "check": "weigh", "score": 5.0},
        ]),
        "nitrate_fit": frame("nitrate_fit", [
            {**request[0], "window": "recent", "since": dt.date(2026, 4, 8), "readings": 8, "rate": 1.1, "low": 0.7, "high": 1.5, "state": "ok"},
        ]),
        "nitrate_outlook": frame("nitrate_outlook", [
            {**request[0], "ceiling": 40.0, "trend": "climbing", "plateau": 37.0, "plateau_low": 31.0, "plateau_high": 39.0,
             "level": 42.0, "level_low": 36.0, "level_high": 48.0, "tap": 4.0, "mean_fraction": 0.2, "mean_gap_days": 7.0,
             "change_share": 1.0, "hand_intervals": 4},
            {**request[2], "ceiling": 40.0, "trend": "not clear", "hand_intervals": 0},
        ]),
        "capacity": frame("capacity", [
            {**request[0], "gross_l": 180.0, "net_l": 150.0, "net_basis": "measured", "filters": ["Q1"], "media_kg": 1.25,
             "plain_l": 125.0, "plain_load_pct": 120.0, "plain_state": "borderline", "over_full_cycle": True,
             "working_load_pct": 130.0, "working_state": "over"},
            {**request[1], "gross_l": 200.0, "net_l": 170.0, "net_basis": "assumed from gross", "filters": [],
             "plain_state": "can't say", "working_state": "can't say", "missing": "media"},
            {**request[2], "filters": [], "plain_state": "can't say", "working_state": "can't say", "missing": "net volume"},
        ]),
        "water": frame("water", [
            {**request[0], "age_days": 4, "day": row["day"], "parameter": row["parameter"], "low": row["low"], "high": row["high"],
             "matched": row["matched"], "taken": "before", "expired": False}
            for row in last.iter_rows(named=True)
        ]),
        "due": frame("due", [
            {**request[0], "what": "check", "on": dt.date(2026, 6, 3), "late_days": -3, "says": "Check due on Wed 3 June.",
             "do": "Open, look, rinse pads.", "about": "Q1", "basis": "6 weeks after the last check"},
            {**request[0], "what": "carbon", "on": dt.date(2026, 5, 20), "late_days": 11, "says": "Carbon is 11 days late.",
             "do": "Take it out or renew it.", "about": "Q1", "basis": "7 weeks"},
            *({**row, "what": "kit", "on": dt.date(2026, 6, 2), "late_days": -2, "says": "The kit expires on Tue 2 June.",
               "do": "Buy a new kit.", "about": "blue case", "basis": "expiry"} for row in (request[0], request[2])),
            {**request[0], "what": "promise", "on": dt.date(2026, 6, 10), "late_days": -10, "says": "Promised: bring a lid lock.",
             "do": "Do it.", "about": "bring a lid lock", "basis": "promise"},
        ]),
    }  # fmt: skip


@pytest.fixture(scope="session")
def make_week() -> Make:
    """Makes a Week; `edit` may change the tables, keyword arguments those of the Round."""

    def make(edit: Callable[[Tables], None] | None = None, as_of: dt.date = TO, **round_: Any) -> Week:
        tables = base_tables()
        tables |= derived_tables(tables, as_of)
        if edit is not None:
            edit(tables)
        settings: dict[str, Any] = {
            "name": "Invented round", "van": {"payload_kg": 300.0, "container_l": 20.0},
            "dosing": {"conditioner_ml_per_l": 0.1}, "business": {"currency": "£"}, **round_,
        }  # fmt: skip
        return Week(Path("round"), Round(**settings), built_in(), as_of, as_of, tables)

    return make


@pytest.fixture(scope="session")
def week(make_week: Make) -> Week:
    """The week as it is, untouched."""
    return make_week()


PRINTED = 14.0  # five millimetres


@pytest.fixture(scope="session")
def pdf_pages() -> Callable[[bytes], list[str]]:
    """The text of each page of a PDF, white space evened out, as another program reads it; all of it must be where a
    printer prints, no nearer to the foot of the page than PRINTED points."""

    def text_of(page: PageObject) -> str:
        def look(text: str, page_at: list[float], text_at: list[float], *_: object) -> None:
            assert not text.strip() or page_at[5] + text_at[5] * page_at[3] >= PRINTED, (
                f"“{text[:60]}” runs off the page"
            )

        return " ".join((page.extract_text(visitor_text=look) or "").split())

    def read(pdf: bytes) -> list[str]:
        return [text_of(page) for page in PdfReader(io.BytesIO(pdf)).pages]

    return read
