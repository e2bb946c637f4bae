"""Every page on a large round: the processor time of its script at first and again, in seconds, and what it sends.

`python -m tests.bench.bench_pages` makes and loads the round (`--folder` takes one that is loaded), runs each page's script
twice by Streamlit's own tester, and prints required, measured, ok or NOT. The first time is that of a server whose round is
read and whose libraries are imported; the second is a rerun in the same session. Exit 1 where a row is not met.
"""

from __future__ import annotations

import argparse
import datetime as dt
import logging
import os
import re
import sys
import tempfile
import time
import warnings
from pathlib import Path

from tests.bench.large_logs import FIRST, write_standing, write_visits

APP = Path(__file__).parents[2] / "dashboard" / "app.py"
WEEKS = 260
TODAY = FIRST + dt.timedelta(7 * WEEKS)
FIRST_MOST, AGAIN_MOST, NODES_MOST = 1.0, 0.4, 4000


def nodes(body: str) -> int:
    """Elements and pieces of text that a browser makes of HTML."""
    return len(re.findall(r"<[A-Za-z]", body)) + len(re.findall(r">[^<\s][^<]*<", body))


def main(folder: Path, tanks: int) -> int:
    import streamlit as st
    from streamlit.testing.v1 import AppTest

    from pipeline import weekly

    os.environ.update(TANKROUND_LOGS=str(folder), TANKROUND_DB="", TANKROUND_AS_OF=TODAY.isoformat())
    weekly._today = lambda: TODAY
    weekly.load(folder)
    pages = sorted((path.stem for path in (APP.parent / "views").glob("*.py")), key="this_week".__ne__)
    logging.disable(logging.CRITICAL)  # Streamlit's, of running without a server
    failed = 0

    def run(app: AppTest) -> float:
        start = time.process_time()
        app.run()
        assert not app.exception, [e.message for e in app.exception]
        return time.process_time() - start

    def opened(page: str) -> AppTest:
        app = AppTest.from_file(str(APP), default_timeout=600)
        return app if page == "this_week" else app.switch_page(f"views/{page}.py")

    for page in pages:  # what a server does once: imports, and the round read
        run(opened(page))
    print(
        f"{'page':<24} {'first s':>8} {'again s':>8} {'HTML kB':>8} {'nodes':>7}   required ≤ {FIRST_MOST:g}, {AGAIN_MOST:g}"
    )
    for page in pages:
        first, again = [], []
        for _ in range(2):
            st.cache_data.clear()
            app = opened(page)
            first.append(run(app))
            again += [run(app) for _ in range(2)]
        bodies = [piece.proto.body for piece in app.get("html")]
        made = sum(map(nodes, bodies))
        ok = min(first) <= FIRST_MOST and min(again) <= AGAIN_MOST and (page != "this_week" or made < NODES_MOST)
        failed += not ok
        size = sum(map(len, bodies)) / 1e3
        print(
            f"{page:<24} {min(first):8.2f} {min(again):8.2f} {size:8.0f} {made:7d}   {'ok' if ok else 'NOT'}",
            flush=True,
        )
    return 1 if failed else 0


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    parser = argparse.ArgumentParser()
    parser.add_argument("--tanks", type=int, default=1000)
    parser.add_argument("--folder", type=Path)
    given = parser.parse_args()
    if given.folder:
        sys.exit(main(given.folder, given.tanks))
    with tempfile.TemporaryDirectory() as place:
        write_standing(Path(place), given.tanks)
        write_visits(Path(place), given.tanks, WEEKS)
        sys.exit(main(Path(place), given.tanks))
