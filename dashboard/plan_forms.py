"""What the page Plan says: options, water changes and what-ifs as HTML. Everything typed is escaped."""

import datetime as dt
from collections.abc import Sequence
from html import escape
from typing import Any

from dashboard import look
from dashboard.data import Row
from dashboard.ledgers import Line, sum_html
from pipeline.advise.what_if import Asked, Range, Start, routine
from pipeline.papers.proposals import Proposal
from pipeline.wording import NBSP, amount, counted, day, fixed, interval, listed, money, number, per_cent, with_unit

OPEN_OPTIONS = 5  # dearer ones fold away
FULL = 100.0  # per cent of a rating
HEADINGS = ("What is changed", "cost", "time", "working bioload", "within rating", "water a year", "not known")
ON_THE_WAY = 1  # of the days that a plan looks at: the one shown in a row


def load(pct: float | None, none: str = "half cycle only") -> str:
    """A load; near the rating with its tenth, so that 100.4 does not read as within."""
    if pct is None:
        return none
    return per_cent(pct, 0 if abs(pct - FULL) >= 1 or pct == FULL else 1)


def date(on: dt.date | None, as_of: dt.date, none: str = "never") -> str:
    if on is None:
        return none
    return "at once" if on <= as_of else day(on, year=on.year != as_of.year)


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


def _option_cells(place: int, option: Row, plan: Row) -> tuple[str, ...]:
    as_of = dt.date.fromisoformat(plan["as_of"])
    changes = "<br>".join(escape(str(change["says"])) for change in option["changes"])
    minutes = "–" if option["minutes"] is None else with_unit(fixed(option["minutes"], 0), "min")
    if option["reaches_rating"]:
        way = [step["working_pct"] for step in option["interim"][ON_THE_WAY : ON_THE_WAY + 1]]
        loads = [option["working_now_pct"], *way, option["working_mature_pct"]]
        texts = [load(pct, "–").removesuffix(f"{NBSP}%") for pct in loads]
        # `167 → 140 → 84 %`; one number where it does not move
        works = f"{' → '.join(texts)}{NBSP}%" if len(set(texts)) > 1 else load(loads[0])
        on = None if option["effective_on"] is None else dt.date.fromisoformat(option["effective_on"])
        within = date(on, as_of)
    else:
        works, within = "stays as it is", "no: keeps nitrate under the limit instead"
        minutes = minutes if option["minutes"] is None else f"{minutes} a change"
    water = "not known" if option["litres_year"] is None else with_unit(number(option["litres_year"], 4), "L")
    unknown = listed(unknown_of(option, plan)) or "nothing more"
    cells = (cost(option), minutes, works, within, water, unknown)
    return (f"{place}.{NBSP}{changes}", *(escape(cell) for cell in cells))


def options_html(plan: Row) -> str:
    """The options in order of cost, the dearer ones folded away."""
    options = plan["options"]
    rows = [_option_cells(place, option, plan) for place, option in enumerate(options, start=1)]

    def table(part: Sequence[tuple[str, ...]]) -> str:
        return look.table(HEADINGS, part, "ledger held book options", ("", *HEADINGS[1:]), classes={3: "w"})

    # One option alone is not folded.
    open_ = OPEN_OPTIONS if len(options) > OPEN_OPTIONS + 1 else len(options)
    later = rows[open_:]
    on = next((o["interim"][ON_THE_WAY]["on"] for o in options if len(o["interim"]) > ON_THE_WAY), None)
    weeks = 0 if on is None else (dt.date.fromisoformat(on) - dt.date.fromisoformat(plan["as_of"])).days // 7
    key = f"Working bioload: on the first day → after {counted(weeks, 'week')} → when mature. " if weeks else ""
    more = counted(plan["more_options"], "further way is", "further ways are") + " dearer still."
    more = more if plan["more_options"] else ""
    folded = f"<summary>{counted(len(later), 'dearer option')}</summary>{table(later)}" if later else ""
    folded = f'<details class="group">{folded}</details>' if folded else ""
    return f'{table(rows[:open_])}{folded}<p class="small">{key}Costs by the prices of round.toml. {more}</p>'


def water_html(begun: Start, change: Row) -> str:
    """What the water change was sized by."""
    today = begun.today
    net, holding, rise = begun.tank.net_l, change["holding"], change["rise_per_change"]
    holds = "not known" if change["possible"] is None else "no routine of changes"
    holds = holds if holding is None else routine(holding["fraction"], holding["every_days"], net)
    now = "not known" if today.fraction is None else routine(today.fraction, today.every_days, net)
    return sum_html([
        Line("Limit", with_unit(number(change["ceiling"]), "mg/L")),
        Line("Rise between changes", "not known" if rise is None else with_unit(amount(rise), "mg/L"),
             f"by {change['rise_from']}" if change["rise_from"] else ""),
        Line("Tap", with_unit(number(change["tap"], 2), "mg/L"), change["tap_from"]),
        Line("Today's changes", now),
        Line("Keeps it under the limit", holds),
    ])  # fmt: skip


def _range(value: Range | None, none: str) -> str:
    """`52 (36–69)`."""
    if value is None:
        return none
    ends = "" if value.low is None else f" ({interval(value.low, value.high)})"
    return f"{number(value.value, 2)}{ends}"


def _over(pct: float | None) -> bool:
    return pct is not None and pct > FULL


def sides_html(begun: Start, found: Asked) -> str:
    """Before and after, a line each."""
    as_of, ceiling, known = begun.inputs.week.as_of, begun.known.ceiling, begun.tank.known
    none = "half cycle only" if known else "not known"

    sides, calm = (found.now, found.then), (False, False)

    def loads(label: str, small: str, pcts: Sequence[float | None], loud: bool = True) -> tuple[Any, ...]:
        return label, small, [load(pct, none) for pct in pcts], [loud and _over(pct) for pct in pcts]

    def within(on: dt.date | None) -> str:
        return "not known" if not known else "today" if on is not None and on <= as_of else date(on, as_of)

    body = [
        loads("Plain bioload", "a common rule of thumb, disputed", [side.plain_pct for side in sides]),
        loads("Working bioload now", "", [side.working_pct for side in sides]),
        *(loads(f"… in {counted((on - as_of).days // 7, 'week')}", "",
                [side.interim[n][1] if side.interim else None for side in sides], loud=False)
          for n, (on, _) in enumerate(found.now.interim[:2])),
        loads("… when mature", "", [side.mature_pct for side in sides]),
        ("Within its rating", "", [within(side.within_on) for side in sides], calm),
        ("Nitrate the food makes", "mg/L a week", [_range(side.made, "food not weighed") for side in sides], calm),
        ("Levels off near, under the routine", f"mg/L, limit {number(ceiling)}",
         [_range(side.plateau, side.plateau_why) for side in sides],
         [side.plateau is not None and side.plateau.value > ceiling for side in sides]),
        ("Water a year", "", ["not known" if side.litres_year is None
                              else with_unit(number(side.litres_year, 4), "L") for side in sides], calm),
    ]  # fmt: skip
    return look.filled("sides.html", lines=body)


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
        if not _over(now.working_pct) and now.working_pct is not None and not _over(then.working_pct):
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


def cost_html(found: Asked) -> str:
    """Cost and time of a what-if."""
    if not found.words:
        return ""
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
    time = f" Time: {listed(minutes)}." if minutes else ""
    return f"<p>{escape(' '.join(found.words))}<br>Cost: {escape(text)}.{escape(time)}</p>"


def kept_html(one: Proposal) -> str:
    """A proposal that was kept, and how a report will say it."""
    state = "" if one.open else f" Withdrawn on {day(one.withdrawn_on or one.on)} by {one.withdrawn_by}."
    printed = one.suggestion()
    return (
        f"<p>{escape(one.words)}<br><small>{escape(day(one.on, year=True))}, {escape(one.by)}; {escape(one.cost_text())}."
        f"{escape(state)} In the report: “{escape(printed.text)} {escape(printed.cost)}”</small></p>"
    )


def facts_html(begun: Start, plan: Row, name: str) -> str:
    """One line of facts under the sentence, and where to read on."""
    tank, now = begun.tank, plan["now"]
    net = f"{with_unit(number(tank.net_l), 'L')} net, {tank.capacity['net_basis']}"
    net = "net litres not known" if tank.net_l is None else net
    fed = begun.today.feed_g_day
    food = "food not weighed" if fed is None else f"fed {with_unit(number(fed), 'g')} a day"
    plain, working = (load(now[f"{of}_load_pct"], now[f"{of}_state"]) for of in ("plain", "working"))
    until = f"data as of {day(begun.inputs.week.as_of, year=True)}"
    text = " · ".join([net, food, f"plain bioload {plain}", f"working bioload {working}", until])
    return f'{escape(text)} · <a href="one_tank?tank={name}">its readings and sums</a>'
