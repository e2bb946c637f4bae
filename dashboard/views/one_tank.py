"""One tank: the verdict, the one step, nitrate, possible causes; findings, filter, sums and history folded below."""

import datetime as dt
from collections.abc import Callable

import polars as pl
import streamlit as st

from dashboard import book_forms, cells, charts, data, enter_forms, look
from dashboard import tank_forms as forms
from dashboard.data import Row
from pipeline import weekly
from pipeline.advise import filter_entry
from pipeline.papers.report_facts import limit_of
from pipeline.review import summary
from pipeline.review.causes import of_tank
from pipeline.week import Week
from pipeline.wording import counted, day, interval, pct, sentence, short

WEEKS = 26


def choose(titles: dict[str, str]) -> str:
    """The tank in the address, else the first of the week's ranking."""
    asked = st.query_params.get("tank", "")
    if asked and asked not in titles:
        look.wrong(f"There is no tank “{short(asked)}” on this round. Below is the first of this week.")
    return look.chosen_of("tank", "Tank", titles, "tank_chosen", keep=None, width=340, label_visibility="collapsed")


def nitrate_sentence(fit: Row | None, outlook: Row | None, horizon: int) -> str:
    head = f"{sentence(summary.rate_text(fit))}."
    if outlook is None:
        return head
    text = summary.plateau_text(outlook)
    tail = f" It {text}." if outlook["plateau"] is not None else f" {sentence(text)}."
    chance = outlook["over_ceiling_probability"]
    if chance is not None:
        tail += f" Chance of being over its limit in {horizon} days: {pct(100 * chance)}."
    return head + tail


def nitrate(week: Week, tank: str, weeks: int) -> list[str]:
    """Draws the chart; what its numbered squares stand for."""
    start = week.as_of - dt.timedelta(7 * weeks)
    look.section("Nitrate", f"mg/L NO₃, {weeks} weeks to {day(week.as_of, year=True)} and the next 14 days")
    fit = next((row for row in week.rows("nitrate_fit", tank) if row["window"] == "recent"), None)
    outlook = week.row("nitrate_outlook", tank)
    takeaway = nitrate_sentence(fit, outlook, int(week.assumed["forecast_days"]))
    look.say(takeaway)
    inside = pl.col("day").is_between(start, week.as_of)
    ceiling = limit_of(week, week.of("tank", tank).row(0, named=True))
    ever = week.of("reading", tank).filter(pl.col("day") <= week.as_of, parameter="nitrate")
    first = ever["day"].min()
    if isinstance(first, dt.date) and first < start:
        st.altair_chart(
            charts.whole_life(ever.select("day", "low", "high"), ceiling, start, week.as_of), width="stretch", theme=None,
            alt=f"Nitrate since {day(first, year=True)}: {ever.height} readings; the chart below is its last {weeks} weeks.",
        )  # fmt: skip
    readings = ever.filter(inside).sort("at")
    suspects = week.now("suspect").filter(tank=tank).select("file", "line", pl.lit(True).alias("odd"))
    shift = pl.when(pl.col("taken") == "after").then(10).otherwise(9)
    readings = readings.join(suspects, on=["file", "line"], how="left").with_columns(
        (pl.col("day").cast(pl.Datetime) + pl.duration(hours=shift)).alias("at"),
        (pl.col("odd").fill_null(False) | pl.col("doubt").is_not_null() | pl.col("expired")).alias("hollow"),
    )
    ranges = [interval(r["low"], r["high"]) for r in readings.iter_rows(named=True)]
    readings = readings.with_columns(pl.Series("said", ranges, dtype=pl.String))
    changes = week.of("water_change", tank).filter(inside & (pl.col("kind") != "top-up"))
    changes = changes.with_columns(
        (pl.col("day").cast(pl.Datetime) + pl.duration(hours=10)).alias("at"),
        (100 * pl.col("fraction")).round(0).cast(pl.Int64).cast(pl.String).fill_null("?").alias("pct"),
    )
    path = week.kept(("path", tank), lambda: weekly.paths(week, [tank]))
    path = path.filter(pl.col("at") >= dt.datetime.combine(start, dt.time()))
    found = forms.numbered(forms.happenings(week, tank, start))
    drawn = None
    if chosen := forms.choose_cause(week, tank):
        drawn = weekly.implied(week, tank, chosen[1])
        takeaway += f" Drawn: {chosen[0]}, as a possible cause."
    chart = charts.nitrate(
        readings.select("at", "day", "low", "high", "hollow", "said"), changes.select("at", "day", "pct"),
        path.drop("tank", "as_of"), [(n, d) for n, (d, _) in enumerate(found, 1)], ceiling, start, week.as_of, drawn,
    )  # fmt: skip
    span = f"{ranges[0]} to {ranges[-1]}" if ranges else "no readings"
    st.altair_chart(
        chart, width="stretch", theme=None,
        alt=f"Nitrate over {weeks} weeks: {span} mg/L, {len(ranges)} readings, {changes.height} changes, limit"
        f" {ceiling:.0f}. {takeaway}",
    )  # fmt: skip
    return [text for _, text in found]


def rest(week: Week, tank: str) -> None:
    start = week.as_of - dt.timedelta(7 * cells.WEEKS)
    f = week.assumed
    rows = week.of("reading", tank).filter(pl.col("day").is_between(start, week.as_of))
    now = {row["parameter"]: row for row in week.rows("water", tank)}
    places = st.columns(4, gap="medium")
    wanted: tuple[tuple[str, str, float | None, float], ...] = (("ammonia", "Ammonia, mg/L", None, 1.0), ("nitrite", "Nitrite, mg/L", f["act_nitrite"], 1.0),
              ("ph", "pH", f["act_ph_below"], 9.0), ("kh", "KH, dKH", f["week_kh_at"], 16.0))  # fmt: skip
    for place, (name, title, limit, top) in zip(places, wanted, strict=True):
        read = rows.filter(parameter=name).sort("at").select(pl.col("day").cast(pl.Datetime).alias("at"), "low", "high")
        last = now.get(name)
        text = "not read lately"
        if last is not None:
            text = f"last {interval(last['low'], last['high'])}, {counted(last['age_days'], 'day')} old"
        free = now.get("free_ammonia")
        if name == "ammonia" and free is not None:
            text += f"; free ammonia {interval(free['low'], free['high'], 2)}, acted on over {f['act_free_ammonia']:g}"
        with place:
            look.html('<p style="min-height:4.2em"><strong>{}</strong><br><small>{}</small></p>', title, text)
            if read.height:
                high = max(top, float(read["high"].max() or 0) * 1.1)  # type: ignore[arg-type]
                st.altair_chart(
                    charts.small(read, limit, high, start, week.as_of, look.INK2), width="stretch", theme=None,
                    alt=f"{title} over {cells.WEEKS} weeks, {read.height} readings; {text}.",
                )  # fmt: skip


def verdict(week: Week, tank: str, capacity: Row | None) -> None:
    """The class with its reason, the facts, and the one step."""
    review, step, rule = week.row("review", tank), "", ""
    if review is not None:
        of_class = {"class": review["class"], "reason": review["reason"]}
        top = next(week.now("finding").filter(tank=tank, **of_class).iter_rows(named=True), None)
        step, rule = (top["do"], top["rule"]) if top else (f"{review['step']}.", "")
    to = cells.done_at(rule, tank, summary.doubted_days(week).get(tank))
    look.show("verdict.html", review=review, capacity=capacity, read=summary.last_readings(week).get(tank), step=step,
              to=to, as_of=week.as_of, urgent=look.URGENT, mark=cells.mark)  # fmt: skip


def ways_on(week: Week, tank: str, titles: dict[str, str], capacity: Row | None) -> None:
    """The tanks before and after it in the week's order, and where the work is done."""
    ids = list(titles)
    place = ids.index(tank)
    with st.container(horizontal=True, key="ways"):
        for word, step in (("Previous", -1), ("Next", 1)):
            to = ids[(place + step) % len(ids)]
            text = look.label(f"{word}: {short(titles[to], 40)}")
            if len(ids) > 1 and st.button(text, key=f"{word.lower()}_tank", shortcut=word[0].lower()):
                st.query_params["tank"] = to
                st.rerun()
        if st.button("Enter a visit", key="to_visit"):
            st.switch_page("views/at_the_tank.py", query_params={"tank": tank})
        with st.popover("Done today"):
            forms.done_today(week, tank, capacity["filters"] if capacity else [])
        if st.button("Plan a change", key="to_plan"):
            st.switch_page("views/plan.py", query_params={"tank": tank})


def the_filter(week: Week, tank: str) -> None:
    book_forms.draw(filter_entry.on_tank(week, tank))
    audit = week.rows("audit", tank)
    texts = [row[name] for row in audit for name in ("says", "do")]
    look.html("<p>{} <strong>{}</strong></p>" * len(audit), *texts)


def page() -> None:
    week = data.week()
    titles = data.ranked_titles(week)
    tank = choose(titles)
    st.set_page_config(page_title=f"{titles[tank]} · One tank")  # of the browser's tab
    st.title(look.label(titles[tank]))
    enter_forms.show_message()
    capacity = week.row("capacity", tank)
    verdict(week, tank, capacity)
    ways_on(week, tank, titles, capacity)
    short_ = st.session_state.get("short", False)
    squares = nitrate(week, tank, 12 if short_ else WEEKS)
    found = week.now("finding").filter(tank=tank).sort("harm").to_dicts()
    causes = week.rows("finding_cause", tank)
    left, right = st.columns(2, gap="large")
    with left:
        look.section("Possible causes", "of the gravest finding, then the likeliest")
        look.html(forms.causes_html(of_tank(found, causes)))
    with right:
        look.section("On the chart")
        look.show("squares.html", squares=squares)
        st.toggle("12 weeks only", key="short", persist_state="session")
    with st.expander(f"{counted(len(found), 'finding')}, one by one"):
        look.show("findings.html", findings=found, causes=causes)
    folded: dict[str, Callable[[], None]] = {
        "The rest of the water": lambda: rest(week, tank),
        "The filter, as the water meets it": lambda: the_filter(week, tank),
        "Its capacity, line by line": lambda: book_forms.capacity(week, tank, capacity),
        "History": lambda: forms.history(week, tank),
    }
    for name, show in folded.items():
        # Made only once it is opened: half the page's work otherwise.
        part = st.expander(name, key=f"fold {name}", on_change="rerun")
        if part.open:
            with part:
                show()


page()
