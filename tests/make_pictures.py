"""Draws the pictures of the README from the real pages: `python -m tests.make_pictures`. Needs Chromium."""

from __future__ import annotations

import datetime as dt
import io
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from dashboard.launch import APP, free_port
from pipeline import weekly

ROOT = Path(__file__).parents[1]
DAY = dt.date(2026, 6, 1)  # the demo's own
OUT = ROOT / "dashboard" / "pictures"
PAGES = {
    "this-week": "",
    "one-tank": "one_tank?tank=LM2",
    "capacity-and-nitrate": "capacity_and_nitrate",
    "filter-book": "filter_book?filter=B05",
    "plan": "plan?tank=LM2",
    "at-the-tank": "at_the_tank?day=2026-06-02",
    "held-rows": "held_rows",
    "assumptions": "assumptions",
    "papers": "papers",
}


def paper_pictures(logs: Path) -> None:
    """The papers of the demo round as small PNGs, in few colours: they are ink on white."""
    from PIL import Image

    from pipeline.papers import site_report, van_list, visit_sheets
    from pipeline.papers.layout import pictures

    week = weekly.open_week(logs, as_of=DAY)
    on = dt.date(2026, 6, 2)
    sites = visit_sheets.sites_on(week, on)
    report = site_report.site_report(week, "plumfennel", dt.date(2026, 5, 1), week.as_of)
    drawn = {
        "paper-report": site_report.report_picture(report, 1),
        "paper-visit-sheet": pictures("visit_sheet.typ", visit_sheets.sheets_data(week, sites, on))[0],
        "paper-van-list": pictures("van_list.typ", van_list.list_data(week, sites, on))[0],
    }
    for name, content in drawn.items():
        # Maximum coverage keeps the one vermillion bar, which the most frequent greys would push out.
        Image.open(io.BytesIO(content)).convert("RGB").quantize(48, Image.Quantize.MAXCOVERAGE).save(
            OUT / f"{name}.png", optimize=True
        )


def main() -> None:
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium")
    if chromium is None:
        raise SystemExit("No Chromium found; expected one on the path. Install it and try again.")
    logs = Path(tempfile.mkdtemp()) / "logs"
    shutil.copytree(ROOT / "sample_logs", logs)
    weekly.load(logs)
    OUT.mkdir(exist_ok=True)
    paper_pictures(logs)
    port = free_port()
    env = {**os.environ, "TANKROUND_LOGS": str(logs), "TANKROUND_DB": "", "TANKROUND_AS_OF": "2026-06-01"}
    server = subprocess.Popen([sys.executable, "-m", "streamlit", "run", str(APP), "--server.port", str(port)], env=env)
    time.sleep(4)
    try:
        with sync_playwright() as play:
            browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
            for width in (1280, 390):
                for name, address in PAGES.items():
                    page = browser.new_page(viewport={"width": width, "height": 900})
                    page.goto(f"http://127.0.0.1:{port}/{address}")
                    page.wait_for_selector(".caution", timeout=90_000)
                    page.wait_for_function("!document.querySelector('[data-testid=stSkeleton]')", timeout=90_000)
                    time.sleep(4)
                    height = page.evaluate("document.querySelector('.stMainBlockContainer').scrollHeight")
                    page.set_viewport_size({"width": width, "height": int(height) + 60})
                    time.sleep(1.5)
                    page.screenshot(path=str(OUT / f"{name}-{width}.png"))
                    page.close()
            browser.close()
    finally:
        server.terminate()


if __name__ == "__main__":
    main()
