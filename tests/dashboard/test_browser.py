"""A real browser opens This week and follows a tank."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.launch import APP, free_port

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="module")
def served(demo_logs: Path) -> Iterator[str]:
    if CHROMIUM is None:
        assert "CI" not in os.environ, "CI must have Chromium: the browser tests may not be skipped there"
        pytest.skip("no Chromium on this machine: the browser tests need one")
    port = free_port()
    env = {**os.environ, "TANKROUND_LOGS": str(demo_logs), "TANKROUND_DB": "", "TANKROUND_AS_OF": "2026-06-01"}
    command = [sys.executable, "-m", "streamlit", "run", str(APP), "--server.port", str(port)]
    server = subprocess.Popen(command, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    url = f"http://127.0.0.1:{port}"
    try:
        for _ in range(100):
            try:
                with urllib.request.urlopen(f"{url}/_stcore/health", timeout=1):
                    break
            except OSError:
                time.sleep(0.2)
        yield url
    finally:
        server.terminate()
        server.wait(10)


def test_this_week_opens_and_a_tank_is_followed(served: str, tmp_path: Path) -> None:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        away: list[str] = []
        page.on("request", lambda r: None if r.url.startswith((served, "data:", "blob:")) else away.append(r.url))
        page.goto(served)
        page.wait_for_selector("table.week", timeout=30_000)
        assert page.locator("table.week a[data-tank]").count() == 24
        page.screenshot(path=str(tmp_path / "this-week.png"))
        page.locator('a[data-tank="LM2"]').click()
        page.get_by_role("heading", name="Supper room, Larkmead").wait_for(timeout=30_000)
        page.wait_for_selector("[data-testid=stVegaLiteChart]", timeout=30_000)
        assert "tank=LM2" in page.url
        page.screenshot(path=str(tmp_path / "one-tank.png"))
        page.set_viewport_size({"width": 390, "height": 844})
        page.goto(served)
        page.wait_for_selector("table.week", timeout=30_000)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        browser.close()
    assert [u for u in away if not u.startswith("ws")] == []
