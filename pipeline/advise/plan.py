"""The cheapest ways to bring a tank within its rating: every set of changes that is enough and has nothing to spare,
and the water change that holds its ceiling meanwhile, which is one of the options."""

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from pipeline.advise import changes as water
from pipeline.advise.book import Prices
from pipeline.advise.book import price as price_of
from pipeline.advise.evaluate import Effects, Outcome, outcome, rank_key, sufficient
from pipeline.advise.options import Change, feed_cuts, of_filter, rehomings, second_filters
from pipeline.advise.state import Inputs, TankState, build
from pipeline.console import printed
from pipeline.problems import Problem
from pipeline.sentences import filled
from pipeline.sentences import table as sentences
from pipeline.week import Week
from pipeline.wording import WORK, cautions, day, listed, money

DAYS_A_YEAR = 365.0
NAMES_SHOWN = 12


def possible(inputs: Inputs, tank: TankState, new: Sequence[Change]) -> list[Change]:
    """Every change that could be made to a tank, each alone; `new` are the second filters of the book."""
    found = list(feed_cuts(inputs, tank))
    for state in tank.filters:
        found += of_filter(inputs, state)
    return [*found, *rehomings(inputs, tank), *new]


def litres_a_year(fraction: float | None, net_l: float | None, every_days: float) -> float | None:
    """Water changed in a year [L]; None where a part of it is not known."""
    if fraction is None or net_l is None:
        return None
    return round(fraction * net_l * DAYS_A_YEAR / every_days)


def water_cost(prices: Prices, litres: float | None, before: float | None) -> float | None:
    """Price of the water that is changed in a year beyond so much; None where it or the water is not known."""
    price = price_of(prices, "water_m3")
    return None if price is None or litres is None else round(max(litres - (before or 0.0), 0.0) / 1000 * price, 2)


def _option(found: Outcome, litres: float | None) -> dict[str, Any]:
    """An outcome as `plan --format json` prints it."""
    lacks = f"price of {listed(found.lacking)} not in round.toml"
    loads = ("working_now_pct", "working_mature_pct", "plain_pct")
    return {
        "changes": [change.as_dict() for change in found.made],
        "cost": found.cost, "cost_known_part": found.cost_known_part,
        "cost_says": lacks if found.lacking else "by the prices of round.toml", "cost_per": "once",
        "minutes": found.minutes, **{name: getattr(found, name) for name in loads},
        "effective_on": None if found.effective_on is None else found.effective_on.isoformat(),
        "interim": [{"on": on.isoformat(), "working_pct": load} for on, load in found.interim],
        "half_rating_l": None if found.half_rating_l is None else round(found.half_rating_l, 1),
        "half_ok": found.half_ok, "litres_year": litres, "reaches_rating": True,
    }  # fmt: skip


def _sizing(
    inputs: Inputs, tank: TankState, sized: dict[str, Any], known: water.Facts, now: dict[str, Any]
) -> dict[str, Any]:
    """Accept the half cycle and size the water changes: holds the ceiling, changes nothing of the rating."""
    holding = sized["holding"]
    litres = litres_a_year(holding["fraction"], tank.net_l, holding["every_days"])
    before = litres_a_year(known.fraction_now, tank.net_l, known.every_days)
    f, cost = inputs.assumed, water_cost(inputs.prices, litres, before)
    if cost is None:
        priced = price_of(inputs.prices, "water_m3") is not None
        text = "net litres not known" if priced else "price of water (water_m3) not in round.toml"
    elif before is None:
        text = "all its water: today's changes are not known"
    else:
        text = "the water it takes more than today" if (litres or 0.0) > before else "no more water than today"
    minutes = None if holding["litres"] is None else round(holding["litres"] / 100 * f["minutes_per_100l"], 1)
    change = {
        "kind": "size the changes", "key": "size the changes", "says": sized["says"], "cost": cost, "minutes": minutes,
        **holding,
    }  # fmt: skip
    return {
        "changes": [change], "cost": cost, "cost_known_part": cost or 0.0, "cost_says": text, "cost_per": "a year",
        "minutes": minutes, "working_now_pct": now["working_load_pct"],
        "working_mature_pct": now["working_mature_pct"], "plain_pct": now["plain_load_pct"],
        "effective_on": inputs.week.as_of.isoformat(), "interim": [], "half_rating_l": tank.capacity["half_rating_l"],
        "half_ok": None, "litres_year": litres, "reaches_rating": False,
    }  # fmt: skip


def _says(tank: TankState, now: dict[str, Any], options: Sequence[dict[str, Any]], limit: float) -> str:
    working, mature, plain = (now[name] for name in ("working_load_pct", "working_mature_pct", "plain_load_pct"))
    first = next((option for option in options if option["reaches_rating"]), None)
    shown = {"now": now, "needs": tank.capacity["missing"] or "net litres and what fills the filters"}
    if not tank.known:
        case = "not_known"
    elif working is not None and working <= limit:
        case = "over_by_plain" if plain is not None and plain > limit else "within"
    elif now["within_on"] is not None:
        case = "ripens"
    elif first is None:
        case = "no_way"
    else:
        case = "idle" if mature is None else "unripe" if working is None else "improves" if mature < working else "at"
        shown |= {"cost": money(first["cost"]), "ways": " ".join(str(change["says"]) for change in first["changes"])}
    return filled(sentences(__file__, "sentences.toml")["plan"][case], **shown)


def _plan_of(inputs: Inputs, name: str, known: water.Facts, new: Sequence[Change]) -> dict[str, Any]:
    assumed, week, tank = inputs.assumed, inputs.week, inputs.tanks[name]
    known = replace(known, net_l=tank.net_l)
    sized = water.water_change(known, assumed)
    limit, most = assumed["within_pct"], round(assumed["options_most"])
    now = {name: tank.capacity[name] for name in ("plain_load_pct", "plain_state", "working_load_pct", "working_state")}
    now |= {"working_mature_pct": None, "within_on": None, "within_says": None}
    # A known tank in which nothing works is over.
    over = tank.known and (now["working_load_pct"] is None or now["working_load_pct"] > limit)
    found: list[Outcome] = []
    ways: list[tuple[Change, ...]] = []
    if tank.known:
        effects = Effects(tank, possible(inputs, tank, new), assumed)
        as_it_is = outcome(effects, (), week.as_of)
        now["working_mature_pct"] = as_it_is.working_mature_pct
        if as_it_is.working_mature_pct is not None and as_it_is.working_mature_pct <= limit:
            if over and (on := as_it_is.effective_on) is not None:
                now |= {"within_on": on.isoformat(), "within_says": day(on, year=on.year != week.as_of.year)}
                ways = [(change,) for change in effects.changes if change.kind == "feed cut"]
        elif over:
            ways = list(sufficient(effects, round(assumed["changes_most"])))
        found = sorted((outcome(effects, made, week.as_of) for made in ways), key=rank_key)[:most]
        # The sort keeps the order of equals: by cost among those without a doubt, then among the others.
        found.sort(key=lambda one: any(change.doubted for change in one.made))
    litres = litres_a_year(known.fraction_now, tank.net_l, known.every_days)
    options = [_option(one, litres) for one in found]
    if sized["holding"] and sized["fraction"] and (found or over):
        # It holds the ceiling and does not reach the rating: it stands among the others by its cost.
        sizing = _sizing(inputs, tank, sized, known, now)
        cost, *costs = (math.inf if one["cost"] is None else one["cost"] for one in (sizing, *options))
        options.insert(next((n for n, other in enumerate(costs) if other > cost), len(options)), sizing)
    return {
        "tank": name,
        "as_of": week.as_of.isoformat(),
        "now": now,
        "says": _says(tank, now, options, limit),
        "options": options,
        "more_options": len(ways) - len(found),
        "water_change": sized,
        "cautions": cautions(assumed, *WORK),
    }


def plans(week: Week, tanks: Sequence[str]) -> dict[str, dict[str, Any]]:
    """The plans of many tanks at once; `plan` says what one is."""
    check(week, tanks)
    inputs, known = build(week, tanks), water.facts_of(week, tanks)
    new = second_filters(inputs)
    return {name: _plan_of(inputs, name, known[name], new) for name in tanks}


def check(week: Week, tanks: Sequence[str]) -> None:
    """A Problem in words for a tank that the round does not have."""
    known = set(week.table("tank")["tank"])
    for name in tanks:
        if name not in known:
            near = ", ".join(sorted(known)[:NAMES_SHOWN]) + (" …" if len(known) > NAMES_SHOWN else "")
            raise Problem(f"“{name}” is not a tank of this round; expected one of: {near or 'none yet'}.")


def plan(week: Week, tank: str) -> dict[str, Any]:
    """The plan of a tank: the keys of `plan --format json`, and beside them what pages and papers say.

    `now` loads [%]; `options` cheapest first (a cost that is not known last), each with its changes; `water_change` for
    the ceiling [mg/L NO3]. Raises Problem for a tank that is not in the round.
    """
    return plans(week, [tank])[tank]


def as_text(plan: Mapping[str, Any]) -> str:
    """The plan as `tankround plan` prints it."""
    as_of = dt.date.fromisoformat(plan["as_of"])

    def when(effective_on: str | None) -> str:
        if effective_on is None:
            return "no day within its rating"
        on = dt.date.fromisoformat(effective_on)
        return "at once" if on <= as_of else f"from {day(on, year=on.year != as_of.year)}"

    return printed("plan.txt", plan=plan, when=when)
