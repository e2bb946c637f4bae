"""Issued reports are frozen, numbered, and told apart from ones that were changed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import polars as pl
import pytest

from pipeline.papers.issued import PDF, all_issued, content_hash, issue, lost
from pipeline.papers.site_report import SiteReport, site_report
from pipeline.problems import Problem
from pipeline.week import Week
from schemas import Tables

FROM, TO, ON = dt.date(2026, 5, 1), dt.date(2026, 5, 31), dt.date(2026, 6, 1)
Make = Callable[..., Week]


def _no_service(tables: Tables) -> None:
    tables["service"] = tables["service"].clear()


@pytest.fixture(scope="module")
def report(week: Week) -> SiteReport:
    return site_report(week, "orchard", FROM, TO)


@pytest.fixture(scope="module")
def corrected(make_week: Make) -> SiteReport:
    return site_report(make_week(_no_service), "orchard", FROM, TO)


def test_an_issue_is_kept_as_it_was_handed_over(
    tmp_path: Path, report: SiteReport, corrected: SiteReport, pdf_pages: Callable[[bytes], list[str]]
) -> None:
    first = issue(tmp_path, report, ON)
    assert (first.number, first.new, first.state) == (1, True, "whole")
    assert first.folder == tmp_path / "issued" / "orchard" / "2026-05-01_2026-05-31" / "issue-1"
    again = issue(tmp_path, report, ON + dt.timedelta(3))
    assert (again.number, again.new, again.on) == (1, False, ON)
    old = first.pdf()
    second = issue(tmp_path, corrected, ON + dt.timedelta(5))
    assert (second.number, second.new) == (2, True)
    assert "issue 2 of 6 June 2026, replaces issue 1" in pdf_pages(second.pdf())[0]
    assert "issue 1 of 1 June 2026" in pdf_pages(first.pdf())[0]
    assert first.pdf() == old
    assert "Filter checked" in first.html()
    assert "Filter checked" not in second.html()
    assert [(one.number, one.state) for one in all_issued(tmp_path)] == [(2, "whole"), (1, "whole")]
    assert all_issued(tmp_path, "quay") == []
    assert not list(tmp_path.rglob(".*.unfinished"))


def test_going_back_to_what_was_said_first_is_a_third_issue(
    tmp_path: Path, report: SiteReport, corrected: SiteReport
) -> None:
    numbers = [issue(tmp_path, one, ON).number for one in (report, corrected, report)]
    assert numbers == [1, 2, 3]


def test_the_hash_is_of_the_words_and_not_of_the_number(report: SiteReport, corrected: SiteReport) -> None:
    assert content_hash(report) == content_hash(report)
    assert content_hash(report) != content_hash(corrected)


def test_a_changed_or_broken_issue_is_told(tmp_path: Path, report: SiteReport) -> None:
    one = issue(tmp_path, report, ON)
    (one.folder / PDF).write_bytes(b"%PDF another")
    assert [found.state for found in all_issued(tmp_path)] == ["changed since it was issued"]
    assert issue(tmp_path, report, ON).number == 2  # what was handed over can no longer be vouched for
    (one.folder / PDF).unlink()
    assert {found.number: found.state for found in all_issued(tmp_path)} == {2: "whole", 1: "not complete"}
    (one.folder / "report.json").write_text("{", encoding="utf-8")
    assert [found.number for found in all_issued(tmp_path)] == [2]
    assert issue(tmp_path, report, ON).number == 2


def test_what_is_lost_is_told_of_its_own_site_only(tmp_path: Path, report: SiteReport, corrected: SiteReport) -> None:
    one, two, _ = (issue(tmp_path, said, ON) for said in (report, corrected, report))
    assert lost(tmp_path, "orchard") == []
    (one.folder / "report.json").unlink()
    for file in two.folder.iterdir():
        file.unlink()
    two.folder.rmdir()
    said = lost(tmp_path, "orchard")
    assert [sentence.split(";")[0].split(":")[0] for sentence in said] == [
        "Issue 1 of 2026-05-01 to 2026-05-31 can't be read",
        "Issue 2 of 2026-05-01 to 2026-05-31 is missing from the folder issued. Bring it back from a copy.",
    ]
    assert lost(tmp_path, "quay") == []
    assert [one.number for one in all_issued(tmp_path, "orchard")] == [3]


def test_two_at_once_make_one_issue(tmp_path: Path, report: SiteReport) -> None:
    with ThreadPoolExecutor(4) as pool:
        made = list(pool.map(lambda _: issue(tmp_path, report, ON), range(4)))
    assert {one.number for one in made} == {1}
    assert len(all_issued(tmp_path)) == 1


def test_a_place_that_can_not_be_written_gets_a_sentence(tmp_path: Path, report: SiteReport) -> None:
    (tmp_path / "issued").write_text("in the way")
    with pytest.raises(Problem, match="could not be written"):
        issue(tmp_path, report, ON)


def test_hostile_site_ids_stay_inside_the_folder(tmp_path: Path, make_week: Make) -> None:
    def edit(tables: Tables) -> None:
        for table in ("site", "tank"):
            tables[table] = tables[table].with_columns(site=pl.lit("../../etc"))

    week = make_week(edit)
    one = issue(tmp_path, site_report(week, "../../etc", FROM, TO), ON)
    assert (tmp_path / "issued") in one.folder.resolve().parents
