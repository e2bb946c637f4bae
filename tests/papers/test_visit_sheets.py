"""The visit sheet: what was read, what to expect, jobs in order, litres and containers, room for a pencil."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import polars as pl
import pytest

from pipeline.advise import changes
from pipeline.papers import water_today
from pipeline.papers.visit_sheets import expected, nitrate_on, sheet_data, sites_on, visit_sheets
from pipeline.problems import Problem
from pipeline.week import Week
from schemas import Tables, conform

Make = Callable[..., Week]
Pages = Callable[[bytes], list[str]]


def test_the_sheet_says_it_all_on_one_page(week: Week, pdf_pages: Pages) -> None:
    pages = pdf_pages(visit_sheets(week, ["orchard"]))
    assert len(pages) == 1
    for said in (
        "Orchard Rise",
        "Wednesday 3 June 2026",
        "Records to Sun 31 May 2026, 3 days ago.",
        "Plan: over its rating and climbing.",
        "150 L net, measured",
        "6 May 13 May 20 May 27 May",
        "38–52",  # expected nitrate: 36 + 3 × 0.7 to 48 + 3 × 1.5
        "Fish: count, breathing, fins. 14 on 27 May.",
        "Kit: blue case, EXPIRED on 2 June 2026.",
        "Change 45 L (30 %), 2½ containers of 20 L, nitrate is over its limit",
        "Carbon is 11 days late.",
        "Pad, coarse: open foam, 150 mm, 50 mm thick.",
        "cup: open foam (coarse) → basket 1: floss (fine) → basket 2: pumice 1.6 kg (biological)",
        "bring a lid lock (by Wed 10 June)",
        "no visit yet",
        "No filter is recorded on this tank.",
        "Power off at the wall before hands go in.",
    ):
        assert said in pages[0].replace("\u00a0", " "), said
    assert "Quay" not in pages[0]


def test_jobs_stand_in_order(week: Week) -> None:
    tank = sheet_data(week, "orchard")["tanks"][0]
    assert tank["service"][0].startswith("Carbon is 11 days late.")
    assert tank["service"][1].startswith("The kit expires")
    assert tank["service"][2].startswith("Check due")


def test_a_third_tank_makes_a_second_page_and_says_so(make_week: Make, pdf_pages: Pages) -> None:
    def edit(tables: Tables) -> None:
        tables["tank"] = tables["tank"].with_columns(site=pl.lit("orchard"))

    pages = pdf_pages(visit_sheets(make_week(edit), ["orchard"]))
    assert len(pages) == 2
    assert "page 1 of 2" in pages[0]
    assert "page 2 of 2" in pages[1]


def test_a_site_without_tanks_says_so(make_week: Make, pdf_pages: Pages) -> None:
    week = make_week(lambda tables: tables.update(tank=tables["tank"].clear()))
    assert "No tank of this site runs on that day." in pdf_pages(visit_sheets(week, ["quay"]))[0]


def test_long_and_hostile_text_keeps_one_page_and_is_literal(make_week: Make, pdf_pages: Pages) -> None:
    def edit(tables: Tables) -> None:
        tables["site"] = tables["site"].with_columns(
            name=pl.lit("A long name of a place " * 9), note=pl.lit("#panic()")
        )
        rows = [{"file": "p.csv", "line": n + 2, "made_on": dt.date(2026, 5, 1), "site": "orchard", "tank": "T01",
                 "promise": "<script>x</script> " * 60} for n in range(20)]  # fmt: skip
        tables["promise"] = conform("promise", pl.DataFrame(rows))
        tables["review"] = tables["review"].with_columns(reason=pl.lit("because of this and of that " * 5))
        tables["due"] = pl.concat([tables["due"].with_columns(says=pl.lit("A long job to say. " * 9))] * 6)

    pages = pdf_pages(visit_sheets(make_week(edit), ["orchard"]))
    assert len(pages) == 1
    assert "#panic()" in pages[0]
    assert "<script>x</script>" in pages[0]


def test_doubtful_readings_stand_in_brackets(make_week: Make) -> None:
    def edit(tables: Tables) -> None:
        tables["reading"] = tables["reading"].with_columns(expired=pl.col("day") == dt.date(2026, 5, 27))

    grid = sheet_data(make_week(edit), "orchard")["tanks"][0]["grid"]
    nitrate = next(row for row in grid["rows"] if row["name"] == "Nitrate")
    assert nitrate["last"][-2:] == ["40.5–70", "(40.5–70)"]
    assert grid["doubted"]


def test_which_sites_have_a_visit(week: Week) -> None:
    assert sites_on(week, None) == ["orchard", "quay"]
    assert sites_on(week, dt.date(2026, 6, 3)) == ["orchard"]
    assert sites_on(week, dt.date(2026, 6, 4)) == []
    assert sites_on(week, dt.date(2026, 6, 4), ["quay", "quay"]) == ["quay"]
    with pytest.raises(Problem, match="There is no site “mill”"):
        sheet_data(week, "mill")


def test_what_to_expect(week: Week, make_week: Make) -> None:
    assert nitrate_on((36, 48), (0.7, 1.5), 3) == pytest.approx((38.1, 52.5))
    assert nitrate_on((2, 4), (-2, 1), 3) == (0, 7)
    said = expected(week, "T01", dt.date(2026, 6, 3))
    assert said == {"ammonia": "0", "nitrite": "0", "nitrate": "38–52", "ph": "6.7–7.7", "temperature": "23–27"}

    def new(tables: Tables) -> None:
        tables["tank"] = tables["tank"].with_columns(set_up=pl.lit(dt.date(2026, 5, 1)), temperature_c=pl.lit(None))
        for table in ("nitrate_outlook", "water"):
            tables[table] = tables[table].clear()

    assert expected(make_week(new), "T01", dt.date(2026, 6, 3)) == {}


@pytest.mark.parametrize(
    ("litres", "container", "said"),
    [(30, 20, "1½ containers of 20 L"), (20, 20, "1 container of 20 L"), (41, 20, "2½ containers of 20 L"),
     (4, 20, "½ container of 20 L"), (30, None, "")],
)  # fmt: skip
def test_containers_round_up(litres: float, container: float | None, said: str) -> None:
    assert water_today.containers(litres, container).replace("\u00a0", " ") == said


@pytest.mark.parametrize(
    ("rule", "class_", "fraction", "why"),
    [
        ("old_tank_trap", "act today", 0.1, "small steps"),
        ("free_ammonia", "act today", 0.4, "dangerous"),
        ("nitrite", "this week", 0.3, "over its limit"),
    ],
)
def test_the_finding_sets_the_size_of_the_change(
    make_week: Make, rule: str, class_: str, fraction: float, why: str
) -> None:
    def edit(tables: Tables) -> None:
        mine = pl.col("tank") == "T01"
        tables["finding"] = tables["finding"].with_columns(
            rule=pl.when(mine).then(pl.lit(rule)).otherwise("rule"),
            **{"class": pl.when(mine).then(pl.lit(class_)).otherwise("class")},
        )

    change = water_today.change(make_week(edit), "T01", dt.date(2026, 6, 3))
    assert change.fraction == pytest.approx(fraction)
    assert change.litres == pytest.approx(150 * fraction)
    assert why in change.says[0]


def test_unknown_net_gives_a_share_and_asks(week: Week) -> None:
    change = water_today.change(week, "T03", dt.date(2026, 6, 5))
    assert change.litres is None
    assert "net volume not known, measure it" in change.says[0]


def test_ro_is_carried_again(make_week: Make) -> None:
    week = make_week(lambda t: t.update(water_change=t["water_change"].with_columns(ro_share=pl.lit(0.5))))
    assert water_today.change(week, "T01", week.as_of).says[1].replace("\u00a0", " ") == "Of it 50 % RO: 22 L."


def test_a_tank_over_its_limit_is_brought_down_as_the_plan_says(make_week: Make) -> None:
    """One answer: the sheet's first line is the plan's, whatever is usual here."""
    week = make_week(lambda t: t.update(nitrate_outlook=t["nitrate_outlook"].with_columns(level=pl.lit(60.0))))
    planned = changes.water_change(changes.facts_of(week, ["T01"])["T01"], week.assumed)
    change = water_today.change(week, "T01", week.as_of)
    assert planned["way_down"] is not None
    assert change.fraction == planned["way_down"]["fraction"] > 0.2
    assert "nitrate is over its limit" in change.says[0]


def test_a_change_as_usual_where_it_holds_the_limit(make_week: Make) -> None:
    def quiet(tables: Tables) -> None:
        tables["nitrate_outlook"] = tables["nitrate_outlook"].with_columns(level=pl.lit(20.0), ceiling=pl.lit(90.0))

    change = water_today.change(make_week(quiet), "T01", dt.date(2026, 6, 3))
    assert (change.fraction, "as usual" in change.says[0]) == (pytest.approx(0.2), True)
