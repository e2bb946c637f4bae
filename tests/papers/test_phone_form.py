"""The phone form: opened as a file in a real browser with the network off; what it saves loads as if it were typed."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline import weekly
from pipeline.papers.phone_form import form_name, phone_form
from pipeline.papers.writing import write_sheets
from schemas import Tables
from tests.dashboard.test_pages import opened
from tests.loads import checked

DAY = dt.date(2026, 6, 1)
SAVED = (
    "record,date,site,tank,nitrate,kit,water_changed,filter,job,found,event,count,by,note\n"
    "visits,2026-05-31,ottersage,TC1,9,,30%,,,,,,me,\"a, b\"\n"
    "services,2026-05-31,,TC1,,,,{filter},check,light,,,me,\n"
    "events,2026-05-31,,TC1,,,,,,,fish in,2,me,\n"
    "weather,2026-05-31,,TC1,,,,,,,,,me,wet\n"
)  # fmt: skip


@pytest.fixture
def logs(demo_logs: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(demo_logs, tmp_path / "logs"))


def test_one_csv_holds_visits_services_and_events(logs: Path) -> None:
    """Each row keeps its line, and what is no record is told, never lost."""
    on = (
        weekly.open_week(logs)
        .table("placement")
        .filter((pl.col("tank") == "TC1") & pl.col("to").is_null())["filter"][0]
    )
    (logs / "visits" / "form.csv").write_text(SAVED.format(filter=on))
    tables, *_ = checked(logs, DAY)
    mine = pl.col("file").str.starts_with("visits/form.csv")
    assert tables["reading"].filter(mine).select("parameter", "matched", "line").rows() == [("nitrate", 9.0, 2)]
    assert tables["visit"].filter(mine)["note"][0] == "a, b"
    assert tables["service"].filter(mine).select("filter", "job", "line").rows() == [(on, "check", 3)]
    assert tables["event"].filter(mine).select("event", "count", "line").rows() == [("fish in", 2.0, 4)]
    account = tables["account"].filter(mine)
    assert sorted(account.select("file", "rows_in").rows()) == [
        ("visits/form.csv, sheet events", 1), ("visits/form.csv, sheet services", 1),
        ("visits/form.csv, sheet visits", 1), ("visits/form.csv, sheet weather", 1),
    ]  # fmt: skip


def test_no_text_of_a_record_ends_the_page_and_only_its_own_script_runs(demo_logs: Path) -> None:
    week = weekly.open_week(demo_logs)
    hostile = week.table("tank").with_columns(name=pl.lit("</script><script>alert(1)</script>"))
    week.tables["tank"], own = hostile, week.table("tank")
    made = phone_form(week, "ottersage", DAY)
    week.tables["tank"] = own
    assert made.count("</script>") == 2
    assert "script-src 'sha256-" in made
    assert "http:" not in made
    assert "https:" not in made


ALIKE = {"reading": "parameter", "water_change": "text", "visit": "taken"}  # table -> its order


def of_the_visit(tables: Tables) -> dict[str, list[dict[str, object]]]:
    """The tables of the visit typed: all but where it was typed."""
    mine = (pl.col("tank") == "TC1") & (pl.col("day") == DAY)
    return {name: tables[name].filter(mine).drop("file", "line").sort(by).to_dicts() for name, by in ALIKE.items()}


def typed_on_the_page(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same visit by taps on At the tank; the load that would follow is not waited for."""
    mark = weekly._fingerprint(logs, weekly._files(logs))
    monkeypatch.setattr(weekly, "_fingerprint", lambda *_: mark)
    app = opened(logs, "at_the_tank", monkeypatch, day=DAY.isoformat(), tank="TC1")
    at = f"at TC1 {DAY} 0"
    app.pills(key=f"{at} R2 nitrate").set_value(["9", "16"])
    app.number_input(key=f"{at} R2 kh").set_value(9)
    app.pills(key=f"{at} change").set_value("30%")
    app.number_input(key=f"{at} fish").set_value(22)
    app.pills(key=f"{at} look").set_value("well")
    app.text_input(key=f"{at} note").set_value("clear")
    app.text_input(key="enter_by").set_value("me").run()
    for _ in range(2):  # what is in doubt is told first
        if not list((logs / "visits").glob("entered-*.csv")):
            next(b for b in app.button if (b.key or "").startswith("keep at")).click().run()


@pytest.mark.browser
@pytest.mark.slow
def test_a_visit_is_typed_offline_kept_and_saved_and_loads_as_if_typed_on_the_page(
    logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, browser: Any
) -> None:
    page_logs = Path(shutil.copytree(logs, tmp_path / "page"))
    write_sheets(weekly.open_week(logs), ["ottersage"], tmp_path / "out", day=DAY, form=True)
    name = form_name("ottersage", DAY)
    context = browser.new_context(viewport={"width": 390, "height": 844}, offline=True, accept_downloads=True)
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda told: wrong.append(told.text) if told.type == "error" else None)
    page.goto((tmp_path / "out" / f"{name}.html").as_uri())
    page.locator("details").first.locator("summary").click()
    first = page.locator("details").first
    first.get_by_role("group", name="nitrate").get_by_role("button").nth(2).click()
    first.get_by_role("group", name="nitrate").get_by_role("button").nth(3).click()
    for _ in range(9):
        first.get_by_role("group", name="kh").get_by_label("one more").click()
    assert first.get_by_text("9 drops: 4–4.5").is_visible()
    first.get_by_label("Fish seen").fill("22")
    first.get_by_label("Fish look").select_option("well")
    first.get_by_label("Note").first.fill("clear")
    page.get_by_label("Who (role or initials)").fill("me")
    first.get_by_label("Water changed").fill("30%")
    first.get_by_role("button", name="Add an event").click()
    first.get_by_label("Event").select_option("fish in")
    first.get_by_label("How many fish").fill("2")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.reload()
    page.locator("details").first.locator("summary").click()
    assert page.locator("details").first.get_by_label("Water changed").input_value() == "30%", "kept when closed"
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save the CSV").click()
    saved.value.save_as(logs / "visits" / f"{name}.csv")
    context.close()
    assert wrong == []
    tables, *_ = checked(logs, DAY)
    mine = pl.col("file").str.starts_with(f"visits/{name}.csv")
    assert tables["held"].filter(mine)["reason"].to_list() == []
    assert tables["reading"].filter(mine)["parameter"].sort().to_list() == ["kh", "nitrate"]
    assert tables["water_change"].filter(mine)["fraction"].to_list() == [0.3]
    assert tables["event"].filter(mine).select("event", "count").rows() == [("fish in", 2.0)]
    typed_on_the_page(page_logs, monkeypatch)
    assert of_the_visit(tables) == of_the_visit(checked(page_logs, DAY)[0])
