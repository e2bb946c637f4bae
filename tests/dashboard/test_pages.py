"""Every page runs on the demo round and says its data's day and the cautions; empty rounds say what to do next."""

from __future__ import annotations

import datetime as dt
import re
import shutil
from html import unescape
from pathlib import Path

import polars as pl
import pytest
from streamlit import config as st_config
from streamlit.runtime.scriptrunner.script_cache import ScriptCache
from streamlit.testing.v1 import AppTest, app_test, local_script_runner

from dashboard import cells, charts
from pipeline import weekly
from pipeline.new_folder import make_folder
from pipeline.review import summary
from pipeline.review.rules import RULES
from tests.conftest import DEMO_DAY
from tests.spreadsheets import xlsx

APP = Path(__file__).parents[2] / "dashboard" / "app.py"

# The pages run as the product's own settings have them, and are compiled once, not at every run: half of a run's time.
st_config.set_option("runner.magicEnabled", False)
st_config.set_option("browser.gatherUsageStats", False)
COMPILED = ScriptCache()
local_script_runner.ScriptCache = lambda: COMPILED  # type: ignore[misc,assignment]
app_test.ScriptCache = lambda: COMPILED  # type: ignore[misc,assignment]

PAGES = (
    "this_week", "one_tank", "capacity_and_nitrate", "filter_book", "plan", "at_the_tank", "held_rows", "papers",
    "assumptions",
)  # fmt: skip


def title(app: AppTest) -> str:
    """The page's title as it is read: Markdown's backslashes and unseen joiners are not."""
    return app.title[0].value.replace("\\", "").replace("\u2060", "")


def opened(
    logs: Path, page: str, monkeypatch: pytest.MonkeyPatch, state: dict[str, object] | None = None, **query: str
) -> AppTest:
    monkeypatch.setenv("TANKROUND_LOGS", str(logs))
    monkeypatch.setenv("TANKROUND_DB", "")
    monkeypatch.setenv("TANKROUND_AS_OF", DEMO_DAY.isoformat())
    app = AppTest.from_file(str(APP), default_timeout=60)
    for key, value in query.items():
        app.query_params[key] = value
    for key, kept in (state or {}).items():
        app.session_state[key] = kept
    if page != "this_week":
        app.switch_page(f"views/{page}.py")
    app.run()
    assert not app.exception, [e.message for e in app.exception]
    assert "Something went wrong" not in words(app), (logs / ".tankround" / "tankround.log").read_text()[-3000:]
    return app


SEEN: dict[tuple[object, ...], AppTest] = {}


def seen(logs: Path, page: str, monkeypatch: pytest.MonkeyPatch, **query: str) -> AppTest:
    """A page of a folder that nobody writes to, run once for all the tests that only look at it."""
    key = (logs, page, *sorted(query.items()))
    if key not in SEEN:
        SEEN[key] = opened(logs, page, monkeypatch, **query)
    return SEEN[key]


def words(app: AppTest) -> str:
    return " ".join(piece.proto.body for piece in app.get("html"))


@pytest.mark.parametrize("page", PAGES)
def test_a_page_runs_and_carries_the_day_and_the_cautions(
    page: str, demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = words(seen(demo_logs, page, monkeypatch))
    assert "Data as of Mon 1 June 2026" in text
    assert "Power off at the wall" in text


def test_this_week_has_a_row_a_tank_and_counts_that_add_up(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = words(seen(demo_logs, "this_week", monkeypatch))
    week = weekly.open_week(demo_logs)
    assert text.count('<a href="one_tank?tank=') == week.now("review").height == 24
    assert "24\u00a0tanks on 7\u00a0sites" in text
    assert text.count("Nitrate, 12 weeks: last") == 24


def test_a_choice_without_a_tank_says_so(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = words(seen(demo_logs, "this_week", monkeypatch, site="ottersage", day="Friday"))
    assert '<p class="counts">No tank of this choice: choose another site or day.</p>' in text


FOLDS = {"fold Its capacity, line by line": True, "fold History": True}


@pytest.mark.parametrize("tank", ["LM2", "MD3", "HS1", "SS4"])
def test_one_tank_opens_its_sum_its_filter_and_its_chart(
    tank: str, demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if tank == "LM2":
        assert "Plain rating" not in words(seen(demo_logs, "one_tank", monkeypatch, tank=tank))  # not before
    app = opened(demo_logs, "one_tank", monkeypatch, FOLDS, tank=tank)
    text = words(app)
    for said in ("Plain rating", "Bioload of the working rating", "Possible causes", "fish seen"):
        assert said in text
    charts = app.get("vega_lite_chart")
    nitrate = next(c.proto.alt for c in charts if c.proto.alt.startswith("Nitrate over"))
    assert "limit" in nitrate
    assert "nan" not in nitrate.lower()


def test_a_closed_tank_is_drawn_with_its_own_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "visits").mkdir()
    (tmp_path / "sites.csv").write_text("site,name\na,Home\n")
    (tmp_path / "tanks.csv").write_text("tank,site,net_l,closed,nitrate_ceiling\nT1,a,100,,\nT2,a,100,2026-05-20,55\n")
    (tmp_path / "visits" / "a.csv").write_text("date,tank,nitrate\n2026-05-04,T2,20\n2026-05-11,T2,25\n")
    charts = opened(tmp_path, "one_tank", monkeypatch, tank="T2").get("vega_lite_chart")
    (nitrate,) = [c.proto.alt for c in charts if c.proto.alt.startswith("Nitrate over")]
    assert "limit 55." in nitrate


@pytest.mark.parametrize("page", PAGES)
def test_an_empty_round_says_what_to_do_next(page: str, empty_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = seen(empty_logs, page, monkeypatch)
    text = words(app)
    assert "NaN" not in text
    if page in ("this_week", "one_tank", "capacity_and_nitrate", "plan", "at_the_tank", "papers"):
        assert "No tanks are on this round yet." in text
        assert "<code>tankround load</code>" in text
    if page in ("plan", "papers"):
        assert "fill in sites.csv and tanks.csv, then run <code>tankround load</code>." in text
    if page == "held_rows":
        assert "Nothing is held: every row that was typed is in use." in text
        assert "Nothing was put right yet." in text
    if page == "filter_book":
        assert "The filter book is empty" in text
        assert "Fill in filter_models.csv" in text
    if page == "papers":
        assert list(app.get("download_button")) == []
    if page == "assumptions":
        text = words(app.button(key="hangs_go").click().run())
        assert "No tank is reviewed yet" in text
        assert "<small>litres_per_kg</small>" in text
    assert "`" not in text
    assert "“tankround" not in text


def test_a_first_tank_is_typed_on_an_empty_round(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "empty"
    make_folder(folder)
    app = opened(folder, "this_week", monkeypatch)

    def check() -> str:
        next(b for b in app.button if b.label == "Check").click().run()
        return words(app)

    assert "Type a site, a tank and its litres first." in check()
    app.text_input(key="first_site").set_value("Home")
    app.text_input(key="first_name").set_value("<b>Lounge")
    app.number_input(key="first_litres").set_value(120)
    assert "2\u00a0rows: 2 accepted." in check()
    assert (folder / "tanks.csv").read_text().count("\n") == 1
    app.button(key="first_keep").click().run()
    assert not app.exception
    text = words(app)
    assert "Kept: &lt;b&gt;Lounge, Home." in text
    assert "Next: enter readings under At the tank" in text
    assert "1\u00a0tank on 1\u00a0site" in text
    assert text.count("Suggestion, most useful first: record the filter of 1\u00a0tank") == 1
    week = weekly.open_week(folder)
    assert week.table("tank").select("tank", "site", "name", "gross_l").rows() == [("T01", "S1", "<b>Lounge", 120.0)]


@pytest.mark.slow
def test_all_tanks_of_a_workbook_come_in_on_the_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Own headers and dates as text that can be read in two ways: a person says which, and nothing is kept before."""
    folder = tmp_path / "empty"
    make_folder(folder)
    head = ["Visit date", "Customer", "Aquarium", "NO3 (ppm)", "Litres", "Thermo"]
    grid: list[list[object]] = [
        head,
        *(["03/04/2026", f"Home {t // 4}", f"Tank {t}", "10,5", 100 + t, 24] for t in range(12)),
    ]
    app = opened(folder, "this_week", monkeypatch)
    app.file_uploader[0].set_value(("round.xlsx", xlsx({"All": grid}), "application/octet-stream")).run()
    assert "say how they are typed" in words(app)
    assert not [b for b in app.button if b.key == "first_keep"]
    app.pills(key="first_order").set_value("day-first").run()
    assert "From round.xlsx: 12\u00a0tanks at 3\u00a0sites, 12\u00a0visits." in words(app)
    asked = {box.label.replace("\\", ""): box for box in app.selectbox}
    assert (asked["“Litres”"].value, asked["“Thermo”"].value) == ("gross_l", "")
    asked["“Thermo”"].set_value("temperature").run()
    app.button(key="first_keep").click().run()
    assert not app.exception
    assert "12\u00a0tanks on 3\u00a0sites" in words(app)
    readings = weekly.open_week(folder).table("reading")
    assert readings["day"].unique().to_list() == [dt.date(2026, 4, 3)]
    means = readings.select("parameter", "matched").unique().sort("parameter").rows()
    assert means == [("nitrate", 10.5), ("temperature", 24.0)]


def test_a_step_links_to_where_its_rule_is_done(demo_logs: Path) -> None:
    """By the rule of the finding, never by words of the step; every rule named here is one."""
    assert set(cells.DONE_AT) <= {rule.__name__ for rule in RULES}
    week = weekly.open_week(demo_logs)
    rules = summary.top_rules(week, week.now("review"))
    steady = set(week.now("review").filter(pl.col("class") == "steady")["tank"])
    assert set(week.now("review")["tank"]) - set(rules) <= steady
    assert cells.done_at("held", "A&B") == "held_rows?tank=A%26B"
    assert cells.done_at(rules["LM2"], "LM2") == "plan?tank=LM2"
    assert cells.done_at("service_due", "T1") == "at_the_tank?tank=T1&amp;record=services"
    assert cells.done_at("reading_in_doubt", "T1", dt.date(2026, 5, 29)) == "at_the_tank?tank=T1&amp;day=2026-05-29"
    assert cells.done_at("", "T1") == "at_the_tank?tank=T1"


def test_the_week_as_a_table_has_numbers_and_names(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    frame = seen(demo_logs, "this_week", monkeypatch).dataframe[0].value
    row = frame[frame["Tank"] == "Supper room"].to_dict("records")[0]
    assert row["Site"] == "Plumfennel"
    for name in ("Nitrate from", "Nitrate to", "Rise a week", "Levels off near", "Limit", "Bioload, plain %"):
        assert isinstance(row[name], float), name


def test_each_class_is_drawn_in_the_chart_as_in_its_key() -> None:
    """Filled, an outline, or a broken line: Vega's mark says what the SVG of the key says."""
    for name, (_, style) in charts.SHAPE.items():
        key = cells.SHAPES[name]
        assert style["filled"] == ('fill="#' in key), name
        assert ("strokeDash" in style) == ("dasharray" in key), name
    assert list(charts.SHAPE) == list(cells.SHAPES)


def test_markup_in_names_is_shown_as_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "sites.csv").write_text("site,name\na,<b>Home</b>\n")
    (tmp_path / "tanks.csv").write_text("tank,site,name,net_l\nT1,a,<script>x</script>,100\n")
    text = words(opened(tmp_path, "this_week", monkeypatch))
    assert "<script>" not in text
    assert "&lt;script&gt;" in text


def test_capacity_and_nitrate_names_the_tanks_over_and_climbing(
    demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = words(seen(demo_logs, "capacity_and_nitrate", monkeypatch))
    assert "Over rating and climbing: Supper room, Plumfennel and Front entrance, Bramblequill School." in text


def test_held_rows_shows_every_reason_whole(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = unescape(words(seen(demo_logs, "held_rows", monkeypatch)))
    for reason in weekly.open_week(demo_logs).table("held")["reason"]:
        assert reason in text


def test_as_of_today_says_how_old_the_newest_visit_is_and_calls_no_tank_steady(
    demo_logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    logs = shutil.copytree(demo_logs, tmp_path / "logs")

    def shown(as_of: str) -> str:
        monkeypatch.setattr("dashboard.data.as_of", lambda: dt.date.fromisoformat(as_of))
        monkeypatch.setattr("pipeline.weekly._today", lambda: dt.date.fromisoformat(as_of))
        return words(opened(logs, "this_week", monkeypatch))

    assert "newest visit today" in shown("2026-06-01")
    late = shown("2026-08-03")
    assert '<span class="hand">newest visit 9\u00a0weeks ago, on Mon 1 June 2026</span>' in late
    assert 'class="steady"' not in late


def test_steady_tanks_are_folded_and_never_vermillion(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = words(seen(demo_logs, "this_week", monkeypatch))
    fold = text[text.index('<details class="fold"><summary>') : text.index("How to read a strip")]
    assert "8 steady" in fold
    assert fold.count('<tr role="row" class="steady">') == 8
    assert "hand" not in fold
    assert "B24A00" not in fold
    assert "B24A00" in text


def test_one_tank_opens_on_the_first_of_the_week_and_says_so_where_a_tank_is_not_known(
    demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = opened(demo_logs, "one_tank", monkeypatch)
    assert "There is no tank" not in words(app)
    assert title(app) == "Waiting area, Mossthimble Surgery"
    app.button(key="next_tank").click().run()
    assert title(app) == "Snug, Plumfennel"
    app.button(key="previous_tank").click().run()
    assert title(app) == "Waiting area, Mossthimble Surgery"
    app = opened(demo_logs, "one_tank", monkeypatch, tank="<b>nope")
    assert "There is no tank “&lt;b&gt;nope” on this round." in words(app)
    assert title(app) == "Waiting area, Mossthimble Surgery"


def test_a_fault_on_a_page_names_the_log_file(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> None:
        raise ZeroDivisionError("a fault on purpose")

    monkeypatch.setattr("dashboard.data.week", broken)
    with pytest.raises(AssertionError, match="a fault on purpose"):  # opened() reads the log file out
        opened(demo_logs, "this_week", monkeypatch)


def test_capacity_and_nitrate_ranks_every_tank_and_counts_them(
    demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = words(seen(demo_logs, "capacity_and_nitrate", monkeypatch))
    counts = [int(n) for n in re.findall(r"<strong(?: class=hand)?>(\d+)</strong>", text)]
    unplaced = int(re.findall(r"(\d+)\u00a0tanks can't be placed", text)[0])
    assert text.count('data-tank="') == sum(counts) + unplaced == 24
    assert text.index('data-tank="LM2"') < text.index('data-tank="SS3"') < text.index('data-tank="LM1"')
    assert "over and climbing since 11 May" in text
    assert "Climbing: the whole range of the net rise is above 4.2 mg/L a week." in text


def test_one_tank_draws_a_chosen_cause(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = opened(demo_logs, "one_tank", monkeypatch, tank="SS2")

    def drawn() -> tuple[str, str]:
        chart = next(c for c in app.get("vega_lite_chart") if c.proto.alt.startswith("Nitrate over"))
        return chart.proto.spec, chart.proto.alt

    spec, said = drawn()
    assert "Drawn" not in said
    app.pills(key="cause SS2").set_value("media not ripe").run()
    assert not app.exception
    chosen, said = drawn()
    assert "Drawn: media not mature, as a possible cause" in said
    assert chosen.count('"mark"') == spec.count('"mark"') + 1
