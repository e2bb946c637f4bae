"""Capacity and nitrate: rating beside evidence, every tank a point."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard import charts, data, look
from pipeline.review import told
from pipeline.wording import NBSP, listed

CORNERS = (
    ("Within rating, climbing", "Look for a cause"),
    ("Over rating, climbing", "More media, or less load"),
    ("Within rating, low rise", "As hoped"),
    ("Over rating, low rise", "Something else helps"),
)


def _corners(two: tuple[tuple[str, str], ...]) -> None:
    left, right = st.columns(2)
    for place, (where, what) in zip((left, right), two, strict=True):
        with place:
            look.html(f"<p>{where}: <strong>{what}</strong></p>")


def page() -> None:
    week = data.week()
    st.title("Capacity and nitrate")
    which = st.segmented_control("Load", ["plain load", "working load"], default="plain load", key="which_load")
    column = "working_load_pct" if which == "working load" else "plain_load_pct"
    titles = data.tank_titles(week)
    fit = week.now("nitrate_fit").filter((pl.col("window") == "recent") & pl.col("rate").is_not_null())
    rows = (
        week.now("review")
        .select("tank", "class")
        .join(week.now("capacity").select("tank", column), on="tank", how="left")
        .join(fit.select("tank", "rate", "low", "high", "state"), on="tank", how="left")
        .with_columns(pl.col("tank").replace_strict(titles, default=None).alias("name"))
    )
    drawn = rows.drop_nulls([column, "rate", "low", "high"])
    missing = rows.join(drawn.select("tank"), on="tank", how="anti")
    climbing = week.now("nitrate_outlook").filter(pl.col("trend") == "climbing").select("tank")
    both = drawn.filter(pl.col(column) > 100).join(climbing, on="tank")["name"].to_list()
    if missing.height:
        look.html(
            f'<p class="small">Not drawn, because load or rise is not known: {listed(missing["name"].to_list())}.</p>'
        )
    if not drawn.height:
        st.write("Nothing can be drawn yet: it needs net litres, media and some weeks of nitrate readings.")
        look.foot(week)
        return
    look.say(f"Over rating and climbing: {listed(both)}." if both else "No tank is both over its rating and climbing.")
    said = [
        f"{7 * r['rate']:.1f} ({told.ends(7 * r['low'], 7 * r['high'])}) a week" for r in drawn.iter_rows(named=True)
    ]
    points = drawn.select(
        pl.col("tank").alias("id"),
        "name",
        "class",
        pl.min_horizontal(pl.col(column), pl.lit(200.0)).alias("x"),
        (7 * pl.col("rate")).alias("y"),
        (7 * pl.col("low")).alias("low"),
        (7 * pl.col("high")).alias("high"),
        (~pl.col("class").is_in(["due", "steady"])).alias("loud"),
        pl.format(f"{{}}{NBSP}%", pl.col(column).round(0).cast(pl.Int64)).alias("load"),
    ).with_columns(pl.Series("said", said))
    _corners(CORNERS[:2])
    event = st.altair_chart(
        charts.load_and_rise(points, told.normal_rise(week.assumed)), width="stretch", theme=None, on_select="rerun", key="points",
        alt=f"{points.height} tanks: {which} across, net rise a week up. Over rating and climbing: {listed(both) or 'none'}.",
    )  # fmt: skip
    _corners(CORNERS[2:])
    look.html(
        '<p class="small">Blue lines: the 90 % range of the rise. Grey band: what the food of a normally stocked tank makes. Choose a point to open the tank; loads over 200 % are drawn at 200.</p>'
    )
    picked = (event.get("selection") or {}).get("pick") or []
    if picked and picked[0].get("id") in titles:
        st.switch_page("views/one_tank.py", query_params={"tank": picked[0]["id"]})
    with st.expander("The same as a table"):
        st.dataframe(points.select("name", "class", "load", "said"), hide_index=True)
    look.foot(week)


page()
