"""The manager's page: one page a tank, plain, honest, about this site alone."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import polars as pl
import pytest

from pipeline.papers.plain_text import Suggestion
from pipeline.papers.reply import reply_data
from pipeline.papers.site_report import SiteReport, chart, report_html, report_pdf, report_picture, site_report
from pipeline.problems import Problem
from pipeline.week import Week
from schemas import Tables, conform
from schemas.words import CLASSES
from tests.readability import grade

FROM, TO = dt.date(2026, 5, 1), dt.date(2026, 5, 31)
Pages = Callable[[bytes], list[str]]
Make = Callable[..., Week]
HOSTILE = ['=HYPERLINK("http://x","y")', "<script>alert(1)</script>", "#panic()", "Mrs Hollis in room 4 waved"]


def body_of(sheet: dict[str, Any]) -> str:
    """What is read above the small table."""
    parts = [
        *sheet["lead"],
        sheet["gaps"],
        sheet["caption"],
        *sheet["did"],
        *sheet["why"],
        *sheet["do"],
        *sheet["dont"],
    ]
    parts += [f"{item['text']} {item['cost']}" for item in sheet["suggest"]]
    parts += [f"Ring us if {sheet['ring']}", f"Next visit {sheet['next_visit']}", f"{sheet['state']}."]
    return " ".join(parts)


def change(table: str, **columns: pl.Expr) -> Callable[[Tables], None]:
    def edit(tables: Tables) -> None:
        tables[table] = conform(table, tables[table].with_columns(**columns))

    return edit


def of(week: Week, site: str = "orchard", **more: Any) -> SiteReport:
    return site_report(week, site, FROM, TO, **more)


def test_the_business_stands_on_what_goes_to_others(make_week: Make) -> None:
    """Its name, phone and insurance: on the report, beside the call for help, under the letter; nothing where none is."""
    business = {"name": "Fernholt Tanks", "phone": "0000 1", "insurance": "policy 7"}
    report = of(make_week(business=business))
    assert report.limits.startswith("Fernholt Tanks, 0000 1, insurance: policy 7. ")
    assert report.sheets[0]["ring"].endswith(" Our number: 0000 1.")
    assert reply_data(make_week(business=business), [])["signature"] == "Fernholt Tanks, 0000 1, insurance: policy 7"
    bare = of(make_week(business={}))
    assert "insurance" not in bare.limits
    assert "number:" not in bare.sheets[0]["ring"]


def test_one_page_a_tank_with_all_it_must_say(week: Week, pdf_pages: Pages) -> None:
    _, *pages = pdf_pages(report_pdf(of(week)))
    assert len(pages) == 2
    for said in (
        "Dining room tank, Orchard Rise",
        "Visits on 6, 13, 20 and 27 May 2026",
        "Being watched.",
        "14 seen at each visit",
        "rising a little faster than this filter can keep up with",
        "Water tested and partly changed at each of the four visits.",
        "Filter checked on 13 May.",
        "What we suggest",
        "Free.",
        "We quote first.",
        "Please do",
        "Please don’t",
        "Ring us the same day if fish gasp",
        "Next visit: Wednesday 3 June 2026.",
        "Last test, Wednesday 27 May 2026, before the water change",
        "none found",
        "Home test kits give ranges",
        "Sheet 1 of 2",
    ):
        assert said in pages[0], said
    assert "Not checked lately." in pages[1]
    assert "No visit from 1 May 2026 to 31 May 2026" in pages[1]
    assert "no visit in the weeks of 4, 11, 18 and 25 May" in pages[1]


def test_a_cause_is_told_only_where_ticked(week: Week) -> None:
    def why(**more: object) -> list[str]:
        return site_report(week, "orchard", FROM, TO, **more).sheets[0]["why"]  # type: ignore[arg-type]

    said = "Fish were added, and the filter has more to do."
    assert said not in why()
    assert said in why(causes=[("T01", "new fish")])
    assert said not in why(causes=[("T02", "new fish"), ("T01", "heater")])


def test_what_must_be_tested_at_once_does_not_wait_for_the_round(make_week: Make) -> None:
    def edit(tables: Tables) -> None:
        mine = pl.col("tank") == "T01"
        for name in ("review", "finding"):
            tables[name] = tables[name].with_columns(
                pl.when(mine).then(pl.lit("act today")).otherwise("class").alias("class")
            )

    sheet = site_report(make_week(edit), "orchard", FROM, TO).sheets[0]
    assert sheet["next_visit"] == "at once, to test again; then Wednesday 3 June 2026."


def test_no_measure_outside_the_foot_table(week: Week, pdf_pages: Pages) -> None:
    for site in ("orchard", "quay"):
        report = of(week, site)
        for sheet in report.sheets:
            assert not re.search(r"mg|/L|°|\bpH\b|\bKH\b|%", body_of(sheet))
        for page in pdf_pages(report_pdf(report)):
            assert "mg/L" not in page.split("Last test")[0]


def test_another_site_is_never_mentioned(week: Week) -> None:
    ours, theirs = report_html(of(week)), report_html(of(week, "quay"))
    assert "Quay" not in ours
    assert "Orchard" not in theirs
    assert "Hall" not in ours


@pytest.mark.parametrize("class_", CLASSES)
def test_each_class_has_its_page_easy_to_read(make_week: Make, class_: str, pdf_pages: Pages) -> None:
    def edit(tables: Tables) -> None:
        change("review", **{"class": pl.lit(class_)})(tables)
        tables["finding"] = tables["finding"].with_columns(rule=pl.lit("unheard of"), **{"class": pl.lit(class_)})

    week = make_week(edit)
    report = of(week)
    state = {"steady": "Good", "due": "Good", "plan": "Being watched", "can't say": "Not checked lately"}
    assert [sheet["state"] for sheet in report.sheets] == [state.get(class_, "Needs work")] * 2
    for sheet in report.sheets:
        assert grade(body_of(sheet)) <= week.assumed["plain_grade"]
    assert len(pdf_pages(report_pdf(report))) == 3


def test_the_pages_of_the_made_up_week_are_easy_to_read(week: Week) -> None:
    for site in ("orchard", "quay"):
        for sheet in of(week, site).sheets:
            assert grade(body_of(sheet)) <= week.assumed["plain_grade"]


def _hostile_notes(tables: Tables) -> None:
    notes = (HOSTILE * 6)[: tables["visit"].height]
    tables["visit"] = tables["visit"].with_columns(pl.Series("note", notes), pl.lit("Fenwick").alias("by"))


def test_notes_and_names_stay_out_unless_ticked(make_week: Make, pdf_pages: Pages) -> None:
    week = make_week(_hostile_notes)
    report = of(week)
    out = report_html(report) + " ".join(pdf_pages(report_pdf(report)))
    assert not any(note in out for note in HOSTILE)
    assert "Hollis" not in out
    assert "Fenwick came" in out  # the cover says who came, as asked for; nobody else is named
    ticked = {(row["file"], row["line"]) for row in week.table("visit").head(4).iter_rows(named=True)}
    page = of(week, notes=ticked)
    assert sorted(page.sheets[0]["notes"]) == sorted(HOSTILE)
    assert page.sheets[1]["notes"] == []
    assert all(note in pdf_pages(report_pdf(page))[1] for note in HOSTILE)
    html = report_html(page)
    assert "<script" not in html
    assert "&lt;script&gt;alert(1)" in html


def test_a_ticked_note_of_another_site_is_not_printed(make_week: Make) -> None:
    week = make_week(_hostile_notes)
    theirs = week.table("visit").filter(pl.col("tank") == "T03")
    ticked = {(row["file"], row["line"]) for row in theirs.iter_rows(named=True)}
    assert all(sheet["notes"] == [] for sheet in of(week, notes=ticked).sheets)


def test_gaps_are_said(make_week: Make) -> None:
    def edit(tables: Tables) -> None:
        for table in ("visit", "reading", "water_change"):
            tables[table] = tables[table].filter(pl.col("day") != dt.date(2026, 5, 13))
        tables["service"] = tables["service"].clear()
        late = pl.col("day") == dt.date(2026, 5, 20)
        tables["reading"] = tables["reading"].with_columns(expired=late)
        held = {"file": "visits/2026-05.csv", "line": 7, "text": "05-Oct", "fault": "date", "reason": "a date",
                "tank": "T01", "day": dt.date(2026, 5, 27)}  # fmt: skip
        tables["held"] = conform("held", pl.DataFrame([held]))

    sheet = of(make_week(edit)).sheets[0]
    assert sheet["gaps"] == (
        "Gaps: no visit in the week of 11 May; one reading is held until we have checked it;"
        " the test kit was past its date on 20 May."
    )
    assert "a hollow bar is a guide only" in sheet["caption"]


def test_a_fortnightly_round_says_long_gaps_only(make_week: Make) -> None:
    def edit(tables: Tables) -> None:
        keep = [dt.date(2026, 4, 22), dt.date(2026, 5, 6)]
        for table in ("visit", "reading", "water_change"):
            tables[table] = tables[table].filter(pl.col("day").is_in(keep))
        tables["service"] = tables["service"].clear()

    week = make_week(edit, visit_every_days=14)
    assert of(week).sheets[0]["gaps"] == "Gaps: no visit between 6 May and 31 May."


def test_fish_that_look_off_or_die_are_said(make_week: Make) -> None:
    def edit(tables: Tables) -> None:
        last = pl.col("day") == dt.date(2026, 5, 27)
        tables["visit"] = tables["visit"].with_columns(
            fish_look=pl.when(last).then(pl.lit("off")).otherwise(pl.col("fish_look")),
            fish_seen=pl.when(last).then(pl.lit(12.0)).otherwise(pl.col("fish_seen")),
        )
        died = tables["event"].with_columns(event=pl.lit("fish died"), count=pl.lit(2.0))
        tables["event"] = died

    lead = of(make_week(edit)).sheets[0]["lead"][0]
    assert lead.startswith("Some fish did not look right on 27 May. We counted 12 at the last count.")
    assert "Two fish died on 6 May." in lead
    assert "well" not in lead


def test_suggestions_may_come_from_a_proposal(week: Week) -> None:
    made = of(week, proposals=[("T01", Suggestion("Move the tank out of the sun.", "About £20; we quote first."))])
    assert [item["text"] for item in made.sheets[0]["suggest"]] == ["Move the tank out of the sun."]
    assert made.sheets[0]["suggest"][0]["choice"]


def _long(tables: Tables) -> None:
    long = "The Very Long and Winding Name of a Residence beside the Upper Mill Pond, East Wing "
    change("site", name=pl.lit(long * 3))(tables)
    change("tank", name=pl.lit(long * 2))(tables)
    _hostile_notes(tables)
    tables["visit"] = tables["visit"].with_columns(note=pl.lit("word " * 400))
    jobs = ["check", "pads", "carbon in", "carbon out", "media rinsed", "impeller", "full"]
    days = [dt.date(2026, 5, d) for d in range(1, 29)]
    tables["service"] = conform(
        "service",
        pl.DataFrame([{"file": "s.csv", "line": n + 2, "date": d, "tank": "T01", "job": jobs[n % 7]}
                      for n, d in enumerate(days)]),
    )  # fmt: skip
    kinds = ["fish in", "fish out", "fish died", "medication", "power cut", "overfed", "filter stopped"]
    tables["event"] = conform(
        "event",
        pl.DataFrame([{"file": "e.csv", "line": n + 2, "date": d, "tank": "T01", "event": kinds[n % 7], "count": 30.0}
                      for n, d in enumerate(days)]),
    )  # fmt: skip
    first = tables["finding"].filter(pl.col("rule") == "over_and_climbing")
    more = [first.with_columns(rule=pl.lit(rule)) for rule in ("nitrite", "ammonia", "ph_low", "flow_low", "kh_low")]
    tables["finding"] = pl.concat([tables["finding"], *more])
    tables["water"] = tables["water"].with_columns(expired=pl.lit(True))


def test_the_longest_texts_still_make_one_page(make_week: Make, pdf_pages: Pages) -> None:
    week = make_week(_long)
    ticked = {(row["file"], row["line"]) for row in week.table("visit").head(4).iter_rows(named=True)}
    offered = Suggestion("A long suggestion of many words. " * 4, "About £1200; we quote first.")
    made = of(week, notes=ticked, proposals=[("T01", offered), ("T02", offered)] * 9)
    pages = pdf_pages(report_pdf(made))
    assert len(pages) == 3
    assert "Visited by" in pages[0]
    assert "Last test" in pages[1]


def test_the_same_report_gives_the_same_bytes(week: Week) -> None:
    assert report_pdf(of(week)) == report_pdf(of(week))
    assert report_html(of(week)) == report_html(of(week))


def test_the_page_for_the_screen_stands_alone(week: Week) -> None:
    html = report_html(of(week))
    assert "http" not in html.replace("http://www.w3.org/", "").replace("http-equiv", "")
    assert "default-src 'none'" in html
    assert html.count("<section") == 3
    assert 'role="img" aria-label="Nitrate over 13 weeks' in html


def test_a_tank_outside_the_period_has_no_page(make_week: Make) -> None:
    week = make_week(change("tank", closed=pl.when(pl.col("tank") == "T02").then(pl.lit(dt.date(2026, 4, 1)))))
    assert [sheet["tank"] for sheet in of(week).sheets] == ["T01"]


@pytest.mark.parametrize(
    ("site", "first", "last", "said"),
    [
        ("nowhere", FROM, TO, "There is no site “nowhere”. Sites in sites.csv: orchard, quay"),
        ("orchard", FROM, dt.date(2026, 5, 30), "opened as of 2026-05-31"),
        ("orchard", dt.date(2026, 6, 2), TO, "first day before the last"),
    ],
)
def test_what_can_not_be_reported_gets_a_sentence(
    week: Week, site: str, first: dt.date, last: dt.date, said: str
) -> None:
    with pytest.raises(Problem, match=re.escape(said)):
        site_report(week, site, first, last)


def test_an_empty_folder_has_no_report(make_week: Make) -> None:
    week = make_week(lambda tables: [tables.pop(name) for name in list(tables)] and None)
    with pytest.raises(Problem, match=r"Sites in sites\.csv: none"):
        of(week)


def test_the_pages_as_pictures_are_as_many_as_the_sheets(week: Week) -> None:
    report = of(week)
    pictures = [report_picture(report, n) for n in (None, *range(len(report.sheets)))]
    assert len(pictures) == 3
    assert all(picture.startswith(b"\x89PNG") for picture in pictures)
    assert pictures[0] != pictures[1]


def test_the_chart_looks_back_as_far_as_the_assumption_says(make_week: Make) -> None:
    report = of(make_week())
    assert report.weeks == 13
    assert chart(report, 0) != chart(replace(report, weeks=26), 0)


def _more_tanks(tables: Tables) -> None:
    """Twelve tanks with long names, and an event of each kind."""
    tank = tables["tank"].filter(pl.col("tank") == "T01")
    more = [
        tank.with_columns(tank=pl.lit(f"X{n}"), name=pl.lit(f"Landing {n} of the Old Wing beside the Stairs"))
        for n in range(10)
    ]
    tables["tank"] = conform("tank", pl.concat([tables["tank"], *more]))
    day = dt.date(2026, 5, 6)
    told = [("T01", "fish died", 2.0, None), ("X1", "power cut", None, 3.0), ("X2", "electrical check", None, None),
            ("X3", "medication", None, None), ("T03", "overfed", None, None)]  # fmt: skip
    tables["event"] = conform(
        "event",
        pl.DataFrame(
            [{"file": "e.csv", "line": n + 2, "date": day, "tank": t, "event": e, "count": c, "hours": h, "note": "Mrs Hollis"}
             for n, (t, e, c, h) in enumerate(told)],
            infer_schema_length=None,
        ),
    )  # fmt: skip


def test_one_cover_for_all_tanks_of_a_site(make_week: Make, pdf_pages: Pages) -> None:
    """Every tank with its verdict, who came, what happened, products, a number to call, one signature; easy to read."""
    report = of(make_week(_more_tanks, business={"name": "Fernholt Tanks", "phone": "0000 1"}))
    cover, pages, html = report.cover, pdf_pages(report_pdf(report)), report_html(report)
    assert len(pages) == 13
    assert [len(cover["tanks"]), cover["tanks"][0][:2]] == [12, ["Dining room tank", report.sheets[0]["state"]]]
    assert cover["incidents"] == [
        "Landing 1 of the Old Wing beside the Stairs tank: the power was off for about three hours on 6 May.",
        "Dining room tank: two fish died on 6 May.",
    ]
    assert cover["electrical"][0].startswith("Landing 2 of the Old Wing beside the Stairs tank: plugs, leads and lid")
    assert cover["electrical"][1].startswith("No look is recorded for Dining room tank")
    assert "not a test by an electrician" in cover["electrical"][-1]
    assert any("Landing 3" in line and "fish medicine was given" in line for line in cover["products"])
    assert cover["visits"][1:] == ["Round came on 6, 13, 20 and 27 May."]
    for out in (pages[0], html):
        assert "Fernholt Tanks, 0000 1" in out
        assert "Hollis" not in out
    assert sum(page.count("Visited by") for page in pages) == html.count("Visited by") == 1
    lines = [*cover["visits"], *cover["incidents"], *cover["electrical"], *cover["products"], cover["summary"]]
    assert grade(" ".join(lines)) <= make_week().assumed["plain_grade"]


def test_a_cover_of_nothing_says_what_is_not_recorded(make_week: Make) -> None:
    def edit(tables: Tables) -> None:
        for name in ("visit", "reading", "water_change", "service", "event", "fill"):
            tables[name] = tables[name].clear()

    cover = of(make_week(edit, business={})).cover
    assert (cover["visits"], cover["incidents"]) == (["No visit is recorded."], ["Nothing is recorded."])
    assert (cover["products"], cover["call"]) == (["Nothing is recorded."], "")
    assert cover["electrical"][0].startswith("No look at plugs, leads and lids is on record")
