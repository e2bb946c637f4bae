"""What the page Plan says: options, water changes and what-ifs as HTML. Everything typed is escaped."""

import datetime as dt
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from dashboard import look, marks
from pipeline.advise.what_if import Asked, Range, Side, Start, routine
from pipeline.papers.proposals import Proposal
from pipeline.wording import NBSP, amount, counted, day, fixed, interval, listed, money, number, per_cent, with_unit

Row = Mapping[str, Any]
OPEN_OPTIONS = 5  # dearer ones fold away
FULL = 100.0  # per cent of a rating
HEADS = ("What is changed", "cost", "time", "working bioload", "within rating", "water a year", "not known")
ON_THE_WAY = 1  # of the days that a plan looks at: the one told in a row


# -- loads and days ----------------------------------------------------------------------------------


def load(pct: float | None, none: str = "half cycle only") -> str:
    """A load; near the rating with its tenth, so that 100.4 does not read as within."""
    if pct is None:
        return none
    return per_cent(pct, 0 if abs(pct - FULL) >= 1 or pct == FULL else 1)


def date(on: dt.date | None, as_of: dt.date, none: str = "never") -> str:
    if on is None:
        return none
    return "at once" if on <= as_of else day(on, year=on.year != as_of.year)


def _pieces(loads: Sequence[float | None]) -> str:
    """`167 → 140 → 84 %`; one number where it does not move."""
    said = [load(pct, "–").removesuffix(f"{NBSP}%") for pct in loads]
    if len(set(said)) == 1:
        return load(loads[0], "half cycle only")
    return f"{' → '.join(said)}{NBSP}%"


# -- options -----------------------------------------------------------------------------------------


def unknown_of(option: Row, plan: Row) -> list[str]:
    """What is not known of an option."""
    said = []
    if option["cost"] is None:
        said.append(option["cost_says"])
    if option["reaches_rating"]:
        kinds = {change["kind"] for change in option["changes"]}
        if option["half_ok"] is None:
            said.append("its half cycle")
        elif option["half_ok"] is False:
            said.append(
                f"the flow: half cycle good for {with_unit(number(option['half_rating_l']), 'L')} only, time it"
            )
        if "feed cut" in kinds:
            said.append("whether the fish can do with less")
        if kinds - {"feed cut", "re-order"}:
            said.append("what new media will do to nitrate")
    else:
        change = plan["water_change"]
        if change["tap_from"].startswith("never"):
            said.append("the tap, never tested")
        if (change["rise_from"] or "").startswith("the food"):
            said.append("the rise as measured")
    if option["litres_year"] is None:
        said.append("today's water changes")
    return said


def _cost(option: Row) -> str:
    if option["cost"] is None:
        part = option["cost_known_part"]
        return f"not known, over {money(part)}" if part else "not known"
    return money(option["cost"]) + (" a year" if option["cost_per"] == "a year" and option["cost"] else "")


def _option_cells(place: int, option: Row, plan: Row) -> tuple[str, ...]:
    as_of = dt.date.fromisoformat(plan["as_of"])
    says = "<br>".join(escape(str(change["says"])) for change in option["changes"])
    minutes = "–" if option["minutes"] is None else with_unit(fixed(option["minutes"], 0), "min")
    if option["reaches_rating"]:
        way = [step["working_pct"] for step in option["interim"][ON_THE_WAY : ON_THE_WAY + 1]]
        works = _pieces([option["working_now_pct"], *way, option["working_mature_pct"]])
        on = None if option["effective_on"] is None else dt.date.fromisoformat(option["effective_on"])
        within = date(on, as_of)
    else:
        works, within = "stays as it is", "no: keeps nitrate under the limit instead"
        minutes = minutes if option["minutes"] is None else f"{minutes} a change"
    water = "not known" if option["litres_year"] is None else with_unit(number(option["litres_year"], 4), "L")
    unknown = listed(unknown_of(option, plan)) or "nothing more"
    cells = (_cost(option), minutes, works, within, water, unknown)
    return (f"{place}.{NBSP}{says}", *(escape(cell) for cell in cells))


def _rows(options: Sequence[tuple[int, Row]], plan: Row) -> str:
    head = "".join(f'<th role="columnheader">{name}</th>' for name in HEADS)
    body = ""
    for place, option in options:
        cells = _option_cells(place, option, plan)
        told = "".join(
            f'<td role="cell" data-l="{HEADS[n] if n else ""}"{" class=w" if n == 3 else ""}>{cell}</td>'
            for n, cell in enumerate(cells)
        )
        body += f'<tr role="row">{told}</tr>'
    return (
        f'<div class="wide"><table role="table" class="ledger held book options"><thead role="rowgroup"><tr role="row">{head}</tr>'
        f'</thead><tbody role="rowgroup">{body}</tbody></table></div>'
    )


def options_html(plan: Row) -> str:
    """The options in order of cost, the dearer ones folded away."""
    options = list(enumerate(plan["options"], start=1))
    if not options:
        return ""
    first, later = options[:OPEN_OPTIONS], options[OPEN_OPTIONS:]
    if len(later) == 1:
        first, later = options, []
    as_of = dt.date.fromisoformat(plan["as_of"])
    on = next((o["interim"][ON_THE_WAY]["on"] for _, o in options if len(o["interim"]) > ON_THE_WAY), None)
    weeks = 0 if on is None else (dt.date.fromisoformat(on) - as_of).days // 7
    key = f"Working bioload: on the first day → after {counted(weeks, 'week')} → when mature. " if weeks else ""
    more = (
        f"{counted(plan['more_options'], 'further way is', 'further ways are')} dearer still."
        if plan["more_options"]
        else ""
    )
    folded = (
        f'<details class="group"><summary>{counted(len(later), "dearer option")}</summary>{_rows(later, plan)}</details>'
        if later
        else ""
    )
    return f'{_rows(first, plan)}{folded}<p class="small">{key}Costs by the prices of round.toml. {more}</p>'


def option_title(place: int, option: Row) -> str:
    """An option as a line to choose from."""
    words = " ".join(str(change["says"]) for change in option["changes"])
    return f"{place}. {words} ({_cost(option)})"


# -- water -------------------------------------------------------------------------------------------


def _line(label: str, value: str, basis: str = "") -> str:
    return f'<tr><td>{escape(label)}</td><td class="n">{escape(value)}</td><td><small>{escape(basis)}</small></td></tr>'


def water_html(begun: Start, change: Row) -> str:
    """What the water change was sized by."""
    today = begun.today
    holding = change["holding"]
    none = "not known" if change["possible"] is None else "no routine of changes"
    holds = none if holding is None else routine(holding["fraction"], holding["every_days"], begun.tank.net_l)
    now = "not known"
    if today.fraction is not None:
        now = routine(today.fraction, today.every_days, begun.tank.net_l)
    rise = change["rise_per_change"]
    return (
        '<table class="ledger">'
        + _line("Limit", with_unit(number(change["ceiling"]), "mg/L"))
        + _line("Rise between changes", "not known" if rise is None else with_unit(amount(rise), "mg/L"), f"by {change['rise_from']}" if change["rise_from"] else "")
        + _line("Tap", with_unit(number(change["tap"], 2), "mg/L"), change["tap_from"])
        + _line("Today's changes", now)
        + _line("Keeps it under the limit", holds)
        + "</table>"
    )  # fmt: skip


# -- what if -----------------------------------------------------------------------------------------


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
    as_of, ceiling = begun.desk.week.as_of, begun.known.ceiling
    known = begun.tank.known
    rows: list[tuple[str, str, tuple[str, str], tuple[bool, bool]]] = []
    both = (found.now, found.then)

    def loads(label: str, small: str, pick: Any, loud: bool = True) -> None:
        values = [pick(side) for side in both]
        none = "half cycle only" if known else "not known"
        rows.append(
            (
                label,
                small,
                (load(values[0], none), load(values[1], none)),
                (loud and _over(values[0]), loud and _over(values[1])),
            )
        )

    def words(label: str, small: str, say: Any, hand: Any = lambda side: False) -> None:
        rows.append((label, small, (say(found.now), say(found.then)), (hand(found.now), hand(found.then))))

    def plateau(side: Side) -> str:
        return _range(side.plateau, side.plateau_why)

    def within(side: Side) -> str:
        if not known:
            return "not known"
        return "today" if side.within_on is not None and side.within_on <= as_of else date(side.within_on, as_of)

    loads("Plain bioload", "a common rule of thumb, disputed", lambda side: side.plain_pct)
    loads("Working bioload now", "", lambda side: side.working_pct)
    for n, (on, _) in enumerate(found.now.interim[:2]):
        weeks = counted((on - as_of).days // 7, "week")
        loads(f"… in {weeks}", "", lambda side, n=n: side.interim[n][1] if side.interim else None, loud=False)
    loads("… when mature", "", lambda side: side.mature_pct)
    words("Within its rating", "", within)
    words("Nitrate the food makes", "mg/L a week", lambda side: _range(side.made, "food not weighed"))
    words(
        "Levels off near, under the routine", f"mg/L, limit {number(ceiling)}", plateau,
        lambda side: side.plateau is not None and side.plateau.value > ceiling,
    )  # fmt: skip
    words(
        "Water a year", "",
        lambda side: "not known" if side.litres_year is None else with_unit(number(side.litres_year, 4), "L"),
    )  # fmt: skip
    body = ""
    for label, small, values, hands in rows:
        under = f"<small>{escape(small)}</small>" if small else ""
        cells = "".join(
            f'<td class="n"><span{" class=hand" if hand else ""}>{escape(value)}</span></td>'
            for value, hand in zip(values, hands, strict=True)
        )
        body += f"<tr><td>{escape(label)}{under}</td>{cells}</tr>"
    head = '<tr><th>Of this tank</th><th class="n">today</th><th class="n">what if</th></tr>'
    return f'<table class="ledger sides"><thead>{head}</thead><tbody>{body}</tbody></table>'


def what_sentence(begun: Start, found: Asked) -> str:
    """The takeaway of a what-if."""
    if not found.words:
        return "Nothing is moved yet: both columns are today."
    now, then, as_of = found.now, found.then, begun.desk.week.as_of
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
    said = listed([part for part in costs if part]) or "free"
    time = f" Time: {listed(minutes)}." if minutes else ""
    return f"<p>{escape(' '.join(found.words))}<br>Cost: {escape(said)}.{escape(time)}</p>"


def notes_html(found: Asked) -> str:
    items = "".join(f"<li>{escape(note)}</li>" for note in found.notes)
    return f'<ul class="minds">{items}</ul>' if items else ""


# -- proposals ---------------------------------------------------------------------------------------


def kept_html(one: Proposal) -> str:
    """A proposal that was kept, and how a report will say it."""
    state = "" if one.open else f" Withdrawn on {day(one.withdrawn_on or one.on)} by {one.withdrawn_by}."
    said = one.suggestion()
    return (
        f"<p>{escape(one.words)}<br><small>{escape(day(one.on, year=True))}, {escape(one.by)}; {escape(one.cost_says())}."
        f"{escape(state)} In the report: “{escape(said.text)} {escape(said.cost)}”</small></p>"
    )


def class_html(review: Row | None) -> str:
    """What this week says of the tank: a plan may have nothing to do where the water has."""
    if review is None:
        return ""
    hand = ' class="hand"' if review["class"] in look.URGENT else ""
    said = f"{review['class'].capitalize()}: {review['reason']}."
    return f"<p{hand}>{marks.mark(review['class'])}{escape(said)}</p>"


def facts_html(begun: Start, plan: Row, name: str) -> str:
    """One line of facts under the sentence, and where to read on."""
    tank, now = begun.tank, plan["now"]
    net = (
        "net litres not known"
        if tank.net_l is None
        else f"{with_unit(number(tank.net_l), 'L')} net, {tank.capacity['net_basis']}"
    )
    fed = begun.today.feed_g_day
    food = "food not weighed" if fed is None else f"fed {with_unit(number(fed), 'g')} a day"
    plain = now["plain_state"] if now["plain_load_pct"] is None else load(now["plain_load_pct"])
    working = now["working_state"] if now["working_load_pct"] is None else load(now["working_load_pct"])
    parts = [
        net,
        food,
        f"plain bioload {plain}",
        f"working bioload {working}",
        f"data as of {day(begun.desk.week.as_of, year=True)}",
    ]
    return f'{escape(" · ".join(parts))} · <a href="one_tank?tank={name}">its readings and sums</a>'
