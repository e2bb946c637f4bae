"""At the tank: by taps at the tank, as a grid, as a file; answered by the intake's own rules before it is kept."""

from __future__ import annotations

import csv
import datetime as dt
import re
import shutil
from collections.abc import Callable
from html import unescape
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest
from streamlit.testing.v1.element_tree import Button

from dashboard import at_tank, enter_forms, look
from pipeline import logbook, trial, weekly
from schemas.words import ROW_OUTCOMES
from tests.dashboard.conftest import DAY
from tests.dashboard.test_pages import opened, words
from tests.loads import checked
from tests.spreadsheets import xlsx

pytestmark = pytest.mark.usefixtures("_on_the_day")

ONE = ("change", "look", "taken", "kit", "kind")  # pills of which one is chosen
GRID = "grid 2026-06-02 ottersage|thistlebun 0"


@pytest.fixture
def _on_the_day(monkeypatch: pytest.MonkeyPatch) -> None:
    """Visits of the day after the demo's are no longer to come."""
    monkeypatch.setattr("pipeline.weekly._today", lambda: DAY)


@pytest.fixture
def logs(next_day: Path, tmp_path: Path) -> Path:
    """A copy that may be written to: what is tapped is laid down as a draft before it is kept."""
    return Path(shutil.copytree(next_day, tmp_path / "logs"))


def text(app: AppTest) -> str:
    assert not app.exception, [e.message for e in app.exception]
    return unescape(words(app))


def at(logs: Path, monkeypatch: pytest.MonkeyPatch, state: dict[str, object] | None = None, **query: str) -> AppTest:
    return opened(logs, "at_the_tank", monkeypatch, state, **{"day": DAY.isoformat(), **query})


def tap(app: AppTest, tank: str, name: str, *steps: str) -> AppTest:
    kit = "" if name in ONE else "G1 " if tank == "SS1" else "R2 "
    pills = app.pills(key=f"at {tank} {DAY} 0 {kit}{name}")
    return (pills.set_value(steps[0]) if name in ONE else pills.set_value(list(steps))).run()


def button(app: AppTest) -> Button:
    (found,) = [b for b in app.button if (b.key or "").startswith("keep at ")]
    return found


def keep(app: AppTest) -> AppTest:
    return button(app).click().run()


def entered(logs: Path) -> list[Path]:
    return sorted((logs / "visits").glob("entered-*.csv"))


def row_of(path: Path) -> dict[str, str]:
    with path.open(newline="") as file:
        (row,) = csv.DictReader(file)
    return row


# -- at the tank -----------------------------------------------------------------------------------------


def test_the_route_goes_by_the_day_then_by_the_days_after(next_day: Path) -> None:
    week = weekly.open_week(next_day)
    order = at_tank.route(week, DAY)
    assert list(dict.fromkeys(site for site, _ in order)) == [
        "ottersage", "thistlebun", "bramblequill", "mossthimble", "inkpebble", "plumfennel", "sprocketfern",
    ]  # fmt: skip
    assert [tank for _, tank in order][:5] == ["TC1", "TC2", "TC3", "TC4", "MD1"]
    assert at_tank.start(week, DAY, order) == "TC1"
    assert len(order) == week.table("tank").height


def test_a_tank_is_entered_by_taps_and_the_week_shows_it(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = at(logs, monkeypatch)
    said = text(app)
    assert "Ottersage Court, tank 1 of 4: Conservatory." in said
    assert "expect 4–9 · last 4–9" in said
    assert "<b>KH</b>, drops of 0.5 dKH" in said
    assert button(app).label == "Nothing entered: go to South bay"
    assert "read as <b>0–0.04\u00a0mg/L NH4</b>" in text(tap(app, "TC1", "ammonia", "0"))
    assert "read as <b>6.5–12.5\u00a0mg/L NO3</b>" in text(tap(app, "TC1", "nitrate", "9"))
    told = "These steps are not neighbours: keep one, or two that touch."
    assert told in text(tap(app, "TC1", "nitrate", "4", "16"))
    assert "Conservatory, Ottersage Court is not kept yet." in text(keep(app))
    said = text(tap(app, "TC1", "nitrate", "9", "16"))
    assert told not in said
    assert "read as <b>9–16\u00a0mg/L NO3</b>" in said
    assert "read as <b>20\u00a0%, 54\u00a0L</b>" in text(tap(app, "TC1", "change", "20%"))
    tap(app, "TC1", "look", "well")
    app.number_input(key=f"at TC1 {DAY} 0 temperature").set_value(25.5)
    app.number_input(key=f"at TC1 {DAY} 0 fish").set_value(22)
    app.number_input(key=f"at TC1 {DAY} 0 R2 kh").set_value(9)
    app.text_input(key="enter_by").set_value("keeper").run()
    assert "read as <b>4–4.5" in text(app)
    assert button(app).label == "Keep and go to South bay"
    assert not entered(logs)
    said = text(keep(app))
    if "Look again: " in said:  # a doubt is told first
        assert not entered(logs)
        said = text(keep(app))
    assert "Kept: Conservatory, Ottersage Court, Tue 2 June, 4\u00a0readings." in said
    assert "tank 2 of 4: South bay." in said
    (path,) = entered(logs)
    assert row_of(path) == {
        "date": "2026-06-02", "site": "ottersage", "tank": "TC1", "taken": "before", "ammonia": "0", "nitrate": "9-16",
        "kh": "9 drops", "temperature": "25.5", "kit": "R2", "water_changed": "20%", "fish_seen": "22",
        "fish_look": "well", "by": "keeper",
    }  # fmt: skip
    week = weekly.open_week(logs)
    assert week.as_of == DAY
    assert week.table("reading").filter(tank="TC1", day=DAY, parameter="nitrate").select("low", "high").row(0) == (
        9,
        16,
    )
    # Who enters is asked once, not at every tank.
    assert app.text_input(key="enter_by").value == "keeper"
    # A second visit of the day that stands against the first is not kept.
    app.selectbox(key="enter_tank").set_value("TC1").run()
    assert "Entered already for this day." in text(app)
    app.pills(key=f"at TC1 {DAY} 1 R2 nitrate").set_value(["72"]).run()
    assert "it stands against what was entered for Tue 2 June before" in text(keep(app))
    assert len(entered(logs)) == 1


def test_nothing_entered_goes_on_and_a_kit_that_reads_as_nitrogen_is_echoed_as_it_is_kept(
    logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = keep(at(logs, monkeypatch, tank="TC4"))
    assert "Thistlebun Day Centre, tank 1 of 3: Big hall." in text(app)
    assert not entered(logs)
    app.selectbox(key="enter_tank").set_value("SS1").run()
    assert app.pills(key=f"at SS1 {DAY} 0 kit").value == "G1"
    assert "<b>Nitrate</b>, mg/L NO3-N" in text(app)
    # 20.4–34.3 in NO3, however many digits the page shows of it.
    assert re.search(r"read as <b>20[^<]*–3[45][^<]*mg/L NO3</b>", text(tap(app, "SS1", "nitrate", "5.8")))


def test_each_kit_keeps_its_own_taps_and_without_one_readings_are_typed_and_answered(
    logs: Path, monkeypatch: pytest.MonkeyPatch, as_it_stands: Callable[[Path], None]
) -> None:
    as_it_stands(logs)
    app = tap(at(logs, monkeypatch), "TC1", "nitrate", "27")
    app = tap(app, "TC1", "kit", "M2")  # which has no step 27
    assert "read as" not in text(app)
    app.pills(key=f"at TC1 {DAY} 0 M2 nitrate").set_value(["22"]).run()
    assert "Look again: " in text(keep(app))
    keep(app)
    row = row_of(entered(logs)[0])
    assert (row["kit"], row["nitrate"]) == ("M2", "22")
    app.pills(key=f"at TC2 {DAY} 0 kit").set_value(at_tank.NO_KIT).run()
    app.text_input(key=f"at TC2 {DAY} 0 typed ph").set_value("72").run()
    assert "pH “72” is outside what is accepted" in text(app)
    keep(app)
    assert len(entered(logs)) == 1
    app.text_input(key=f"at TC2 {DAY} 0 typed ph").set_value("7.2").run()
    assert "read as <b>7.15–7.25</b>" in text(app)
    keep(app)
    assert row_of(entered(logs)[1]).get("kit", "") == ""


def test_a_change_is_typed_with_its_unit(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = tap(at(logs, monkeypatch), "TC1", "change", at_tank.OTHER)
    box = app.text_input(key=f"at TC1 {DAY} 0 change other")
    assert "may be litres or per cent" in text(box.set_value("40").run())
    assert "more than the tank holds" in text(box.set_value("400 L").run())
    assert "read as <b>15\u00a0%, 40\u00a0L</b>" in text(box.set_value("40 L").run())


def test_what_is_hoped_for_is_not_known_beyond_the_forecast(next_day: Path) -> None:
    week = weekly.open_week(next_day)
    assert "nitrate" in at_tank.expected_ranges(week, "TC1", DAY)
    assert "nitrate" not in at_tank.expected_ranges(week, "TC1", DAY + dt.timedelta(days=60))
    assert at_tank.expected_text("nitrate", {}, {}) == "no expectation yet · never read"


def test_changes_to_tap_lie_about_the_planned_one() -> None:
    assert at_tank.shares(0.25) == [15, 25, 35]
    assert at_tank.shares(0.1) == [10, 20]
    assert at_tank.shares(0.0) == []


def test_a_failed_write_is_told_and_the_taps_stay(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    app = tap(at(logs, monkeypatch), "TC1", "nitrate", "9")
    with monkeypatch.context() as patch:
        patch.setattr("pipeline.logbook.os.fsync", full)
        assert "the disk is full" in text(keep(app))
    assert app.pills(key=f"at TC1 {DAY} 0 R2 nitrate").value == ["9"]
    assert not entered(logs)


def test_markup_in_names_and_notes_is_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "sites.csv").write_text("site,name\na,<i>Home</i>\n")
    (tmp_path / "tanks.csv").write_text(
        "tank,site,name,net_l\nT1,a,<script>x</script>,100\nT2,a,![z](http://x/y) **b**,100\n"
    )
    app = at(tmp_path, monkeypatch)
    raw = words(app)
    assert "<script>" not in raw
    assert "<i>" not in raw
    label = button(app).label
    assert "![" not in label.replace("\\!\\[", "")
    assert "**" not in label
    assert "net volume not known" not in raw


def test_a_day_on_which_no_tank_ran_says_so(next_day: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = opened(next_day, "at_the_tank", monkeypatch, day="2001-01-01")
    assert "No tank runs on Mon 1 January 2001: choose another day." in text(app)


# -- as a grid -------------------------------------------------------------------------------------------


def as_grid(logs: Path, monkeypatch: pytest.MonkeyPatch) -> AppTest:
    return at(logs, monkeypatch, {"enter_way": "as a grid"})


def typed(app: AppTest, edits: dict[int, dict[str, str]]) -> AppTest:
    app.session_state[GRID] = {"edited_rows": edits, "added_rows": [], "deleted_rows": []}
    (check,) = [b for b in app.button if b.label == "Check"]
    return check.click().run()


def test_a_grid_is_checked_as_typed_and_then_kept(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = as_grid(logs, monkeypatch)
    assert "Nothing is typed yet." in text(typed(app, {}))
    assert not [b for b in app.button if b.key == "grid_keep"]
    said = text(typed(app, {0: {"nitrate": "9", "ph": "7,3"}, 1: {"nitrate": "05-Oct", "water_changed": "25%"}}))
    assert "2\u00a0rows: 1 converted (original kept), 1 part held (the rest of the row is used)." in said
    assert "Was it 5-10?" in said
    assert not entered(logs)
    keep_it = app.button(key="grid_keep")
    assert keep_it.label == "Keep; 1\u00a0item will wait under Held rows"
    said = text(keep_it.click().run())
    assert "2\u00a0rows, in use now." in said
    (path,) = entered(logs)
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(r["date"], r["tank"], r["nitrate"], r["kit"]) for r in rows] == [
        ("2026-06-02", "TC1", "9", "R2"),
        ("2026-06-02", "TC2", "05-Oct", rows[1]["kit"]),
    ]
    assert weekly.open_week(logs).table("held").height == 10


# -- as a file -------------------------------------------------------------------------------------------


def uploaded(logs: Path, monkeypatch: pytest.MonkeyPatch, name: str, content: bytes, kind: str = "visits") -> AppTest:
    app = at(logs, monkeypatch, {"enter_way": "as a file", "upload_kind": kind})
    app.file_uploader[0].set_value((name, content, "text/csv"))
    return app.run()


def test_a_file_shows_its_account_before_it_is_kept(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    content = b"date,tank,nitrate,odd\n2026-05-31,TC1,9,1\n2026-05-31,<b>Attic</b>,9,\n2026-05-31,TC2,ok,\n"
    app = uploaded(logs, monkeypatch, "../My sheet (1).csv", content)
    said = text(app)
    assert "1 part held (the rest of the row is used), 1 held (not used)." in said
    assert "“<b>Attic</b>” is not a known tank" in said
    assert "<b>Attic" not in words(app)
    assert [box.label for box in app.selectbox if "odd" in box.label]
    assert "would be kept as visits/My sheet -1.csv" in said
    assert not (logs / "visits" / "My sheet -1.csv").exists()
    assert "3\u00a0rows, in use now." in text(app.button(key="upload_keep").click().run())
    assert (logs / "visits" / "My sheet -1.csv").read_bytes() == content
    assert weekly.open_week(logs).table("held").height == 11


@pytest.mark.slow
def test_own_columns_of_a_workbook_are_asked_about_shown_and_kept(
    logs: Path, monkeypatch: pytest.MonkeyPatch, as_it_stands: Callable[[Path], None]
) -> None:
    """Guessed by name, chosen by a person, shown as it would become, kept in round.toml for the next file."""
    as_it_stands(logs)
    grid = [["Visit date", "tank", "Acidity", "Weather"], [dt.date(2026, 5, 31), "TC1", 7.3, "wet"]]
    app = uploaded(logs, monkeypatch, "June.xlsx", xlsx({"Sheet1": grid, "Jobs": [["buy wool"]]}))
    assert [(box.label.replace("\\", "")[:12], box.value) for box in app.selectbox] == [
        ("“Visit date”", "date"), ("“Acidity” (7", "ph"), ("“Weather” (w", ""),
    ]  # fmt: skip
    assert "pH 7.25–7.35" in text(app)
    assert "buy wool" in text(app)
    settings = logs / "round.toml"
    assert "[columns]" not in settings.read_text()
    app.button(key="upload_keep").click().run()
    assert not app.exception
    assert '"Acidity" = "ph"\n"Weather" = ""' in settings.read_text()
    assert [path.name for path in (logs / "visits").glob("*.xlsx")] == ["June.xlsx"]
    app = uploaded(logs, monkeypatch, "next.csv", b"Visit date;tank;Acidity;Weather\n2026-05-30;TC1;7.2;dry\n")
    assert list(app.selectbox) == []
    assert "pH 7.15–7.25" in text(app)


def test_other_sheets_are_taken_by_the_same_way_and_what_is_here_already_is_not_kept_again(
    next_day: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = at(next_day, monkeypatch)
    app.pills(key="enter_way").set_value("as a file").run()  # once by the pill itself
    here = (next_day / "visits" / "2026-06.csv").read_bytes()
    for kind, content, said in (
        ("events", b"date,tank,event\n2026-06-02,TC1,fish died\n", "1\u00a0row: 1 accepted."),
        ("services", b"date,tank,filter,job\n2026-06-02,Nowhere,F1,check\n", "is not a known tank"),
        ("visits", b"", "there is nothing to keep"),
        ("visits", here, "Every row of it is here already: there is nothing to keep."),
    ):
        app.pills(key="upload_kind").set_value(kind).run()
        app.file_uploader[0].set_value((f"{len(content)}.csv", content, "text/csv"))
        assert said in text(app.run())
    assert not [b for b in app.button if b.key == "upload_keep"]


def test_lines_that_are_not_shown_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    row = {"file": "a.csv", "line": 2, "column": "ph", "text": "x", "reason": "", "suggestion": None, "tank": "T1"}
    summary = {"rows_in": 0, "files": [], "unknown_columns": [], **dict.fromkeys(ROW_OUTCOMES, 0)}
    result = trial.Account(summary, held=[], remarks=[], elsewhere=[row] * (enter_forms.SHOWN + 3), becomes=[])
    small: list[str] = []
    monkeypatch.setattr(look, "small", small.append)
    enter_forms.account(None, result, titles={"T1": "Hall"})  # type: ignore[arg-type]
    assert small == ["3\u00a0lines more not shown."]


# -- any other record --------------------------------------------------------------------------------------


def form(logs: Path, monkeypatch: pytest.MonkeyPatch, kind: str, family: str, **cells: str) -> AppTest:
    app = at(logs, monkeypatch, {"enter_way": "another record", "form_kind": kind})
    for name, value in cells.items():
        key = f"form {family} {name.rstrip('_')} 0"
        (box,) = [one for one in (*app.selectbox, *app.text_input, *app.date_input) if one.key == key]
        box.set_value(dt.date.fromisoformat(value) if box.type == "date_input" else value)
    (check,) = [one for one in app.button if one.label == "Check"]
    return check.click().run()


@pytest.mark.slow
def test_a_service_and_food_are_typed_shown_and_kept(
    logs: Path, monkeypatch: pytest.MonkeyPatch, as_it_stands: Callable[[Path], None]
) -> None:
    """Services go into a new file; food as a row more of feeding.csv, in its own columns."""
    as_it_stands(logs)
    app = form(logs, monkeypatch, "services", "service", date="2026-05-31", tank="TC1", job="check", found="light")
    assert "1\u00a0row: 1 accepted." in text(app)
    assert "Kept in services/entered-" in text(app.button(key="form_keep").click().run())
    before = (logs / "feeding.csv").read_bytes()
    app = form(logs, monkeypatch, "feeding", "feeding", tank="TC1", from_="2026-05-31", feed_g_day="2.5")
    assert "Kept in feeding.csv" in text(app.button(key="form_keep").click().run())
    assert (logs / "feeding.csv").read_bytes().startswith(before)
    new = checked(logs, DAY)[0]
    done = new["service"].filter(tank="TC1", date=dt.date(2026, 5, 31))
    assert done.select("job", "found").rows() == [("check", "light")]
    assert new["feeding"].filter(tank="TC1").sort("from")["feed_g_day"][-1] == 2.5


def test_a_record_that_would_be_held_is_not_kept(next_day: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = form(next_day, monkeypatch, "events", "event", date="2026-05-31", tank="TC1", event="fish in", count="many")
    assert "put it right, then check again" in text(app)
    assert not [b for b in app.button if b.key == "form_keep"]


# -- nothing there, nothing allowed ------------------------------------------------------------------------


def test_a_folder_that_may_only_be_read_says_so(next_day: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logbook, "closed", lambda folder: "It may only be read.")
    app = at(next_day, monkeypatch)
    assert "It may only be read." in text(app)
    assert not app.button
