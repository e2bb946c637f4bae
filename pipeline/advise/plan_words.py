"""A plan in words, for a terminal. It reads the plan alone."""

import datetime as dt
import re
import textwrap
from collections.abc import Mapping
from typing import Any

from pipeline.wording import CYCLES, NBSP, counted, day, money, number

WIDTH = 96


def _load(pct: float | None) -> str:
    return "not known" if pct is None else f"{number(pct, 4)} %"


def _when(option: Mapping[str, Any], as_of: dt.date) -> str:
    if option["effective_on"] is None:
        return "no day within its rating"
    on = dt.date.fromisoformat(option["effective_on"])
    return "at once" if on <= as_of else f"from {day(on, year=on.year != as_of.year)}"


def option_lines(number_: int, option: Mapping[str, Any], as_of: dt.date) -> list[str]:
    """One option: what to do, then what it comes to."""
    says = [str(change["says"]) for change in option["changes"]]
    lines = [f"{number_:>2}. {says[0]}", *(f"    {line}" for line in says[1:])]
    cost = money(option["cost"]) if option["cost"] is not None else option["cost_says"]
    per = " a year" if option["cost_per"] == "a year" and option["cost"] else ""
    minutes = "" if option["minutes"] is None else f", {number(option['minutes'], 4)} min"
    if not option["reaches_rating"]:
        if option["cost"] == 0:
            cost = option["cost_says"]
        lines.append(f"    {cost}{per}{minutes} a change; holds the limit, the rating stays as it is")
        return lines
    told = f"bioload now {_load(option['working_now_pct'])}, when mature {_load(option['working_mature_pct'])}, {_when(option, as_of)}"
    lines.append(f"    {cost}{per}{minutes}; {told}")
    if option["half_ok"] is False:
        lines.append(f"    mind the half cycle: good for {number(option['half_rating_l'], 4)} L only; time the flow")
    return lines


def as_text(plan: Mapping[str, Any]) -> str:
    """The plan as `tankround plan` prints it."""
    now, as_of = plan["now"], dt.date.fromisoformat(plan["as_of"])
    plain = now["plain_state"] if now["plain_load_pct"] is None else _load(now["plain_load_pct"])
    working = now["working_state"] if now["working_load_pct"] is None else _load(now["working_load_pct"])
    lines = [f"{plan['tank']}: bioload {plain} of its plain rating, {working} of its working rating", plan["says"]]
    for place, option in enumerate(plan["options"], start=1):
        lines += option_lines(place, option, as_of)
    if plan["more_options"]:
        lines.append(f"    and {counted(plan['more_options'], 'further way')}")
    change = plan["water_change"]
    lines.append(f"Water: {change['says']}")
    if change["rise_from"]:
        lines.append(f"    by {change['rise_from']}; tap {number(change['tap'])} mg/L, {change['tap_from']}")
    lines += ["", " ".join([CYCLES, *plan["cautions"]])]
    return "\n".join(part for line in lines for part in _wrapped(line) or [""]).replace(NBSP, " ")


def _wrapped(line: str) -> list[str]:
    """A line as lines of a terminal, its indent kept; under a number they stand with its text."""
    indent = re.match(r" *(\d+\. )?", line)
    return textwrap.wrap(line, WIDTH, subsequent_indent=" " * (indent.end() if indent else 0))
