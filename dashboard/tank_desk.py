"""What the page One tank tells besides its charts: causes merged over all findings, the history, what was done today."""

import csv
import datetime as dt
import io
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

import polars as pl
import streamlit as st

from dashboard import charts, data, look
from dashboard import enter_desk as desk
from pipeline import logbook, weekly
from pipeline.problems import Problem
from pipeline.review.causes import UNEXPLAINED, explains, of_tank
from pipeline.week import Week
from pipeline.wording import (
    amount,
    cause_words,
    counted,
    day,
    due_words,
    listed,
    pct,
    reading_range,
    sentence,
    with_unit,
)
from schemas.words import FOUND, JOBS, PARAMETER_TITLES, PARAMETERS

Row = dict[str, Any]
SHOWN = 60  # rows of the history at a time


# -- possible causes ---------------------------------------------------------------------------------


def choose_cause(week: Week, tank: str) -> tuple[str, Row] | None:
    """A possible cause whose path is to be drawn, with the row of its explanation; None where none is chosen."""
    found = data.of(week.now("finding"), tank).to_dicts()
    named = [c["cause"] for c in of_tank(found, data.of(week.now("finding_cause"), tank).to_dicts())]
    rows = {row["cause"]: row for row in data.of(week.now("explanation"), tank).to_dicts()}
    drawable = {name: rows[explains(name)] for name in named if explains(name) in rows}
    if not drawable:
        return None
    chosen = st.pills(
        "Draw a possible cause", list(drawable), format_func=lambda c: sentence(cause_words(c)), key=f"cause {tank}"
    )
    return None if chosen is None else (cause_words(chosen), drawable[chosen])


def causes_html(causes: Sequence[Mapping[str, Any]]) -> str:
    """The causes, numbered, each with the record that suggests it and its check; where none has one, said once."""
    bare = bool(causes) and all(c["because"] == UNEXPLAINED for c in causes)
    told = "".join(
        f"<li><strong>{escape(sentence(cause_words(c['cause'])))}{'' if bare else ':'}</strong>"
        f" {'' if bare else escape(c['because']) + '.'}<br><small>Check: {escape(c['check'])}.</small></li>"
        for c in causes
    )
    above = "<p>Nothing recorded explains it; left to look for:</p>" if bare else ""
    return f'{above}<ol class="why">{told}</ol>' if told else "<p>No record suggests a cause.</p>"


# -- what happened -----------------------------------------------------------------------------------


def _service(row: Row) -> str:
    parts = [row["job"]]
    if row["media_share"]:
        parts.append(f"{pct(100 * row['media_share'])} of the media")
    if row["rinse_water"] in ("tank", "tap"):
        parts.append(f"rinsed in {row['rinse_water']} water")
    if row["found"]:
        parts.append(f"found {row['found']}")
    flows = [row[name] for name in ("flow_before", "flow_after") if row[name] is not None]
    if flows:
        parts.append(f"flow {with_unit(' → '.join(amount(f, 0) for f in flows), 'L/h')}")
    if row["hours_stopped"]:
        parts.append(f"stopped for {with_unit(amount(row['hours_stopped']), 'h')}")
    return f"{'Filter ' + row['filter'] if row['filter'] else 'Filter'}: {', '.join(parts)}."


def _event(row: Row) -> str:
    count = f", {with_unit(amount(row['count'], 0), 'fish')}" if row["count"] else ""
    hours = f", {with_unit(amount(row['hours']), 'h')}" if row["hours"] else ""
    return f"{sentence(row['event'])}{count}{hours}."


def happenings(week: Week, tank: str, start: dt.date, *, in_full: bool = False) -> list[tuple[dt.date, str]]:
    """Services, events and changes of food from a day to as-of, in words; in full with who and note."""

    def tail(row: Row) -> str:
        return _signed(row) if in_full else ""

    told = [(row["date"], _service(row) + tail(row)) for row in _since(week, "service", tank, start)]
    told += [(row["date"], _event(row) + tail(row)) for row in _since(week, "event", tank, start)]
    told += [
        (row["from"], f"Food {with_unit(amount(row['feed_g_day'], 2), 'g')} a day from here.{tail(row)}")
        for row in _since(week, "feeding", tank, start, "from")
        if row["feed_g_day"] is not None
    ]
    return sorted(told)


def _since(week: Week, name: str, tank: str, start: dt.date, column: str = "date") -> list[Row]:
    return week.of(name, tank).filter(pl.col(column).is_between(start, week.as_of)).to_dicts()


def _signed(row: Row) -> str:
    """Who it was and the note, where they were written down."""
    by, note = row.get("by"), row.get("note")
    return (f" By {by}." if by else "") + (f" “{note}”" if note else "")


def numbered(found: list[tuple[dt.date, str]]) -> list[tuple[dt.date, str]]:
    """What shares a square of the chart told together: events so close that their squares would cover each other."""
    squares: list[tuple[dt.date, str]] = []
    last = dt.date.min
    for date, says in found:
        if squares and (date - squares[-1][0]).days <= charts.SQUARE_DAYS:
            first, told = squares[-1]
            squares[-1] = (first, f"{told} {says}" if date == last else f"{told} {day(date)}: {says}")
        else:
            squares.append((date, f"{day(date)}: {says}"))
        last = date
    return squares


# -- the history -------------------------------------------------------------------------------------


def _read(row: Row) -> str:
    said = f"{PARAMETER_TITLES[row['parameter']]} {reading_range(row['parameter'], row['low'], row['high'])}"
    doubts = [
        "kit expired" if row["expired"] else "",
        f"left out of the trend: {row['doubt']}" if row["doubt"] else "",
    ]
    return said + (f" ({', '.join(filter(None, doubts))})" if any(doubts) else "")


def _visits(week: Week, tank: str) -> list[tuple[dt.date, str]]:
    """A sentence a visit: what was read with which kit, what was changed, the fish, who, the note."""
    order = {name: n for n, name in enumerate(PARAMETERS)}
    until = pl.col("day") <= week.as_of
    readings: dict[tuple[dt.datetime, str], list[Row]] = {}
    for row in week.of("reading", tank).filter(until).iter_rows(named=True):
        readings.setdefault((row["at"], row["taken"]), []).append(row)
    changes: dict[dt.date, list[str]] = {}
    for row in week.of("water_change", tank).filter(until).iter_rows(named=True):
        share = "" if row["fraction"] is None or "%" in row["text"] else f" ({pct(100 * row['fraction'])})"
        kind = "Changed" if row["kind"] == "change" else sentence(row["kind"])
        changes.setdefault(row["day"], []).append(f"{kind} {row['text']}{share}.")
    visits = {(v["at"], v["taken"]): v for v in week.of("visit", tank).filter(until).to_dicts()}
    told = []
    for at, taken in sorted({*readings, *visits}):
        mine = sorted(readings.get((at, taken), []), key=lambda r: order[r["parameter"]])
        visit = visits.get((at, taken), {})
        parts = []
        if mine:
            kits = listed(dict.fromkeys(r["kit"] for r in mine if r["kit"]))
            after = " after the change" if taken == "after" else ""
            parts.append(f"{', '.join(map(_read, mine))}{after}{f'; kit {kits}' if kits else ''}.")
        parts += changes.pop(at.date(), [])
        fish = [f"{amount(visit['fish_seen'], 0)} fish seen"] if visit.get("fish_seen") is not None else []
        fish += [f"fish {visit['fish_look']}"] if visit.get("fish_look") else []
        parts += [f"{sentence(', '.join(fish))}."] if fish else []
        told.append((at.date(), f"{' '.join(parts) or 'Visited; nothing was read.'}{_signed(visit)}"))
    return told + [(date, " ".join(texts)) for date, texts in changes.items()]


def history(week: Week, tank: str) -> None:
    """All that is recorded of a tank, newest first, some rows at a time."""
    rows = _visits(week, tank) + happenings(week, tank, dt.date.min, in_full=True)
    rows.sort(key=lambda row: row[0], reverse=True)
    if not rows:
        look.html("<p>Nothing is recorded yet.</p>")
        return
    key = f"history {tank}"
    shown = look.shown(key, SHOWN)
    lines = "".join(
        f"<li><strong>{day(date, year=date.year != week.as_of.year)}</strong> {escape(text)}</li>"
        for date, text in rows[:shown]
    )
    look.html(f'<ul class="plain">{lines}</ul><p class="small">{min(shown, len(rows))} of {len(rows)}.</p>')
    look.more(key, len(rows), SHOWN)


# -- done today --------------------------------------------------------------------------------------


def service_csv(date: dt.date, tank: str, filter_: str, jobs: Sequence[str], found: str, by: str) -> bytes:
    """A file for services/: one row a job."""
    text = io.StringIO()
    sheet = csv.writer(text, lineterminator="\n")
    sheet.writerow(["date", "tank", "filter", "job", "found", "by"])
    sheet.writerows([date.isoformat(), tank, filter_, job, found, by] for job in jobs)
    return text.getvalue().encode()


def _keep(week: Week, content: bytes) -> str:
    """Keep the file and load the round; what became of it."""
    name = logbook.free_name(week.folder, "services", f"done-{week.as_of}.csv")
    try:
        path = logbook.save_upload(week.folder, "services", name, content)
        weekly.load(week.folder, data.places()[1])
    except (Problem, OSError) as error:
        return str(error)
    return f"Kept in services/{path.name}; the round is loaded again."


def done_today(week: Week, tank: str, filters: Sequence[str]) -> None:
    """What was done to a filter on the day: a new file under services/."""
    look.html(
        "".join(
            f"<p>{escape(sentence(due_words(d['what'], d['about'] or '', d['on'], d['late_days'])))}.</p>"
            for d in data.of(week.now("due"), tank).filter(pl.col("late_days") >= -7).to_dicts()
            if d["what"] != "tap test"
        )
        or "<p>No job is due here.</p>"
    )
    shut = logbook.closed(week.folder)
    if shut or not filters:
        look.html(
            f'<p class="hand">{escape(shut or "No filter is recorded on this tank: write it into filters.csv.")}</p>'
        )
        return
    with st.form(f"done {tank}", clear_on_submit=True, border=False):
        filter_ = filters[0] if len(filters) == 1 else st.selectbox("Filter", filters)
        jobs = st.pills(f"Done on {day(week.as_of)}", JOBS, selection_mode="multi")
        found = st.pills("Found", FOUND)
        by = st.text_input(desk.WHO, max_chars=desk.LONGEST_WHO)
        look.html('<p class="small">Power off at the wall before hands go in.</p>')
        if st.form_submit_button("Keep"):
            if not jobs:
                look.html('<p class="hand">Choose what was done first.</p>')
                return
            desk.tell([f"{counted(len(jobs), 'job')} of filter {filter_}. "
                       + _keep(week, service_csv(week.as_of, tank, filter_, jobs, found or "", by))])  # fmt: skip
            st.rerun()
