"""Proposals: kept whole, once, under a new name each; listed, withdrawn, and said in plain words with their cost."""

from __future__ import annotations

import datetime as dt
import json
import os
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.advise.what_if import Asked, Settings, Side
from pipeline.papers import proposals
from pipeline.papers.plain_text import Suggestion
from pipeline.papers.proposals import Cost, Proposal
from pipeline.papers.report_text import with_proposals
from pipeline.papers.site_report import report_pdf, site_report
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import in_currency

ON = dt.date(2026, 6, 3)
ONE = Proposal("T01", "Feed 1 g a day instead of 2.", "Feed about half less.", (Cost(0.0),), "keeper", ON, ON)
OPTION = {
    "changes": [
        {"kind": "feed cut", "says": "Feed 50 % less: 2 to 1 g a day.", "share": 0.5},
        {"kind": "repack", "says": "Q1: pack basket 2 neatly.", "cost": None},
    ],
    "cost": None, "cost_per": "once", "effective_on": "2026-12-01",
}  # fmt: skip
CHANGE = {"kind": "size the changes", "says": "Change 34 % every 14 days.", "fraction": 0.34, "every_days": 14.0}
SIZED = {
    "changes": [CHANGE],
    "cost": 3.6, "cost_per": "a year", "effective_on": "2026-06-03",
}  # fmt: skip
SIDE = Side(None, None, None, (), None, None, None, "", None, None, None)
TODAY = Settings(feed_g_day=2.0, fraction=0.2, every_days=7.0)


def asked(*words: str, cost: float | None = 0.0, year: float | None = 0.0) -> Asked:
    return Asked(SIDE, SIDE, words, cost, year, (), 0.0, None, ())


def test_what_is_kept_is_read_back_as_it_was(tmp_path: Path) -> None:
    kept, new = proposals.keep(tmp_path, ONE)
    assert (new, kept.name) == (True, "T01-2026-06-03-1.json")
    assert proposals.listing(tmp_path) == ([kept], [])
    assert [path.name for path in (tmp_path / "proposals").iterdir()] == [kept.name]


def test_the_next_one_of_a_day_gets_the_next_number_and_the_same_is_not_kept_twice(tmp_path: Path) -> None:
    first, _ = proposals.keep(tmp_path, ONE)
    second, new = proposals.keep(tmp_path, replace(ONE, words="Feed 1.5 g a day."))
    assert (new, second.name) == (True, "T01-2026-06-03-2.json")
    assert proposals.keep(tmp_path, replace(ONE, by="another", on=dt.date(2026, 6, 9))) == (first, False)
    assert [one.name for one in proposals.listing(tmp_path)[0]] == [second.name, first.name]


def test_one_that_is_withdrawn_stays_as_a_file_and_may_be_kept_again(tmp_path: Path) -> None:
    kept, _ = proposals.keep(tmp_path, ONE)
    gone = proposals.withdraw(tmp_path, kept.name, "keeper", dt.date(2026, 6, 4))
    assert (gone.open, gone.withdrawn_by) == (False, "keeper")
    assert proposals.open_of(tmp_path, ["T01"]) == ([], [])
    assert proposals.listing(tmp_path) == ([gone], [])
    assert proposals.withdraw(tmp_path, kept.name, "other", ON) == gone  # the first who did it stays named
    again, new = proposals.keep(tmp_path, ONE)
    assert (new, again.name) == (True, "T01-2026-06-03-2.json")


def test_only_the_tanks_asked_for_are_listed_newest_first(tmp_path: Path) -> None:
    old, _ = proposals.keep(tmp_path, ONE)
    new, _ = proposals.keep(tmp_path, replace(ONE, words="x", on=dt.date(2026, 7, 1)))
    proposals.keep(tmp_path, replace(ONE, tank="T02"))
    assert proposals.open_of(tmp_path, ["T01"]) == ([new, old], [])


def test_an_id_that_is_no_file_name_stays_in_the_folder(tmp_path: Path) -> None:
    kept, _ = proposals.keep(tmp_path, replace(ONE, tank="../../up"))
    assert (tmp_path / "proposals" / kept.name).is_file()
    assert proposals.open_of(tmp_path, ["../../up"])[0] == [kept]


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "null", '{"tank": "T01"}', '{"tank": 3, "words": "w"}'],
)
def test_a_file_that_is_no_proposal_is_said_and_costs_nothing_else(tmp_path: Path, text: str) -> None:
    kept, _ = proposals.keep(tmp_path, ONE)
    (tmp_path / "proposals" / "odd.json").write_text(text)
    found, lost = proposals.listing(tmp_path)
    assert found == [kept]
    assert len(lost) == 1
    assert "proposals/odd.json can't be read as a proposal: bring it back from a copy" in lost[0]
    with pytest.raises(Problem, match="can't be read"):
        proposals.withdraw(tmp_path, "odd.json", "keeper", ON)


@pytest.mark.parametrize(
    ("key", "value"),
    [("costs", [{"amount": -1, "per": "once"}]), ("costs", [{"amount": 1, "per": "week"}]), ("costs", 5),
     ("on", "soon"), ("words", "  "), ("plain", None), ("by", "")],
)  # fmt: skip
def test_a_file_with_a_value_that_cannot_be_is_said(tmp_path: Path, key: str, value: object) -> None:
    kept, _ = proposals.keep(tmp_path, ONE)
    path = tmp_path / "proposals" / kept.name
    path.write_text(json.dumps(json.loads(path.read_text("utf-8")) | {key: value}))
    assert (proposals.listing(tmp_path)[0], len(proposals.listing(tmp_path)[1])) == ([], 1)


@pytest.mark.parametrize("name", ["none.json", "../sites.csv", "/etc/passwd"])
def test_a_name_that_is_not_there_can_t_be_withdrawn(tmp_path: Path, name: str) -> None:
    proposals.keep(tmp_path, ONE)
    (tmp_path / "sites.csv").write_text("site\n")
    with pytest.raises(Problem, match="There is no proposal"):
        proposals.withdraw(tmp_path, name, "keeper", ON)


def test_nobody_keeps_or_withdraws_without_a_role(tmp_path: Path) -> None:
    with pytest.raises(Problem, match="Say who proposes it"):
        proposals.keep(tmp_path, replace(ONE, by=" "))
    assert not (tmp_path / "proposals").exists()
    kept, _ = proposals.keep(tmp_path, ONE)
    with pytest.raises(Problem, match="Say who withdraws it"):
        proposals.withdraw(tmp_path, kept.name, "", ON)


def test_a_file_in_the_way_gets_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "proposals").write_text("in the way")
    with pytest.raises(Problem, match="is in the way"):
        proposals.keep(tmp_path, ONE)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_may_only_be_read_gets_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "proposals").mkdir()
    (tmp_path / "proposals").chmod(0o555)
    with pytest.raises(Problem, match=r"give the folder write access. Nothing was kept"):
        proposals.keep(tmp_path, ONE)


# -- words and costs -----------------------------------------------------------------------------------


def test_an_option_is_kept_in_both_its_words() -> None:
    made = proposals.of_option("T01", OPTION, "keeper", ON, ON)
    assert made.words == "Feed 50 % less: 2 to 1 g a day. Q1: pack basket 2 neatly."
    assert made.plain == (
        "Feed about half less. We bring marked pots, one for each day. Pack the filter material more neatly."
        " It works fully from December 2026 on."
    )
    assert (made.cost_text(), made.suggestion().cost) == ("cost not known", "We quote first.")


def test_sized_changes_are_paid_by_the_year_and_said_as_a_share() -> None:
    made = proposals.of_option("T01", SIZED, "keeper", ON, ON)
    assert (made.plain, made.costs) == ("We change about a third of the water every two weeks.", (Cost(3.6, "year"),))
    in_currency("£")
    assert (made.cost_text(), made.suggestion().cost) == ("£3.60 a year", "About £4 a year; we quote first.")


@pytest.mark.parametrize(
    ("costs", "said", "told"),
    [
        ([Cost(0.0)], "free", "Free."),
        ([Cost(0.0), Cost(0.0, "year")], "free", "Free."),
        ([Cost(17.2), Cost(4.0, "year")], "17.20 and 4 a year", "About 17, and 4 a year; we quote first."),
        ([Cost(8.5)], "8.50", "About 9; we quote first."),
        ([Cost(17.0), Cost(None, "year")], "17 and yearly cost not known", "We quote first."),
        ([Cost(0.0), Cost(0.4, "year")], "0.40 a year", "A small sum; we quote first."),
        ([Cost(None)], "cost not known", "We quote first."),
    ],
)
def test_costs_in_words(costs: list[Cost], said: str, told: str) -> None:
    made = replace(ONE, costs=tuple(costs))
    assert (made.cost_text(), made.suggestion().cost) == (said, told)


@pytest.mark.parametrize(
    ("settings", "plain"),
    [
        (replace(TODAY, feed_g_day=1.5), "Feed about a quarter less. We bring marked pots, one for each day."),
        (replace(TODAY, feed_g_day=2.4), "Feed a little more. We bring marked pots, one for each day."),
        (replace(TODAY, media_kg=0.5), "Add more filter material. It takes about six months to work fully."),
        (replace(TODAY, fraction=0.5, every_days=7.4), "We change about half of the water each week."),
        (replace(TODAY, every_days=3.0), "We change about a fifth of the water every three days."),
        (replace(TODAY, fraction=0.0), "We leave the water as it is."),
    ],
)
def test_a_what_if_in_plain_words(settings: Settings, plain: str) -> None:
    made = proposals.of_what_if("T01", settings, TODAY, asked("One.", "Two.", cost=17.0, year=None), "keeper", ON, ON)
    assert (made.words, made.plain) == ("One. Two.", plain)
    assert made.costs == (Cost(17.0, "once"), Cost(None, "year"))
    assert not re.search(r"mg|\d|%", made.plain)


def test_other_stock_in_plain_words() -> None:
    was = Settings(stocking="normal", fraction=0.2)
    made = proposals.of_what_if("T01", replace(was, stocking="light"), was, asked("Less."), "keeper", ON, ON)
    assert made.plain.startswith("Change how many fish live here.")


def test_nothing_changed_is_no_proposal() -> None:
    with pytest.raises(Problem, match="Nothing differs from today"):
        proposals.of_what_if("T01", TODAY, TODAY, asked(), "keeper", ON, ON)


# -- the report --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("class_", "texts"),
    [("plan", ["mine"]), ("this week", ["theirs", "mine"]), ("can't say", ["theirs", "mine"]),
     ("due", ["theirs", "mine"])],
)  # fmt: skip
def test_a_proposal_stands_for_ideas_and_joins_work_that_must_be_done(class_: str, texts: list[str]) -> None:
    found = with_proposals([Suggestion("theirs", "Free.")], [Suggestion("mine", "Free.")], class_)
    assert [item.text for item in found] == texts
    assert [item.text for item in with_proposals([Suggestion("theirs", "Free.")], [], class_)] == ["theirs"]


def test_a_ticked_proposal_is_printed_with_its_cost(week: Week, pdf_pages: Callable[[bytes], list[str]]) -> None:
    in_currency("£")
    taken = [(ONE.tank, replace(ONE, costs=(Cost(17.0),)).suggestion())]
    made = site_report(week, "orchard", dt.date(2026, 5, 1), week.as_of, proposals=taken)
    plain = site_report(week, "orchard", dt.date(2026, 5, 1), week.as_of)
    assert made.sheets[0]["suggest"] == [
        {"text": "Feed about half less.", "cost": "About £17; we quote first.", "choice": True}
    ]
    assert made.sheets[1] == plain.sheets[1]
    text = pdf_pages(report_pdf(made))[1]  # after the cover
    assert "Feed about half less. About £17; we quote first." in text
    assert "instead of 2" not in text  # the keeper's own words are not for the manager
