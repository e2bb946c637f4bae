"""The review on the demo round, and the rules that must not fire or must."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl
import pytest

from pipeline import weekly
from pipeline.assumptions import built_in
from pipeline.review import facts, summary
from pipeline.review.finding import REASON_MOST, STEP_MOST
from pipeline.review.summary import as_json, as_text
from pipeline.week import Week
from schemas import conform
from schemas.words import CAUSES, CLASSES
from tests.loads import week_of
from tests.rounds import Rounds

HEAD = "date,tank,taken,ammonia,nitrite,nitrate,ph,kh,temperature,water_changed,kit,fish_seen,fish_look,note\n"
DAY = dt.date(2026, 6, 1)
FILTER = {
    "media": "medium,stage,quality,bulk_kg_l\ngood,biological,1,0.5\nfloss,fine,0,0.1\n",
    "filter_models": "model,kind,rated_flow_l_h\nM,canister,900\n",
    "compartments": "model,position,compartment,stage,usable_l\nM,1,cup,fine,1\nM,2,basket,biological,4\n",
    "filters": "filter,model\nF1,M\n",
    "placements": "filter,tank,from,to\nF1,T1,2024-01-01,\n",
    "fills": "filter,compartment,layer,medium,mass_kg,wetted,from\nF1,cup,1,floss,,,2024-01-01\n"
    "F1,basket,1,good,1.2,2024-01-01,2024-01-01\n",
}


def weekly_rows(values: list[str], tail: str = ",7.2,6,25,25%") -> list[str]:
    """A row a week up to 1 June, nitrate of each."""
    days = [DAY - dt.timedelta(7 * n) for n in range(len(values))][::-1]
    return [f"{day},T1,before,0,0,{value}{tail}" for day, value in zip(days, values, strict=True)]


OVER, STEADY = weekly_rows(["60"] * 6), weekly_rows(["20"] * 9)
FISH = "2026-05-{},T1,before,0,{},20,7.2,6,,,,{},{},{}"
RISING = ("2026-05-18", "2026-05-25", "2026-06-01")
# Tanks of one round, each on a site of its own: what was read there.
BARE: dict[str, list[str]] = {
    "half": ["2026-05-31,T1,before,0,0.5,20,7.2,6,25"],
    "trace": ["2026-05-31,T1,before,0,0.1,20,7.2,6,25"],
    "clean": ["2026-05-31,T1,before,0,0,20,7.2,6,25"],
    "may reach": ["2026-05-31,T1,before,0,<1,20,7.2,6,25"],
    # 0.5 mg/L at pH 8.2 and 26 °C: share 8.8 %, so 0.04 mg/L; at pH 7.0 it is 0.003.
    "harmful": ["2026-05-31,T1,before,0.5,0,20,8.2,6,26"],
    "harmless": ["2026-05-31,T1,before,0.5,0,20,7.0,6,26"],
    "10 days": ["2026-05-22,T1,before,0,0,20,7.2,6,25"],
    "11 days": ["2026-05-21,T1,before,0,0,20,7.2,6,25"],
    "held": ["2026-05-31,T1,before,0,0,05-Oct,7.2,6,25"],
    "trap": ["2026-05-31,T1,before,0,0.6,90,5.8,1,25"],
    "noted": OVER,
    "noted and nitrite": [*OVER[:-1], OVER[-1].replace(",0,0,60", ",0,0.6,60")],
    "nothing": [],
    "no filter": STEADY,
}
FILTERED: dict[str, list[str]] = {
    "rated": STEADY,
    "no layout": STEADY,
    "off": [FISH.format(31, 0, 10, "off", "")],
    "off and nitrite": [FISH.format(31, 0.3, 10, "off", "")],
    "gasping": [FISH.format(31, 0, 10, "", "two fish gasping")],
    "fewer": [FISH.format(24, 0, 10, "well", ""), FISH.format(31, 0, 8, "well", "")],
    "well": [FISH.format(24, 0, 10, "well", ""), FISH.format(31, 0, 10, "well", "")],
    "after": ["2026-05-31,T1,before,0.2,0,20,6.8,6,,30%", "2026-05-31,T1,after,0.4,0,15,8.4,8,,"],
    "fed more now": STEADY,
    "fed more before": STEADY,
    "up": [f"{day},T1,before,0,0,{no3},,,,,K" for day, no3 in zip(RISING, (11, 26, 47), strict=True)],
    "a step up": [f"{day},T1,before,0,0,{no3},,,,,K" for day, no3 in zip(RISING, (11, 11, 26), strict=True)],
    "never late": STEADY,
    "over": weekly_rows(["60"] * 9),
    "worse": [*weekly_rows(["60"] * 9)[:-1], weekly_rows(["90"])[0].replace(",0,0,", ",0,0.2,")],
}
DANGEROUS = [("9.5", "ammonia", "act today"), ("12", "nitrite", "act today"), ("3.5", "ph", "act today"),
             ("72", "ph", "can't say"), ("45", "temperature", "act today"), ("77", "temperature", "can't say")]  # fmt: skip
for _cell, _column, _ in DANGEROUS:
    _cells = dict.fromkeys(("ammonia", "nitrite", "nitrate", "ph", "kh", "temperature"), "")
    _cells |= {"nitrate": "20", "kh": "6", _column: _cell}
    FILTERED[f"{_column} {_cell}"] = [f"2026-05-31,T1,before,{','.join(_cells.values())}"]


def visit_rows(rows: list[str], tank: str = "T1") -> str:
    return "".join(f"{row.replace(',T1,', f',{tank},')}{',' * (HEAD.count(',') - row.count(','))}\n" for row in rows)


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Week:
    """The round of all those tanks."""
    folder = tmp_path_factory.mktemp("many")
    (folder / "visits").mkdir()
    names, filtered = [*BARE, *FILTERED], [name for name in FILTERED if name != "no layout"]
    limit = {"up": 90, "a step up": 90}
    supply = {"never late": "mains"}
    more = {"fed more now": "2026-05-29", "fed more before": "2026-05-20"}
    lines = {
        "sites": ["site,name,water_supply", *(f"s{n},Home {n},{supply.get(name, '')}" for n, name in enumerate(names))],
        "tanks": [
            "tank,site,net_l,set_up,nitrate_ceiling",
            *(f"{name},s{n},100,2020-01-01,{limit.get(name, 40)}" for n, name in enumerate(names)),
        ],
        "filters": ["filter,model", *(f"F {name},M" for name in FILTERED)],
        "placements": ["filter,tank,from,to", *(f"F {name},{name},2024-01-01," for name in FILTERED)],
        "fills": [
            "filter,compartment,layer,medium,mass_kg,wetted,from",
            *(f"F {name},cup,1,floss,,,2024-01-01" for name in filtered),
            *(f"F {name},basket,1,good,1.2,2024-01-01,2024-01-01" for name in filtered),
        ],
        "kits": ["kit,parameter,basis,steps", "K,nitrate,NO3,0|3|11|26|47|83"],
        "feeding": [
            "tank,from,feed_g_day",
            *(f"{tank},{day},{food}" for tank, on in more.items() for day, food in (("2025-01-01", 0.5), (on, 2))),
        ],
        "noted": [
            "tank,rule,until,by,why",
            "noted,nitrate_over_ceiling,2026-07-01,me,known",
            "noted and nitrite,nitrate_over_ceiling,2026-07-01,me,known",
            "noted and nitrite,nitrite_act,2026-07-01,me,no",
        ],
    }
    files = {name: FILTER[name] for name in ("media", "filter_models", "compartments")}
    files |= {name: "".join(f"{line}\n" for line in found) for name, found in lines.items()}
    files["visits/v"] = HEAD + "".join(visit_rows(rows, name) for name, rows in (BARE | FILTERED).items())
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text)
    return week_of(folder, DAY)


@pytest.fixture(scope="module")
def tanks(many: Week) -> dict[str, dict]:
    return {tank["tank"]: tank for tank in as_json(many)["tanks"]}


def told(folder: Path, rows: list[str], tanks: str = "T1,a,100,2020-01-01,40\n", **files: str) -> dict:
    """The review of a small round of its own with these visit rows, as JSON, tank T1."""
    (folder / "visits").mkdir(parents=True)
    (folder / "sites.csv").write_text("site,name\na,Home\n")
    (folder / "tanks.csv").write_text("tank,site,net_l,set_up,nitrate_ceiling\n" + tanks)
    (folder / "visits" / "v.csv").write_text(
        HEAD
        + visit_rows([row for row in rows if ",T1," in row])
        + visit_rows([row for row in rows if ",T2," in row], "T2")
    )
    for name, text in files.items():
        path = folder / f"{name.replace('__', '/')}.csv"
        path.parent.mkdir(exist_ok=True)
        path.write_text(text)
    week = as_json(week_of(folder, DAY))
    assert sum(week["counts"].values()) == len(week["tanks"])
    return next(tank for tank in week["tanks"] if tank["tank"] == "T1")


def rules(tank: dict) -> dict[str, str]:
    return {f["rule"]: f["class"] for f in tank["findings"]}


def test_the_demo_round_shows_what_it_was_made_to_show(demo_logs: Path) -> None:
    week = as_json(weekly.open_week(demo_logs))
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
    week = as_json(weekly.open_week(demo_logs))
    for tank in week["tanks"]:
        assert len(tank["reason"]) <= REASON_MOST
        assert len(tank["next_step"]) <= STEP_MOST
        for finding in tank["findings"]:
            assert len(finding["causes"]) <= 3
            assert {c["cause"] for c in finding["causes"]} <= set(CAUSES)
            assert finding["basis"]


def test_nitrite_of_a_half_is_acted_on_today_and_a_trace_this_week(tanks: dict[str, dict]) -> None:
    assert tanks["half"]["class"] == "act today"
    assert rules(tanks["trace"])["nitrite"] == "this week"
    assert not {"nitrite", "nitrite_act", "ammonia"} & set(rules(tanks["clean"]))


def test_a_reading_that_may_reach_the_limit_asks_for_a_retest(tanks: dict[str, dict]) -> None:
    assert rules(tanks["may reach"])["nitrite_act"] == "this week"


def test_free_ammonia_is_calculated_from_ph_and_warmth(tanks: dict[str, dict]) -> None:
    assert rules(tanks["harmful"])["free_ammonia"] == "act today"
    calm = rules(tanks["harmless"])
    assert "free_ammonia" not in calm
    assert calm["ammonia"] == "this week"


def test_silence_is_never_green(tanks: dict[str, dict]) -> None:
    assert "no_usable_reading" not in rules(tanks["10 days"])
    assert rules(tanks["11 days"])["no_usable_reading"] == "can't say"


def test_a_held_cell_keeps_its_tank_from_being_said(tanks: dict[str, dict]) -> None:
    tank = tanks["held"]
    assert tank["class"] == "can't say"
    assert rules(tank)["held"] == "can't say"
    assert tank["held"] == 1


def test_a_trap_forbids_a_large_change(tanks: dict[str, dict]) -> None:
    tank = tanks["trap"]
    assert tank["class"] == "act today"
    assert "no more than 10\xa0%" in tank["next_step"]
    assert all("no more than" in f["do"] for f in tank["findings"] if f["rule"] == "nitrite_act")


def test_noted_is_quiet_until_its_day_but_never_what_must_be_done_today(tanks: dict[str, dict]) -> None:
    quiet = {f["rule"]: f["quiet"] for f in tanks["noted"]["findings"]}
    assert quiet["nitrate_over_ceiling"]
    assert tanks["noted"]["class"] != "this week"
    assert tanks["noted and nitrite"]["class"] == "act today"


def test_unknown_is_null_with_its_state_in_words(tanks: dict[str, dict]) -> None:
    tank = tanks["nothing"]
    assert tank["class"] == "can't say"
    assert tank["nitrate"]["recent"] == {"rate": None, "low": None, "high": None, "readings": 0, "state": "too few"}
    assert tank["rating"]["plain_load_pct"] is None
    assert tank["rating"]["plain_state"] in ("can't say", "half cycle only")
    assert tank["last_reading"]["date"] is None
    assert tank["nitrate"]["step"] is None


def test_a_tap_that_was_never_tested_is_not_taken_as_clean(tanks: dict[str, dict], tmp_path: Path) -> None:
    over = next(f for f in tanks["over"]["findings"] if f["rule"] == "nitrate_over_ceiling")
    assert "never tested" in over["do"]
    sites = "site,name,water_supply\na,Home,main\n"
    tap = "water_supply,date,nitrate\nmain,2026-05-01,10\n"
    known = told(tmp_path / "a", ["2026-05-31,T1,before,0,0,60,7.2,6,25"], sites=sites, tap=tap)
    over = next(f for f in known["findings"] if f["rule"] == "nitrate_over_ceiling")
    # 10 + 50 × 0.7 is 45 before the second, 10 + 50 × 0.49 is 34.5 after it.
    assert "30\xa0% (30\xa0L) at each of the next 2 visits" in over["do"]


def test_a_tank_without_a_filter_on_record_is_not_half_cycle_only(tanks: dict[str, dict]) -> None:
    bare = tanks["no filter"]
    assert bare["class"] == "due", "what its nitrate says is told; it is never called steady"
    assert rules(bare)["no_filter_recorded"] == "due"
    assert bare["rating"]["plain_state"] == "can't say"
    assert "no_rated_media" not in rules(bare)
    assert "no_filter_recorded" not in rules(tanks["rated"])
    # A filter without a layout is not known either.
    assert rules(tanks["no layout"])["no_filter_recorded"] == "due"


@pytest.mark.parametrize(("cell", "column", "class_"), DANGEROUS)
def test_a_dangerous_value_on_hold_is_acted_on(cell: str, column: str, class_: str, tanks: dict[str, dict]) -> None:
    tank = tanks[f"{column} {cell}"]
    assert tank["class"] == class_
    assert ("held_danger" in rules(tank)) is (class_ == "act today")


def test_a_value_on_hold_in_a_long_sheet_is_told_by_what_its_row_measures(tmp_path: Path) -> None:
    long = "date,tank,parameter,value\n2026-05-31,T1,ammonia,9.5\n2026-05-31,T1,nitrate,20\n"
    tank = told(tmp_path / "a", [], visits__long=long, **FILTER)
    says = {f["rule"]: f["says"] for f in tank["findings"]}
    assert says["held_danger"].startswith("Ammonia 9.5 was typed")
    assert "Ammonia 9.5" in says["held"]
    assert [c["cause"] for c in tank["causes"]] == ["typing slip"]


def test_visits_with_a_change_are_counted_lately_and_before() -> None:
    days = [dt.date(2026, 6, 1) - dt.timedelta(7 * week) for week in range(20)]
    visit = pl.DataFrame({"tank": "T1", "day": [*days, days[0]]})
    change = pl.DataFrame({"tank": "T1", "day": [days[2], *days[4:16:2], days[4], days[17]]})
    requests = pl.DataFrame({"tank": ["T1", "T1"], "as_of": [days[0], days[8]]})

    def kept(visit: pl.DataFrame, change: pl.DataFrame) -> list[tuple[int, ...]]:
        rows = facts._changes_kept(requests.lazy(), visit.lazy(), change.lazy(), built_in()).sort("as_of").collect()
        return rows.select("changes_lately", "visits_lately", "changes_before", "visits_before").rows()

    assert kept(visit, change) == [(2, 4, 3, 8), (1, 4, 6, 12)]
    assert kept(visit.clear(), change.clear()) == []


def test_the_fish_are_read(tanks: dict[str, dict]) -> None:
    """Off and with nitrite: today; off with clean water: this week; fewer than a week before: this week."""
    names = ("off", "off and nitrite", "gasping", "fewer", "well")
    found = {
        name: {rule: class_ for rule, class_ in rules(tanks[name]).items() if rule.startswith("fish")} for name in names
    }
    assert found == {
        "off": {"fish_look_off": "this week"},
        "off and nitrite": {"fish_look_off": "act today"},
        "gasping": {"fish_gasping": "this week"},
        "fewer": {"fish_fewer": "this week"},
        "well": {},
    }


def test_free_ammonia_is_judged_after_the_change_too(tanks: dict[str, dict]) -> None:
    free = next(f for f in tanks["after"]["findings"] if f["rule"] == "free_ammonia")
    assert free["class"] == "act today"
    assert "25.0\xa0°C, assumed" in free["says"]


def test_a_recorded_overload_is_told_in_its_week_and_not_a_week_later(tanks: dict[str, dict]) -> None:
    week = tanks["fed more now"]
    assert rules(week)["overload_recorded"] == "plan"
    overload = next(f for f in week["findings"] if f["rule"] == "overload_recorded")
    assert "food up from 0.5 to 2\xa0g a day on 29 May" in overload["says"]
    assert "overload_recorded" not in rules(tanks["fed more before"])


def test_a_rise_too_short_to_fit_is_told_in_words(tanks: dict[str, dict]) -> None:
    assert rules(tanks["up"])["rise_seen"] == "plan"
    assert "rise_seen" not in rules(tanks["a step up"])


def test_the_text_prints_all_that_is_urgent_its_marks_promises_and_supplies_once(tmp_path: Path) -> None:
    rows = [
        *weekly_rows(["20"] * 8)[:-1],
        "2026-06-01,T1,before,0.3,0.6,90,7.2,6,25,",
        "2026-06-01,T2,before,0,0,20,7,6,25,",
    ]
    told(
        tmp_path / "a",
        rows,
        tanks="T1,a,100,2020-01-01,40\nT2,a,100,2020-01-01,40\n",
        sites="site,name,water_supply\na,Home,mains\n",
        tap="water_supply,date,nitrate,ammonia\nmains,2026-01-01,5,0.3\n",
        promises="made_on,site,tank,promise,due,done_on\n2026-05-01,a,T1,bring a lid lock,2026-05-26,\n",
        **FILTER,
    )
    text = as_text(week_of(tmp_path / "a", dt.date(2026, 6, 1))).replace("\xa0", " ")
    flat = " ".join(text.split())
    assert "T1 T1, Home: nitrite 0.6 mg/L, today (new) (last week:" in flat
    assert "this week: ammonia 0.3 mg/L in an established tank, today (new)" in flat
    assert "this week: nitrate" in flat
    assert "promised for 26 May: bring a lid lock" in flat
    assert flat.count("est of the tap mains") == 1
    assert "Test of the tap mains overdue by 61 days." in flat
    assert "The tap mains brought ammonia on Thu 1 January: 0.3 mg/L. Treat new water for it." in flat
    assert flat.count("a service of 1 filter and a timed flow of 1 filter. What was never recorded is not late") == 1
    for word in ("None", "nan", "not known %", "points to", "heads for", "ceiling", "late,"):
        assert word not in flat


def test_the_least_start_is_told_what_one_more_thing_would_add_once(tmp_path: Path) -> None:
    """Sites, tanks with litres and one file of visits: a review by nitrate, and the most useful next record first."""
    told(tmp_path / "a", weekly_rows(["20"] * 9))
    flat = " ".join(as_text(week_of(tmp_path / "a", dt.date(2026, 6, 1))).split())
    for word in ("filter of 1 tank and what is in it", "then a test of the tap water", "the food of 1 tank"):
        assert flat.count(word) == 1, word
    assert "the litres of" not in flat
    assert "overdue" not in flat


def test_what_was_never_recorded_is_not_late(tanks: dict[str, dict]) -> None:
    assert not {"service_due", "flow_test_due", "tap_test_due"} & set(rules(tanks["never late"]))
    assert not tanks["never late"]["due"]


def test_marks_are_told_against_the_week_before(tanks: dict[str, dict], many: Week) -> None:
    assert rules(tanks["over"])["nitrate_over_ceiling"] == "this week"
    marks = {(tank, rule): mark for tank, rule, mark in many.now("finding").select("tank", "rule", "mark").iter_rows()}
    assert marks["over", "nitrate_over_ceiling"] is None
    assert (marks["worse", "nitrite"], marks["worse", "nitrate_over_ceiling"]) == ("new", "worse")


def test_a_round_without_tanks_is_told(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    week = week_of(tmp_path / "a", dt.date(2026, 6, 1))
    assert "No tanks are on this round yet." in as_text(week)
    assert as_json(week)["tanks"] == []


def test_people_who_read_a_factor_apart_are_told_once_by_their_names() -> None:
    r = Rounds()
    r.add("visit", tank="T1", day=r.as_of, by=" Ann ").add("visit", tank="T1", day=r.as_of, by="Ben")
    apart = {"as_of": r.as_of, "cause": "reader", "gain": 9.0, "since": r.as_of, "size": 1.4, "tanks": 12, "by": "ben"}
    rows = [apart | {"tank": tank, "than": than} for than in ("ann", None) for tank in ("T1", "T2")]
    week = r.week(explanation=conform("explanation", pl.DataFrame(rows)))
    assert [line.replace("\u00a0", " ") for line in summary.readers_apart(week)] == [
        "Nitrate read by Ben is about 1.4 times that read by others in 12 tanks: let both read one sample.",
        "Nitrate read by Ben is about 1.4 times that read by Ann in 12 tanks: let both read one sample.",
    ]
