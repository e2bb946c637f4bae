"""Plan: the cheapest ways to bring a tank within its rating, its water changes, what-ifs, and proposals kept of them."""

import datetime as dt
from dataclasses import replace
from typing import Any
from urllib.parse import quote

import streamlit as st

from dashboard import cells, data, enter_forms, look
from dashboard.data import Row
from pipeline.advise import plan as plans
from pipeline.advise import what_if
from pipeline.advise.what_if import MEDIA_MOST_KG, Asked, Range, Settings, Start
from pipeline.papers import proposals
from pipeline.papers.proposals import Proposal
from pipeline.week import Week
from pipeline.wording import NBSP, day, fixed, interval, listed, money, number, per_cent, with_unit
from schemas.words import STOCKING

DAYS_SHOWN = 28  # how far the slider of days goes
MOVED = ("feed", "stock", "media", "medium", "spot", "share", "days")  # what can be moved, as keys say it
WITHIN = ("comfortable", "within")
WHAT_IF = 0  # the choice beside the options, which count from 1
OPEN_OPTIONS = 5  # dearer ones fold away
FULL = 100.0  # per cent of a rating
HEADINGS = ("What is changed", "cost", "time", "working bioload", "within rating", "water a year", "not known")
ON_THE_WAY = 1  # of the days that a plan looks at: the one shown in a row


# -- in words ------------------------------------------------------------------------------------------


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
    change, within, half = plan["water_change"], option["reaches_rating"], option["half_ok"]
    kinds = {one["kind"] for one in option["changes"]} if within else set()
    good = with_unit(number(option["half_rating_l"]), "L")
    cases = {
        option["cost_says"]: option["cost"] is None,
        "its half cycle": within and half is None,
        f"the flow: half cycle good for {good} only, time it": within and half is False,
        "whether the fish can do with less": "feed cut" in kinds,
        "what new media will do to nitrate": bool(kinds - {"feed cut", "re-order"}),
        "the tap, never tested": not within and change["tap_from"].startswith("never"),
        "the rise as measured": not within and (change["rise_from"] or "").startswith("the food"),
        "today's water changes": option["litres_year"] is None,
    }
    return [text for text, holds in cases.items() if holds]


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


def option_rows(plan: Row) -> dict[str, Any]:
    """The options in order of cost, how many stand open (one alone is not folded), and after how many weeks the second
    of their loads is."""
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


# -- on the page ---------------------------------------------------------------------------------------


def pair(label: str, name: str, tank: str, low: float, high: float, step: float, default: float) -> float:
    """A slider with a box beside it to type in; whichever is moved, the other follows."""
    slide, box = f"what {name} {tank}", f"type {name} {tank}"
    whole = float(step).is_integer()
    kind = int if whole else float
    low, high, step, default = kind(low), kind(high), kind(step), kind(default)
    for key in (slide, box):
        kept = st.session_state.get(key)
        if kept is None or not low <= kept <= high:
            st.session_state[key] = default

    def follow(moved: str, other: str) -> None:
        st.session_state[other] = st.session_state[moved]

    digits = "%d" if whole else "%.2f"
    left, right = st.columns([5, 3], vertical_alignment="bottom")
    both: dict[str, Any] = {"step": step, "format": digits, "on_change": follow, "persist_state": "session"}
    left.slider(label, low, high, key=slide, args=(slide, box), **both)
    return float(right.number_input(label, low, high, key=box, args=(box, slide), label_visibility="collapsed", **both))


def forget(tank: str) -> None:
    for key in [f"{kind} {name} {tank}" for name in MOVED for kind in ("what", "type")]:
        st.session_state.pop(key, None)


def controls(begun: Start) -> Settings:
    """What is asked. A slider that stands where it began means today's exact value."""
    tank, today = begun.tank.tank, begun.today
    if st.session_state.get(f"what_of {tank}") != today:  # the records have moved on: begin anew
        forget(tank)
        st.session_state[f"what_of {tank}"] = today
    asked = today
    if today.feed_g_day is not None:
        low, high, step = begun.feed_range
        fed = pair("Food, g a day", "feed", tank, low, high, step, today.feed_g_day)
        asked = replace(asked, feed_g_day=fed)
    else:
        stock = st.pills("Stocking (food is not weighed)", STOCKING, default=today.stocking, required=True, key=f"what stock {tank}",
                         persist_state="session")  # fmt: skip
        asked = replace(asked, stocking=stock or today.stocking)
    if begun.spots and begun.media:
        kg = pair("Media to add, kg", "media", tank, 0.0, MEDIA_MOST_KG, 0.1, 0.0)
        left, right = st.columns(2)
        medium = left.selectbox("Medium", list(begun.media), key=f"what medium {tank}", persist_state="session")
        spot = right.selectbox("Where", list(begun.spots), key=f"what spot {tank}", persist_state="session")
        asked = replace(asked, media_kg=kg, medium=medium, spot=spot)
    else:
        look.html(
            "<p>No media can be added here: it needs a filter on this tank whose layers are recorded in fills.csv, and a"
            " medium that counts in media.csv.</p>"
        )
    was, every = round(100 * (today.fraction or 0.0)), round(today.every_days)
    share = pair("Water changed, %", "share", tank, 0, round(100 * begun.fraction_most), 1, was)
    days = pair("Every how many days", "days", tank, 1, max(DAYS_SHOWN, every), 1, every)
    if share != was:
        asked = replace(asked, fraction=share / 100)
    if days != every:
        asked = replace(asked, every_days=days)
    st.button("Back to today", key="what_back", on_click=forget, args=(tank,))
    return asked


def keep(week: Week, begun: Start, plan: Row, asked: Settings, found: Asked) -> None:
    """An option or the what-if as a proposal that a report may take up."""
    tank = begun.tank.tank
    look.section("Keep as a proposal", "for the report to the site, ticked on Papers")
    titles = {WHAT_IF: f"The what-if: {' '.join(found.words)}"} if found.words else {}
    for n, option in enumerate(plan["options"], start=1):
        titles[n] = f"{n}. {' '.join(change['says'] for change in option['changes'])} ({cost(option)})"
    by = ""
    if titles:
        # Another what-if begins with itself chosen.
        key = f"keep_which {tank}"
        if st.session_state.get(f"keep_of {tank}") != found.words or st.session_state.get(key) not in titles:
            st.session_state[f"keep_of {tank}"] = found.words
            st.session_state[key] = next(iter(titles))
        chosen = st.selectbox("Which", list(titles), format_func=lambda n: titles[n], key=key)
        by = st.session_state.get("keep_by", "") if plan["options"] else enter_forms.who("keep_by", width=240)
        if st.button("Keep as a proposal", type="primary", key="keep_proposal"):
            on = (by.strip(), dt.date.today(), week.as_of)
            kept(week, proposals.of_what_if(tank, asked, begun.today, found, *on) if chosen == WHAT_IF
                 else proposals.of_option(tank, plan["options"][chosen - 1], *on), here=True)  # fmt: skip
    else:
        look.html("<p>There is nothing to keep yet: move a slider above.</p>")
    enter_forms.show_message()
    mine, lost = proposals.open_of(week.folder, [tank])
    for sentence in lost:
        look.wrong(sentence)
    site = begun.tank.site
    if mine and site:
        look.html(f'<p>Kept of this tank, to be ticked on <a href="papers?site={quote(site)}">Papers</a>:</p>')
    for one in mine:
        with st.container(horizontal=True, wrap=False, vertical_alignment="center", key=f"kept_row {one.name}"):
            look.html(look.filled("kept.html", one=one), width="stretch")
            if st.button("Withdraw", key=f"withdraw {one.name}"):
                with enter_forms.show_errors("Not withdrawn:"):
                    proposals.withdraw(week.folder, one.name, by or one.by, dt.date.today())
                enter_forms.set_message(["Withdrawn. Reports that were issued stay as they are."])
                st.rerun()


def kept(week: Week, one: Proposal, *, here: bool) -> None:
    """Keeps a proposal; the outcome is shown beside the button: under the options, or `here` below."""
    st.session_state["kept_here"] = here
    with enter_forms.show_errors("Not kept:"):
        one, new = proposals.keep(week.folder, one)
    where = f"{proposals.FOLDER}/{one.name} in the log folder"
    message = f"Kept: {where}. No report says it until it is ticked on Papers."
    enter_forms.set_message([message if new else f"It was kept already: {where}."])


def keep_option(week: Week, begun: Start, plan: Row) -> None:
    with st.container(horizontal=True, vertical_alignment="bottom", key="keep_options"):
        by = enter_forms.who("keep_by", width=240)
        for n, option in enumerate(plan["options"][:OPEN_OPTIONS], start=1):
            if st.button(f"Keep option {n}", key=f"keep_option {n}"):
                one = proposals.of_option(begun.tank.tank, option, by, dt.date.today(), week.as_of)
                kept(week, one, here=False)
        if not st.session_state.get("kept_here"):
            enter_forms.show_message()


def options(week: Week, begun: Start, plan: Row) -> None:
    """What the planner found, or what to do where it found nothing."""
    look.section("Options", "cheapest first")
    within = begun.tank.capacity["working_load_pct"] is not None and plan["now"]["working_state"] in WITHIN
    look.show("options.html", **option_rows(plan), known=begun.tank.known, within=within)
    if plan["options"]:
        keep_option(week, begun, plan)


def page() -> None:
    week = data.week()
    titles = data.ranked_titles(week)
    with st.container(key="plan_tank"):
        tank = look.chosen_of("tank", "Tank", titles, "plan_chosen", width=340)
    st.title(f"Plan: {look.label(titles[tank])}")
    if week.row("capacity", tank) is None:
        look.counts("Closed, or not set up yet, on that day: nothing to plan.")
        return
    plan = data.slowly(week, ("plan", tank), "Weighing the options", lambda: plans.plan(week, tank))
    begun = week.kept(("what if", tank), lambda: what_if.start(week, tank))
    review = week.row("review", tank)  # a plan may have nothing to do where the water has
    look.show("plan.html", begun=begun, plan=plan, review=review, urgent=look.URGENT, mark=cells.mark, load=load)
    options(week, begun, plan)
    change = plan["water_change"]
    look.section("Water changes", f"for its limit of {with_unit(number(change['ceiling']), 'mg/L')} nitrate")
    left, right = st.columns(2, gap="large")
    with left:
        look.say(change["says"])
        if other := what_if.sized_by_outlook(begun):
            look.html("<p>{}</p>", other)
    with right:
        look.show("water.html", begun=begun, change=change, routine=what_if.routine)
    with st.container(key="what_if"):
        look.section("What if", "move a slider or type; nothing is kept until you keep it below")
        left, right = st.columns([5, 6], gap="large")
        with left, st.container(key="what_controls"):
            asked = controls(begun)
        found = what_if.answer(begun, asked)
        with right:
            look.say(what_sentence(begun, found))
            look.show("sides.html", begun=begun, found=found, as_of=week.as_of, load=load, over=over,
                      date=date, range=range_text)  # fmt: skip
    with st.container(key="keep"):
        keep(week, begun, plan, asked, found)


page()
