"""This week: one sentence of counts, then one line a tank in ranking order; steady tanks folded below."""

import datetime as dt
from collections.abc import Sequence
from typing import Any

import polars as pl
import polars.selectors as cs
import streamlit as st

from dashboard import cells, data, look
from dashboard import enter_forms as forms
from pipeline.review import summary
from pipeline.week import Week
from pipeline.wording import ago, counted, day, sentence
from schemas.words import CLASSES

PART = 60  # rows shown at a time: what needs a hand comes first
# The others go by their own name.
CLASS_TEXT = {"act today": "to act on today", "plan": "to plan", "due": "with a job due"}
HEADINGS = (("Class", 8.4), ("Tank", 10.2), ("Why, and the next step", 25.6),
         ("Nitrate, 12 weeks, and where it levels off", 14.8), ("Last reading mg/L", 8), ("Net rise mg/L a week", 8.4),
         ("Levels off near mg/L", 7.4), ("Bioload, plain / working", 8), ("Due", 9.2))  # fmt: skip
STEADY = (("Tank", 27), ("Nitrate, 12 weeks", 15), ("Last reading mg/L", 15), ("Net rise mg/L a week", 12),
          ("Levels off near mg/L", 11), ("Bioload, plain / working", 10), ("Due", 10))  # fmt: skip


def _id(name: str) -> str:
    return name.replace(" ", "-").replace("'", "")


def counts(week: Week, review: pl.DataFrame) -> dict[str, Any]:
    """The counts, which add up to all tanks, and how old the newest visit is."""
    sites = week.table("tank").filter(pl.col("tank").is_in(review["tank"].to_list()))["site"].n_unique()
    last, newest, age = week.table("visit").filter(pl.col("day") <= week.as_of)["day"].max(), "no visit yet", 0
    if isinstance(last, dt.date):
        age = (week.as_of - last).days
        newest = f"newest visit {ago(last, week.as_of)}" + (f", on {day(last, year=True)}" if age > 6 else "")
    otherwise = "No tank of this choice: choose another site or day."
    otherwise = otherwise if week.now("review").height else f"No tank runs on {day(week.as_of, year=True)}."
    named = {name: f"{n} {CLASS_TEXT.get(name, name)}" for name, n in summary.counts(review).items() if n}
    return {"tanks": review.height, "sites": sites, "newest": newest, "late": age > week.round.visit_every_days,
            "counts": named, "otherwise": otherwise}  # fmt: skip


# Class -> the kind of its rows, the height of their strip, and whether vermillion may be used.
LOOKS = dict.fromkeys(CLASSES, ("loud", 56, True)) | {"due": ("quiet", 42, True), "steady": ("steady", 24, False)}


def bodies_of(week: Week, review: pl.DataFrame) -> dict[str, list[data.Row]]:
    """Class -> its rows, in ranking order: what the table says of each tank."""
    titles = {row["tank"]: row for row in week.table("tank").iter_rows(named=True)}
    sites = data.sites_in_order(week)
    since = week.as_of - dt.timedelta(7 * cells.WEEKS)
    lately = (pl.col("day") > since) & (pl.col("day") <= week.as_of) & pl.col("tank").is_in(review["tank"].implode())
    nitrate = (pl.col("parameter") == "nitrate") & (pl.col("taken") != "after")
    readings = summary.by_tank(week.table("reading").filter(nitrate & lately).sort("day"))
    changes = summary.by_tank(week.table("water_change").filter((pl.col("kind") != "top-up") & lately))
    fits, waters = week.by_tank("nitrate_fit", window="recent"), week.by_tank("water", parameter="nitrate")
    outlooks, capacity = week.by_tank("nitrate_outlook"), week.by_tank("capacity")
    due, last = summary.by_tank(week.now("due")), summary.last_readings(week)
    rules, doubted = summary.top_rules(week, review), summary.doubted_days(week)
    soon, found = int(week.assumed["due_soon_days"]), dict[str, list[data.Row]]()
    for row in review.iter_rows(named=True):
        tank, name, outlook = row["tank"], row["class"], outlooks.get(row["tank"])
        (kind, height, hot), record = LOOKS[name], titles[tank]
        ceiling = outlook["ceiling"] if outlook else week.assumed["ceiling_default"]
        was = f"was {row['was_class']}" if row["was_class"] and row["was_class"] != name else ""
        jobs = cells.due_soon(due.get(tank, []), soon)  # but for the one that is the reason shown beside them
        found.setdefault(name, []).append({
            **row, "kind": kind, "hot": hot, "urgent": name in look.URGENT, "name": record["name"] or tank,
            "site": sites.get(record["site"]) or record["site"] or "",
            "was": was or (f"new: {row['changed']}" if row["changed"] else ""),
            "to": cells.done_at(rules.get(tank, ""), tank, doubted.get(tank)),
            "strip": cells.strip(readings.get(tank, []), changes.get(tank, []), outlook, ceiling, week.as_of, height, hot),
            "water": waters.get(tank), "read": last.get(tank), "ceiling": ceiling, "fit": fits.get(tank),
            "outlook": outlook, "capacity": capacity.get(tank),
            "jobs": [text for text in jobs if text != row["reason"]],
        })  # fmt: skip
    return found


def table_html(week: Week, review: pl.DataFrame) -> str:
    found = bodies_of(week, review)
    steady = {name: found.pop(name) for name in ("steady",) if name in found}
    loud = {name: found[name] for name in CLASSES if name in found}
    return look.filled("week.html", loud=loud, steady=steady, headings=HEADINGS, steady_headings=STEADY, id_of=_id,
                       mark=cells.mark, tank_link=look.tank_link, rise_bar=cells.rise_bar, load_bar=cells.load_bar,
                       late_days=week.assumed["late_reading_days"])  # fmt: skip


def chosen(week: Week, review: pl.DataFrame, places: Sequence[Any]) -> pl.DataFrame:
    """The rows of the site and visit day chosen, and, on a round too large for one page, of the class."""
    table = week.table("site")
    days = {on: on.capitalize() for on in table["visit_day"].drop_nulls().unique().sort()}
    collapsed = {"label_visibility": "collapsed"}
    site = look.chosen_of(
        "site", "Site", {"": "all sites", **data.site_titles(week)}, "week_site", places[0], **collapsed
    )
    on = look.chosen_of("day", "Day", {"": "any day", **days}, "week_day", places[1], **collapsed)
    here = table.filter(**{column: value for column, value in (("site", site), ("visit_day", on)) if value})
    if site or on:
        tanks = week.table("tank").filter(pl.col("site").is_in(here["site"].implode()))["tank"]
        review = review.filter(pl.col("tank").is_in(tanks.implode()))
    if review.height > PART:
        titles = {"": "any class"} | {name: f"{name} ({n})" for name, n in summary.counts(review).items() if n}
        name = look.chosen_of("class", "Class", titles, "week_class", places[2], **collapsed)
        review = review.filter(**{"class": name} if name else {})
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
    first = ["Rank", "Class", "Tank", "Site", "Why", "Next step"]
    named = rows.with_columns(
        pl.coalesce("name", "tank").alias("Tank"), pl.col("Site").fill_null(""), cs.float().round(1)
    )
    return named.select(*first, pl.exclude(*first, "tank", "name"))


def page() -> None:
    week = data.week()
    left, *places = st.columns([6, 1.6, 1.3, 1.5])
    left.title("This week")
    forms.show_message()
    review = chosen(week, week.now("review").sort("rank"), places)
    shown = review.head(look.shown("week_most", PART))
    moved = review.filter(pl.col("was_class").is_not_null() & (pl.col("was_class") != pl.col("class"))).height
    changed = counted(moved, "tank has", "tanks have") if moved else "No tank has"
    sentences = [look.as_of_line(week), f"{changed} changed class since last week."]
    once = [*map(sentence, summary.late_supplies(week)), *summary.tap_ammonia(week)]
    above = [text if text.endswith(".") else f"{text}." for text in [*once, summary.never_recorded(week)] if text]
    look.show("counts.html", **counts(week, review), shown=set(shown["class"]), mark=cells.mark, id_of=_id,
              sentences=sentences if review.height else sentences[:1], held=week.table("held").height,
              above=above)  # fmt: skip
    if not review.height:
        return
    look.html(week.kept(("this week", tuple(shown["tank"])), lambda: table_html(week, shown)))
    look.more("week_most", review.height, PART)
    look.show("key.html", **cells.SAMPLES)
    rest = [text for text in summary.notices(week) if "`tankround held`" not in text]
    if rest := [text for text in rest if not text.startswith(tuple(once))]:  # those stand above
        look.html('<p class="small">{}</p>' * len(rest), *rest)
    with st.expander("The same as a table"):
        st.dataframe(as_columns(week, review), hide_index=True, placeholder="–")
    look.open_on_click("this_week", review["tank"])


page()
