"""What the page One tank tells besides its charts: causes merged over all findings, the history, what was done today."""

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
import streamlit as st

from dashboard import cells, charts, data, look
from dashboard import enter_forms as forms
from dashboard.data import Row
from pipeline import logbook, weekly
from pipeline.papers.history import visits_of
from pipeline.review.causes import UNEXPLAINED, explains, of_tank
from pipeline.week import Week
from pipeline.wording import amount, cause_text, counted, day, listed, pct, reading_range, sentence, with_unit
from schemas.words import FOUND, JOBS, PARAMETER_TITLES, PARAMETERS

SHOWN = 60  # rows of the history at a time


def choose_cause(week: Week, tank: str) -> tuple[str, Row] | None:
    """A possible cause whose path is to be drawn, with the row of its explanation; None where none is chosen."""
    named = [c["cause"] for c in of_tank(week.rows("finding", tank), week.rows("finding_cause", tank))]
    rows = {row["cause"]: row for row in week.rows("explanation", tank)}
    drawable = {name: rows[explains(name)] for name in named if explains(name) in rows}
    if not drawable:
        return None
    chosen = st.pills("Draw a possible cause", list(drawable), format_func=lambda c: sentence(cause_text(c)),
                      key=f"cause {tank}")  # fmt: skip
    return None if chosen is None else (cause_text(chosen), drawable[chosen])


def causes_html(causes: Sequence[Mapping[str, Any]]) -> str:
    """The causes, numbered, each with the record that suggests it and its check; where none has one, that is stated once."""
    bare = bool(causes) and all(c["because"] == UNEXPLAINED for c in causes)
    return look.filled("causes.html", causes=causes, bare=bare)


def _service(row: Row) -> str:
    flows = " → ".join(amount(row[name], 0) for name in ("flow_before", "flow_after") if row[name] is not None)
    parts = (
        row["job"],
        row["media_share"] and f"{pct(100 * row['media_share'])} of the media",
        f"rinsed in {row['rinse_water']} water" if row["rinse_water"] in ("tank", "tap") else "",
        row["found"] and f"found {row['found']}",
        flows and f"flow {with_unit(flows, 'L/h')}",
        row["hours_stopped"] and f"stopped for {with_unit(amount(row['hours_stopped']), 'h')}",
    )
    return f"{'Filter ' + row['filter'] if row['filter'] else 'Filter'}: {', '.join(filter(None, parts))}."


def happenings(week: Week, tank: str, start: dt.date, *, in_full: bool = False) -> list[tuple[dt.date, str]]:
    """Services, events and changes of food from a day to as-of, in words; in full with who and note."""

    def since(name: str, column: str = "date") -> list[Row]:
        return week.of(name, tank).filter(pl.col(column).is_between(start, week.as_of)).to_dicts()

    entries = [(row["date"], row, _service(row)) for row in since("service")]
    for row in since("event"):
        count = f", {with_unit(amount(row['count'], 0), 'fish')}" if row["count"] else ""
        hours = f", {with_unit(amount(row['hours']), 'h')}" if row["hours"] else ""
        entries.append((row["date"], row, f"{sentence(row['event'])}{count}{hours}."))
    entries += [
        (row["from"], row, f"Food {with_unit(amount(row['feed_g_day'], 2), 'g')} a day from here.")
        for row in since("feeding", "from")
        if row["feed_g_day"] is not None
    ]
    return sorted((date, text + (_signed(row) if in_full else "")) for date, row, text in entries)


def _signed(row: Row) -> str:
    """Who it was and the note, where they were written down."""
    by, note = row.get("by"), row.get("note")
    return (f" By {by}." if by else "") + (f" “{note}”" if note else "")


def numbered(found: list[tuple[dt.date, str]]) -> list[tuple[dt.date, str]]:
    """What shares a square of the chart, together: events so close that their squares would cover each other."""
    squares: list[tuple[dt.date, str]] = []
    last = dt.date.min
    for date, event in found:
        if squares and (date - squares[-1][0]).days <= charts.SQUARE_DAYS:
            first, text = squares[-1]
            squares[-1] = (first, f"{text} {event}" if date == last else f"{text} {day(date)}: {event}")
        else:
            squares.append((date, f"{day(date)}: {event}"))
        last = date
    return squares


def _doubts(row: Row) -> str:
    """What a reading is not trusted for, in brackets."""
    doubts = ["kit expired"] if row["expired"] else []
    doubts += [f"left out of the trend: {row['doubt']}"] if row["doubt"] else []
    return f" ({', '.join(doubts)})" if doubts else ""


def _visits(week: Week, tank: str) -> list[tuple[dt.date, str]]:
    """A sentence a visit: what was read with which kit, what was changed, the fish, who, the note."""
    changes: dict[dt.date, list[str]] = {}
    for row in week.of("water_change", tank).filter(pl.col("day") <= week.as_of).iter_rows(named=True):
        share = "" if row["fraction"] is None or "%" in row["text"] else f" ({pct(100 * row['fraction'])})"
        kind = "Changed" if row["kind"] == "change" else sentence(row["kind"])
        changes.setdefault(row["day"], []).append(f"{kind} {row['text']}{share}.")
    entries = []
    for at, taken, readings, visit in visits_of(week, tank):
        parts = []
        if mine := sorted(readings, key=lambda row: PARAMETERS.index(row["parameter"])):
            kits = listed(dict.fromkeys(r["kit"] for r in mine if r["kit"]))
            after = " after the change" if taken == "after" else ""
            values = [PARAMETER_TITLES[r["parameter"]] + " " + reading_range(r["parameter"], r["low"], r["high"])
                    + _doubts(r) for r in mine]  # fmt: skip
            parts.append(f"{', '.join(values)}{after}{f'; kit {kits}' if kits else ''}.")
        parts += changes.pop(at.date(), [])
        fish = [f"{amount(visit['fish_seen'], 0)} fish seen"] if visit.get("fish_seen") is not None else []
        fish += [f"fish {visit['fish_look']}"] if visit.get("fish_look") else []
        parts += [f"{sentence(', '.join(fish))}."] if fish else []
        entries.append((at.date(), f"{' '.join(parts) or 'Visited; nothing was read.'}{_signed(visit)}"))
    return entries + [(date, " ".join(texts)) for date, texts in changes.items()]


def history(week: Week, tank: str) -> None:
    """All that is recorded of a tank, newest first, some rows at a time."""
    rows = _visits(week, tank) + happenings(week, tank, dt.date.min, in_full=True)
    rows.sort(key=lambda row: row[0], reverse=True)
    key = f"history {tank}"
    shown = look.shown(key, SHOWN)
    part = [(day(date, year=date.year != week.as_of.year), f" {text}") for date, text in rows[:shown]]
    look.show("days.html", rows=part, of=len(rows), otherwise="Nothing is recorded yet.")
    look.more(key, len(rows), SHOWN)


def done_today(week: Week, tank: str, filters: Sequence[str]) -> None:
    """What was done to a filter on the day: a new file under services/."""
    due = cells.due_soon(week.rows("due", tank), 7)
    look.html("<p>{}.</p>" * len(due) or "<p>No job is due here.</p>", *map(sentence, due))
    shut = logbook.closed(week.folder)
    if shut or not filters:
        look.wrong(shut or "No filter is recorded on this tank: write it into filters.csv.")
        return
    with st.form(f"done {tank}", clear_on_submit=True, border=False):
        filter_ = filters[0] if len(filters) == 1 else st.selectbox("Filter", filters)
        jobs = st.pills(f"Done on {day(week.as_of)}", JOBS, selection_mode="multi")
        found = st.pills("Found", FOUND)
        by = st.text_input(forms.WHO, max_chars=forms.LONGEST_WHO)
        look.small("Power off at the wall before hands go in.")
        if not st.form_submit_button("Keep"):
            return
        if not jobs:
            look.wrong("Choose what was done first.")
            return
        date = week.as_of.isoformat()
        rows = [
            {"date": date, "tank": tank, "filter": filter_, "job": job, "found": found or "", "by": by} for job in jobs
        ]
        content = logbook.rows_csv(list(rows[0]), rows).encode()
        name = logbook.free_name(week.folder, "services", f"done-{week.as_of}.csv")
        message = f"{counted(len(jobs), 'job')} of filter {filter_}."
        with forms.show_errors(message):
            path = logbook.save_upload(week.folder, "services", name, content)
            weekly.load(week.folder, data.places()[1])
        forms.set_message([f"{message} Kept in services/{path.name}; the round is loaded again."])
        st.rerun()
