"""This week: one sentence of counts, then one line a tank in ranking order; steady tanks folded below."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping, Sequence
from html import escape
from typing import Any

import polars as pl
import polars.selectors as cs
import streamlit as st

from dashboard import cells, data, first_tank, look, marks
from dashboard import enter_desk as desk
from pipeline.review import told
from pipeline.week import Week
from pipeline.wording import ago, counted, day, listed, sentence
from schemas.words import CLASSES

Row = dict[str, Any]
PART = 60  # rows shown at a time: what needs a hand comes first
SAID = {"act today": "to act on today", "plan": "to plan", "due": "with a job due"}  # the others by their own name
HEADS = (("Class", 8.4), ("Tank", 10.2), ("Why, and the next step", 25.6),
         ("Nitrate, 12 weeks, and where it levels off", 14.8), ("Last reading mg/L", 8), ("Net rise mg/L a week", 8.4),
         ("Levels off near mg/L", 7.4), ("Bioload, plain / working", 8), ("Due", 9.2))  # fmt: skip
STEADY = (("Tank", 27), ("Nitrate, 12 weeks", 15), ("Last reading mg/L", 15), ("Net rise mg/L a week", 12),
          ("Levels off near mg/L", 11), ("Bioload, plain / working", 10), ("Due", 10))  # fmt: skip


def _id(name: str) -> str:
    return name.replace(" ", "-").replace("'", "")


def newest(week: Week) -> str:
    """How old the newest visit is; marked where it is past the interval of visits."""
    days = week.table("visit").filter(pl.col("day") <= week.as_of)["day"]
    last = days.max()
    if not isinstance(last, dt.date):
        return "no visit yet"
    age = (week.as_of - last).days
    said = f"newest visit {ago(last, week.as_of)}" + (f", on {day(last, year=True)}" if age > 6 else "")
    return f'<span class="hand">{said}</span>' if age > week.round.visit_every_days else said


def counts_html(week: Week, review: pl.DataFrame, shown: Collection[str]) -> str:
    """The sentence of counts, which add up to all tanks; each links to its rows where they are on the page."""
    said = []
    for name, n in told.counts(review).items():
        words = f"{n} {escape(SAID.get(name, name))}"
        words = f'<a href="#{_id(name)}" target="_self">{words}</a>' if name in shown else words
        said += [marks.mark(name) + words] if n else []
    sites = week.table("tank").filter(pl.col("tank").is_in(review["tank"].to_list()))["site"].n_unique()
    head = f"{counted(review.height, 'tank')} on {counted(sites, 'site')}, {newest(week)}"
    none = "No tank of this choice: choose another site or day."
    none = none if week.now("review").height else f"No tank runs on {day(week.as_of, year=True)}."
    return f"{head}: {listed(said)}." if said else none


def step_html(row: Row, rule: str, doubted: Mapping[str, dt.date]) -> str:
    """The step, as a link to the page where it is done."""
    said = escape(row["step"])
    said = f"<strong>{said}</strong>" if row["class"] in look.URGENT else said
    return (
        f'<a class="go" href="{cells.done_at(rule, row["tank"], doubted.get(row["tank"]))}"'
        f' data-tank="{escape(row["tank"], quote=True)}" target="_self">→ {said}</a>'
    )


def _rows(name: str, rows: pl.DataFrame, week: Week) -> list[str]:
    """The rows of one class."""

    def mine(frame: pl.DataFrame) -> pl.DataFrame:
        return frame.join(rows.select("tank"), on="tank", how="semi", maintain_order="left")

    titles = {r["tank"]: r for r in mine(week.table("tank")).iter_rows(named=True)}
    sites = dict(week.table("site").select("site", "name").iter_rows())
    since = week.as_of - dt.timedelta(7 * marks.WEEKS)
    lately = (pl.col("day") > since) & (pl.col("day") <= week.as_of)
    nitrate = (pl.col("parameter") == "nitrate") & (pl.col("taken") != "after")
    readings = told.by_tank(mine(week.table("reading").filter(nitrate & lately)).sort("day"))
    changes = told.by_tank(mine(week.table("water_change").filter((pl.col("kind") != "top-up") & lately)))
    fits = told.by_tank(mine(week.now("nitrate_fit").filter(pl.col("window") == "recent")))
    outlook, capacity = told.by_tank(mine(week.now("nitrate_outlook"))), told.by_tank(mine(week.now("capacity")))
    water = told.by_tank(mine(week.now("water").filter(pl.col("parameter") == "nitrate")))
    due, last = told.by_tank(mine(week.now("due"))), told.last_readings(week)
    rules, doubted = told.top_rules(week, rows), told.doubted_days(week)
    soon, hot, quiet = int(week.assumed["due_soon_days"]), name != "steady", name == "steady"
    loud = name not in ("due", "steady")
    out = []
    for row in rows.iter_rows(named=True):
        tank, record = row["tank"], titles.get(row["tank"], {})
        heads = next(iter(outlook.get(tank, [])), None)
        ceiling = heads["ceiling"] if heads else week.assumed["ceiling_default"]
        read = next(iter(water.get(tank, [])), None)
        was = f"was {row['was_class']}" if row["was_class"] and row["was_class"] != name else ""
        if not was and row["changed"]:
            was = f"new: {row['changed']}"
        mark = f" <em><small>{escape(was)}</small></em>" if was else ""
        site = escape(str(sites.get(record.get("site")) or record.get("site") or ""))
        named = f"{look.tank_link(tank, record.get('name') or tank)}{' ' if quiet else '<br>'}<small>{site}</small>"
        classed = (
            f"<span{' class=hand' if name in look.URGENT else ''}>{marks.mark(name)}{escape(name.capitalize())}</span>"
        )
        height = 56 if loud else 24 if quiet else 42
        body = [
            ("cls", "", f"{classed}{mark and '<br>'}{mark}"),
            ("tank", "", named + (mark if quiet else "")),
            ("why", "", f'{escape(sentence(row["reason"]))}<br><span class="next">{step_html(row, rules.get(tank, ""), doubted)}</span>'),
            ("strip", "", marks.strip(readings.get(tank, []), changes.get(tank, []), heads, ceiling, week.as_of, height, hot)),
            ("num last", "last", cells.last(week, read, ceiling, last.get(tank), hot, ", " if quiet else "<br>")),
            ("num", "rises", cells.rise(next(iter(fits.get(tank, [])), None), loud)),
            ("num", "levels off near", cells.levels_off(heads, hot)),
            ("num", "bioload", cells.bioload(next(iter(capacity.get(tank, [])), None), hot, loud)),
            ("due", "", cells.due(due.get(tank, []), soon, row["reason"])),
        ]  # fmt: skip
        if quiet:
            body = [cell for cell in body if cell[0] not in ("cls", "why")]
        out.append(f'<tr role="row" class="{"loud" if loud else "steady" if quiet else "quiet"}">')
        out += [
            f'<td role="cell" class="{kind}"{f" data-l={chr(34)}{label}{chr(34)}" if label and not said.startswith("<small>") else ""}>{said}</td>'
            for kind, label, said in body
        ]
        out.append("</tr>")
    return out


def _table(heads: tuple[tuple[str, float], ...], bodies: list[tuple[str, list[str]]]) -> str:
    top = "".join(f'<th role="columnheader" style="width:{width}%">{head}</th>' for head, width in heads)
    rows = "".join(f'<tbody role="rowgroup" id="{_id(name)}">{"".join(body)}</tbody>' for name, body in bodies if body)
    return (
        f'<table class="week" role="table"><thead role="rowgroup"><tr role="row">{top}</tr></thead>{rows}</table>'
        if rows
        else ""
    )


@st.cache_data(max_entries=32, show_spinner=False)
def table_html(stamp: str, tanks: list[str], _week: Week, _review: pl.DataFrame) -> str:
    """The table of the round: one body a class, one row a tank; steady tanks in a fold of their own, a line each."""
    bodies = [(name, _rows(name, _review.filter(pl.col("class") == name), _week)) for name in CLASSES]
    loud, steady = _table(HEADS, bodies[:-1]), _table(STEADY, bodies[-1:])
    if not steady:
        return loud
    count = _review.filter(pl.col("class") == "steady").height
    unfolded = "" if loud else " open"
    return f'{loud}<details class="fold"{unfolded}><summary>{marks.mark("steady")}{count} steady</summary>{steady}</details>'


KEY = f"""<details class="fold key"><summary>How to read a strip</summary><p class="small">
{marks.sample("bar")} a reading, low to high · {marks.sample("hollow")} not trusted · {marks.sample("ring")} no reading
that week · {marks.sample("tick")} a water change, longer is bigger · {marks.sample("dash")} this tank's limit, at the
same height in every row · {marks.sample("blue")} calculated, with its 90 % range.</p></details>"""


def pick(place: Any, name: str, words: Mapping[str, str]) -> str:
    """One filter; it stands in the address too, so that coming back or loading again finds it."""
    key = f"week_{name}"

    def write() -> None:
        st.query_params.pop(name, None)
        if st.session_state[key]:
            st.query_params[name] = st.session_state[key]

    if key not in st.session_state:
        st.session_state[key] = st.query_params.get(name, "")
    if st.session_state[key] not in words:
        st.session_state[key] = ""
    chosen: str = place.selectbox(
        name.capitalize(), list(words), format_func=words.__getitem__, key=key, persist_state="session",
        label_visibility="collapsed", on_change=write,
    )  # fmt: skip
    return chosen


def chosen(week: Week, review: pl.DataFrame, places: Sequence[Any]) -> pl.DataFrame:
    """The rows of the site and visit day chosen, and, on a round too large for one page, of the class."""
    table = week.table("site")
    days = {on: on.capitalize() for on in table["visit_day"].drop_nulls().unique().sort()}
    site = pick(places[0], "site", {"": "all sites", **data.site_titles(week)})
    on = pick(places[1], "day", {"": "any day", **days})
    here = table.filter(
        pl.lit(True) if not site else pl.col("site") == site, pl.lit(True) if not on else pl.col("visit_day") == on
    )
    if site or on:
        tanks = week.table("tank").filter(pl.col("site").is_in(here["site"].implode()))["tank"]
        review = review.filter(pl.col("tank").is_in(tanks.implode()))
    if review.height > PART:
        words = {"": "any class"} | {name: f"{name} ({n})" for name, n in told.counts(review).items() if n}
        name = pick(places[2], "class", words)
        review = review.filter(pl.lit(True) if not name else pl.col("class") == name)
    return review


def as_columns(week: Week, review: pl.DataFrame) -> pl.DataFrame:
    """The round in columns that sort: names and numbers; what is not known is blank."""
    fit = week.now("nitrate_fit").filter((pl.col("window") == "recent") & (pl.col("state") != "too few"))
    water = week.now("water").filter(pl.col("parameter") == "nitrate")
    tanks = week.table("tank").select("tank", "name", "site")
    sites = week.table("site").select("site", pl.coalesce("name", "site").alias("Site"))
    parts = (
        (tanks.join(sites, on="site", how="left"), {"name": "name", "Site": "Site"}),
        (water, {"low": "Nitrate from", "high": "Nitrate to", "age_days": "Days old"}),
        (fit.with_columns(pl.col("rate", "low", "high") * 7),
         {"rate": "Rise a week", "low": "Rise from", "high": "Rise to"}),
        (week.now("nitrate_outlook"), {"plateau": "Levels off near", "ceiling": "Limit"}),
        (week.now("capacity"), {"plain_load_pct": "Bioload, plain %", "working_load_pct": "Bioload, working %"}),
    )  # fmt: skip
    rows = review.select("tank", pl.col("rank").alias("Rank"), pl.col("class").alias("Class"),
                         pl.col("reason").alias("Why"), pl.col("step").alias("Next step"),
                         pl.col("was_class").fill_null("").alias("Class a week ago"),
                         pl.col("changed").fill_null("").alias("Changed"))  # fmt: skip
    for frame, names in parts:
        rows = rows.join(frame.select("tank", *(pl.col(c).alias(n) for c, n in names.items())), on="tank", how="left")
    told_first = ["Rank", "Class", "Tank", "Site", "Why", "Next step"]
    named = rows.with_columns(
        pl.coalesce("name", "tank").alias("Tank"), pl.col("Site").fill_null(""), cs.float().round(1)
    )
    return named.select(*told_first, pl.exclude(*told_first, "tank", "name"))


def page() -> None:
    week = data.week()
    left, *places = st.columns([6, 1.6, 1.3, 1.5])
    left.title("This week")
    if first_tank.offer(week):
        return
    desk.became()
    review = chosen(week, week.now("review").sort("rank"), places)
    shown = review.head(look.shown("week_most", PART))
    moved = review.filter(pl.col("was_class").is_not_null() & (pl.col("was_class") != pl.col("class"))).height
    changed = counted(moved, "tank has", "tanks have") if moved else "No tank has"
    tell = [look.as_of_line(week), f"{changed} changed class since last week."]
    held = week.table("held").height
    above = [f'<a href="held_rows" target="_self">{counted(held, "item")} on hold</a>.'] if held else []
    once = [*map(sentence, told.late_supplies(week)), *told.tap_ammonia(week)]
    above += [escape(text if text.endswith(".") else f"{text}.") for text in [*once, told.never_recorded(week)] if text]
    look.html(
        f'<p class="counts">{counts_html(week, review, set(shown["class"]))}</p>'
        f'<p class="small">{escape(" ".join(tell if review.height else tell[:1]))} {" ".join(above)}</p>'
    )
    if not review.height:
        look.foot(week)
        return
    look.html(table_html(data.stamp(), shown["tank"].to_list(), week, shown))
    look.more("week_most", review.height, PART)
    look.html(KEY)
    rest = [
        text for text in told.notices(week) if not text.startswith(tuple(once[:1])) and "`tankround held`" not in text
    ]
    if rest := [text for text in rest if text not in once]:
        look.html("".join(f'<p class="small">{escape(text)}</p>' for text in rest))
    with st.expander("The same as a table"):
        st.dataframe(as_columns(week, review), hide_index=True, placeholder="–")
    look.open_on_click("this_week", review["tank"])
    look.foot(week)


page()
