"""A tank's history as one page for the phone, without the dashboard: what is wrong, what was read, what was done."""

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Any

import polars as pl
from markupsafe import Markup

from pipeline.papers.charts import HISTORY_WEEKS, for_screen, nitrate_chart
from pipeline.papers.layout import filled
from pipeline.papers.report_facts import Row, findings_of, open_tanks
from pipeline.papers.visit_sheets import flow_orders, layers_on, value_text
from pipeline.papers.water_today import net_of
from pipeline.papers.writing import safe_name, zipped
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import ago, cautions, day, job_text, number, per_cent, sentence, tank_title, with_unit
from schemas.words import CANON, PARAMETER_TITLES, PARAMETERS


def _mine(week: Week, name: str, tank: str, column: str = "day") -> pl.DataFrame:
    rows = week.of(name, tank).filter(pl.col(column) <= week.as_of)
    return rows.sort(column, descending=True, maintain_order=True)


def _changed(row: Row) -> str:
    """`30 L (16 %)`; a change typed as a per cent is printed once."""
    if row["fraction"] is None:
        return str(row["text"])
    share = per_cent(100 * row["fraction"])
    return share if "%" in row["text"] else f"{row['text']} ({share})"


def visits_of(week: Week, tank: str) -> list[tuple[dt.datetime, str, list[Row], Row]]:
    """Every visit in order: when, before or after the change, its readings, and its own row, empty where there is none."""
    until = pl.col("day") <= week.as_of
    readings: dict[tuple[dt.datetime, str], list[Row]] = {}
    for row in week.of("reading", tank).filter(until).iter_rows(named=True):
        readings.setdefault((row["at"], row["taken"]), []).append(row)
    own = {(row["at"], row["taken"]): row for row in week.of("visit", tank).filter(until).iter_rows(named=True)}
    return [(*key, readings.get(key, []), own.get(key, {})) for key in sorted({*readings, *own})]


def _visits(week: Week, tank: str) -> tuple[list[str], list[tuple[int, list[list[str]]]]]:
    """The headings, and by year, newest first, one line a visit: day, readings in words, change, note."""
    seen = visits_of(week, tank)[::-1]
    read = {row["parameter"] for *_, readings, _ in seen for row in readings}
    names = [name for name in PARAMETERS if name in read]
    changes: dict[dt.date, str] = {}
    for row in _mine(week, "water_change", tank).iter_rows(named=True):
        changes[row["day"]] = f"{'' if row['kind'] == 'change' else row['kind'] + ' '}{_changed(row)}"
    lines: dict[int, list[list[str]]] = {}
    for at, taken, readings, visit in seen:
        values = {}
        for row in readings:
            mark = " (kit expired)" if row["expired"] else f" (left out: {row['doubt']})" if row["doubt"] else ""
            values[row["parameter"]] = value_text(row) + mark
        count = visit.get("fish_seen")
        fish = " ".join(filter(None, ("" if count is None else number(count, 4), visit.get("fish_look"))))
        cells = [day(at.date()), "" if taken == "before" else taken, *(values.get(name, "") for name in names)]
        cells += [changes.get(at.date(), ""), fish, visit.get("note") or ""]
        lines.setdefault(at.year, []).append(cells)
    headings = ["Day", "Taken", *(PARAMETER_TITLES[name] for name in names), "Water changed", "Fish", "Note"]
    return headings, list(lines.items())


def _cells(rows: Iterable[Sequence[Any]]) -> list[list[str]]:
    """Rows as text: dates with their year, numbers in few digits, blank for what is not known."""
    return [["" if cell is None else day(cell, year=True, weekday=False) if isinstance(cell, dt.date) else
             number(cell, 4) if isinstance(cell, float) else str(cell) for cell in row] for row in rows]  # fmt: skip


def _now(week: Week, tank: str) -> list[list[str]]:
    titles, units = {**PARAMETER_TITLES, "free_ammonia": "Free ammonia"}, {**CANON, "free_ammonia": "mg/L NH3"}
    lines = []
    for row in week.rows("water", tank):
        name, when = row["parameter"], f"{ago(row['day'], week.as_of)}{', kit expired' if row['expired'] else ''}"
        lines.append([titles.get(name, name), with_unit(value_text(row), units.get(name, "")), when])
    return lines


def history_page(week: Week, tank: str) -> str:
    found = week.of("tank", tank).to_dicts()
    if not found:
        raise Problem(f"There is no tank “{tank}” in tanks.csv. Give the id of a tank there.")
    site = dict(week.table("site").select("site", "name").iter_rows()).get(found[0]["site"], found[0]["site"])
    review = week.row("review", tank)
    svg = nitrate_chart(week, tank, found[0]["nitrate_ceiling"] or week.assumed["ceiling_default"])
    title = f"{tank_title(tank, found[0]['name'])}, {site}"
    net, _ = net_of(week, tank)
    facts = [tank, f"{with_unit(number(net, 4), 'L')} net" if net is not None else "net volume not known"]
    facts.append(f"data as of {day(week.as_of, year=True)}")
    state = f"{sentence(review['class'])}: {review['reason']}" if review else "Not reviewed"
    jobs = [job_text(row["says"], row["do"]) for row in sorted(week.rows("due", tank), key=lambda row: row["on"])]
    of_site = pl.col("tank").is_null() & (pl.col("site") == found[0]["site"])
    promises = week.table("promise").filter((pl.col("tank") == tank) | of_site)
    causes = sorted(week.rows("finding_cause", tank), key=lambda cause: cause["place"])
    findings = [(row, [c for c in causes if c["rule"] == row["rule"]]) for row in findings_of(week, tank)]
    headings, visits = _visits(week, tank)
    work, happened = _mine(week, "service", tank, "date"), _mine(week, "event", tank, "date")
    lists = [
        ("Services", ["Day", "Filter", "Job", "Found", "Flow after, L/h", "Note"],
         work.select("date", "filter", "job", "found", "flow_after", "note")),
        ("Events", ["Day", "What", "Fish", "Hours", "Note"], happened.select("date", "event", "count", "hours", "note")),
        ("Promises", ["Made on", "What", "Due", "Done on"],
         promises.sort("made_on", descending=True).select("made_on", "promise", "due", "done_on")),
        ("Held, not used", ["File", "Line", "Column", "As typed", "Why"],
         week.of("held", tank).select("file", "line", "column", "text", "reason")),
    ]  # fmt: skip
    return filled(
        "history.html", title=title, facts=facts, state=state, step=review["step"] if review else "",
        water=_now(week, tank), chart=Markup(for_screen(svg)) if svg else "", weeks=HISTORY_WEEKS,
        findings=findings, filters=flow_orders(layers_on(week, week.as_of), tank), jobs=jobs, headings=headings, visits=visits,
        lists=[(name, names, _cells(rows.iter_rows())) for name, names, rows in lists], cautions=cautions(week.assumed),
    )  # fmt: skip


def histories_zip(week: Week, sites: Sequence[str]) -> bytes:
    """The pages of all tanks that run at some sites, a file each."""
    tanks = [tank["tank"] for site in sites for tank in open_tanks(week, site, week.as_of)]
    return zipped((f"history-{safe_name(tank)}.html", history_page(week, tank).encode()) for tank in tanks)
