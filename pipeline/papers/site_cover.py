"""The cover of a site's report: every tank with its verdict, who came, what happened, whom to call, one signature."""

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date

import polars as pl

from pipeline.papers import plain_text
from pipeline.papers.report_facts import Facts, Row
from pipeline.week import Week
from pipeline.wording import MANY_DATES, count_word, counted_word, dates, first_few, listed, on_dates, sentence, short

MOST_LINES = 10  # of any list, so that the cover stays one page
MOST_NAMES = 6  # tanks or visitors named in one line
INCIDENTS = ("fish died", "power cut", "filter stopped", "overfed")
ELECTRICAL = "electrical check"


def _few(names: Sequence[str]) -> str:
    """Some tanks in a line; those beyond the most that it holds are counted."""
    return listed(first_few(names, MOST_NAMES, lambda more: counted_word(more, "other tank")))


def _short_list(lines: Sequence[str], one: str) -> list[str]:
    return first_few(lines, MOST_LINES, lambda more: f"And {counted_word(more, f'more {one}')}: see the tank sheets.")


def _grouped(found: Iterable[tuple[date, str, str]]) -> list[str]:
    """A line for each word and day; tanks that share both share the line. `found` holds (day, word, tank)."""
    lines: dict[tuple[date, str], list[str]] = {}
    for day, word, tank in sorted(set(found)):
        lines.setdefault((day, word), []).append(tank)
    return [f"{_few(names)}: {word[0].lower()}{word[1:]} {on_dates([day])}." for (day, word), names in lines.items()]


def came(week: Week, found: Sequence[Facts]) -> list[str]:
    """Days with a visit or a service, and who came, as recorded; where nobody was, that is stated."""
    days = sorted({day for facts in found for day in facts.visits})
    if not days:
        return ["No visit is recorded."]
    tanks = [facts.tank["tank"] for facts in found]
    first, last = min(facts.first for facts in found), max(facts.last for facts in found)
    rows = pl.concat(
        week.table(table)
        .filter(pl.col("tank").is_in(tanks) & pl.col(day).is_between(first, last))
        .select(pl.col(day).alias("day"), pl.col("by").str.strip_chars())
        for table, day in (("visit", "day"), ("service", "date"))
    )
    named = rows.filter(pl.col("by").fill_null("") != "").unique().sort("day", "by")
    people = named.group_by("by", maintain_order=True).agg("day")
    lines = [f"{sentence(short(who))} came {on_dates(on)}." for who, on in people.iter_rows()]
    unknown = [day for day in days if day not in set(named["day"])]
    whole = dates(days) if len(days) <= MANY_DATES else f"{dates(days[:1])} to {dates(days[-1:])}"
    head = f"{sentence(counted_word(len(days), 'day'))} with a visit: {whole}."
    if unknown:
        lines.append(f"Who came {on_dates(unknown) + ' ' if len(unknown) < len(days) else ''}is not recorded.")
    return [head, *_short_list(lines, "visitor")]


def incidents(week: Week, found: Sequence[Facts]) -> list[str]:
    """What went wrong in the time, as recorded: events that no one plans, and water changed in an emergency."""
    texts = plain_text.TEXTS["event"]
    urgent = week.table("water_change").filter(kind="emergency")
    seen: list[tuple[date, str, str]] = []
    for facts in found:
        mine = [row for row in facts.events if row["event"] in INCIDENTS]
        seen += [(row["date"], _incident(row, texts[row["event"]]), facts.title) for row in mine]
        days = urgent.filter(pl.col("day").is_between(facts.first, facts.last), tank=facts.tank["tank"])["day"]
        seen += [(day, "Water was changed at once", facts.title) for day in days]
    return _short_list(_grouped(seen), "line") or ["Nothing is recorded."]


def _incident(row: Row, text: str) -> str:
    """`Fish died` with its count, `The power was off` with its hours, where they were recorded."""
    if row["event"] == "fish died" and row["count"]:
        return f"{sentence(counted_word(int(row['count']), 'fish', 'fish'))} died"
    if row["hours"] and row["event"] in ("power cut", "filter stopped"):
        return f"{text} for about {counted_word(max(1, round(row['hours'])), 'hour')}"
    return text


def electrical(found: Sequence[Facts]) -> list[str]:
    """When plugs, leads and lid were looked at; never called a test by an electrician."""
    text = "plugs, leads and lid looked at"
    looked = [(r["date"], text, facts.title) for facts in found for r in facts.events if r["event"] == ELECTRICAL]
    texts = plain_text.TEXTS["cover"]
    if not looked:
        return [texts["not_looked"], texts["by_eye"]]
    lines, names = _grouped(looked), {name for *_, name in looked}
    if missed := [facts.title for facts in found if facts.title not in names]:
        lines.append(f"No look is recorded for {_few(missed)}.")
    return [*_short_list(lines, "line"), texts["by_eye"]]


def products(week: Week, found: Sequence[Facts]) -> list[str]:
    """What went into the tanks and their filters, as recorded: medicine, carbon, filter material. No advice."""
    texts, used = plain_text.TEXTS, []
    placed = week.table("placement").select(
        "filter", "tank", pl.col("from").alias("placed"), pl.col("to").alias("left")
    )
    fresh = week.table("fill").join(placed, on="filter").filter(
        (pl.col("from") >= pl.col("placed")) & (pl.col("left").is_null() | (pl.col("from") <= pl.col("left")))
    )  # fmt: skip
    for facts in found:
        name = facts.title
        used += [(r["date"], texts["event"]["medication"], name) for r in facts.events if r["event"] == "medication"]
        for job, days in facts.jobs:
            if job in ("carbon in", "pads"):
                used += [(day, texts["job"][job], name) for day in days]
        mine = fresh.filter(pl.col("from").is_between(facts.first, facts.last), tank=facts.tank["tank"])
        used += [(r["from"], f"Filter material put in: {short(r['medium'])}", name) for r in mine.iter_rows(named=True)]
    return _short_list(_grouped(used), "line") or ["Nothing is recorded."]


def cover(week: Week, site: Row, found: Sequence[Facts], sheets: Sequence[Row]) -> Row:
    """The words of the cover, verdicts as the tanks' own sheets say them. No name of anybody but who made the visits (`by`
    of the records); no note at all."""
    states = Counter(sheet["state"] for sheet in sheets)
    split = listed([f"{count_word(count)} {state[0].lower()}{state[1:]}" for state, count in states.items()])
    first, last = min(facts.first for facts in found), max(facts.last for facts in found)
    business = week.round.business
    who = ", ".join(business[key] for key in ("name", "phone") if business.get(key))
    return {
        "title": short(site["name"]),
        "span": f"{dates([first])} to {dates([last])}",
        "summary": f"{sentence(counted_word(len(sheets), 'tank'))}: {split}.",
        "tanks": [
            [facts.title, sheet["state"], sentence(sheet["next_visit"].rstrip("."))]
            for facts, sheet in zip(found, sheets, strict=True)
        ],
        "visits": came(week, found),
        "incidents": incidents(week, found),
        "electrical": electrical(found),
        "products": products(week, found),
        "call": who if business.get("phone") else "",  # blank: a line to fill in by hand
        "received": plain_text.received(site["kind"]),
    }
