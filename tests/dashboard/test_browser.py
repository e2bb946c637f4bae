"""A real browser: the week is followed to a tank and back; a visit typed on a phone is kept and put right; hostile text."""

from __future__ import annotations

import csv
import datetime as dt
import shutil
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline import weekly
from pipeline.from_sheet import make_from
from pipeline.new_folder import make_folder
from tests.dashboard.conftest import serving
from tests.spreadsheets import xlsx

pytestmark = pytest.mark.browser

TOUCHED = """[data-testid=stButtonGroup] button, .stButton button, [data-testid=stNumberInputContainer],
 [data-testid=stTextInputRootElement], [data-testid=stDateInputField], .react-aria-ComboBox > [role=group]"""
TOO_SMALL = f"""() => [...document.querySelectorAll(`{TOUCHED}`)]
 .filter(e => e.offsetParent && e.getBoundingClientRect().height < 48).map(e => e.outerHTML.slice(0, 80))"""
WIDTHS = (1280, 390)


def opened(browser: Any, width: int, away: list[str], url: str) -> Any:
    """A page of that width; what it asks of any other place is noted."""
    page = browser.new_page(viewport={"width": width, "height": 900}, has_touch=width < 600)
    page.set_default_timeout(60_000)
    page.on("request", lambda r: None if r.url.startswith((url, "data:", "blob:", "ws")) else away.append(r.url))
    return page


def sign(panel: Any, why: str) -> None:
    """Who puts a row right, and why."""
    panel.get_by_label("Who (role or initials)").fill("keeper")
    panel.get_by_label("Why").fill(why)
    panel.get_by_label("Why").press("Enter")


@pytest.mark.parametrize("width", WIDTHS)
def test_the_week_is_followed_to_a_tank_and_back_to_the_same_place(browser: Any, served: str, width: int) -> None:
    away: list[str] = []
    page = opened(browser, width, away, served)
    page.goto(served)
    page.wait_for_selector("table.week")
    assert page.locator("table.week td.tank a[data-tank]").count() == 24
    first = page.evaluate("document.querySelector('table.week tbody tr').getBoundingClientRect().top")
    assert first <= (260 if width > 600 else 620)
    assert page.title() == "This week"
    assert page.locator('link[rel="shortcut icon"]').get_attribute("href") not in (None, "./favicon.png")
    page.wait_for_selector(".stMain[data-listens=this_week]")  # before, a click is a plain link: it loads a page anew
    page.locator('td.tank a[data-tank="MD1"]').scroll_into_view_if_needed()
    was = page.evaluate("document.querySelector('.stMain').scrollTop")
    page.locator('td.tank a[data-tank="MD1"]').click()
    page.get_by_role("heading", name="Big hall").wait_for()
    page.wait_for_function("document.title.startsWith('Big hall, Thistlebun Day Centre · One tank')")
    page.wait_for_selector("[data-testid=stVegaLiteChart]")
    assert "tank=MD1" in page.url
    page.go_back()
    page.wait_for_selector("table.week")
    page.wait_for_function(f"Math.abs(document.querySelector('.stMain').scrollTop - {was}) < 40")
    assert page.evaluate("document.querySelector('.stMain').scrollWidth") <= width
    page.close()
    assert away == []


def test_a_visit_is_typed_on_a_phone_survives_a_reload_and_is_put_right(
    browser: Any, served: str, phone_logs: Path
) -> None:
    page = opened(browser, 390, [], served)
    page.goto(f"{served}/at_the_tank?day=2026-06-02&tank=TC1")
    page.get_by_text("Ottersage Court, tank 1 of 4: Conservatory.").wait_for()
    nitrate = page.get_by_role("toolbar", name="Nitrate", exact=True)
    nitrate.get_by_role("button", name="9", exact=True).tap()
    page.get_by_text("read as 6.5–12.5").wait_for()
    nitrate.get_by_role("button", name="27", exact=True).tap()
    page.get_by_text("These steps are not neighbours").wait_for()
    nitrate.get_by_role("button", name="27", exact=True).tap()
    page.get_by_text("read as 6.5–12.5").wait_for()
    assert page.evaluate(TOO_SMALL) == []
    # However far the page is scrolled, the name and the button are in sight.
    page.locator(".stMain").evaluate("e => e.scrollTo(0, 700)")
    for place in (".st-key-here", ".st-key-bar button"):
        box = page.locator(place).bounding_box()
        assert 0 <= box["y"] <= 900 - box["height"]
    page.reload()
    page.get_by_text("read as 6.5–12.5").wait_for()
    page.get_by_role("button", name="Keep and go to South bay").tap()
    page.get_by_text("Kept: Conservatory, Ottersage Court, Tue 2 June, 1").wait_for()
    page.get_by_text("tank 2 of 4: South bay.").wait_for()
    assert page.evaluate("document.querySelector('.stMain').scrollTop") == 0
    (path,) = (phone_logs / "visits").glob("entered-*.csv")
    with path.open(newline="") as file:
        (row,) = csv.DictReader(file)
    assert (row["tank"], row["date"], row["nitrate"], row["kit"]) == ("TC1", "2026-06-02", "9", "R2")
    page.get_by_role("button", name="Put right").first.tap()
    page.get_by_label("Value").fill("16")
    page.get_by_label("Value").press("Enter")
    page.get_by_text("Read as 12.5–21.5").wait_for()
    panel = page.locator(".st-key-held_panel")
    sign(panel, "wet sheet")
    page.get_by_role("button", name="Put it right").tap()
    page.get_by_text("nitrate 16").wait_for()
    page.close()
    last = (phone_logs / "corrections.csv").read_text().splitlines()[-1]
    assert last.startswith(f"visits/{path.name},2,nitrate,9,16,keeper")
    assert last.endswith(",wet sheet")


PAGES = (
    "", "one_tank?tank=LM2", "capacity_and_nitrate", "filter_book?filter=P02", "plan?tank=LM2",
    "at_the_tank?day=2026-06-01&tank=LM2", "held_rows", "papers", "assumptions",
)  # fmt: skip
NAME = (
    "![x](http://127.0.0.2:9/a.png) <script>window.hit=1</script> <img src=http://127.0.0.2:9/b.png> =1+1 $x^2$ :red[x]"
)


def spoil(path: Path, column: str, value: str) -> None:
    """Put a value before what stands in a column of a CSV."""
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    with path.open("w", newline="", encoding="utf-8") as file:
        sheet = csv.DictWriter(file, rows[0].keys())
        sheet.writeheader()
        sheet.writerows([{**row, column: f"{value} {row[column]}"} for row in rows])


FEW = ("LM1", "LM2", "LM4", "TC1", "TC3", "HS1")  # tanks enough for every class, page and chart


def few_tanks(logs: Path) -> None:
    """Leave out the rows of all tanks but a few: what a page shows of twenty-four it shows of six."""
    for path in logs.rglob("*.csv"):
        rows = list(csv.DictReader(path.read_bytes().decode("utf-8", "replace").splitlines()))
        if rows and "tank" in rows[0] and path.name != "2026-03-24-evening-sheet.csv":
            with path.open("w", newline="", encoding="utf-8") as file:
                sheet = csv.DictWriter(file, rows[0].keys())
                sheet.writeheader()
                sheet.writerows([row for row in rows if row["tank"] in FEW])


def barriers(page: Any, contrast: bool) -> list[str]:
    """What axe-core finds serious or critical for people who can't see or point well; contrast takes half of its time."""
    from axe_playwright_python.sync_playwright import Axe

    rules = {"color-contrast": {"enabled": contrast}}
    found = Axe().run(page, options={"resultTypes": ["violations"], "rules": rules}).response["violations"]
    return [f"{v['id']}: {v['nodes'][0]['html']}" for v in found if v["impact"] in ("serious", "critical")]


@pytest.mark.slow
def test_hostile_text_is_shown_as_typed_on_every_page_at_both_widths(
    browser: Any, demo_logs: Path, tmp_path: Path
) -> None:
    """And nothing is fetched from elsewhere, nothing scrolls sideways, axe finds nothing serious, no error is logged."""
    logs = Path(shutil.copytree(demo_logs, tmp_path / "logs"))
    few_tanks(logs)
    for name, column in (("sites.csv", "name"), ("tanks.csv", "name"), ("tanks.csv", "note")):
        spoil(logs / name, column, NAME)
    away: list[str] = []
    errors: list[str] = []
    with serving(logs) as url:
        page = opened(browser, WIDTHS[0], away, url)
        # Streamlit looks for its own files below the page's address first.
        page.on("console", lambda m: errors.append(m.text) if m.type == "error" and "404" not in m.text else None)
        for address in PAGES:
            page.set_viewport_size({"width": WIDTHS[0], "height": 900})
            page.goto(f"{url}/{address}")
            page.wait_for_selector(".caution")
            assert page.get_by_text("Something went wrong").count() == 0, address
            assert page.evaluate("window.hit === undefined"), address
            assert page.locator(".stMain .katex").count() == 0, address
            for what, to in (("img", "src"), ("a", "href")):
                out = page.locator(f'.stMain {what}[{to}^="http"]').evaluate_all(f"all => all.map(e => e.{to})")
                assert [link for link in out if not link.startswith(url)] == [], address
            for width in WIDTHS:
                page.set_viewport_size({"width": width, "height": 900})
                page.wait_for_function(f"document.querySelector('.stMain').scrollWidth <= {width}", timeout=15_000)
                assert barriers(page, contrast=width == WIDTHS[0]) == [], address  # no colour hangs on the width
        page.close()
    assert (away, errors) == ([], [])


@pytest.mark.slow
def test_the_worst_tank_is_planned_for_proposed_and_issued_and_a_held_row_put_right(
    browser: Any, served: str, phone_logs: Path
) -> None:
    page = opened(browser, 1280, [], served)
    page.goto(served)
    page.wait_for_selector(".stMain[data-listens=this_week]")
    page.locator("table.week td.tank a[data-tank]").first.click()
    page.get_by_role("button", name="Plan a change").click()
    share = page.get_by_role("spinbutton", name="Water changed, %")
    share.fill("12")
    share.press("Enter")
    page.get_by_role("button", name="Keep as a proposal").wait_for()
    page.locator(".st-key-keep_by input").fill("keeper")
    page.locator(".st-key-keep_by input").press("Enter")
    page.get_by_role("button", name="Keep as a proposal").click()
    page.get_by_text("No report says it until it is ticked on Papers.").wait_for()
    page.locator('.stMain a[href^="papers?site="]').click()
    page.locator(".st-key-proposals label").first.click()
    page.get_by_role("button", name="Issue it").click()
    with page.expect_download() as issued:
        page.locator('[class*="st-key-now"] button').first.click()
    assert Path(issued.value.path()).read_bytes().startswith(b"%PDF")
    assert list((phone_logs / "issued").rglob("*.pdf"))
    # A held row: the misspelt tank of the evening sheet.
    page.goto(f"{served}/held_rows")
    page.get_by_role("button", name="Put right").first.click()
    panel = page.locator(".st-key-held_panel")
    panel.get_by_text("take MD3").wait_for()
    sign(panel, "sheet")
    panel.get_by_role("button", name="Take it").click()
    page.get_by_text("still held.").wait_for()
    page.close()
    assert ",tank,Therapy rom,accept,keeper," in (phone_logs / "corrections.csv").read_text().splitlines()[-1]


COUNT = "addEventListener('click', e => { if (e.isTrusted) window.clicks = (window.clicks || 0) + 1; }, true);"


@pytest.mark.slow
def test_day_one_a_workbook_of_forty_tanks_is_a_review_in_two_clicks(browser: Any, tmp_path: Path) -> None:
    """On the page: choose the file, keep. By the command: one line. Both load to the same tables."""
    head = ["Visit date", "Customer", "Aquarium", "Acidity", "NO3 (ppm)", "Water change", "Litres"]
    grid: list[list[object]] = [["All of it, invented"], head]
    days = [dt.date(2026, 5, 4) + dt.timedelta(7 * week) for week in range(4)]
    grid += [[d, f"Home {t // 4}", f"Tank {t}", 7.2, 20, 0.25, 100 + t] for d in days for t in range(40)]
    book, logs = tmp_path / "round.xlsx", tmp_path / "logs"
    book.write_bytes(xlsx({"Sheet1": grid}))
    make_folder(logs)
    with serving(logs) as url:
        page = opened(browser, 1280, [], url)
        page.add_init_script(COUNT)
        page.goto(url)
        with page.expect_file_chooser() as chosen:
            page.locator("[data-testid=stFileUploader] button").first.click()
        chosen.value.set_files(book)
        page.get_by_text("40\u00a0tanks at 10\u00a0sites, 160\u00a0visits").first.wait_for()
        page.get_by_role("button", name="Keep", exact=True).click()
        page.wait_for_selector("table.week td.tank a[data-tank]")
        assert page.locator("table.week td.tank a[data-tank]").count() == 40
        assert page.evaluate("window.clicks") == 2
        page.close()
    make_from(tmp_path / "from", book)
    typed, made = weekly.open_week(logs), weekly.open_week(tmp_path / "from")
    for name in ("site", "tank", "reading", "water_change"):
        alike = [week.table(name).drop("file", "line").sort(pl.all()) for week in (typed, made)]
        assert alike[0].equals(alike[1]), name
