"""Text of a record is text: hostile names and notes reach every page as typed, and nothing leaves the machine."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pytest

from tests.dashboard.test_browser import CHROMIUM, serving

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PAGES = (
    "", "one_tank?tank=LM2", "capacity_and_nitrate", "filter_book", "plan?tank=LM2", "at_the_tank?day=2026-06-01&tank=LM2",
    "held_rows", "papers", "assumptions",
)  # fmt: skip
NAME = (
    "![x](http://127.0.0.2:9/a.png) <script>window.hit=1</script> <img src=http://127.0.0.2:9/b.png> =1+1 $x^2$ :red[x]"
)


def spoil(path: Path, column: str, value: str) -> None:
    """Put a value before what stands in a column of a CSV."""
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        row[column] = f"{value} {row[column]}"
    with path.open("w", newline="", encoding="utf-8") as file:
        sheet = csv.DictWriter(file, rows[0].keys())
        sheet.writeheader()
        sheet.writerows(rows)


def test_hostile_text_is_shown_as_typed_and_fetches_nothing(demo_logs: Path, tmp_path: Path) -> None:
    from playwright.sync_api import sync_playwright

    logs = Path(shutil.copytree(demo_logs, tmp_path / "logs"))
    spoil(logs / "sites.csv", "name", NAME)
    spoil(logs / "tanks.csv", "name", NAME)
    spoil(logs / "tanks.csv", "note", NAME)
    with serving(logs) as url, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        away: list[str] = []
        for width in (1280, 390):
            page = browser.new_page(viewport={"width": width, "height": 900})
            page.on("request", lambda r: None if r.url.startswith((url, "data:", "blob:")) else away.append(r.url))
            for address in PAGES:
                page.goto(f"{url}/{address}")
                page.wait_for_selector(".caution", timeout=60_000)
                assert page.get_by_text("Something went wrong").count() == 0, address
                assert page.evaluate("window.hit === undefined"), address
                assert page.locator(".stMain .katex").count() == 0, address
                drawn = page.locator('.stMain img[src^="http"]').evaluate_all("all => all.map(i => i.src)")
                assert [image for image in drawn if not image.startswith(url)] == [], address
                assert page.evaluate("document.querySelector('.stMain').scrollWidth") <= width, address
                web = page.locator('.stMain a[href^="http"]').evaluate_all("all => all.map(a => a.href)")
                assert [link for link in web if not link.startswith(url)] == [], address
        browser.close()
    assert [link for link in away if not link.startswith("ws")] == []
