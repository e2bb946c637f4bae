"""What is due, as an iCalendar file (RFC 5545): services, carbon, kits, tests, promises and the next visits."""

import datetime as dt
import hashlib
from collections import Counter
from typing import Any

import polars as pl
from icalendar import TRANSP, Calendar, Event

from pipeline.papers.report_facts import next_visit, open_tanks
from pipeline.week import Week
from pipeline.wording import counted, day, first_few, listed, sentence, tank_title

MOST_NAMED = 6  # tanks named in one entry
# Jobs on something that several tanks share: one entry for all of them.
SHARED = ("kit", "tap test", "cross-check", "tests left")


def _uid(*parts: object) -> str:
    """The same job has the same id in every export, so that a calendar updates it and does not double it."""
    mark = hashlib.sha256("\x1f".join(str(part) for part in parts).encode("utf-8", "surrogatepass")).hexdigest()
    return f"{mark[:32]}@tankround"


def _event(week: Week, uid: str, on: dt.date, summary: str, text: str, where: str) -> Event:
    stamp = dt.datetime.combine(week.as_of, dt.time(), tzinfo=dt.UTC)  # not the clock: same bytes
    return Event.new(
        uid=uid, stamp=stamp, sequence=week.as_of.toordinal(), start=on, end=on + dt.timedelta(days=1),
        summary=_plain(summary), description=_plain(text) or None, location=_plain(where) or None,
        transparency=TRANSP.TRANSPARENT,
    )  # fmt: skip


def _plain(text: str) -> str:
    """Text without control characters, which RFC 5545 forbids (line breaks are escaped by the library)."""
    return "".join(char for char in text if char in "\n\t" or char.isprintable())


def _named(tanks: list[str]) -> str:
    return listed(first_few(tanks, MOST_NAMED, lambda more: counted(more, "other tank")))


def _jobs(week: Week) -> list[Event]:
    tanks = week.table("tank").select("tank", "site", pl.col("name").alias("called"), "closed")
    sites = dict(week.table("site").select("site", "name").iter_rows())
    rows = (
        week.now("due")
        .join(tanks, on="tank", how="left")
        .filter(pl.col("closed").is_null() | (pl.col("closed") > week.as_of))
        .with_columns(pl.when(pl.col("what").is_in(SHARED)).then(pl.lit("")).otherwise(pl.col("tank")).alias("apart"))
        .sort("on", "what", "about", "tank", nulls_last=True)
        .group_by("what", "about", "on", "apart", maintain_order=True)
        .agg("tank", "called", "site", "says", "do", "late_days")
    )
    events = []
    times: Counter[tuple[str, ...]] = Counter()  # one kit may have two dates
    for row in rows.iter_rows(named=True):
        late = row["on"] < week.as_of
        on = week.as_of if late else row["on"]  # a late job belongs to today, not to a page already turned
        titles = [tank_title(*pair) for pair in zip(row["tank"], row["called"], strict=True)]
        places = list(dict.fromkeys(sites.get(site, site) or "" for site in row["site"]))
        shared = row["apart"] == ""
        what = sentence(row["what"])
        about = f" {row['about']}" if shared and row["about"] else ""
        summary = f"{what}{about}" if shared else f"{what}: {titles[0]}, {places[0]}"
        text = f"{sentence(row['says'][0])}\n{row['do'][0]}"
        if shared:
            text += f"\nTanks: {_named(titles)}"
        if late:
            summary, text = f"Overdue: {summary}", f"Due since {day(row['on'], year=True)}.\n{text}"
        key = (row["what"], row["about"] or "", row["apart"])
        times[key] += 1
        uid = _uid("due", *key, times[key])
        events.append(_event(week, uid, on, summary, text, "" if shared else places[0]))
    return events


def _visits(week: Week) -> list[Event]:
    events = []
    for site in week.table("site").sort("file", "line").iter_rows(named=True):
        on = next_visit(site, week.as_of)
        tanks = open_tanks(week, site["site"], on) if on else []
        if on is None or not tanks:
            continue
        names = _named([tank_title(tank["tank"], tank["name"]) for tank in tanks])
        uid = _uid("visit", site["site"], on)
        events.append(_event(week, uid, on, f"Visit: {site['name']}", names, site["name"]))
    return events


def calendar(week: Week) -> bytes:
    """The calendar file. Entries are whole days and keep their ids from week to week."""
    book: Any = Calendar()
    book.add("prodid", "-//tankround//due dates//EN")
    book.add("version", "2.0")
    book.add("calscale", "GREGORIAN")
    book.add("x-wr-calname", _plain(week.round.name or "Tank round"))
    for event in [*_visits(week), *_jobs(week)]:
        book.add_component(event)
    return bytes(book.to_ical())
