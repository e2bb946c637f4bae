"""The sentences of the manager's page, from the facts of a tank. Plain words; no mg/L outside the small table."""

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.papers import plain_text
from pipeline.papers.plain_text import Plain, Suggestion
from pipeline.papers.report_facts import Facts, Row
from pipeline.week import Week
from pipeline.wording import (
    MANY_DATES,
    count_word,
    counted_word,
    dates,
    day_month,
    first_few,
    full_day,
    interval,
    on_dates,
    priced,
    sentence,
    short,
    with_unit,
)
from schemas.words import CANON, PARAMETER_TITLES, PARAMETERS

MOST_LINES = 4  # of any list, so that the page stays one page
MOST_NOTES = 6
MOST_NOTE = 220  # characters of a ticked note
NO_CHOICE = ("Free.", "Part of our service.")  # costs that leave nothing to choose
PLAN: Mapping[str, str] = plain_text.TEXTS["plan"]  # what is changed -> how a report says it
IN_TABLE = tuple(name for name in PARAMETERS if name != "flow_l_h")


def notes(facts: Facts) -> list[str]:
    """The ticked notes; more than the page holds are counted."""
    shown = [short(note, MOST_NOTE) for note in facts.notes]
    return first_few(shown, MOST_NOTES, lambda more: f"And {counted_word(more, 'more note')}, not printed here.")


def visits(facts: Facts) -> str:
    """`Visits on 6, 13, 20 and 27 May 2026`."""
    if not facts.visits:
        return f"No visit from {dates([facts.first])} to {dates([facts.last])}"
    if len(facts.visits) <= MANY_DATES:
        return f"{'Visit' if len(facts.visits) == 1 else 'Visits'} on {dates(facts.visits)}"
    return f"{len(facts.visits)} visits from {dates(facts.visits[:1])} to {dates(facts.visits[-1:])}"


def fish(facts: Facts) -> str:
    """What was seen of the fish, and deaths; honest where nobody counted."""
    sentences = []
    seen = [int(row["fish_seen"]) for row in facts.fish if row["fish_seen"] is not None]
    looks = [(row["day"], row["fish_look"]) for row in facts.fish if row["fish_look"] is not None]
    where = "at each visit" if len(set(seen)) == 1 and len(seen) > 1 else "at the last count"
    count = f"{seen[-1]} {where}" if seen else ""
    off = [date for date, look in looks if look == "off"]
    if looks and looks[-1][1] == "off":
        sentences.append(f"Some fish did not look right on {day_month(looks[-1][0])}.")
        if count:
            sentences.append(f"We counted {count}.")
    elif looks and looks[-1][1] == "not seen":
        sentences.append(f"We could not see the fish on {day_month(looks[-1][0])}.")
    elif looks:
        sentences.append(f"The fish look well{': ' + count.replace(' ', ' seen ', 1) if count else ''}.")
        if off:
            sentences.append(f"Some did not look right {on_dates(off)}.")
    elif count:
        sentences.append(f"We counted {count}.")
    elif facts.visits:
        sentences.append("The fish were not counted in this time.")
    for row in facts.events:
        if row["event"] == "fish died":
            number = counted_word(int(row["count"]), "fish", "fish") if row["count"] else "Fish"
            sentences.append(f"{sentence(number)} died on {day_month(row['date'])}.")
    return " ".join(sentences[:MOST_LINES])


def where_nitrate_stands(facts: Facts) -> str:
    """Where the last nitrate test stands against the limit, without a number."""
    trusted = [bar for bar in facts.bars if not bar.guide]
    if not trusted:
        return ""
    last = trusted[-1]
    if last.low > facts.ceiling:
        return "It is over the limit we keep to."
    if last.high is not None and last.high <= facts.ceiling:
        return "It is under the limit we keep to."
    return "It is near the limit we keep to."


def holding(week: Week, facts: Facts) -> str:
    """Whether water changes keep it under the limit, where the calculation can tell."""
    outlook = week.row("nitrate_outlook", facts.tank["tank"])
    if outlook is None or not facts.changed or where_nitrate_stands(facts).startswith("It is over"):
        return ""
    high = outlook["plateau_high"]
    return "Our water changes are holding it." if high is not None and high <= facts.ceiling else ""


def lead(week: Week, facts: Facts, plain: Plain) -> str:
    """The paragraph under the state: the fish, the reason, and where it stands."""
    parts = [fish(facts), plain.found]
    if "(nitrate)" in plain.found and "limit" not in plain.found:
        parts += [where_nitrate_stands(facts), holding(week, facts)]
    if not facts.visits:
        parts.insert(0, f"We did not visit this tank from {day_month(facts.first)} to {day_month(facts.last)}.")
    return " ".join(part for part in parts if part)


def next_visit(facts: Facts, class_: str) -> str:
    """When we come again; what must be tested at once does not wait for the day of the round."""
    usual = full_day(facts.next_visit) if facts.next_visit else ""
    if class_ == "act today":
        return f"at once, to test again{f'; then {usual}' if usual else ''}."
    return f"{usual}." if usual else "to be agreed."


def missed(facts: Facts, to: str = "") -> list[str]:
    """The weeks without a visit (`to` which tank), or the long spans where visits are rarer than weekly."""
    if facts.gaps:
        more = len(facts.gaps) - MANY_DATES
        text = f"no visit{to} in the {'week' if len(facts.gaps) == 1 else 'weeks'} of "
        text += dates(facts.gaps[:MANY_DATES], year=False)
        return [text + (f" and {counted_word(more, 'other week')}" if more > 0 else "")]
    return [f"no visit{to} between {day_month(a)} and {day_month(b)}" for a, b in facts.long_gaps]


def gaps(facts: Facts) -> str:
    """What is missing; `Gaps: none.` where a weekly round missed no week."""
    parts = missed(facts)[:MOST_LINES]
    untested = [date for date in facts.visits if date not in facts.tested]
    if untested:
        parts.append(f"no test {on_dates(untested)}")
    if facts.held == 1:
        parts.append("one reading is held until we have checked it")
    elif facts.held:
        parts.append(f"{count_word(facts.held)} readings are held until we have checked them")
    if facts.expired:
        parts.append(f"the test kit was past its date {on_dates(facts.expired)}")
    return f"Gaps: {'; '.join(parts)}." if parts else "Gaps: none."


def done(facts: Facts) -> list[str]:
    lines = []
    total = len(facts.visits)
    visit_text = f"each of the {count_word(total)} visits" if total > 1 else "the visit"

    def at(days: list[dt.date]) -> str:
        return visit_text if len(days) == total else f"{count_word(len(days))} of the {counted_word(total, 'visit')}"

    if facts.changed and facts.changed == facts.tested:
        lines.append(f"Water tested and partly changed at {at(facts.changed)}.")
    else:
        if facts.tested:
            lines.append(f"Water tested at {at(facts.tested)}.")
        if facts.changed:
            lines.append(f"Water partly changed at {at(facts.changed)}.")
        elif facts.visits:
            lines.append("No water was changed.")
    if facts.topped_up:
        lines.append(f"Water topped up {on_dates(facts.topped_up)}.")
    names, events = plain_text.TEXTS["job"], plain_text.TEXTS["event"]
    lines += [f"{names.get(job, sentence(job))} {on_dates(days)}." for job, days in facts.jobs[:MOST_LINES]]
    if facts.next_check:
        when = "is due" if facts.next_check <= facts.last else f"on {day_month(facts.next_check)}"
        lines.append(f"Next filter service {when}.")
    rows = [row for row in facts.events if row["event"] in events and row["event"] != "fish died"]
    for row in rows[:MOST_LINES]:
        counted = row["event"] in ("fish in", "fish out") and row["count"]
        fish = sentence(f"{count_word(int(row['count']))} fish") if counted else "Fish"
        lines.append(f"{events[row['event']].replace('Fish', fish, 1)} on {day_month(row['date'])}.")
    return lines or ["No work was recorded."]


def costs_text(costs: Sequence[tuple[float | None, bool]]) -> str:
    """Costs in words, each with whether it is paid every year: free, sums as in the price list, or not known yet."""
    if any(cost is None for cost, _ in costs):
        return "We quote first."
    paid = [(cost, yearly) for cost, yearly in costs if cost]
    if not paid:
        return "Free."
    # To the next whole from the half up: Python's own rounding would tell 8.50 as 8.
    sums = [f"{priced(str(math.floor(cost + 0.5)))}{' a year' if yearly else ''}" for cost, yearly in paid if cost >= 1]
    return f"About {', and '.join(sums)}; we quote first." if sums else "A small sum; we quote first."


# Shares of a whole that have a name; a share is printed as the nearest of them.
SHARES = {
    0.05: "a twentieth", 0.1: "a tenth", 0.2: "a fifth", 0.25: "a quarter", 1 / 3: "a third", 0.4: "two fifths",
    0.5: "half", 0.6: "three fifths", 2 / 3: "two thirds", 0.75: "three quarters",
}  # fmt: skip


def _share(value: float) -> str:
    return SHARES[min(SHARES, key=lambda known: abs(known - value))]


def share_text(share: float) -> str:
    """Feeding a share of today's food, in plain words."""
    if share > 1:
        return PLAN["feed more"]
    return PLAN["feed cut"].replace("a quarter", _share(1 - share))


def water_text(fraction: float, every_days: float) -> str:
    """`We change about a fifth of the water each week.`"""
    if fraction <= 0:
        return "We leave the water as it is."
    weeks, over = divmod(round(every_days), 7)
    often = {1: "each day", 7: "each week"}.get(round(every_days))
    often = often or f"every {count_word(weeks) + ' weeks' if not over else count_word(round(every_days)) + ' days'}"
    return f"We change about {_share(fraction)} of the water {often}."


def _change_text(change: Mapping[str, Any]) -> str:
    """One change of a plan in the house's plain words; shares that it names are printed."""
    if change["kind"] == "feed cut" and change.get("share"):
        return share_text(1 - float(change["share"]))
    if change["kind"] == "size the changes" and change.get("fraction") and change.get("every_days"):
        return water_text(float(change["fraction"]), float(change["every_days"]))
    return PLAN[change["kind"]]


def plan_text(option: Mapping[str, Any], as_of: dt.date) -> str:
    """An option of a plan in plain words, and from when on it works; blank where a change has no words."""
    if not option["changes"] or any(change["kind"] not in PLAN for change in option["changes"]):
        return ""
    text = " ".join(_change_text(change) for change in option["changes"])
    when = option.get("effective_on")
    day_ = dt.date.fromisoformat(when) if isinstance(when, str) else when
    if day_ and (day_ - as_of).days > 28:
        text += f" It works fully from {day_:%B} {day_.year} on."
    return text


def from_plan(plan: Mapping[str, Any], as_of: dt.date) -> list[Suggestion]:
    """The cheapest ways of a plan as suggestions; one the house words do not know is left out."""
    steps = [(plan_text(option, as_of), option.get("cost")) for option in plan.get("options", ())]
    return [Suggestion(text, costs_text([(cost, False)])) for text, cost in steps if text][:3]


def with_proposals(found: Sequence[Suggestion], proposed: Sequence[Suggestion], class_: str) -> list[Suggestion]:
    """What was proposed and ticked: in place of the general ideas for a tank that is being watched, after the steps of
    any other class, which are work to be done."""
    return list(proposed) if class_ == "plan" and proposed else [*found, *proposed]


def suggestions(week: Week, tank: str, plain: Plain) -> list[Suggestion]:
    """What we suggest: the plan of the tank where the finding calls for one, else the words of the finding."""
    from pipeline.advise.plan import plan

    planned = from_plan(plan(week, tank), week.as_of) if plain.plan else []
    return planned or [Suggestion(*step) for step in plain.suggest]


def _value(row: Row) -> str:
    name = row["parameter"]
    if row["matched"] == 0 and name in ("ammonia", "nitrite", "nitrate", "phosphate"):
        return "none found"
    return with_unit(interval(row["low"], row["high"], 3), CANON[name].partition(" ")[0])  # mg/L, not mg/L NO3


def tests(facts: Facts, as_of: dt.date) -> tuple[str, list[dict[str, str]]]:
    """Title and cells of the small table: the latest test of each kind within four weeks, its day where it differs."""
    rows = {row["parameter"]: row for row in facts.water if row["parameter"] in IN_TABLE}
    if not rows:
        return "No test of the last four weeks can be used.", []
    latest = max(row["day"] for row in rows.values())
    taken = {row["taken"] for row in rows.values() if row["day"] == latest}
    when = f", {taken.pop()} the water change" if taken in ({"before"}, {"after"}) else ""
    cells = []
    for name in [name for name in IN_TABLE if name in rows][:8]:
        row = rows[name]
        then = "" if row["day"] == latest else f" ({day_month(row['day'])})"
        old = " (old kit)" if row["expired"] else ""
        cells.append({"name": PARAMETER_TITLES[name], "value": f"{_value(row)}{then}{old}"})
    return f"Last test, {full_day(latest)}{when}", cells
