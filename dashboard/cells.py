"""Cells that This week and Capacity and nitrate share, as HTML: rise, where nitrate levels off, bioload, last reading."""

import datetime as dt
from html import escape
from typing import Any

from dashboard import look, marks
from pipeline.review import told
from pipeline.week import Week
from pipeline.wording import NBSP, ago, amount, day, due_words, interval, sentence, span

Row = dict[str, Any]


# Rule -> where its step is done, where that is no visit at the tank: a page, or a form of At the tank.
DONE_AT = {
    "held": "held_rows",
    **dict.fromkeys(("over_full_cycle_rating", "over_and_climbing", "no_rated_media", "plateau_above_ceiling",
                     "half_cycle_short", "overload_recorded"), "plan"),
    "service_due": "services", "carbon_due": "services", "promise_due": "promises", "kit_due": "kits",
    "tap_moved": "tap", "tap_near_limit": "tap", "no_filter_recorded": "placements", "closed_today": "placements",
}  # fmt: skip


def done_at(rule: str, tank: str, doubted: dt.date | None = None) -> str:
    """The address of the page where the step of a rule's finding is done; of a doubted reading with its day."""
    place, asked = DONE_AT.get(rule, "at_the_tank"), f"tank={look.address(tank)}"
    if place in ("held_rows", "plan"):
        return f"{place}?{asked}"
    form = "" if place == "at_the_tank" else f"&amp;record={place}"
    on = f"&amp;day={doubted}" if rule == "reading_in_doubt" and doubted else ""
    return f"at_the_tank?{asked}{form}{on}"


def _hand(text: str, marked: bool) -> str:
    return f'<span class="hand">{text}</span>' if marked else text


def rise(fit: Row | None, bar: bool = False) -> str:
    """Net rise a week [mg/L] with its range and, where asked, its bar; `no clear trend` where the range spans 0."""
    if fit is None or fit["state"] == "too few" or (fit["rate"] is None and fit["low"] is None):
        return "<small>rise not known</small>"
    low, high = 7 * (fit["low"] or 0.0), None if fit["high"] is None else 7 * fit["high"]
    if fit["state"] == "below chart" and high is not None:
        return f"<small>under {amount(high)}, below the chart</small>"
    if fit["state"] == "at least" or fit["rate"] is None or high is None:
        return f"at least {amount(low)}"
    drawn = f'<span class="bars">{marks.rise_bar(low, 7 * fit["rate"], high)}</span>' if bar else ""
    if low <= 0 <= high:
        return f"<small>no clear trend</small>{drawn}"
    rough = " <small>rough</small>" if fit["state"] == "rough" else ""
    return f"{amount(7 * fit['rate'])} <small>{span(low, high)}</small>{rough}{drawn}"


def levels_off(outlook: Row | None, hot: bool) -> str:
    """Where nitrate levels off [mg/L], against the limit; vermillion above it, and never in a steady row."""
    if outlook is None:
        return "<small>not known</small>"
    limit = amount(outlook["ceiling"], 0)
    if outlook["plateau"] is not None:
        near = _hand(amount(outlook["plateau"], 0), hot and outlook["plateau"] > outlook["ceiling"])
        return f"{near} <small>limit {limit}</small>"
    weeks = outlook["weeks_to_ceiling"]
    if weeks:
        return f"<small>no water changed: at {limit} in {amount(weeks, 0)} weeks</small>"
    return f"<small>not known, limit {limit}</small>"


def bioload(row: Row | None, hot: bool, bar: bool = False) -> str:
    """Bioload of the plain and of the working rating, never mixed."""
    if row is None or row["plain_state"] == told.CANT:
        return "<small>bioload not known</small>"
    if row["plain_load_pct"] is None:
        return "<small>half cycle only</small>"
    values = (row["plain_load_pct"], row["working_load_pct"])
    said = " / ".join("not known" if v is None else _hand(f"{v:.0f}", hot and v > 100) for v in values)
    drawn = f'<span class="bars">{marks.load_bar(*values, hot)}</span>' if bar else ""
    return f"{said}{NBSP}%{drawn}"


def last(week: Week, water: Row | None, ceiling: float, read: dt.date | None, hot: bool, gap: str) -> str:
    """The last nitrate as a range [mg/L], and its age."""
    if water is None:
        return f"<small>not read since {day(read, year=True)}</small>" if read else "<small>never read</small>"
    value = _hand(interval(water["low"], water["high"]), hot and water["low"] > ceiling)
    old = hot and water["age_days"] > week.assumed["late_reading_days"]
    return f"{value}{gap}<small{' class=hand' if old else ''}>{ago(water['day'], week.as_of)}</small>"


def due(rows: list[Row], soon: int, reason: str) -> str:
    """Jobs that are overdue, due or coming within the week, but for the one that is the reason told beside them; a tap
    test concerns the supply, not one tank."""
    near = (row for row in rows if row["late_days"] >= -soon and row["what"] != "tap test")
    said = (due_words(row["what"], row["about"] or "", row["on"], row["late_days"]) for row in near)
    return "<br>".join(escape(sentence(text)) for text in said if text != reason)
