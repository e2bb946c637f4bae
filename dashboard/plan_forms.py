"""What the page Plan says: options, water changes and what-ifs in words."""

import datetime as dt
from typing import Any

from dashboard.data import Row
from pipeline.advise.what_if import Asked, Range, Start
from pipeline.wording import NBSP, day, fixed, interval, listed, money, number, per_cent, with_unit

OPEN_OPTIONS = 5  # dearer ones fold away
FULL = 100.0  # per cent of a rating
HEADINGS = ("What is changed", "cost", "time", "working bioload", "within rating", "water a year", "not known")
ON_THE_WAY = 1  # of the days that a plan looks at: the one shown in a row


def load(pct: float | None, none: str = "half cycle only") -> str:
    """A load; near the rating with its tenth, so that 100.4 does not read as within."""
    if pct is None:
        return none
    return per_cent(pct, 0 if abs(pct - FULL) >= 1 or pct == FULL else 1)


def date(on: dt.date | None, as_of: dt.date, now: str = "at once") -> str:
    if on is None:
        return "never"
    return now if on <= as_of else day(on, year=on.year != as_of.year)


def unknown_of(option: Row, plan: Row) -> list[str]:
    """What is not known of an option."""
    parts = []
    if option["cost"] is None:
        parts.append(option["cost_says"])
    if option["reaches_rating"]:
        kinds = {change["kind"] for change in option["changes"]}
        if option["half_ok"] is None:
            parts.append("its half cycle")
        elif not option["half_ok"]:
            good = with_unit(number(option["half_rating_l"]), "L")
            parts.append(f"the flow: half cycle good for {good} only, time it")
        if "feed cut" in kinds:
            parts.append("whether the fish can do with less")
        if kinds - {"feed cut", "re-order"}:
            parts.append("what new media will do to nitrate")
    else:
        change = plan["water_change"]
        if change["tap_from"].startswith("never"):
            parts.append("the tap, never tested")
        if (change["rise_from"] or "").startswith("the food"):
            parts.append("the rise as measured")
    if option["litres_year"] is None:
        parts.append("today's water changes")
    return parts


def cost(option: Row) -> str:
    if option["cost"] is None:
        part = option["cost_known_part"]
        return f"not known, over {money(part)}" if part else "not known"
    return money(option["cost"]) + (" a year" if option["cost_per"] == "a year" and option["cost"] else "")


def _option_texts(option: Row, plan: Row) -> tuple[str, ...]:
    """An option under the headings after the first."""
    minutes = "–" if option["minutes"] is None else with_unit(fixed(option["minutes"], 0), "min")
    if option["reaches_rating"]:
        way = [step["working_pct"] for step in option["interim"][ON_THE_WAY : ON_THE_WAY + 1]]
        loads = [option["working_now_pct"], *way, option["working_mature_pct"]]
        texts = [load(pct, "–").removesuffix(f"{NBSP}%") for pct in loads]
        # `167 → 140 → 84 %`; one number where it does not move
        works = f"{' → '.join(texts)}{NBSP}%" if len(set(texts)) > 1 else load(loads[0])
        on = None if option["effective_on"] is None else dt.date.fromisoformat(option["effective_on"])
        within = date(on, dt.date.fromisoformat(plan["as_of"]))
    else:
        works, within = "stays as it is", "no: keeps nitrate under the limit instead"
        minutes = minutes if option["minutes"] is None else f"{minutes} a change"
    water = "not known" if option["litres_year"] is None else with_unit(number(option["litres_year"], 4), "L")
    return cost(option), minutes, works, within, water, listed(unknown_of(option, plan)) or "nothing more"


def options(plan: Row) -> dict[str, Any]:
    """The options in order of cost, how many stand open (one alone is not folded), and after how many weeks the second of
    their loads is."""
    found = plan["options"]
    rows = [{"place": place, "changes": option["changes"], "texts": _option_texts(option, plan)}
            for place, option in enumerate(found, start=1)]  # fmt: skip
    on = next((o["interim"][ON_THE_WAY]["on"] for o in found if len(o["interim"]) > ON_THE_WAY), plan["as_of"])
    weeks = (dt.date.fromisoformat(on) - dt.date.fromisoformat(plan["as_of"])).days // 7
    shown = OPEN_OPTIONS if len(found) > OPEN_OPTIONS + 1 else len(found)
    return {"headings": HEADINGS, "rows": rows, "shown": shown, "weeks": weeks, "more": plan["more_options"]}


def range_text(value: Range | None, none: str) -> str:
    """`52 (36–69)`."""
    if value is None:
        return none
    ends = "" if value.low is None else f" ({interval(value.low, value.high)})"
    return f"{number(value.value, 2)}{ends}"


def over(pct: float | None) -> bool:
    return pct is not None and pct > FULL


def what_sentence(begun: Start, found: Asked) -> str:
    """The takeaway of a what-if."""
    if not found.words:
        return "Nothing is moved yet: both columns are today."
    now, then, as_of = found.now, found.then, begun.inputs.week.as_of
    parts = []
    if begun.tank.known:
        ripe = "" if then.mature_pct == then.working_pct else f", {load(then.mature_pct)} when mature"
        if then.working_pct == now.working_pct and then.mature_pct == now.mature_pct:
            parts.append(f"The working bioload stays at {load(then.working_pct)}{ripe}.")
        else:
            parts.append(f"Working bioload from {load(now.working_pct)} to {load(then.working_pct)} now{ripe}.")
        if not over(now.working_pct) and now.working_pct is not None and not over(then.working_pct):
            parts.append("Within its rating, as today.")
        elif then.within_on is None:
            parts.append("That does not bring it within its rating.")
        elif then.within_on > as_of:
            parts.append(f"Within its rating from {date(then.within_on, as_of)}.")
        else:
            parts.append("Within its rating at once.")
    if then.plateau is not None:
        side = "over" if then.plateau.value > begun.known.ceiling else "under"
        parts.append(
            f"Nitrate would level off near {number(then.plateau.value, 2)}, {side} the limit of {number(begun.known.ceiling)}."
        )
    return " ".join(parts) or "The loads of this tank are not known; nitrate neither."


def costs_text(found: Asked) -> str:
    """Cost and time of a what-if."""
    once = f"price of {listed(found.lacking)} not in round.toml" if found.cost is None else money(found.cost)
    costs = [once if found.cost != 0 else ""]
    if found.cost_year is None:
        costs.append("price of the water not known")
    elif found.cost_year:
        costs.append(f"{money(found.cost_year)} a year for the water it takes more")
    minutes = [with_unit(fixed(found.minutes, 0), "min") + " once"] if found.minutes else []
    if found.minutes_change:
        minutes.append(with_unit(fixed(found.minutes_change, 0), "min") + " each change")
    text = listed([part for part in costs if part]) or "free"
    return f"Cost: {text}." + (f" Time: {listed(minutes)}." if minutes else "")
