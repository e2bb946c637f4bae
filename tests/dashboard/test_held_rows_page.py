"""Held rows: an item is put right, rejected or refused by the same rules that held it; the log says what applies."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable
from html import unescape
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from pipeline import logbook, weekly
from tests.dashboard.test_pages import opened, seen, words

SHEET = "visits/2026-03-24-evening-sheet.csv"


def text(app: AppTest) -> str:
    assert not app.exception, [e.message for e in app.exception]
    return unescape(words(app))


def choose(app: AppTest, line: int, column: str, file: str = SHEET) -> AppTest:
    return app.button(key=f"open {file}|{line}|{column}").click().run()


def signed(app: AppTest, by: str = "keeper", why: str = "wet sheet") -> AppTest:
    app.text_input(key="held_by").set_value(by)
    app.text_input(key="held_why").set_value(why)
    return app.button(key="held_keep").click().run()


def last_correction(logs: Path) -> dict[str, str]:
    with (logs / "corrections.csv").open(newline="") as file:
        return list(csv.DictReader(file))[-1]


def test_the_page_says_how_many_since_when_and_who_waits(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said = text(seen(demo_logs, "held_rows", monkeypatch))
    assert "9\u00a0items are held, the oldest since Tue 24 March 2026" in said
    assert "2\u00a0items stand under no tank yet" in said
    assert "held 9\u00a0weeks, since Tue 24 March" in said
    # A whole visit first, then what kills, then what the fit waits for.
    places = [said.index(mark) for mark in ("“Therapy rom”", "“O”", "“77”", "“05-Oct”", "“ok”")]
    assert places == sorted(places)


def test_a_suggestion_is_accepted_and_the_week_shows_it(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = choose(opened(logs, "held_rows", monkeypatch), 5, "nitrate")
    assert "Read as <b>5–10\u00a0mg/L NO3.</b>" in text(app)
    said = text(signed(app))
    assert "Upper lounge, Ottersage Court, Nitrate: Read as 5–10\u00a0mg/L NO3." in said
    assert "8\u00a0items are still held." in said
    row = last_correction(logs)
    told = (row[name] for name in ("file", "line", "column", "was", "now", "by", "why"))
    assert list(told) == [SHEET, "5", "nitrate", "05-Oct", "accept", "keeper", "wet sheet"]
    week = weekly.open_week(logs)
    assert week.table("held").height == 8
    assert week.table("reading").filter(file=SHEET, line=5, parameter="nitrate").select("low", "high").row(0) == (5, 10)
    assert week.table("correction")["state"].to_list() == ["applied", "applied"]


def test_another_value_is_checked_as_it_is_typed(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = (logs / "corrections.csv").read_bytes()
    app = choose(opened(logs, "held_rows", monkeypatch), 10, "nitrite")
    app.pills[0].set_value("value").run()
    app.text_input(key=f"value {SHEET}|10|nitrite").set_value("quite low").run()
    assert "It would be held again: “quite low” can't be read as a number" in text(app)
    assert "Nothing was written" in text(signed(app))
    assert (logs / "corrections.csv").read_bytes() == before
    app.text_input(key=f"value {SHEET}|10|nitrite").set_value("0").run()
    assert re.search(r"Read as <b>0–0\.0[34]\d*\s?mg/L NO2</b>\. The same for its exact repeat", text(app))
    assert "8\u00a0items are still held." in text(app.button(key="held_keep").click().run())
    last = last_correction(logs)
    assert (last["line"], last["now"]) == ("11", "0")
    account = weekly.open_week(logs).table("account").filter(file=SHEET)
    assert account["repeats"].to_list() == [1]


def test_who_and_why_are_asked_and_a_write_that_fails_is_told(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    before = (logs / "corrections.csv").read_bytes()
    app = choose(opened(logs, "held_rows", monkeypatch), 5, "nitrate")
    assert "Say who" in text(signed(app, "", "x"))
    assert "Say why" in text(signed(app, "k", " "))
    monkeypatch.setattr("pipeline.logbook.os.fsync", full)
    assert "the disk is full" in text(signed(app))
    assert (logs / "corrections.csv").read_bytes() == before


def test_a_rejected_cell_and_a_torn_line_are_written_down_as_they_were_answered(
    logs: Path, monkeypatch: pytest.MonkeyPatch, as_it_stands: Callable[[Path], None]
) -> None:
    """What the intake makes of such corrections is tested there; a row held for its tank is put right in the browser."""

    def written() -> tuple[str, ...]:
        return tuple(last_correction(logs)[name] for name in ("line", "column", "was", "now"))

    as_it_stands(logs)
    app = choose(opened(logs, "held_rows", monkeypatch), 15, "kh")
    app.pills[0].set_value("reject").run()
    assert "The cell will not be used; the rest of its row is." in text(app)
    signed(app)
    assert written() == ("15", "kh", "ok", "reject")
    choose(app, 17, "")
    assert not app.get("pills")
    assert f"can only be rejected here, or put right in the file itself: {SHEET}, line 17" in text(app)
    assert "The row will not be used." in text(app)
    signed(app)
    assert written()[::3] == ("17", "reject")


def test_a_stale_correction_says_what_the_cell_reads_now_and_a_file_held_whole_has_no_button(
    logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (logs / "events" / "odd.csv").write_text("nothing,of,this\n1,2,3\n")
    sheet = logs / SHEET
    sheet.write_text(sheet.read_text().replace(",72,", ",7.3,", 1))
    rows = [
        {"file": "visits/gone.csv", "line": "3", "column": "ph", "was": "1", "now": "7", "by": "x", "on": "2026-05-01"},
        {"file": SHEET, "line": "some", "column": "ph", "was": "1", "now": "7", "by": "x", "on": "2026-05-02"},
        {"file": SHEET, "line": "15", "column": "kh", "was": "<b>fine</b>", "now": "4", "by": "x", "on": "2026-05-03"},
    ]
    logbook.add_corrections(logs, rows)
    app = opened(logs, "held_rows", monkeypatch)
    said = text(app)
    assert "3\u00a0corrections are stale" in said
    assert "stale: the cell reads “7.3” now" in said
    assert "stale: the file has no such cell now" in said
    assert "not understood: its line is no number" in said
    assert "stale: the cell reads “ok” now" in said
    assert "<b>fine</b>" not in words(app)
    assert "events/odd.csv, the whole file" in said
    assert not [b for b in app.button if "odd.csv" in (b.key or "")]


def test_markup_and_markdown_in_a_held_cell_stay_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "visits").mkdir()
    (tmp_path / "sites.csv").write_text("site,name\na,Home\n")
    (tmp_path / "tanks.csv").write_text("tank,site,name,net_l\nT1,a,**Hall** ![x](http://x/y),100\n")
    (tmp_path / "visits" / "x.csv").write_text(
        "date,tank,nitrate,ph\n2026-05-01,T1,<script>x</script>,72\n2026-05-01,![y](http://y/z),5,7\n"
    )
    app = opened(tmp_path, "held_rows", monkeypatch)
    raw = words(app)
    assert "<script>" not in raw
    assert "&lt;script&gt;" in raw
    app = choose(app, 2, "nitrate", "visits/x.csv")
    assert not app.exception
    labels = [option.content for pill in app.get("pills") for option in pill.proto.options]
    assert not any("![" in label or "**" in label for label in labels)


def test_a_folder_that_may_only_be_read_offers_no_button(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logbook, "closed", lambda folder: "It may only be read.")
    app = opened(demo_logs, "held_rows", monkeypatch)
    assert "It may only be read." in text(app)
    assert not [b for b in app.button if (b.key or "").startswith("open ")]
