"""Every page runs on the demo round and says its data's day and the cautions; empty rounds say what to do next."""

from __future__ import annotations

from html import unescape
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from pipeline import weekly
from pipeline.new_folder import make_folder

APP = Path(__file__).parents[2] / "dashboard" / "app.py"
PAGES = (
    "this_week", "one_tank", "capacity_and_nitrate", "filter_book", "plan", "at_the_tank", "held_rows", "papers",
    "assumptions",
)  # fmt: skip


@pytest.fixture(autouse=True)
def _fresh_caches() -> None:
    st.cache_resource.clear()
    st.cache_data.clear()


def opened(logs: Path, page: str, monkeypatch: pytest.MonkeyPatch, **query: str) -> AppTest:
    monkeypatch.setenv("TANKROUND_LOGS", str(logs))
    monkeypatch.setenv("TANKROUND_DB", "")
    app = AppTest.from_file(str(APP), default_timeout=60)
    app.run()
    for key, value in query.items():
        app.query_params[key] = value
    if page != "this_week":
        app.switch_page(f"views/{page}.py").run()
    assert not app.exception, [e.message for e in app.exception]
    return app


def words(app: AppTest) -> str:
    return " ".join(piece.proto.body for piece in app.get("html"))


@pytest.mark.parametrize("page", PAGES)
def test_a_page_runs_and_carries_the_day_and_the_cautions(
    page: str, demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = words(opened(demo_logs, page, monkeypatch))
    assert "Data as of Mon 1 June 2026" in text
    assert "Power off at the wall" in text


def test_this_week_has_a_row_a_tank_and_counts_that_add_up(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = words(opened(demo_logs, "this_week", monkeypatch))
    week = weekly.open_week(demo_logs)
    assert text.count('data-tank="') == week.now("review").height == 24
    assert "24\u00a0tanks on 7\u00a0sites" in text
    assert text.count("Nitrate, 12 weeks: last") == 24


@pytest.mark.parametrize("tank", ["LM2", "MD3", "TC1", "HS1", "SS4"])
def test_one_tank_opens_its_sum_its_filter_and_its_chart(
    tank: str, demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = opened(demo_logs, "one_tank", monkeypatch, tank=tank)
    text = words(app)
    for said in ("Plain rating", "Working load", "as the water meets it", "History as text"):
        assert said in text
    assert f'href="plan?tank={tank}"' in text
    charts = app.get("vega_lite_chart")
    assert "ceiling" in charts[0].proto.alt
    assert "nan" not in charts[0].proto.alt.lower()


def test_an_empty_round_says_what_to_do_next(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "empty"
    make_folder(folder)
    for page in PAGES:
        text = words(opened(folder, page, monkeypatch))
        assert "NaN" not in text
    for page in ("this_week", "one_tank"):
        text = words(opened(folder, page, monkeypatch))
        assert "No tanks are on this round yet" in text
        assert "`" not in text


def test_markup_in_names_is_shown_as_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "sites.csv").write_text("site,name\na,<b>Home</b>\n")
    (tmp_path / "tanks.csv").write_text("tank,site,name,net_l\nT1,a,<script>x</script>,100\n")
    text = words(opened(tmp_path, "this_week", monkeypatch))
    assert "<script>" not in text
    assert "&lt;script&gt;" in text


def test_capacity_and_nitrate_names_the_tanks_over_and_climbing(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = words(opened(demo_logs, "capacity_and_nitrate", monkeypatch))
    assert "Over rating and climbing: Supper room, Larkmead and Front entrance, Sallowfield School." in text


def test_held_rows_shows_every_reason_whole(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = unescape(words(opened(demo_logs, "held_rows", monkeypatch)))
    for reason in weekly.open_week(demo_logs).table("held")["reason"]:
        assert reason in text
