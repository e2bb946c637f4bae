"""A tank's history as one page for the phone, without the dashboard: what is wrong, what was read, what was done."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from html import escape
from typing import Any

import altair as alt
import polars as pl

from pipeline.papers.drawing import EARLIER, INK, INK2, for_screen, month_starts, noon, to_svg
from pipeline.papers.layers import in_flow_order, layers_on
from pipeline.papers.page import items, page, table
from pipeline.papers.report_facts import Row
from pipeline.papers.visit_sheets import open_tanks
from pipeline.papers.water_today import net_of
from pipeline.papers.writing import safe_name, zipped
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import (
    ago,
    cause_words,
    cautions,
    day,
    interval,
    job_words,
    number,
    per_cent,
    sentence,
    tank_title,
    with_unit,
)
from schemas.words import CANON, CLASSES, PARAMETER_TITLES, PARAMETERS

CHART_WEEKS = 26
WIDTH, HEIGHT = 480, 200  # narrow, so that its words stay legible on a phone


def _mine(week: Week, name: str, tank: str, column: str = "day") -> pl.DataFrame:
    rows = week.table(name).filter(pl.col("tank") == tank)
    return rows.filter(pl.col(column) <= week.as_of).sort(column, descending=True, maintain_order=True)


def nitrate_chart(week: Week, tank: str, ceiling: float) -> str | None:
    """Nitrate as ranges with changes and the ceiling, half a year; None where nothing was read."""
    first = week.as_of - dt.timedelta(weeks=CHART_WEEKS)
    rows = week.table("reading").filter(
        (pl.col("tank") == tank) & (pl.col("parameter") == "nitrate") & pl.col("day").is_between(first, week.as_of)
    )
    if not rows.height:
        return None
    reach = rows.select(pl.max_horizontal(pl.col("high").fill_null(pl.col("low") * 1.3), "low").max()).item()
    top = max(1.5 * ceiling, float(reach))
    guide = pl.col("doubt").is_not_null() | pl.col("expired")
    bars = rows.select(
        pl.col("day").cast(pl.String).alias("day"),
        "low",
        pl.col("high").fill_null(top).alias("high"),
        pl.when(guide).then(pl.lit(EARLIER)).otherwise(pl.lit(INK)).alias("shade"),
    )
    changed = week.table("water_change").filter(
        (pl.col("tank") == tank) & (pl.col("kind") != "top-up") & pl.col("day").is_between(first, week.as_of)
    )
    x = alt.X(
        "day:T",
        scale=alt.Scale(domain=[noon(first), noon(week.as_of + dt.timedelta(days=4))]),
        axis=alt.Axis(
            title=None, format="%b", values=[noon(d) for d in month_starts(first, week.as_of)], labelFontSize=14
        ),
    )
    y = alt.Y(
        "low:Q",
        scale=alt.Scale(domain=[0, top * 1.08], nice=False),
        axis=alt.Axis(title=None, tickCount=5, labelFontSize=14, domain=False),
    )
    drawn = alt.Chart(bars).mark_bar(width=5).encode(x=x, y=y, y2="high:Q", color=alt.Color("shade:N", scale=None))
    ticks = (
        alt.Chart(changed.select(pl.col("day").cast(pl.String)))
        .mark_rule(color=INK2, strokeWidth=1.4)
        .encode(x=x, y=alt.value(0), y2=alt.value(9))
    )
    line = alt.Chart(pl.DataFrame({"low": [ceiling], "said": [f"limit {number(ceiling)}"]}))
    rule = line.mark_rule(color=INK, strokeDash=[6, 4], strokeWidth=1.2).encode(y=y)
    word = line.mark_text(align="left", baseline="bottom", dx=3, dy=-3, fontSize=14, color=INK).encode(
        x=alt.value(0), y=y, text="said:N"
    )
    last = rows.sort("at").row(-1, named=True)
    reads = interval(last["low"], last["high"])
    name = (
        f"Nitrate over {CHART_WEEKS} weeks, mg/L: {rows.height} readings, the last {reads} on {day(last['day'])};"
        f" limit {number(ceiling)}; {changed.height} water changes."
    )
    return to_svg(alt.layer(ticks, drawn, rule, word).properties(width=WIDTH, height=HEIGHT), name)


def _findings(week: Week, tank: str) -> str:
    order = {name: place for place, name in enumerate(CLASSES)}
    found = week.now("finding").filter(pl.col("tank") == tank).to_dicts()
    rows = sorted(found, key=lambda row: (order.get(row["class"], len(order)), row["harm"]))
    causes = week.now("finding_cause").filter(pl.col("tank") == tank).sort("place").to_dicts()
    parts = []
    for row in rows:
        quiet = " <span class='muted'>(known: alert paused)</span>" if row["quiet"] else ""
        parts.append(f"<h3>{escape(sentence(row['class']))}: {escape(row['says'])}{quiet}</h3>")
        parts.append(f'<p class="strong">→ {escape(row["do"])}</p>')
        likely = [c for c in causes if c["rule"] == row["rule"]]
        if likely:
            lines = "".join(
                f"<li><strong>{escape(sentence(cause_words(c['cause'])))}</strong>: {escape(c['because'])}"
                f'<br><span class="muted">Check: {escape(c["check"])}</span></li>'
                for c in likely
            )
            parts.append(f"<p>Possible causes:</p><ol>{lines}</ol>")
    return "".join(parts) or "<p>Nothing was found.</p>"


def _changed(row: Row) -> str:
    """`30 L (16 %)`; a change typed as a per cent is said once."""
    if row["fraction"] is None:
        return str(row["text"])
    share = per_cent(100 * row["fraction"])
    return share if "%" in row["text"] else f"{row['text']} ({share})"


def _sessions(week: Week, tank: str) -> list[tuple[dt.date, list[str]]]:
    """One line a visit, newest first: day, readings in words, change, note."""
    readings = _mine(week, "reading", tank)
    names = [name for name in PARAMETERS if (readings["parameter"] == name).any()]
    said: dict[tuple[dt.datetime, str], dict[str, str]] = {}
    for row in readings.iter_rows(named=True):
        text = "0" if row["matched"] == 0 else interval(row["low"], row["high"], 3)
        mark = " (kit expired)" if row["expired"] else f" (left out: {row['doubt']})" if row["doubt"] else ""
        said.setdefault((row["at"], row["taken"]), {})[row["parameter"]] = text + mark
    changes: dict[dt.date, str] = {}
    for row in _mine(week, "water_change", tank).iter_rows(named=True):
        changes[row["day"]] = f"{'' if row['kind'] == 'change' else row['kind'] + ' '}{_changed(row)}"
    notes: dict[tuple[dt.datetime, str], Row] = {
        (row["at"], row["taken"]): row for row in _mine(week, "visit", tank).iter_rows(named=True)
    }
    lines = []
    for at, taken in sorted({*said, *notes}, reverse=True):
        values, visit = said.get((at, taken), {}), notes.get((at, taken), {})
        seen = visit.get("fish_seen")
        fish = " ".join(
            part for part in (number(seen, 4) if seen is not None else "", visit.get("fish_look") or "") if part
        )
        cells = [day(at.date()), "" if taken == "before" else taken, *(values.get(name, "") for name in names)]
        lines.append((at.date(), [*cells, changes.get(at.date(), ""), fish, visit.get("note") or ""]))
    return lines


def _heads(week: Week, tank: str) -> list[str]:
    found = set(week.of("reading", tank)["parameter"])
    titles = [PARAMETER_TITLES[name] for name in PARAMETERS if name in found]
    return ["Day", "Taken", *titles, "Water changed", "Fish", "Note"]


def _by_year(week: Week, tank: str) -> str:
    lines, heads = _sessions(week, tank), _heads(week, tank)
    years = sorted({date.year for date, _ in lines}, reverse=True)
    return "".join(
        f"<details{' open' if n == 0 else ''}><summary>Visits in {year}</summary>"
        f"{table(heads, (cells for date, cells in lines if date.year == year), 'rows visits')}</details>"
        for n, year in enumerate(years)
    ) or "<p>No visit yet.</p>"  # fmt: skip


def _rows(title: str, heads: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    body = [["" if cell is None else day(cell, year=True, weekday=False) if isinstance(cell, dt.date) else
             number(cell, 4) if isinstance(cell, float) else str(cell) for cell in row] for row in rows]  # fmt: skip
    if not body:
        return ""
    return f"<details><summary>{escape(title)}: {len(body)}</summary>{table(heads, body)}</details>"


def _now(week: Week, tank: str) -> str:
    rows = week.now("water").filter(pl.col("tank") == tank).to_dicts()
    titles, units = {**PARAMETER_TITLES, "free_ammonia": "Free ammonia"}, {**CANON, "free_ammonia": "mg/L NH3"}
    lines = []
    for row in rows:
        name, value = row["parameter"], "0" if row["matched"] == 0 else interval(row["low"], row["high"], 3)
        when = f"{ago(row['day'], week.as_of)}{', kit expired' if row['expired'] else ''}"
        lines.append([titles.get(name, name), with_unit(value, units.get(name, "")), when])
    return table(["Water", "Last read", "When"], lines) if lines else "<p>No reading within four weeks.</p>"


def history_page(week: Week, tank: str) -> str:
    """The page of one tank, complete in one file."""
    found = week.of("tank", tank).to_dicts()
    if not found:
        raise Problem(f"There is no tank “{tank}” in tanks.csv. Give the id of a tank there.")
    site = dict(week.table("site").select("site", "name").iter_rows()).get(found[0]["site"], found[0]["site"])
    review = week.now("review").filter(pl.col("tank") == tank).to_dicts()
    ceiling = found[0]["nitrate_ceiling"] or week.assumed["ceiling_default"]
    svg = nitrate_chart(week, tank, ceiling)
    title = f"{tank_title(tank, found[0]['name'])}, {site}"
    net, _ = net_of(week, tank)
    facts = [tank, f"{with_unit(number(net, 4), 'L')} net" if net is not None else "net volume not known"]
    facts.append(f"data as of {day(week.as_of, year=True)}")
    state = f"{sentence(review[0]['class'])}: {review[0]['reason']}" if review else "Not reviewed"
    layers = layers_on(week, week.as_of).filter(pl.col("tank") == tank)
    filters = [f"{name}: {in_flow_order(rows)}" for (name,), rows in layers.group_by("filter", maintain_order=True)]
    due = week.now("due").filter(pl.col("tank") == tank).sort("on")
    jobs = [job_words(row["says"], row["do"]) for row in due.iter_rows(named=True)]
    held = week.of("held", tank)
    promises = week.table("promise").filter(
        (pl.col("tank") == tank) | (pl.col("tank").is_null() & (pl.col("site") == found[0]["site"]))
    )
    work, happened = _mine(week, "service", tank, "date"), _mine(week, "event", tank, "date")
    assumption = (
        f"<figure><figcaption>Nitrate, mg/L. Each bar is what a test could mean; ticks at the top are water"
        f" changes.</figcaption>{for_screen(svg)}</figure>"
        if svg
        else f"<p>No nitrate reading in {CHART_WEEKS} weeks.</p>"
    )
    body = [
        f'<div class="top"><h1>{escape(title)}</h1><span class="small">{escape(" · ".join(facts))}</span></div><hr>',
        f'<p class="state">{escape(state)}.</p>',
        f'<p class="hand strong">→ {escape(review[0]["step"])}</p>' if review else "",
        _now(week, tank),
        assumption,
        f"<h2>What was found</h2>{_findings(week, tank)}",
        f"<h2>The filter, as the water meets it</h2>{items(filters or ['No filter is recorded on this tank.'])}",
        f"<h2>Due</h2>{items(jobs)}" if jobs else "",
        f"<h2>History</h2>{_by_year(week, tank)}",
        _rows("Services", ["Day", "Filter", "Job", "Found", "Flow after, L/h", "Note"],
              work.select("date", "filter", "job", "found", "flow_after", "note").rows()),
        _rows("Events", ["Day", "What", "Fish", "Hours", "Note"],
              happened.select("date", "event", "count", "hours", "note").rows()),
        _rows("Promises", ["Made on", "What", "Due", "Done on"],
              promises.sort("made_on", descending=True).select("made_on", "promise", "due", "done_on").rows()),
        _rows("Held, not used", ["File", "Line", "Column", "As typed", "Why"],
              held.select("file", "line", "column", "text", "reason").rows()),
        f"<footer>{items(cautions(week.assumed))}</footer>",
    ]  # fmt: skip
    return page(title, "\n".join(part for part in body if part))


def histories_zip(week: Week, sites: Sequence[str]) -> bytes:
    """The pages of all tanks that run at some sites, a file each."""
    tanks = [tank["tank"] for site in sites for tank in open_tanks(week, site, week.as_of)]
    return zipped((f"history-{safe_name(tank)}.html", history_page(week, tank).encode()) for tank in tanks)
