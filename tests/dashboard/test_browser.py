"""A real browser opens This week and follows a tank."""

from __future__ import annotations

import datetime as dt
import os
import shutil
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from dashboard.launch import command, environment, free_port

pytestmark = pytest.mark.browser
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@contextmanager
def serving(logs: Path) -> Iterator[str]:
    """The dashboard of a folder as its own process; its address."""
    if CHROMIUM is None:
        assert "CI" not in os.environ, "CI must have Chromium: the browser tests may not be skipped there"
        pytest.skip("no Chromium on this machine: the browser tests need one")
    port = free_port()
    server = subprocess.Popen(
        command(port), env=environment(logs, None, dt.date(2026, 6, 1)), stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    url = f"http://127.0.0.1:{port}"
    try:
        for _ in range(150):
            try:
                with urllib.request.urlopen(f"{url}/_stcore/health", timeout=1):
                    break
            except OSError:
                time.sleep(0.2)
        yield url
    finally:
        server.terminate()
        server.wait(10)


@pytest.fixture(scope="module")
def served(demo_logs: Path) -> Iterator[str]:
    with serving(demo_logs) as url:
        yield url


def test_this_week_opens_and_a_tank_is_followed(served: str) -> None:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        away: list[str] = []
        page.on("request", lambda r: None if r.url.startswith((served, "data:", "blob:")) else away.append(r.url))
        page.goto(served)
        page.wait_for_selector("table.week", timeout=30_000)
        assert page.locator("table.week a[data-tank]").count() == 24
        first = page.evaluate("document.querySelector('table.week tbody tr').getBoundingClientRect().top")
        assert first <= 260
        assert page.title() == "This week"
        page.locator('a[data-tank="LM2"]').click()
        page.get_by_role("heading", name="Supper room, Plumfennel").wait_for(timeout=30_000)
        page.wait_for_selector("[data-testid=stVegaLiteChart]", timeout=30_000)
        assert "tank=LM2" in page.url
        page.set_viewport_size({"width": 390, "height": 844})
        page.goto(served)
        page.wait_for_selector("table.week", timeout=30_000)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        browser.close()
    assert [u for u in away if not u.startswith("ws")] == []
