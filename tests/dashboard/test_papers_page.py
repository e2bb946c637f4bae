"""The page Papers: what a report will hold, ticks, issues that are frozen, and papers built on a click only."""

from __future__ import annotations

import datetime as dt
import io
import json
import os
import shutil
import zipfile
from html import unescape
from pathlib import Path

import pytest
from pypdf import PdfReader
from streamlit.testing.v1 import AppTest

from dashboard import look
from dashboard import papers_forms as forms
from pipeline import weekly
from pipeline.papers.issued import PDF
from pipeline.week import Week
from tests.dashboard.test_pages import opened as opened_page

FIRST, LAST = dt.date(2026, 5, 5), dt.date(2026, 6, 1)


@pytest.fixture(scope="module")
def week(demo_logs: Path) -> Week:
    return weekly.open_week(demo_logs)


def opened(logs: Path, monkeypatch: pytest.MonkeyPatch, **query: str) -> AppTest:
    return opened_page(logs, "papers", monkeypatch, **query)


def pressed(app: AppTest) -> AppTest:
    app.button(key="issue_it").click().run()
    assert not app.exception, [e.message for e in app.exception]
    return app


def words(app: AppTest) -> str:
    return unescape(" ".join(piece.proto.body for piece in app.get("html"))).replace("\u00a0", " ")


def downloads(app: AppTest) -> list[str]:
    return [button.proto.label for button in app.get("download_button")]


def issues(logs: Path) -> list[Path]:
    return sorted((logs / "issued").rglob("report.json"))


def alt(app: AppTest) -> str:
    return str(app.get("image")[0].proto.imgs[0].alt)


def test_it_opens_with_the_last_four_weeks_of_a_site_and_says_what_the_paper_will_hold(
    demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = opened(demo_logs, monkeypatch, site="plumfennel")
    assert (app.date_input(key="paper_from").value, app.date_input(key="paper_to").value) == (FIRST, LAST)
    text = words(app)
    assert (
        "A cover and five sheets, one a tank: four visits, on 11, 18, 25 May and 1 June 2026; no gaps; nothing held."
        in text
    )
    assert "Not issued yet." in text
    assert not any(box.value for box in app.checkbox)
    assert "No name of a resident, pupil, patient or member of staff" in text
    assert alt(app).startswith("Sheet 1 of 5: Garden lounge tank, Plumfennel. Good. The fish look well")
    assert not (demo_logs / "issued").exists()
    assert "Issued so far" not in text


def test_the_address_chooses_site_and_days_and_nonsense_in_it_is_passed_over(
    demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = opened(demo_logs, monkeypatch, site="mossthimble", **{"from": "2026-03-02", "to": "2026-04-30"})
    assert app.selectbox(key="paper_site").value == "mossthimble"
    assert "A cover and three sheets" in words(app)
    assert "from 5 March to 30 April 2026" in words(app)
    app = opened(demo_logs, monkeypatch, site="../etc", **{"from": "soon", "to": "2999-01-01"})
    assert app.selectbox(key="paper_site").value == "plumfennel"
    assert app.date_input(key="paper_from").value == FIRST


def test_days_in_the_wrong_order_and_days_before_every_tank_are_said(
    demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = opened(demo_logs, monkeypatch, **{"from": "2026-05-20", "to": "2026-05-01"})
    assert "after its end: choose an earlier first day" in words(app)
    app = opened(demo_logs, monkeypatch, **{"from": "2001-05-01", "to": "2001-05-20"})
    assert "No tank of Plumfennel ran between" in words(app)


def test_the_cover_is_looked_at_too_and_a_ticked_note_goes_on_its_sheet_and_no_other(
    demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = opened(demo_logs, monkeypatch, site="plumfennel")
    named = [fold.label for fold in app.expander]
    assert "The words of this sheet" in named
    app = app.button_group(key="paper_sheet").set_value("").run()
    assert not app.exception
    assert [fold.label for fold in app.expander] == [name for name in named if name != "The words of this sheet"]
    app.session_state["paper_sheet"] = "LM2"
    assert "Notes from the visits" not in words(app.run())
    box = next(box for box in app.checkbox if "quote for more media" in box.label)
    assert "<li>quote for more media</li>" in words(box.check().run())
    assert "everything washed" not in words(app)
    app.session_state["paper_sheet"] = "LM1"
    assert "quote for more media" not in words(app.run())


def test_a_press_freezes_the_report_a_second_changes_nothing_and_a_changed_one_is_the_next_issue(
    logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = opened(logs, monkeypatch, site="plumfennel")
    before = len(downloads(app))
    assert "Frozen as issue 1 of" in words(pressed(app))
    first = issues(logs)
    assert [path.parent.name for path in first] == ["issue-1"]
    assert len(downloads(app)) == before + 4  # PDF and HTML, beside the button and in the list
    kept = (first[0].parent / PDF).read_bytes()
    assert "It was issued already, as issue 1 of" in words(pressed(app))
    assert issues(logs) == first
    next(box for box in app.checkbox if "quote for more media" in box.label).check().run()
    assert "This differs from issue 1 of" in words(app)
    assert "Frozen as issue 2 of" in words(pressed(app))
    assert [path.parent.name for path in issues(logs)] == ["issue-1", "issue-2"]
    assert (first[0].parent / PDF).read_bytes() == kept
    mark = json.loads(issues(logs)[1].read_text("utf-8"))["content_sha256"]
    assert f"5 May to 1 June 2026 · {mark[:10]}" in words(app)
    # A damaged and a missing issue are said and not offered.
    one, two = (path.parent for path in issues(logs))
    offered = len(downloads(app))
    (two / PDF).write_bytes(b"%PDF another")
    text = words(app.run())
    assert "changed since it was issued: bring it back from a copy" in text
    assert "Issued again, this becomes the next issue." in text
    assert len(downloads(app)) == offered - 4
    (two / "report.json").unlink()
    assert "can't be read" in words(app.run())
    shutil.rmtree(one)
    assert "Issue 1 of 2026-05-05 to 2026-06-01 is missing from the folder issued." in words(app.run())


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_may_only_be_read_gets_a_sentence(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = opened(logs, monkeypatch)
    (logs / "issued").mkdir()
    (logs / "issued").chmod(0o555)
    assert "Not issued:" in words(pressed(app))
    assert "give it write access" in words(app)


def test_a_place_that_can_not_be_written_gets_a_sentence(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = opened(logs, monkeypatch)
    (logs / "issued").write_text("in the way")
    text = words(pressed(app))
    assert "Not issued:" in text
    assert "could not be written" in text


def test_a_site_without_a_tank_is_said_and_what_was_typed_is_shown_as_text(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "sites.csv").write_text("site,name\na,<b>Home</b>\nb,Attic\n")
    (tmp_path / "tanks.csv").write_text("tank,site,name,net_l\nT1,a,<script>x</script>,100\nT2,a,:tada: **b**,100\n")
    (tmp_path / "visits").mkdir()
    (tmp_path / "visits" / "a.csv").write_text(
        "date,tank,taken,nitrate,note\n"
        '2026-05-06,T1,before,5-10,"<img src=x> ![p](http://x/y.png) :tada: $x$ www.example.invalid"\n'
    )
    app = opened(tmp_path, monkeypatch, site="b")
    assert "No tank of Attic ran between" in words(app)
    app = opened(tmp_path, monkeypatch, site="a")
    raw = " ".join(piece.proto.body for piece in app.get("html"))
    assert "<script>x" not in raw
    assert "<b>Home" not in raw
    label = app.checkbox[0].label
    assert label.endswith(
        r"\<img src\=x\> \!\[p\]\(http\:~\/\/x\/y\.~png\) \:~tada\:~ \$x\$ www\.~example\.~invalid".replace(
            "~", "\u2060"
        )
    )


def test_a_label_reads_as_it_was_typed() -> None:
    assert look.label("plain words, 40 %").replace("\\", "") == "plain words, 40 %"
    assert look.label("two\nlines") == "two lines"
    assert look.label("a:b_c") == "a\\:\u2060b\\_c"


def pages_of(content: bytes | str) -> int:
    assert isinstance(content, bytes)
    return len(PdfReader(io.BytesIO(content)).pages)


@pytest.fixture
def built(week: Week) -> dict[str, dict[str, bytes | str]]:
    papers = [*forms.day_papers(week, ["ottersage", "thistlebun"], dt.date(2026, 6, 2)), *forms.round_papers(week)]
    return {title: {file.label: file.build() for file in files} for title, _, files in papers}


def test_every_paper_that_is_offered_can_be_built_and_opened(built: dict[str, dict[str, bytes | str]]) -> None:
    assert pages_of(built["Visit sheets"]["PDF"]) == 4  # two tanks a page, each site begun anew
    assert pages_of(built["Van list"]["PDF"]) == 1
    assert pages_of(built["Labels"]["PDF"]) == 1
    assert pages_of(built["Weekly review"]["PDF"]) >= 1
    sheets, load = str(built["Visit sheets"]["HTML"]), str(built["Van list"]["HTML"])
    assert "Ottersage Court" in sheets
    assert "Thistlebun Day Centre" in sheets
    assert "Plumfennel" not in sheets
    assert "Tuesday 2 June 2026" in load
    assert bytes(built["Calendar"]["ICS"]).startswith(b"BEGIN:VCALENDAR")  # type: ignore[arg-type]
    histories = zipfile.ZipFile(io.BytesIO(bytes(built["Histories"]["ZIP"])))  # type: ignore[arg-type]
    assert histories.testzip() is None
    assert "history-TC1.html" in histories.namelist()
    assert len(histories.namelist()) == 7
    for form in ("CSV", "Parquet"):
        tables = zipfile.ZipFile(io.BytesIO(bytes(built["All tables"][form])))  # type: ignore[arg-type]
        assert "datapackage.json" in tables.namelist()
        assert f"reading.{form.lower()}" in tables.namelist()


def test_a_tank_has_its_history_page(week: Week) -> None:
    file = forms.history_file(week, "LM2")
    assert file.name == "history-LM2.html"
    assert "Supper room tank, Plumfennel" in str(file.build())


def test_no_paper_is_built_by_looking_at_the_page(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> bytes:
        raise AssertionError("built without being asked for")

    for name in ("labels", "van_list", "week_pdf", "calendar", "export_zip", "histories_zip", "history_page"):
        monkeypatch.setattr(forms, name, refuse)
    monkeypatch.setattr("pipeline.papers.visit_sheets.visit_sheets", refuse)
    app = opened(demo_logs, monkeypatch)
    assert downloads(app).count("PDF") == 4


def test_the_sites_of_a_day_are_those_with_a_visit_on_it(
    demo_logs: Path, week: Week, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = opened(demo_logs, monkeypatch)
    assert app.date_input(key="paper_day").value == forms.next_day(week) == dt.date(2026, 6, 2)
    assert app.multiselect[0].value == ["ottersage", "thistlebun"]
    app.date_input(key="paper_day").set_value(dt.date(2026, 6, 3)).run()
    assert app.multiselect[0].value == ["bramblequill"]
    app.date_input(key="paper_day").set_value(dt.date(2026, 6, 6)).run()
    assert "No visit falls on Sat 6 June 2026" in words(app)


def test_a_report_of_an_earlier_month_tells_the_state_of_its_own_last_day(
    logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = opened(logs, monkeypatch, site="plumfennel", **{"from": "2025-12-01", "to": "2025-12-31"})
    pressed(app)
    record = json.loads(issues(logs)[0].read_text("utf-8"))
    assert (record["first"], record["last"]) == ("2025-12-01", "2025-12-31")
    days = [bar[0] for sheet in record["content"]["sheets"] for bar in sheet["bars"]]
    assert max(days) == "2025-12-29"
