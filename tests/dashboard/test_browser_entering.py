"""A real browser of phone width enters one tank by taps, and puts a held row right."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.dashboard.test_browser import CHROMIUM, serving

pytestmark = pytest.mark.browser
TOUCHED = """[data-testid=stButtonGroup] button, .stButton button, [data-testid=stNumberInputContainer],
 [data-testid=stTextInputRootElement], [data-testid=stDateInputField], .react-aria-ComboBox > [role=group]"""
TOO_SMALL = f"""() => [...document.querySelectorAll(`{TOUCHED}`)]
 .filter(e => e.offsetParent && e.getBoundingClientRect().height < 48).map(e => e.outerHTML.slice(0, 80))"""


@pytest.fixture(scope="module")
def logs(demo_logs: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A loaded copy of the demo round that may be written to."""
    return Path(shutil.copytree(demo_logs, tmp_path_factory.mktemp("phone") / "logs"))


@pytest.fixture(scope="module")
def served(logs: Path) -> Iterator[str]:
    with serving(logs) as url:
        yield url


def test_a_tank_is_entered_and_a_held_row_put_right_on_a_phone(served: str, logs: Path) -> None:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 390, "height": 844}, has_touch=True)
        page.set_default_timeout(60_000)
        page.goto(f"{served}/at_the_tank?day=2026-06-02")
        page.get_by_text("Ottersage Court, tank 1 of 4: Conservatory.").wait_for()
        nitrate = page.get_by_role("toolbar", name="Nitrate", exact=True)
        nitrate.get_by_role("button", name="9", exact=True).tap()
        page.get_by_text("read as 6.5–12.5").wait_for()
        nitrate.get_by_role("button", name="27", exact=True).tap()
        page.get_by_text("These steps are not neighbours").wait_for()
        nitrate.get_by_role("button", name="9", exact=True).tap()
        page.get_by_text("read as 21.5–35.5").wait_for()
        assert page.evaluate(TOO_SMALL) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        page.get_by_role("button", name="Keep and go to South bay").tap()
        page.get_by_text("Kept: Conservatory").wait_for()
        page.get_by_text("tank 2 of 4: South bay.").wait_for()
        (path,) = (logs / "visits").glob("entered-*.csv")
        with path.open(newline="") as file:
            (row,) = csv.DictReader(file)
        assert (row["tank"], row["date"], row["nitrate"], row["kit"]) == ("TC1", "2026-06-02", "27", "R2")

        page.goto(f"{served}/held_rows")
        page.get_by_text("9\u00a0items are held").wait_for()
        page.get_by_role("button", name="Put right").nth(5).tap()
        page.get_by_text("Read as 5–10").wait_for()
        assert page.evaluate(TOO_SMALL) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        page.get_by_label("Who (role or initials)").fill("keeper")
        page.get_by_label("Why").fill("wet sheet")
        page.get_by_role("button", name="Take it").tap()
        page.get_by_text("8\u00a0items are still held.").wait_for()
        browser.close()
    assert (logs / "corrections.csv").read_text().splitlines()[-1].endswith(",wet sheet")
