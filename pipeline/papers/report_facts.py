"""What the records say of one tank in one span of days, for the manager's page; and the notes that may be printed on it:
none is unless somebody ticked it. No words of the review in here."""

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Any

import polars as pl

from pipeline.papers.charts import Bar
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import tank_title
from schemas.words import CLASSES, WEEKDAYS

Row = dict[str, Any]
WEEK = dt.timedelta(days=7)
# Where notes stand: table, the column of its day (none: a standing note), the column of its text.
SOURCES = (
    ("visit", "day", "note"),
    ("service", "date", "note"),
    ("event", "date", "note"),
    ("promise", "made_on", "promise"),
    ("feeding", "from", "note"),
    ("tank", None, "note"),
    ("site", None, "note"),
)
SHAPE = {
    "day": pl.Date, "kind": pl.String, "tank": pl.String, "text": pl.String, "file": pl.String, "line": pl.Int64
}  # fmt: skip


@dataclass(frozen=True)
class Facts:
    """The records of a tank from `first` to `last`, both included."""

    tank: Row
    site: Row
    first: dt.date
    last: dt.date
    visits: list[dt.date]
    tested: list[dt.date]
    changed: list[dt.date]  # days with a water change
    topped_up: list[dt.date]
    jobs: list[tuple[str, list[dt.date]]]  # service job -> days
    events: list[Row]
    fish: list[Row]  # visit rows that say something of the fish, in order
    gaps: list[dt.date]  # Mondays of weeks without a visit (weekly round)
    long_gaps: list[tuple[dt.date, dt.date]]  # days without a visit between (other rounds)
    held: int
    expired: list[dt.date]  # days read with an expired kit
    next_visit: dt.date | None
    next_check: dt.date | None
    bars: list[Bar]
    bar_changes: list[dt.date]
    ceiling: float
    water: list[Row]
    notes: list[str]

    @property
    def title(self) -> str:
        return tank_title(self.tank["tank"], self.tank["name"])


def _of(week: Week, table: str, tank: str, day: str, first: dt.date, last: dt.date) -> pl.DataFrame:
    rows = week.of(table, tank).filter(pl.col(day).is_between(first, last))
    return rows.sort(day, "file", "line") if "file" in rows.columns else rows.sort(day)


def _days(frame: pl.DataFrame, column: str = "day") -> list[dt.date]:
    return sorted(frame[column].unique().to_list())


def site_of(week: Week, site: str) -> Row:
    """The record of a site; a sentence where there is none."""
    known = week.table("site").filter(site=site).to_dicts()
    if not known:
        names = ", ".join(week.table("site")["site"].sort()) or "none"
        raise Problem(f"There is no site “{site}”. Sites in sites.csv: {names}. Give one of these.")
    return known[0]


def open_tanks(week: Week, site: str, first: dt.date, last: dt.date | None = None) -> list[Row]:
    """The tanks of a site that run on a day, or on some of the days to `last`, in the order of tanks.csv."""
    begun = pl.col("set_up").is_null() | (pl.col("set_up") <= (last or first))
    runs = pl.col("closed").is_null() | (pl.col("closed") >= first)
    return week.table("tank").filter(begun, runs, site=site).sort("file", "line").to_dicts()


def next_visit(site: Row, after: dt.date) -> dt.date | None:
    """The next visit after a day: the date fixed for the site, else its weekday of the round."""
    fixed: dt.date | None = site["next_visit"]
    if fixed is not None and fixed > after:
        return fixed
    if site["visit_day"] in WEEKDAYS:
        ahead = (WEEKDAYS.index(site["visit_day"]) - after.weekday() - 1) % 7 + 1
        return after + dt.timedelta(days=ahead)
    return None


def weeks_without(visits: list[dt.date], first: dt.date, last: dt.date) -> list[dt.date]:
    """Mondays of the whole weeks within the span in which there was no visit."""
    monday = first + dt.timedelta(days=-first.weekday() % 7)
    seen = {day - dt.timedelta(days=day.weekday()) for day in visits}
    weeks = [monday + WEEK * n for n in range(max(0, (last - monday).days + 1) // 7)]
    return [week for week in weeks if week not in seen]


def spans_without(
    visits: list[dt.date], first: dt.date, last: dt.date, longest: float
) -> list[tuple[dt.date, dt.date]]:
    """Spans between visits, or to either end, longer than `longest` days."""
    ends = [first, *visits, last]
    return [(a, b) for a, b in pairwise(ends) if (b - a).days > longest]


def rhythm(visits: list[dt.date], week: Week) -> float:
    """Days between the visits of a tank: the round's own, or its median gap of late where that is longer; the same
    as the review goes by, so that a fortnightly site does not read of gaps that were agreed."""
    assumed, every = week.assumed, float(week.round.visit_every_days)
    since = week.as_of - dt.timedelta(days=int(assumed["rhythm_days"]))
    days = [day for day in visits if day <= week.as_of]
    gaps = [(b - a).days for a, b in pairwise(days) if b > since]
    if len(gaps) < assumed["rhythm_gaps"]:
        return every
    return min(max(median(gaps), every), assumed["rhythm_most"] * every)


def notes_of(week: Week, site: str) -> pl.DataFrame:
    """Every note on a site and its tanks: day, kind, tank, text, file, line. A note on the whole site has no tank."""
    tanks = week.table("tank").filter(pl.col("site") == site)["tank"].to_list()
    of = pl.col("tank").is_in(tanks) | (pl.col("tank").is_null() & (pl.col("site") == site))
    found = []
    for table, day, text in SOURCES:
        rows = week.table(table)
        blank = [pl.lit(None, pl.String).alias(name) for name in ("tank", "site") if name not in rows.columns]
        rows = rows.with_columns(*blank, kind=pl.lit(table), day=pl.col(day) if day else None, text=pl.col(text))
        found.append(rows.filter(of, pl.col("text").str.strip_chars() != "").select(*SHAPE).cast(pl.Schema(SHAPE)))
    return pl.concat(found).sort("day", "text", nulls_last=False)


def offered(week: Week, site: str, first: dt.date, last: dt.date) -> pl.DataFrame:
    """The notes written in a span of days, newest first; standing notes are not offered."""
    rows = notes_of(week, site).filter(pl.col("day").is_between(first, last))
    return rows.sort("day", "tank", "file", "line", descending=[True, False, False, False], nulls_last=True)


def findings_of(week: Week, tank: str) -> list[Row]:
    """The findings of a tank, gravest first."""
    return sorted(week.rows("finding", tank), key=lambda row: (CLASSES.index(row["class"]), row["harm"]))


def limit_of(week: Week, tank: Row) -> float:
    """The nitrate limit of a tank [mg/L]."""
    outlook = week.row("nitrate_outlook", tank["tank"])
    return float(outlook["ceiling"] if outlook else tank["nitrate_ceiling"] or week.assumed["ceiling_default"])


def _noted(week: Week, tank: Row, ticked: Collection[tuple[str, int]]) -> list[str]:
    """The ticked notes, and only those that belong to this tank, or to its site as a whole."""
    rows = notes_of(week, tank["site"]).iter_rows(named=True) if ticked else ()
    mine = (row for row in rows if (row["file"], row["line"]) in ticked)
    return [row["text"] for row in mine if row["tank"] in (None, tank["tank"])]


def gather(
    week: Week, tank: Row, site: Row, first: dt.date, last: dt.date, ticked: Collection[tuple[str, int]]
) -> Facts:
    name, assumed = tank["tank"], week.assumed
    begun = max(first, tank["set_up"]) if tank["set_up"] else first
    ended = min(last, tank["closed"]) if tank["closed"] else last
    visit, reading, change = (
        _of(week, table, name, "day", first, last) for table in ("visit", "reading", "water_change")
    )
    service = _of(week, "service", name, "date", first, last)
    real = change.filter(pl.col("kind") != "top-up")
    visits = sorted({*_days(visit), *_days(reading), *_days(change), *_days(service, "date")})
    every = rhythm(_days(week.of("visit", name)), week)
    checks = [row["on"] for row in week.rows("due", name) if row["what"] == "check"]
    # A bar on the very edge would be cut.
    start = last - dt.timedelta(weeks=int(assumed["lay_chart_weeks"])) + dt.timedelta(days=2)
    seen = _of(week, "reading", name, "day", start, last).filter(pl.col("taken") != "after", parameter="nitrate")
    bars = [
        Bar(row["day"], row["low"], row["high"], row["day"] >= first, bool(row["doubt"]) or row["expired"])
        for row in seen.iter_rows(named=True)
    ]
    earlier = _of(week, "water_change", name, "day", start, last).filter(pl.col("kind") != "top-up")
    jobs = [(job, _days(rows, "date")) for (job,), rows in service.group_by("job", maintain_order=True)]
    return Facts(
        tank=tank,
        site=site,
        first=first,
        last=last,
        visits=visits,
        tested=_days(reading),
        changed=_days(real),
        topped_up=_days(change.filter(pl.col("kind") == "top-up")),
        jobs=sorted(jobs, key=lambda item: item[1]),
        events=_of(week, "event", name, "date", first, last).to_dicts(),
        fish=visit.filter(pl.col("fish_seen").is_not_null() | pl.col("fish_look").is_not_null()).to_dicts(),
        gaps=weeks_without(visits, begun, ended) if every == 7 else [],
        long_gaps=[] if every == 7 else spans_without(visits, begun, ended, assumed["silent_intervals"] * every),
        held=_of(week, "held", name, "day", first, last).height,
        expired=_days(reading.filter(pl.col("expired"))),
        next_visit=None if tank["closed"] and tank["closed"] <= last else next_visit(site, last),
        next_check=min(checks, default=None),
        bars=bars,
        bar_changes=_days(earlier),
        ceiling=limit_of(week, tank),
        water=week.rows("water", name),
        notes=_noted(week, tank, ticked),
    )
