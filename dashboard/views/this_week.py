"""This week: one sentence of counts, then one line a tank in ranking order."""

from __future__ import annotations

import datetime as dt
from html import escape
from typing import Any

import polars as pl
import streamlit as st

from dashboard import data, look, marks
from pipeline.review import told
from pipeline.week import Week
from pipeline.wording import NBSP, ago, counted, day, fixed, interval
from schemas.words import CLASSES

Row = dict[str, Any]
MANY = 200  # rows above which steady tanks are folded

KEY = (
    '<p class="small">bar: a reading, low to high · hollow: not trusted · ring: no reading · tick from the top: a'
    " water change · dashed: this tank's ceiling, same height in every row · blue: calculated, with its 90 % range</p>"
)

JS = """export default function({setTriggerValue}) {
  const hear = e => { const a = e.target.closest && e.target.closest('a[data-tank]');
    if (!a || e.metaKey || e.ctrlKey || e.shiftKey || e.button) return;
    e.preventDefault(); setTriggerValue('open', a.dataset.tank); };
  document.addEventListener('click', hear); return () => document.removeEventListener('click', hear); }"""


def empty_words(week: Week) -> str:
    """Why there are no rows, and what to do."""
    if week.now("review").height:
        return "No tank of this choice: choose another site or day."
    return "No tanks are on this round yet. Fill in sites.csv and tanks.csv, then run “tankround load”."


def counts_html(week: Week, review: pl.DataFrame) -> str:
    """The sentence of counts; each links to its rows, and they add up to all tanks."""
    said = [
        f'{marks.mark(name)}<a href="#{name.replace(" ", "-").replace(chr(39), "")}">{n} {escape(name)}</a>'
        for name, n in told.counts(review).items()
        if n
    ]
    sites = week.table("tank").filter(pl.col("tank").is_in(review["tank"].to_list()))["site"].n_unique()
    head = f"{counted(review.height, 'tank')} on {counted(sites, 'site')}"
    return f"{head}: {', '.join(said)}." if said else empty_words(week)


def rise_html(fit: Row | None, loud: bool) -> str:
    """Net rise a week, with its range and, in loud rows, its bar."""
    if fit is None or fit["state"] == "too few" or (fit["rate"] is None and fit["low"] is None):
        return "<small>rise not known</small>"
    low, high = 7 * (fit["low"] or 0.0), None if fit["high"] is None else 7 * fit["high"]
    if fit["state"] == "below chart":
        return f"<small>under {fixed(high, 1)}, below the chart</small>"
    if fit["state"] == "at least" or fit["rate"] is None or high is None:
        return f"at least {fixed(low, 0)}"
    rate = 7 * fit["rate"]
    rough = "<br><small>rough</small>" if fit["state"] == "rough" else ""
    bar = f'<span class="bars">{marks.rise_bar(low, rate, high)}</span>' if loud else ""
    return f"{fixed(rate, 0)} <small>{told.ends(low, high, 0)}</small>{rough}{bar}"


def heads_html(outlook: Row | None) -> str:
    """The plateau against the ceiling."""
    if outlook is None:
        return "<small>plateau not known</small>"
    ceiling = fixed(outlook["ceiling"], 0)
    if outlook["plateau"] is None:
        weeks = outlook["weeks_to_ceiling"]
        if weeks:
            return f"<small>no changes: at {ceiling} in {fixed(weeks, 0)} weeks</small>"
        return f"<small>plateau not known, ceiling {ceiling}</small>"
    over = ' class="hand"' if outlook["plateau"] > outlook["ceiling"] else ""
    return f"<span{over}>{fixed(outlook['plateau'], 0)}</span> <small>of {ceiling}</small>"


def load_html(row: Row | None, loud: bool) -> str:
    """Plain and working load, never mixed."""
    if row is None or row["plain_state"] == told.CANT:
        return "<small>load not known</small>"
    if row["plain_load_pct"] is None:
        return "<small>half cycle only</small>"

    def one(value: float | None) -> str:
        if value is None:
            return "not known"
        return f'<span class="hand">{value:.0f}</span>' if value > 100 else f"{value:.0f}"

    bar = f'<span class="bars">{marks.load_bar(row["plain_load_pct"], row["working_load_pct"])}</span>' if loud else ""
    return f"{one(row['plain_load_pct'])} / {one(row['working_load_pct'])}{NBSP}%{bar}"


def last_html(week: Week, water: Row | None, last: dt.date | None) -> str:
    """The last nitrate as a range, and its age."""
    if water is None:
        return f"<small>not read since {day(last)}</small>" if last else "<small>never read</small>"
    ceiling_over = water["low"] > water["ceiling"]
    old = water["age_days"] > week.assumed["late_reading_days"]
    value = interval(water["low"], water["high"])
    value = f'<span class="hand">{value}</span>' if ceiling_over else value
    age = ago(water["day"], week.as_of)
    return f"{value}<br><small{' class=hand' if old else ''}>{age}</small>"


def due_html(rows: list[Row], soon: int) -> str:
    """Jobs that are late, due or coming within the week."""
    said = []
    for row in rows:
        if row["late_days"] < -soon:
            continue
        when = day(row["on"]) if row["late_days"] <= 0 else f"late {counted(row['late_days'], 'day')}"
        said.append(f"{escape(row['what'].capitalize())}, {when}")
    return "<br>".join(said)


def table_html(week: Week, review: pl.DataFrame) -> str:
    """The table of the round: one body a class, one row a tank."""
    titles = {r["tank"]: r for r in week.table("tank").iter_rows(named=True)}
    sites = dict(week.table("site").select("site", "name").iter_rows())
    span = week.as_of - dt.timedelta(7 * marks.WEEKS)
    lately = (pl.col("day") > span) & (pl.col("day") <= week.as_of)
    nitrate = week.table("reading").filter(
        (pl.col("parameter") == "nitrate") & (pl.col("taken") != "after") & lately
    ).sort("day")  # fmt: skip
    readings = told.by_tank(nitrate)
    changes = told.by_tank(week.table("water_change").filter((pl.col("kind") != "top-up") & lately))
    fits = told.by_tank(week.now("nitrate_fit").filter(pl.col("window") == "recent"))
    outlook, capacity = told.by_tank(week.now("nitrate_outlook")), told.by_tank(week.now("capacity"))
    water = told.by_tank(week.now("water").filter(pl.col("parameter") == "nitrate"))
    due, last = told.by_tank(week.now("due")), told.last_readings(week)
    soon = int(week.assumed["due_soon_days"])
    heads = ("Class", "Tank", "Why, and the next step", "Nitrate, 12 weeks, and where it heads", "Last reading mg/L",
             "Net rise mg/L a week", "Heads for mg/L", "Load, plain / working", "Due")  # fmt: skip
    widths = (9.2, 10, 25.6, 15, 8, 8, 6.6, 8.6, 9)
    out = ['<table class="week" role="table"><thead role="rowgroup"><tr role="row">']
    out += [f'<th role="columnheader" style="width:{w}%">{h}</th>' for h, w in zip(heads, widths, strict=True)]
    out.append("</tr></thead>")
    for name in CLASSES:
        rows = review.filter(pl.col("class") == name)
        if not rows.height:
            continue
        out.append(f'<tbody role="rowgroup" id="{name.replace(" ", "-").replace(chr(39), "")}">')
        loud, hot = name not in ("due", "steady"), name in look.URGENT
        for row in rows.iter_rows(named=True):
            tank = row["tank"]
            record = titles.get(tank, {})
            out_ = next(iter(outlook.get(tank, [])), None)
            ceiling = out_["ceiling"] if out_ else week.assumed["ceiling_default"]
            read = next(iter(water.get(tank, [])), None)
            was = row["was_class"]
            mark = f"<br><em><small>was {escape(was)}</small></em>" if was and was != name else ""
            if row["changed"] and not mark:
                mark = f"<br><em><small>new: {escape(row['changed'])}</small></em>"
            cls = ' class="hand"' if hot else ""
            step = f"<strong>{escape(row['step'])}</strong>" if hot else escape(row["step"])
            cells = [
                ("cls", "", f"<span{cls}>{marks.mark(name)}{escape(name.capitalize())}</span>{mark}"),
                ("tank", "", f'<a href="one_tank?tank={escape(tank, quote=True)}" data-tank="{escape(tank, quote=True)}"'
                 f' target="_self">{escape(record.get("name") or tank)}</a><br><small>'
                 f'{escape(sites.get(record.get("site")) or str(record.get("site") or ""))}</small>'),
                ("why", "", f'{escape(row["reason"])}<br><span class="next">→ {step}</span>'),
                ("strip", "", marks.strip(readings.get(tank, []), changes.get(tank, []), out_, ceiling, week.as_of, loud)),
                ("num", "last", last_html(week, None if read is None else {**read, "ceiling": ceiling}, last.get(tank))),
                ("num", "rises", rise_html(next(iter(fits.get(tank, [])), None), loud)),
                ("num", "heads for", heads_html(out_)),
                ("num", "load", load_html(next(iter(capacity.get(tank, [])), None), loud)),
                ("due", "", due_html(due.get(tank, []), soon)),
            ]  # fmt: skip
            out.append(f'<tr role="row" class="{"loud" if loud else "quiet"}">')
            out += [
                f'<td role="cell" class="{kind}"{f" data-l={chr(34)}{label}{chr(34)}" if label and not body.startswith("<small>") else ""}>{body}</td>'
                for kind, label, body in cells
            ]
            out.append("</tr>")
        out.append("</tbody>")
    out.append("</table>")
    return "".join(out)


def page() -> None:
    week = data.week()
    st.title("This week")
    review = week.now("review").sort("rank")
    sites = dict(week.table("site").select("name", "site").iter_rows())
    left, right, _ = st.columns([2, 2, 4])
    chosen = left.selectbox("Site", ["all sites", *sites], key="week_site", persist_state="session")
    days = week.table("site")["visit_day"].drop_nulls().unique().sort().to_list()
    on = right.selectbox("Visit day", ["any day", *days], key="week_day", persist_state="session")
    tanks = week.table("tank").select("tank", "site").join(
        week.table("site").select("site", "visit_day"), on="site", how="left"
    )  # fmt: skip
    if chosen != "all sites":
        tanks = tanks.filter(pl.col("site") == sites[chosen])
    if on != "any day":
        tanks = tanks.filter(pl.col("visit_day") == on)
    review = review.filter(pl.col("tank").is_in(tanks["tank"].to_list()))
    moved = review.filter(pl.col("was_class").is_not_null() & (pl.col("was_class") != pl.col("class"))).height
    tell = f"{look.as_of_line(week)} {counted(moved, 'tank has', 'tanks have')} changed class since last week."
    more = " ".join(told.notices(week)).replace("`tankround held` lists them", "see Held rows")
    look.html(f'<p class="counts">{counts_html(week, review)}</p><p class="small">{escape(tell)} {escape(more)}</p>')
    if not review.height:
        look.foot(week)
        return
    look.html(KEY)
    if review.height > MANY and not st.toggle(f"{told.counts(review)['steady']} steady, show them"):
        review = review.filter(pl.col("class") != "steady")
    look.html(table_html(week, review))
    with st.expander("The same as a table"):
        st.dataframe(review.select("rank", "class", "tank", "reason", "step", "was_class", "changed"), hide_index=True)
    opener = st.components.v2.component("tank_opener", js=JS, html="<span hidden></span>", isolate_styles=False)
    heard = opener(key="opener", on_open_change=lambda: None)
    if heard.open in set(review["tank"]):
        st.switch_page("views/one_tank.py", query_params={"tank": heard.open})
    look.foot(week)


page()
