"""Acceptance scenarios about ratings and advice, from a log folder on disk to the JSON of the commands."""

from __future__ import annotations

import datetime as dt
import json
import re
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from click.testing import CliRunner

from pipeline import weekly
from pipeline.cli import app

Files = dict[str, str]
# An invented filter book: F-07 has a cup, a basket of pads and three baskets of 2 L, carbon in the last.
BOOK: Files = {
    "sites.csv": "site,name,water_supply\nS1,Hall,W1\n",
    "media.csv": "medium,stage,quality,bulk_kg_l\ngood,biological,1,0.5\ncoarse pad,coarse,0,\nmedium pad,medium,0,\n"
    "fine pad,fine,0,\ncarbon,chemical,0,0.45\n",
    "filter_models.csv": "model,kind,rated_flow_l_h,source\nF-07,canister,1000,measured by me\n",
    "compartments.csv": "model,position,compartment,stage,medium,shape,width_mm,depth_mm,usable_share,usable_l\n"
    "F-07,1,cup,coarse,coarse pad,cylinder,150,60,1,\nF-07,2,basket 1,medium,medium pad,,,,,\n"
    "F-07,3,basket 1,fine,fine pad,,,,,\nF-07,4,basket 2,biological,good,,,,,2.0\n"
    "F-07,5,basket 3,biological,good,,,,,2.0\nF-07,6,basket 4,chemical,carbon,,,,,2.0\n",
}
FILLS = "filter,compartment,layer,medium,mass_kg,wetted,from\n"


def pads(name: str) -> str:
    return f"{name},cup,1,coarse pad,,,2024-01-01\n{name},basket 1,1,fine pad,,,2024-01-01\n"


def visited(*days: str, tank: str = "T1", nitrate: str = "20") -> str:
    return "date,tank,nitrate\n" + "".join(f"{day},{tank},{nitrate}\n" for day in days)


# One tank of 240 L on 2.0 kg of media wetted 60 weeks before 2 June 2025.
LOUNGE: Files = {
    **BOOK,
    "tanks.csv": "tank,site,name,net_l,stocking\nT1,S1,Lounge,240,normal\n",
    "filters.csv": "filter,model\nF1,F-07\n",
    "placements.csv": "filter,tank,from\nF1,T1,2024-01-01\n",
    "fills.csv": FILLS + pads("F1") + "F1,basket 2,1,good,1.0,2024-04-08,2024-04-08\n"
    "F1,basket 3,1,good,1.0,2024-04-08,2024-04-08\n",
    "visits/a.csv": visited("2025-06-02"),
}


@pytest.fixture
def logs(tmp_path: Path) -> Path:
    return tmp_path / "logs"


def write(folder: Path, files: Files) -> str:
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return str(folder)


def last_day(folder: Path) -> dt.date:
    """The last day in the logs."""
    logs = [path for room in ("visits", "services", "events") for path in (folder / room).glob("*.csv")]
    days = re.findall(r"^\d{4}-\d\d-\d\d", "\n".join(path.read_text() for path in logs), re.MULTILINE)
    return dt.date.fromisoformat(max(days))


def told(*words: str) -> Any:
    """What a command prints as JSON, on the last day in the logs where none is given; NaN and Infinity are no JSON."""
    day = last_day(Path(words[1])) if words[0] in ("review", "plan") and "--as-of" not in words else weekly._today()
    with mock.patch.object(weekly, "_today", return_value=day):
        result = CliRunner().invoke(app, [*words, "--format", "json"])
    assert result.exit_code == 0, result.output
    assert "NaN" not in result.stdout
    assert "Infinity" not in result.stdout
    return json.loads(result.stdout)


def tanks(folder: str, *more: str) -> dict[str, Any]:
    return {tank["tank"]: tank for tank in told("review", folder, *more)["tanks"]}


def said(text: str) -> str:
    return text.replace("\u00a0", " ")


def test_scenario_1_over_by_04_kg(logs: Path) -> None:
    folder = write(logs, LOUNGE)
    tank = tanks(folder)["T1"]
    rating = tank["rating"]
    assert (rating["plain_l"], rating["plain_load_pct"], rating["plain_state"]) == (200, 120.0, "borderline")
    assert (rating["over_full_cycle"], rating["working_load_pct"]) == (True, 120.0)
    (finding,) = [one for one in tank["findings"] if one["rule"] == "over_full_cycle_rating"]
    assert "short of 0.4 kg" in said(finding["says"])
    # Scenario 9: one reading is too few.
    assert tank["nitrate"]["recent"] == {"rate": None, "low": None, "high": None, "readings": 1, "state": "too few"}
    assert tank["class"] != "steady"
    change = told("plan", folder, "--tank", "T1")["water_change"]
    assert (change["fraction"], change["litres"], change["possible"], change["way_down"]) == (None, None, None, None)
    assert said(change["says"]).startswith("Can't size a change: it needs nitrate readings")


@pytest.mark.parametrize(
    ("as_of", "plain", "working", "new"),
    [("2025-06-02", 96.0, 120.0, "new: 0\u00a0weeks old"), ("2025-09-15", 96.0, 106.7, "new: 15\u00a0weeks old"),
     ("2025-12-01", 96.0, 96.0, "")],
)  # fmt: skip
def test_scenario_1_new_media_counts_at_once_by_the_plain_rule_and_ripens(
    logs: Path, as_of: str, plain: float, working: float, new: str
) -> None:
    more = {"fills.csv": LOUNGE["fills.csv"] + "F1,basket 4,1,good,0.5,2025-06-02,2025-06-02\n",
            "visits/a.csv": visited("2025-06-02", as_of)}  # fmt: skip
    folder = write(logs, LOUNGE | more)
    rating = tanks(folder)["T1"]["rating"]
    assert (rating["plain_load_pct"], rating["working_load_pct"], rating["media_kg"]) == (plain, working, 2.5)
    (layer,) = [layer for layer in rating["factors"] if layer["mass_kg"] == 0.5]
    assert layer["why"].startswith(new)
    assert ("new" in layer["why"]) == bool(new)
    found = told("plan", folder, "--tank", "T1")
    assert (found["now"]["plain_load_pct"], found["now"]["working_load_pct"]) == (plain, working)
    if working > 100:
        assert "comes within its rating on" in found["says"]
        assert found["now"]["within_on"].startswith("2025-1")
    else:
        assert (found["says"], found["options"]) == ("Within its rating: nothing needs doing.", [])


MOVE: Files = {
    **BOOK,
    "tanks.csv": "tank,site,name,net_l\nT1,S1,One,150\nT2,S1,Two,180\n",
    "filters.csv": "filter,model\nK,F-07\nL,F-07\n",
    "placements.csv": "filter,tank,from,to\nK,T1,2024-01-01,2025-03-09\nK,T2,2025-03-10,\nL,T2,2024-01-01,\n",
    "fills.csv": FILLS + pads("K") + pads("L") + "K,basket 2,1,good,1.5,2024-01-01,2024-01-01\n"
    "L,basket 2,1,good,1.0,2024-01-01,2024-01-01\n",
    "visits/a.csv": visited("2025-03-02", "2025-03-09", "2025-03-11"),
}  # fmt: skip


def test_scenario_4_a_filter_moves_and_the_days_before_stay_as_they_were(logs: Path) -> None:
    folder = write(logs, MOVE)
    for day, one, two in (("2025-03-02", 100.0, 180.0), ("2025-03-09", 100.0, 180.0), ("2025-03-11", None, 72.0)):
        found = {name: tank["rating"] for name, tank in tanks(folder, "--as-of", day).items()}
        assert (found["T1"]["plain_load_pct"], found["T2"]["plain_load_pct"]) == (one, two), day
        assert found["T1"]["media_kg"] + found["T2"]["media_kg"] == 2.5
    assert (found["T1"]["plain_state"], found["T1"]["missing"]) == ("half cycle only", "no rated media")
    plan = told("plan", folder, "--tank", "T1", "--as-of", "2025-03-11")
    assert (plan["now"]["plain_load_pct"], plan["now"]["working_state"]) == (None, "half cycle only")


def test_scenario_4_a_filter_on_two_tanks_is_held(logs: Path) -> None:
    both = "filter,tank,from,to\nK,T1,2024-01-01,\nK,T2,2025-03-10,\nL,T2,2024-01-01,\n"
    folder = write(logs, MOVE | {"placements.csv": both})
    rows = told("held", folder)
    assert [(row["file"], row["line"]) for row in rows] == [("placements.csv", 2), ("placements.csv", 3)]
    assert all("Filter K" in row["reason"] for row in rows)
    account = told("load", folder)
    assert account["held"] == 2
    assert tanks(folder)["T2"]["rating"]["plain_load_pct"] == 180.0


WILL_KEYS = {"half": {"ok", "rates_l", "limit"}, "full": {"ok", "rates_l", "limit", "short_kg"}}


def will(folder: str, *more: str) -> dict[str, Any]:
    found: dict[str, Any] = told("will-it-do", folder, "--model", "F-07", *more)
    assert set(found) >= {"half", "full", "would_make_it_yes", "assumed"}
    for cycle, keys in WILL_KEYS.items():
        assert set(found[cycle]) >= keys
    return found


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A round with a filter book and no tanks."""
    return write(tmp_path_factory.mktemp("book"), BOOK)


def test_scenario_7_250_net(book: str) -> None:
    found = will(book, "--net-l", "250", "--flow", "700")
    half, full = found["half"], found["full"]
    assert (half["ok"], half["rates_l"], half["limit"]) == (True, 280.0, "flow")
    assert (full["ok"], full["rates_l"], full["limit"], full["short_kg"]) == (False, 200.0, "media", 0.5)
    assert any(
        "media instead of carbon in basket 4: 3 kg, needs 2.5 kg" in said(way) for way in found["would_make_it_yes"]
    )
    assert not any("gross" in one for one in found["assumed"])


def test_scenario_7_350_net(book: str) -> None:
    found = will(book, "--net-l", "350", "--flow", "700")
    assert (found["half"]["ok"], found["half"]["needs_l_h"], found["full"]["ok"]) == (False, 875.0, False)
    assert any("875 L/h" in said(way) for way in found["would_make_it_yes"])
    assert not any(way["ok"] for way in found["layouts"])


def test_scenario_7_gross_294_says_that_net_250_is_assumed(book: str) -> None:
    found = will(book, "--gross-l", "294", "--flow", "700")
    assert said(found["assumed"][0]) == "net 250 L, 85 % of the 294 L gross"
    assert (found["gross_l"], found["half"]["ok"], found["full"]["short_kg"]) == (294.0, True, 0.5)
    letter = CliRunner().invoke(
        app, ["will-it-do", book, "--model", "F-07", "--gross-l", "294", "--flow", "700", "--letter"]
    )
    assert "For your 250 L (net; I assumed 85 % of 294 L)" in said(letter.stdout)


def test_will_it_do_of_an_empty_book_is_null_and_words(logs: Path) -> None:
    bare = {"filter_models.csv": "model,kind\nF-07,canister\n"}
    found = will(write(logs, bare), "--net-l", "100")
    assert (found["half"]["ok"], found["half"]["rates_l"], found["full"]["short_kg"]) == (None, None, None)
    assert found["missing"] == ["the compartments of F-07"]


def each_week(rise: float, weeks: int) -> str:
    """A reading a week from 4 mg/L up by `rise` each time, and no changes."""
    first = dt.date(2025, 3, 31)
    rows = [f"{first + dt.timedelta(7 * n)},T1,{4 + rise * n:g}\n" for n in range(weeks)]
    return "date,tank,nitrate\n" + "".join(rows)


# Five tanks like the lounge, of each of which something is not known; their filters are F1 to F5.
EDGES = (
    ("T1", "half cycle only", "Nothing in it works for the full cycle."),  # no media but the pads
    ("T2", "can't say", "it needs net or gross litres"),
    ("T3", "can't say", "it needs what fills F3"),
    ("T4", "can't say", "the mass of good"),
    ("T5", "can't say", "it needs a filter on record"),
)
MEDIA = "{0},basket 2,1,good,1.0,2024-04-08,2024-04-08\n{0},basket 3,1,good,{1},2024-04-08,2024-04-08\n"


def test_scenario_9_what_is_not_known_of_a_tank(logs: Path) -> None:
    names = [name for name, *_ in EDGES]
    files = {
        "tanks.csv": "tank,site,name,net_l,stocking\n"
        + "".join(f"{name},S1,{name},{'' if name == 'T2' else 240},normal\n" for name in names),
        "filters.csv": "filter,model\n" + "".join(f"F{name[1]},F-07\n" for name in names),
        "placements.csv": "filter,tank,from\n" + "".join(f"F{n},T{n},2024-01-01\n" for n in (1, 2, 3, 4)),
        "fills.csv": FILLS + pads("F1") + pads("F2") + MEDIA.format("F2", "1.0") + pads("F4") + MEDIA.format("F4", "")
        + pads("F5") + MEDIA.format("F5", "1.0"),
        "visits/a.csv": "date,tank,nitrate\n" + "".join(f"2025-06-02,{name},20\n" for name in names),
    }  # fmt: skip
    folder = write(logs, BOOK | files)
    found = tanks(folder)
    for name, state, says in EDGES:
        rating = found[name]["rating"]
        assert (rating["plain_load_pct"], rating["plain_state"]) == (None, state), name
        assert rating["missing"]
        assert found[name]["class"] != "steady"
        plan = told("plan", folder, "--tank", name)
        assert plan["now"]["working_load_pct"] is None
        assert says in plan["says"]


def test_scenario_9_a_tap_over_the_ceiling(logs: Path) -> None:
    more = {"tap.csv": "water_supply,date,nitrate\nW1,2025-05-01,45\n",
            "feeding.csv": "tank,from,feed_g_day\nT1,2025-01-01,1.2\n"}  # fmt: skip
    change = told("plan", write(logs, LOUNGE | more), "--tank", "T1")["water_change"]
    assert (change["fraction"], change["possible"], change["tap"]) == (None, False, 45.0)
    assert "No change can hold 40 mg/L: the tap itself brings 45 mg/L." in said(change["says"])


def test_scenario_9_without_changes_it_settles_nowhere_and_reaches_its_ceiling(logs: Path) -> None:
    """Up 9 a week from 4 without a change: 49 in the sixth week, and 80 three to four weeks later."""
    tank = {"tanks.csv": "tank,site,name,net_l,stocking,nitrate_ceiling\nT1,S1,Lounge,240,normal,80\n"}
    folder = write(logs, LOUNGE | tank | {"visits/a.csv": each_week(9, 6)})
    nitrate = tanks(folder)["T1"]["nitrate"]
    assert nitrate["plateau"] == {
        "value": None,
        "low": None,
        "high": None,
        "state": "no changes: it does not level off",
    }
    assert nitrate["weeks_to_ceiling"] == pytest.approx(31 / 9, abs=0.6)
    change = told("plan", folder, "--tank", "T1")["water_change"]
    assert (change["possible"], change["rise_per_change"]) == (True, pytest.approx(9, abs=0.3))
    words = said(change["says"])
    assert re.match(
        r"No changes are recorded: nitrate rises (8.9\d|9) mg/L a week and reaches 80 mg/L in [34] weeks. ", words
    )


def test_scenario_9_an_empty_folder_has_no_plan_and_says_so(logs: Path) -> None:
    folder = write(logs, {"round.toml": "[round]\n"})
    result = CliRunner().invoke(app, ["plan", folder, "--tank", "T1"])
    assert result.exit_code == 1
    assert "“T1” is not a tank of this round; expected one of: none yet." in str(result.exception) + result.output
