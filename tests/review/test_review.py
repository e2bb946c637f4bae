"""The review on the demo round, and the rules that must not fire or must."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from pipeline import review, weekly
from pipeline.review.finding import REASON_MOST, STEP_MOST
from schemas.words import CAUSES, CLASSES

HEAD = "date,tank,taken,ammonia,nitrite,nitrate,ph,kh,temperature,water_changed\n"


def told(folder: Path, rows: list[str], tanks: str = "T1,a,100,2020-01-01,40\n", **files: str) -> dict:
    """The review of a small round with these visit rows, as JSON, tank T1."""
    (folder / "visits").mkdir(parents=True)
    (folder / "sites.csv").write_text("site,name\na,Home\n")
    (folder / "tanks.csv").write_text("tank,site,net_l,set_up,nitrate_ceiling\n" + tanks)
    (folder / "visits" / "v.csv").write_text(HEAD + "".join(f"{row}\n" for row in rows))
    for name, text in files.items():
        path = folder / f"{name.replace('__', '/')}.csv"
        path.parent.mkdir(exist_ok=True)
        path.write_text(text)
    week = review.as_json(weekly.open_week(folder, today=dt.date(2026, 6, 1)))
    assert sum(week["counts"].values()) == len(week["tanks"])
    return next(tank for tank in week["tanks"] if tank["tank"] == "T1")


def rules(tank: dict) -> dict[str, str]:
    return {f["rule"]: f["class"] for f in tank["findings"]}


def test_the_demo_round_shows_what_it_was_made_to_show(demo_logs: Path) -> None:
    week = review.as_json(weekly.open_week(demo_logs))
    classes = {tank["tank"]: tank["class"] for tank in week["tanks"]}
    assert list(week["counts"]) == list(CLASSES)
    assert classes["HS1"] == "act today"
    assert classes["LM4"] == "this week"
    assert classes["MD3"] == "can't say"
    assert classes["QO2"] == "can't say"
    over = next(tank for tank in week["tanks"] if tank["tank"] == "TC1")  # over its rating, and nitrate steady
    assert rules(over)["over_full_cycle_rating"] == "steady"
    assert rules(over)["half_cycle_short"] == "plan"
    assert [classes[t] for t in ("LM2", "TC2", "SS2", "SS3")] == ["plan"] * 4
    order = [CLASSES.index(tank["class"]) for tank in week["tanks"]]
    assert order == sorted(order)


def test_words_fit_and_causes_are_few_and_known(demo_logs: Path) -> None:
    week = review.as_json(weekly.open_week(demo_logs))
    for tank in week["tanks"]:
        assert len(tank["reason"]) <= REASON_MOST
        assert len(tank["next_step"]) <= STEP_MOST
        for finding in tank["findings"]:
            assert len(finding["causes"]) <= 3
            assert {c["cause"] for c in finding["causes"]} <= set(CAUSES)
            assert finding["basis"]


def test_nitrite_of_a_half_is_acted_on_today_and_a_trace_this_week(tmp_path: Path) -> None:
    half = told(tmp_path / "a", ["2026-05-31,T1,before,0,0.5,20,7.2,6,25,"])
    assert half["class"] == "act today"
    trace = told(tmp_path / "b", ["2026-05-31,T1,before,0,0.1,20,7.2,6,25,"])
    assert rules(trace)["nitrite"] == "this week"
    none = told(tmp_path / "c", ["2026-05-31,T1,before,0,0,20,7.2,6,25,"])
    assert not {"nitrite", "nitrite_act", "ammonia"} & set(rules(none))


def test_a_reading_that_may_reach_the_limit_asks_for_a_retest(tmp_path: Path) -> None:
    tank = told(tmp_path / "a", ["2026-05-31,T1,before,0,<1,20,7.2,6,25,"])
    assert rules(tank)["nitrite_act"] == "this week"


def test_free_ammonia_is_calculated_from_ph_and_warmth(tmp_path: Path) -> None:
    # 0.5 mg/L at pH 8.2 and 26 °C: share 8.8 %, so 0.04 mg/L; at pH 7.0 it is 0.003.
    assert rules(told(tmp_path / "a", ["2026-05-31,T1,before,0.5,0,20,8.2,6,26,"]))["free_ammonia"] == "act today"
    calm = rules(told(tmp_path / "b", ["2026-05-31,T1,before,0.5,0,20,7.0,6,26,"]))
    assert "free_ammonia" not in calm
    assert calm["ammonia"] == "this week"


@pytest.mark.parametrize(("days", "silent"), [(10, False), (11, True)])
def test_silence_is_never_green(days: int, silent: bool, tmp_path: Path) -> None:
    day = dt.date(2026, 6, 1) - dt.timedelta(days)
    rows = [f"{day},T1,before,0,0,20,7.2,6,25,", "2026-06-01,T2,before,0,0,20,7.2,6,25,"]
    tank = told(tmp_path / "a", rows, tanks="T1,a,100,2020-01-01,40\nT2,a,100,2020-01-01,40\n")
    assert (rules(tank).get("no_usable_reading") == "can't say") is silent


def test_a_held_cell_keeps_its_tank_from_being_said(tmp_path: Path) -> None:
    tank = told(tmp_path / "a", ["2026-05-31,T1,before,0,0,05-Oct,7.2,6,25,"])
    assert tank["class"] == "can't say"
    assert rules(tank)["held"] == "can't say"
    assert tank["held"] == 1


def test_a_trap_forbids_a_large_change(tmp_path: Path) -> None:
    tank = told(tmp_path / "a", ["2026-05-31,T1,before,0,0.6,90,5.8,1,25,"])
    assert tank["class"] == "act today"
    assert "no more than 10\xa0%" in tank["next_step"]
    assert all("no more than" in f["do"] for f in tank["findings"] if f["rule"] == "nitrite_act")


def test_noted_is_quiet_until_its_day_but_never_what_must_be_done_today(tmp_path: Path) -> None:
    rows = [f"{dt.date(2026, 6, 1) - dt.timedelta(7 * n)},T1,before,0,0,60,7.2,6,25," for n in range(6)]
    noted = "tank,rule,until,by,why\nT1,nitrate_over_ceiling,2026-07-01,me,known\nT1,nitrite_act,2026-07-01,me,no\n"
    tank = told(tmp_path / "a", rows, noted=noted)
    quiet = {f["rule"]: f["quiet"] for f in tank["findings"]}
    assert quiet["nitrate_over_ceiling"]
    assert tank["class"] != "this week"
    rows[0] = rows[0].replace(",0,0,60", ",0,0.6,60")
    loud = told(tmp_path / "b", rows, noted=noted)
    assert loud["class"] == "act today"


def test_unknown_is_null_with_its_state_in_words(tmp_path: Path) -> None:
    tank = told(tmp_path / "a", [])
    assert tank["class"] == "can't say"
    assert tank["nitrate"]["recent"] == {"rate": None, "low": None, "high": None, "readings": 0, "state": "too few"}
    assert tank["rating"]["plain_load_pct"] is None
    assert tank["rating"]["plain_state"] in ("can't say", "half cycle only")
    assert tank["last_reading"]["date"] is None
    assert tank["nitrate"]["step"] is None


def test_a_tap_that_was_never_tested_is_not_taken_as_clean(tmp_path: Path) -> None:
    rows = ["2026-05-31,T1,before,0,0,60,7.2,6,25,"]
    over = next(f for f in told(tmp_path / "a", rows)["findings"] if f["rule"] == "nitrate_over_ceiling")
    assert "never tested" in over["do"]
    sites = "site,name,water_supply\na,Home,main\n"
    tap = "water_supply,date,nitrate\nmain,2026-05-01,10\n"
    (tmp_path / "b").mkdir()
    known = told(tmp_path / "b", rows, sites=sites, tap=tap)
    over = next(f for f in known["findings"] if f["rule"] == "nitrate_over_ceiling")
    # (60 − 40) ÷ (60 − 10) is 40 %, which leaves 40.
    assert "40\xa0% (40\xa0L)" in over["do"]
    assert "down to about 40\xa0mg/L" in over["do"]
