"""The weekly review on paper: every tank once, in ranking order, counts that add up."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl

from pipeline.papers.week_pdf import week_data, week_pdf
from pipeline.review.summary import counts_sentence
from pipeline.week import Week
from schemas import Tables
from schemas.words import CLASSES

Make = Callable[..., Week]


def test_the_paper(week: Week, pdf_pages: Callable[[bytes], list[str]]) -> None:
    pages = pdf_pages(week_pdf(week))
    assert len(pages) == 1
    page = pages[0].replace("\u00a0", " ")
    page = " ".join(page.split())
    for said in ("3 tanks: 1 can't say, 1 plan and 1 steady.", "Data as of Sun 31 May 2026",
                 "over its rating and climbing",
                 "→ plan more media, or less food", "rises 7.7 mg/L a week (4.9–10.5)", "limit 40", "120 % / 130 %",
                 "40–70 mg/L, 4 days ago", "carbon", "overdue by 11 days", "Page 1 of 1"):  # fmt: skip
        assert said in page, said
    places = [page.index(name) for name in ("Day room", "Dining room", "Hall")]
    assert places == sorted(places)


def test_counts_add_up() -> None:
    said = counts_sentence(pl.DataFrame({"class": [*CLASSES, "steady", "plan"]})).replace("\u00a0", " ")
    assert said == "8 tanks: 1 act today, 1 this week, 1 can't say, 2 plan, 1 due and 2 steady."


def test_unknown_is_said_and_never_nought(week: Week) -> None:
    silent = week_data(week)["rows"][0]
    assert silent["rise"] == "no trend known yet"
    assert silent["plateau"] == "limit not known"
    assert silent["load"] == "can't say"
    assert silent["last"] == "none"
    assert silent["strip"] == []


def test_the_states_of_a_rate(make_week: Make) -> None:
    said = {}
    for state in ("ok", "rough", "at least", "below chart", "too few"):
        week = make_week(lambda t, s=state: t.update(nitrate_fit=t["nitrate_fit"].with_columns(state=pl.lit(s))))
        said[state] = week_data(week)["rows"][1]["rise"]
    assert said == {
        "ok": "rises 7.7\u00a0mg/L a week (4.9–10.5)",
        "rough": "rises roughly 7.7\u00a0mg/L a week (4.9–10.5)",
        "at least": "rises at least 4.9\u00a0mg/L a week",
        "below chart": "rises under 10.5\u00a0mg/L a week",
        "too few": "no trend known yet",
    }


def test_hundreds_of_tanks_break_between_rows(make_week: Make, pdf_pages: Callable[[bytes], list[str]]) -> None:
    def edit(tables: Tables) -> None:
        for table in ("tank", "review"):
            tables[table] = pl.concat(
                [tables[table].with_columns(tank=pl.lit(f"N{n:03}-") + pl.col("tank")) for n in range(60)]
            )

    pages = pdf_pages(week_pdf(make_week(edit)))
    assert len(pages) > 5
    assert all("levels off near" in page for page in pages)  # the header row comes again
    assert all(sum(f"N{n:03}-T03" in page for page in pages) == 1 for n in range(60))


def test_an_empty_round_says_what_to_do(make_week: Make, pdf_pages: Callable[[bytes], list[str]]) -> None:
    week = make_week(lambda tables: [tables.pop(name) for name in list(tables)] and None)
    assert week_data(week)["counts"] == "No tank is reviewed."
    assert "enter tanks in tanks.csv" in pdf_pages(week_pdf(week))[0]
