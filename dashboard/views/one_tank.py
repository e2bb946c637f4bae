"""One tank: nitrate and where it heads, why, the filter, the rest of the water, its capacity, its history."""

from __future__ import annotations

import datetime as dt
from html import escape
from typing import Any
from urllib.parse import quote

import polars as pl
import streamlit as st

from dashboard import charts, data, ledgers, look, marks
from pipeline import weekly
from pipeline.advise import filter_entry
from pipeline.review import told
from pipeline.week import Week
from pipeline.wording import NBSP, counted, day, fixed, interval

Row = dict[str, Any]
WEEKS = 26


@st.cache_data(max_entries=64, show_spinner=False)
def _path(stamp: str, tank: str, _week: Week) -> pl.DataFrame:
    return weekly.paths(_week, [tank])


def choose(titles: dict[str, str]) -> str:
    """The tank in the address; choosing another writes it back."""
    ids = list(titles)
    asked = st.query_params.get("tank", "")
    place = ids.index(asked) if asked in ids else 0

    def write() -> None:
        st.query_params["tank"] = st.session_state["tank_chosen"]

    if asked in ids:
        st.session_state["tank_chosen"] = asked
    chosen: str | None = st.selectbox(
        "Tank", ids, index=None if "tank_chosen" in st.session_state else place, format_func=lambda t: titles[t],
        key="tank_chosen", on_change=write, width=340,
    )  # fmt: skip
    return chosen or ids[place]


def happenings(week: Week, tank: str, start: dt.date) -> list[tuple[dt.date, str]]:
    """Services and events since a day, in words."""
    rows = []
    for s in data.of(week.table("service"), tank).iter_rows(named=True):
        if start <= s["date"] <= week.as_of:
            water = f", rinsed in {s['rinse_water']} water" if s["rinse_water"] in ("tank", "tap") else ""
            found = f", found {s['found']}" if s["found"] else ""
            share = f", {100 * s['media_share']:.0f}{NBSP}% of the media" if s["media_share"] else ""
            rows.append((s["date"], f"Filter {s['filter'] or ''}: {s['job']}{share}{water}{found}."))
    for e in data.of(week.table("event"), tank).iter_rows(named=True):
        if start <= e["date"] <= week.as_of:
            count = f" ({e['count']:.0f})" if e["count"] else ""
            rows.append((e["date"], f"{e['event'].capitalize()}{count}."))
    rows += [
        (f["from"], f"Food {f['feed_g_day']:g}{NBSP}g a day from here.")
        for f in data.of(week.table("feeding"), tank).iter_rows(named=True)
        if start <= f["from"] <= week.as_of
    ]
    return sorted(rows)


def numbered(found: list[tuple[dt.date, str]]) -> list[tuple[dt.date, str]]:
    """What shares a square of the chart told together: events so close that their squares would cover each other."""
    squares: list[tuple[dt.date, str]] = []
    last = dt.date.min
    for date, says in found:
        if squares and (date - squares[-1][0]).days <= charts.SQUARE_DAYS:
            first, told = squares[-1]
            squares[-1] = (first, f"{told} {says}" if date == last else f"{told} {day(date)}: {says}")
        else:
            squares.append((date, f"{day(date)}: {says}"))
        last = date
    return squares


def nitrate_sentence(fit: Row | None, outlook: Row | None, horizon: int) -> str:
    """The takeaway of the chart."""
    words = told.rate_words(fit)
    head = f"{words[0].upper()}{words[1:]}."
    if outlook is None:
        return head
    tail = (
        f" It {told.plateau_words(outlook)}."
        if outlook["plateau"] is not None
        else f" {told.plateau_words(outlook).capitalize()}."
    )
    chance = outlook["over_ceiling_probability"]
    if chance is not None:
        tail += f" Chance of being over its ceiling in {horizon} days: {fixed(100 * chance, 0)}{NBSP}%."
    return head + tail


def nitrate(week: Week, tank: str, weeks: int) -> None:
    start = week.as_of - dt.timedelta(7 * weeks)
    look.section("Nitrate", f"mg/L NO₃, {weeks} weeks to {day(week.as_of, year=True)} and the next 14 days")
    fit = next(iter(data.of(week.now("nitrate_fit").filter(pl.col("window") == "recent"), tank).to_dicts()), None)
    outlook = next(iter(data.of(week.now("nitrate_outlook"), tank).to_dicts()), None)
    sentence = nitrate_sentence(fit, outlook, int(week.assumed["forecast_days"]))
    look.say(sentence)
    inside = (pl.col("day") >= start) & (pl.col("day") <= week.as_of)
    readings = data.of(week.table("reading"), tank).filter((pl.col("parameter") == "nitrate") & inside).sort("at")
    suspects = data.of(week.now("suspect"), tank).select("file", "line", pl.lit(True).alias("odd"))
    shift = pl.when(pl.col("taken") == "after").then(10).otherwise(9)
    readings = readings.join(suspects, on=["file", "line"], how="left").with_columns(
        (pl.col("day").cast(pl.Datetime) + pl.duration(hours=shift)).alias("at"),
        (pl.col("odd").fill_null(False) | pl.col("doubt").is_not_null() | pl.col("expired")).alias("hollow"),
    )
    said = [interval(r["low"], r["high"]) for r in readings.iter_rows(named=True)]
    readings = readings.with_columns(pl.Series("said", said, dtype=pl.String))
    changes = data.of(week.table("water_change"), tank).filter(inside & (pl.col("kind") != "top-up"))
    changes = changes.with_columns(
        (pl.col("day").cast(pl.Datetime) + pl.duration(hours=10)).alias("at"),
        (100 * pl.col("fraction")).round(0).cast(pl.Int64).cast(pl.String).fill_null("?").alias("pct"),
    )
    stamp = f"{week.folder}{week.as_of}{week.loaded_on}{week.table('account')['sha256'].hash().sum()}"
    path = _path(stamp, tank, week).filter(pl.col("at") >= dt.datetime.combine(start, dt.time()))
    found = numbered(happenings(week, tank, start))
    ceiling = outlook["ceiling"] if outlook else week.assumed["ceiling_default"]
    chart = charts.nitrate(
        readings.select("at", "day", "low", "high", "hollow", "said"), changes.select("at", "day", "pct"),
        path.drop("tank", "as_of"), [(n, d) for n, (d, _) in enumerate(found, 1)], ceiling, start, week.as_of,
    )  # fmt: skip
    span = f"{said[0]} to {said[-1]}" if said else "no readings"
    st.altair_chart(
        chart, width="stretch", theme=None,
        alt=f"Nitrate over {weeks} weeks: {span} mg/L, {len(said)} readings, {changes.height} changes, ceiling"
        f" {ceiling:.0f}. {sentence}",
    )  # fmt: skip
    key = "Dark bar: a reading, low to high. Hollow: not trusted. Tick from the top: a water change, per cent. Blue: calculated, with its 90 % range; the fan: half and nine tenths."
    listed = "".join(f"<li>{escape(text)}</li>" for _, text in found)
    look.html(f'<p class="small">{key}</p>' + (f'<ol class="events">{listed}</ol>' if listed else ""))


def rest(week: Week, tank: str) -> None:
    look.section("The rest of the water", f"{marks.WEEKS} weeks")
    start = week.as_of - dt.timedelta(7 * marks.WEEKS)
    f = week.assumed
    rows = data.of(week.table("reading"), tank).filter((pl.col("day") >= start) & (pl.col("day") <= week.as_of))
    now = {r["parameter"]: r for r in data.of(week.now("water"), tank).iter_rows(named=True)}
    places = st.columns(4, gap="medium")
    wanted: tuple[tuple[str, str, float | None, float], ...] = (("ammonia", "Ammonia, mg/L", None, 1.0), ("nitrite", "Nitrite, mg/L", f["act_nitrite"], 1.0),
              ("ph", "pH", f["act_ph_below"], 9.0), ("kh", "KH, °dH", f["week_kh_at"], 16.0))  # fmt: skip
    for place, (name, title, limit, top) in zip(places, wanted, strict=True):
        read = (
            rows.filter(pl.col("parameter") == name)
            .sort("at")
            .select(pl.col("day").cast(pl.Datetime).alias("at"), "low", "high")
        )
        last = now.get(name)
        words = (
            "not read lately"
            if last is None
            else f"last {interval(last['low'], last['high'])}, {counted(last['age_days'], 'day')} old"
        )
        free = now.get("free_ammonia")
        if name == "ammonia" and free is not None:
            words += f"; free ammonia {interval(free['low'], free['high'], 2)}, acted on over {f['act_free_ammonia']:g}"
        with place:
            look.html(f'<p style="min-height:4.2em"><strong>{title}</strong><br><small>{escape(words)}</small></p>')
            if read.height:
                high = max(top, float(read["high"].max() or 0) * 1.1)  # type: ignore[arg-type]
                st.altair_chart(
                    charts.small(read, limit, high, start, week.as_of, look.INK2), width="stretch", theme=None,
                    alt=f"{title} over {marks.WEEKS} weeks, {read.height} readings; {words}.",
                )  # fmt: skip


def history(week: Week, tank: str) -> None:
    look.section("History as text", "newest first")
    rows = data.of(week.table("reading"), tank).filter(pl.col("day") <= week.as_of)
    wide = rows.with_columns(
        pl.Series("said", [interval(r["low"], r["high"], 3) for r in rows.iter_rows(named=True)], dtype=pl.String)
    ).sort("at")
    table = wide.pivot("parameter", index=["day", "taken"], values="said", aggregate_function="last").sort(
        "day", descending=True
    )
    changes = (
        data.of(week.table("water_change"), tank)
        .group_by("day")
        .agg(pl.col("text").str.join("; ").alias("water changed"))
    )
    table = table.join(changes, on="day", how="left", maintain_order="left")
    table = table.with_columns(pl.col("day").dt.strftime("%a %-d %B %Y")).fill_null("–")
    st.dataframe(table.head(60), hide_index=True, alt=f"Readings of the tank, {table.height} visits")


def page() -> None:
    week = data.week()
    titles = data.tank_titles(week)
    if not titles:
        st.title("One tank")
        look.say("No tanks are on this round yet. Fill in sites.csv and tanks.csv, then run “tankround load”.")
        look.foot(week)
        return
    tank = choose(titles)
    st.title(titles[tank])
    review = next(iter(data.of(week.now("review"), tank).to_dicts()), None)
    capacity = next(iter(data.of(week.now("capacity"), tank).to_dicts()), None)
    line = ledgers.facts_line(week, capacity, told.last_readings(week).get(tank))
    if review is None:
        look.html(f'<p class="counts">Closed, or not set up yet, on that day.</p><p class="small">{line}</p>')
    else:
        name = review["class"]
        hand = " hand" if name in look.URGENT else ""
        look.html(
            f'<p class="counts{hand}">{marks.mark(name)}{escape(name.capitalize())}: {escape(review["reason"])}.</p>'
            f'<p class="small">{line} · <a href="plan?tank={quote(tank)}">plan a change</a></p>'
        )
    short = st.toggle("12 weeks only", key="short", persist_state="session")
    nitrate(week, tank, 12 if short else WEEKS)
    left, right = st.columns(2, gap="large")
    layers = data.of(week.now("capacity_layer"), tank).sort("filter", "position", "layer").to_dicts()
    with left:
        look.section("Why, cheapest check first")
        found = data.of(week.now("finding"), tank).sort("harm").to_dicts()
        look.html(ledgers.findings_html(found, data.of(week.now("finding_cause"), tank).to_dicts()))
    with right:
        look.section("The filter, as the water meets it")
        look.html(ledgers.filter_html(filter_entry.on_tank(week, tank)))
        audit = data.of(week.now("audit"), tank)
        look.html(
            "".join(
                f"<p>{escape(a['says'])} <strong>{escape(a['do'])}</strong></p>" for a in audit.iter_rows(named=True)
            )
        )
    rest(week, tank)
    look.section("Its capacity, line by line")
    if capacity is None:
        look.html("<p>No sum can be made: no filter or no volume is recorded.</p>")
    else:
        left, right = st.columns(2, gap="large")
        with left:
            look.html(
                "<strong>Plain rating: the bare rule of the trade</strong>" + ledgers.plain_html(capacity, week.assumed)
            )
        with right:
            look.html("<strong>Need: what this tank asks for</strong>" + ledgers.need_html(capacity, week.assumed))
        look.html(
            "<strong>Effective media: each layer, factor by factor</strong>" + ledgers.effective_html(capacity, layers)
        )
    history(week, tank)
    look.foot(week)


page()
