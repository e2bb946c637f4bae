"""How long papers take: 60 site reports as PDF and HTML, 60 visit sheets, on one core.

python tests/bench/bench_papers.py
"""

from __future__ import annotations

import datetime as dt
import importlib.util
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.papers.site_report import report_html, report_pdf, site_report
from pipeline.papers.visit_sheets import visit_sheets
from pipeline.papers.week_pdf import week_pdf
from pipeline.week import Week
from schemas import Tables

SITES = 60


def _made_week() -> Any:
    path = Path(__file__).parents[1] / "papers" / "conftest.py"
    spec = importlib.util.spec_from_file_location("papers_conftest", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def many(tables: Tables) -> None:
    """The made-up week 60 times over: 120 sites, 180 tanks; reports are made for the 60 with two tanks."""
    for name, frame in tables.items():
        keys = [key for key in ("site", "tank", "filter") if key in frame.columns]
        tables[name] = pl.concat(
            [frame.with_columns(pl.format("{}-{}", pl.lit(n), key).alias(key) for key in keys) for n in range(SITES)]
        )


def _timed(what: str, work: Callable[[], object]) -> None:
    start = time.perf_counter()
    work()
    print(f"{what:<40}{time.perf_counter() - start:8.2f} s")


def main() -> None:
    made = _made_week()
    tables = made.base_tables()
    tables |= made.derived_tables(tables, made.TO)
    many(tables)
    week = Week(Path("round"), made.Round(name="Invented round"), made.built_in(), made.TO, made.TO, tables)
    sites = [f"{n}-orchard" for n in range(SITES)]
    first = dt.date(2026, 5, 1)

    def reports() -> None:
        for site in sites:
            report = site_report(week, site, first, made.TO)
            report_pdf(report)
            report_html(report)

    _timed(f"{SITES} site reports, PDF and HTML", reports)
    _timed(f"{SITES} visit sheets", lambda: [visit_sheets(week, [site]) for site in sites])
    _timed("weekly review, 180 tanks", lambda: week_pdf(week))


if __name__ == "__main__":
    main()
