"""What a report of some days will hold, in one sentence, before it is issued: sheets, visits, gaps, held readings."""

import datetime as dt
from collections.abc import Sequence

from pipeline.papers.report_facts import Facts, gather
from pipeline.papers.site_report import site_of, tanks_of
from pipeline.week import Week
from pipeline.wording import MANY_DATES, counted_word, dates, day_month, listed, tank_title


def _span(first: dt.date, last: dt.date) -> str:
    return f"from {dates([first], year=first.year != last.year)} to {dates([last])}"


def _visits(found: Sequence[Facts], first: dt.date, last: dt.date) -> str:
    days = sorted({day for facts in found for day in facts.visits})
    if not days:
        return f"no visit {_span(first, last)}"
    if len(days) <= MANY_DATES:
        return f"{counted_word(len(days), 'visit')}, on {dates(days)}"
    return f"{counted_word(len(days), 'visit')}, {_span(days[0], days[-1])}"


def _gaps_of(facts: Facts, to: str = "") -> str:
    """The gaps of one tank: weeks without a visit, or long spans where visits are rarer than weekly."""
    if facts.gaps:
        shown = facts.gaps[:MANY_DATES]
        more = len(facts.gaps) - len(shown)
        said = f"no visit{to} in the {'week' if len(facts.gaps) == 1 else 'weeks'} of {dates(shown, year=False)}"
        return said + (f" and {counted_word(more, 'other week')}" if more else "")
    return listed([f"no visit{to} between {day_month(a)} and {day_month(b)}" for a, b in facts.long_gaps[:MANY_DATES]])


def _gaps(found: Sequence[Facts]) -> str:
    missed = [facts for facts in found if facts.gaps or facts.long_gaps]
    if not missed:
        return "no gaps"
    if len({_gaps_of(facts) for facts in found}) == 1:  # the whole site was missed
        return _gaps_of(missed[0])
    parts = [_gaps_of(facts, f" to {tank_title(facts.tank['tank'], facts.tank['name'])}") for facts in missed[:3]]
    more = len(missed) - len(parts)
    return listed([*parts, f"gaps at {counted_word(more, 'other tank')}"] if more else parts)


def period_words(week: Week, site: str, first: dt.date, last: dt.date) -> str:
    """`A cover and five sheets, one a tank: four visits, on 4, 11, 18 and 25 May 2026; no gaps; nothing held.`"""
    row = site_of(week, site)
    found = [gather(week, tank, row, first, last, frozenset()) for tank in tanks_of(week, site, first, last)]
    if not found:
        return f"There is nothing to report: no tank of {row['name']} ran between {dates([first])} and {dates([last])}."
    held = sum(facts.held for facts in found)
    kept = "nothing held" if not held else f"{counted_word(held, 'item')} held and left out"
    sheets = (
        "A cover and one sheet" if len(found) == 1 else f"A cover and {counted_word(len(found), 'sheet')}, one a tank"
    )
    return f"{sheets}: {_visits(found, first, last)}; {_gaps(found)}; {kept}."
