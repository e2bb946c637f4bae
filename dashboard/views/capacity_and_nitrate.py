"""Capacity and nitrate: every tank ranked, its bioload against its rating beside its net rise; the loud ones drawn."""

import datetime as dt
from itertools import takewhile

import polars as pl
import streamlit as st

from dashboard import cells, charts, data, look
from dashboard.data import Row
from pipeline import weekly
from pipeline.review import summary
from pipeline.week import Week
from pipeline.wording import amount, counted, day, listed, pct, span

WEEKS = 26  # how far back the first week over and climbing is looked for
FOLDED = 60  # tanks above which those that are neither over nor climbing are shown a site at a time
TRACED = 20  # tanks, the most loaded first, whose weeks are calculated to say since when
# over its rating, climbing -> what it is called, and what it suggests
CORNERS = {
    (True, True): ("over and climbing", "more media, or less stock and food"),
    (False, True): ("within rating, climbing", "look for a cause"),
    (True, False): ("over, not climbing", "something else helps"),
    (False, False): ("within rating, not climbing", "as hoped"),
}


def since(capacity: pl.DataFrame, outlook: pl.DataFrame, column: str) -> dict[str, tuple[dt.date, bool]]:
    """Tank -> the first day of the run, up to the last day calculated, on which it was over its rating and climbing; and
    whether the run reaches back to the first day that was calculated, so that it may be longer."""
    days = capacity.select("tank", "as_of", (pl.col(column) > 100).fill_null(False).alias("over")).join(
        outlook.select("tank", "as_of", (pl.col("trend") == "climbing").alias("climbs")), on=["tank", "as_of"], how="left"
    )  # fmt: skip
    found = {}
    for tank, rows in summary.by_tank(days.sort("as_of", descending=True)).items():
        if run := list(takewhile(lambda row: row["over"] and row["climbs"], rows)):
            found[tank] = (run[-1]["as_of"], len(run) == len(rows))
    return found


def gathered(week: Week, column: str) -> list[Row]:
    """A row a tank, the most loaded of each corner first: over and climbing, climbing, over, the rest, not known."""
    titles = {row["tank"]: row for row in week.table("tank").iter_rows(named=True)}
    sites = data.site_titles(week)
    capacity, outlook = week.by_tank("capacity"), week.by_tank("nitrate_outlook")
    fits = week.by_tank("nitrate_fit", window="recent")
    rows: list[Row] = []
    for tank, class_ in week.now("review").sort("rank").select("tank", "class").iter_rows():
        own, forecast, fit = capacity.get(tank), outlook.get(tank), fits.get(tank)
        load, known = own[column] if own else None, fit is not None and fit["rate"] is not None
        climbs = forecast is not None and forecast["trend"] == "climbing"
        rows.append({
            "tank": tank, "class": class_, "capacity": own, "fit": fit, "load": load,
            "name": titles[tank]["name"] or tank, "site": sites.get(titles[tank]["site"]) or titles[tank]["site"] or "",
            "corner": (load > 100, climbs) if known and load is not None else None,
        })  # fmt: skip
    over = sorted((row for row in rows if row["corner"] == (True, True)), key=lambda row: -row["load"])
    loud = sorted(row["tank"] for row in over[:TRACED])

    def runs_of() -> dict[str, tuple[dt.date, bool]]:
        past = weekly.history(week, loud, WEEKS)
        return since(past["capacity"], past["nitrate_outlook"], column)

    runs = week.kept(("over since", column), runs_of) if loud else {}
    order = [*CORNERS, None]
    rows = [{**row, "since": runs.get(row["tank"])} for row in rows]
    return sorted(rows, key=lambda row: (order.index(row["corner"]), -(row["load"] or 0)))


def table(rows: list[Row]) -> None:
    look.show("loads.html", rows=rows, corners=CORNERS, tank_link=look.tank_link, bar=cells.bioload_bar,
              rise_bar=cells.rise_bar)  # fmt: skip


def tables(rows: list[Row]) -> None:
    """One table; of a large round the tanks that are over or climbing, a part at a time, and the others of one site."""
    if len(rows) <= FOLDED:
        table(rows)
        return
    loud, calm = ([row for row in rows if (row["corner"] in ((False, False), None)) is of] for of in (False, True))
    if loud:
        table(loud[: look.shown("capacity_most", FOLDED)])
        look.more("capacity_most", len(loud), FOLDED)
    sites = sorted({row["site"] for row in calm})
    of = st.selectbox("The others, by site", sites, index=None, placeholder="choose a site", key="calm_site", width=340)
    if mine := [row for row in calm if row["site"] == of]:
        table(mine)


def scatter(week: Week, rows: list[Row], which: str) -> None:
    """The tanks that are over, or of a class above due: bioload across, net rise up."""
    known = (row for row in rows if row["corner"] and None not in (row["fit"]["low"], row["fit"]["high"]))
    drawn = [row for row in known if row["class"] not in ("due", "steady") or row["corner"] == (True, True)]
    if not drawn:
        look.html("<p>No tank that needs a hand has both a bioload and a rise that are known: nothing is drawn.</p>")
        return
    points = pl.DataFrame([
        {
            "id": row["tank"], "name": row["name"], "class": row["class"], "x": min(row["load"], 200.0),
            "y": 7 * row["fit"]["rate"], "low": 7 * row["fit"]["low"], "high": 7 * row["fit"]["high"],
            "load": pct(row["load"]), "said": f"{amount(7 * row['fit']['rate'])} ({span(7 * row['fit']['low'], 7 * row['fit']['high'])})",
        }
        for row in drawn
    ])  # fmt: skip
    look.html(
        "<p><small>within rating</small> look for a cause · <small>over rating</small> more media, or less stock</p>"
    )
    event = st.altair_chart(
        charts.load_and_rise(points, summary.normal_rise(week.assumed)), width="stretch", theme=None, on_select="rerun",
        key="points",
        alt=f"{counted(points.height, 'tank')}: bioload of the {which} across, net rise a week up; the table beside it"
        " holds the same.",
    )  # fmt: skip
    look.html("<p><small>within rating</small> as hoped · <small>over rating</small> something else helps</p>")
    classes = [name for name in cells.SHAPES if name in set(points["class"])]
    low, high = summary.normal_rise(week.assumed)
    look.show("points.html", classes=classes, mark=cells.mark, low=low, high=high)
    picked = (event.get("selection") or {}).get("pick") or []
    if picked and picked[0].get("id") in {row["tank"] for row in rows}:
        st.switch_page("views/one_tank.py", query_params={"tank": picked[0]["id"]})


def page() -> None:
    week = data.week()
    st.title("Capacity and nitrate")
    if not week.now("review").height:
        look.say(f"No tank runs on {day(week.as_of, year=True)}.")
        return
    which = st.segmented_control(
        "Bioload of", ["plain rating", "working rating"], default="plain rating", key="which_load",
        label_visibility="collapsed",
    )  # fmt: skip
    column = "working_load_pct" if which == "working rating" else "plain_load_pct"
    rows = gathered(week, column)
    both = [f"{row['name']}, {row['site']}" for row in rows if row["corner"] == (True, True)]
    look.say(f"Over rating and climbing: {listed(both)}." if both else "No tank is both over its rating and climbing.")
    counts = {corner: sum(row["corner"] == corner for row in rows) for corner in [*CORNERS, None]}
    look.show("corners.html", corners=CORNERS, counts=counts, rate=amount(7 * week.assumed["climbing_rate"]))
    left, right = st.columns([6, 5], gap="large")
    with left:
        tables(rows)
    with right:
        scatter(week, rows, which or "plain rating")
    look.open_on_click("capacity_and_nitrate", [row["tank"] for row in rows])


page()
