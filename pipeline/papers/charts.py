"""The charts of papers: altair to SVG without a browser, with an accessible name, in the papers' own type. One a manager
reads (bars, a limit, ticks for water changes; no numbers), and one of half a year for the phone."""

import datetime as dt
import html
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import altair as alt
import polars as pl
import vl_convert as vlc

from pipeline.papers.layout import FONT
from pipeline.week import Week
from pipeline.wording import count_word, counted, day, interval, listed, number, sentence

INK, INK2, EARLIER, RULE = "#1C2733", "#51606B", "#8A959C", "#A9B1B3"
WIDTH, HEIGHT = 482, 112
ROOM_DAYS = 19  # empty days at the right, where the words "our limit" and "none" stand
HISTORY_WEEKS = 26
HISTORY_SIZE = {"width": 480, "height": 200}  # narrow, so that its words stay legible on a phone


@alt.theme.register("paper", enable=False)
def _theme() -> alt.theme.ThemeConfig:
    axis: Any = {"domainColor": RULE, "tickColor": RULE, "labelColor": INK2, "titleColor": INK2, "grid": False}
    return alt.theme.ThemeConfig(
        {"config": {"font": FONT, "background": "transparent", "padding": 0, "view": {"stroke": None}, "axis": axis}}
    )


def to_svg(picture: alt.Chart | alt.LayerChart | alt.FacetChart, name: str) -> str:
    """The chart as SVG; `name` is its accessible name, which vl-convert would drop."""
    with alt.theme.enable("paper"), alt.data_transformers.enable("default", max_rows=None):
        # Not to_json: a NaN would make that invalid. Checking a fixed shape each time costs as much as drawing it.
        spec = picture.to_dict(validate=False)
    svg = str(vlc.vegalite_to_svg(spec))
    label = html.escape(name, quote=True)
    return svg.replace("<svg ", f'<svg role="img" aria-label="{label}" ', 1)


def for_screen(svg: str) -> str:
    """The same SVG for a page, where the papers' type may not be there."""
    return svg.replace(f'font-family="{FONT}"', f'font-family="{FONT}, Georgia, serif"')


def month_starts(first: dt.date, last: dt.date) -> list[str]:
    """The first of each month within a span of days, as charts are given them."""
    months = range(first.year * 12 + first.month - 1, last.year * 12 + last.month)
    starts = (dt.date(m // 12, m % 12 + 1, 1) for m in months)
    return [noon(day) for day in starts if first <= day <= last]


def noon(day: dt.date) -> str:
    """A day as charts are given it: local, without a zone, so that no reader's zone moves it."""
    return f"{day.isoformat()}T12:00:00"


def _days(first: dt.date, last: dt.date, ticks_to: dt.date, **axis: Any) -> alt.X:
    scale = alt.Scale(domain=[noon(first), noon(last)])
    return alt.X("day:T", scale=scale, axis=alt.Axis(title=None, values=month_starts(first, ticks_to), **axis))


@dataclass(frozen=True)
class Bar:
    """A nitrate reading: `high` None is open above; `late`: in the report's period; `guide`: not fully trusted."""

    day: dt.date
    low: float
    high: float | None
    late: bool
    guide: bool


def scale_top(bars: Sequence[Bar], ceiling: float) -> float:
    """Top of the scale [mg/L]: room above the limit, but never so much that the limit is lost at the bottom."""
    greatest = max((bar.high if bar.high is not None else 1.4 * bar.low for bar in bars), default=0.0)
    return max(1.55 * ceiling, min(1.08 * greatest, 2.6 * ceiling))


def caption(bars: Sequence[Bar], weeks: int, *, changes: bool) -> str:
    """One caption that says how to read it."""
    late = sum(bar.late for bar in bars)
    text = f"Nitrate in the water over {weeks} weeks. Each bar runs from the lowest to the highest the test could mean"
    if late and late < len(bars):
        dark = "dark bar is" if late == 1 else f"{count_word(late)} dark bars are"
        text += f"; the {dark} from the days of this report"
    marks = ["the dashed line is the limit we keep to"]
    if changes:
        marks.append("ticks at the top are water changes")
    if any(bar.guide for bar in bars):
        marks.append("a hollow bar is a guide only")
    if any(bar.high is None for bar in bars):
        marks.append("an arrow means off the end of the test")
    return f"{text}. {sentence('; '.join(marks))}."


def description(bars: Sequence[Bar], ceiling: float, weeks: int, changes: int) -> str:
    """The chart in words, for those who do not see it."""
    over = sum(bar.low > ceiling for bar in bars)
    under = sum(bar.high is not None and bar.high <= ceiling for bar in bars)
    across = len(bars) - over - under
    found = ((under, "under our limit"), (across, "across it"), (over, "over it"))
    parts = [f"{counted(count, 'bar')} {where}" for count, where in found if count]
    return f"Nitrate over {weeks} weeks: {listed(parts)}; {counted(changes, 'water change')}."


@lru_cache(maxsize=256)  # a report is looked at, then printed, then a page: drawn once for all
def svg(bars: tuple[Bar, ...], changes: tuple[dt.date, ...], ceiling: float, to: dt.date, weeks: int) -> str:
    """The drawing. Bars above the scale end at its edge under an arrowhead, as open ones do."""
    first, last = to - dt.timedelta(weeks=weeks), to + dt.timedelta(days=ROOM_DAYS)
    top = scale_top(bars, ceiling)
    edge = top / 0.86  # the rest of the height belongs to the ticks
    label = {"labelAlign": "left", "labelOffset": 3, "labelFontSize": 11.5, "labelPadding": 3, "tickSize": 10}
    x = _days(first, last, last - dt.timedelta(days=8), format="%B", **label)
    scale = alt.Scale(domain=[0, edge], nice=False)
    kinds = {"day": str, "low": float, "high": float, "shade": str, "guide": bool, "off": bool}
    ends = [(min(bar.low, top * 0.98), min(top if bar.high is None else bar.high, top)) for bar in bars]
    rows = [
        (noon(bar.day), *end, INK if bar.late else EARLIER, bar.guide, bar.high is None or bar.high > top)
        for bar, end in zip(bars, ends, strict=True)
    ]
    frame = pl.DataFrame(rows, schema=kinds, orient="row")
    shade = alt.Color("shade:N", scale=None)
    drawn = alt.Chart(frame).encode(x=x)
    y, y_high, level = (alt.Y(f"{name}:Q", scale=scale, axis=None) for name in ("low", "high", "level"))
    trusted = drawn.transform_filter("!datum.guide").mark_bar(width=5.5).encode(y=y, y2="high:Q", color=shade)
    guide = drawn.transform_filter("datum.guide").mark_bar(width=5, fill="white", strokeWidth=1.2)
    arrow: Any = {"shape": "triangle-up", "size": 26, "filled": True, "opacity": 1, "yOffset": -3}
    ticks = alt.Chart(pl.DataFrame({"day": [noon(day) for day in changes]}, schema={"day": pl.String}))
    limit = alt.Chart(pl.DataFrame({"level": [ceiling]}))
    labels = alt.Chart(pl.DataFrame({"level": [float(ceiling), 0.0], "said": ["our limit", "none"]}))
    picture = alt.layer(
        ticks.mark_rule(color=INK2, strokeWidth=1.2).encode(x=x, y=alt.value(0), y2=alt.value(8)),
        trusted,
        guide.encode(y=y, y2="high:Q", stroke=alt.Stroke("shade:N", scale=None)),
        drawn.transform_filter("datum.off").mark_point(**arrow).encode(y=y_high, color=shade),
        limit.mark_rule(color=INK, strokeDash=[5, 3], strokeWidth=1.3).encode(y=level),
        labels.mark_text(align="right", baseline="bottom", dy=-3, fontSize=12, color=INK2).encode(
            x=alt.value(WIDTH - 4), y=level, text="said:N"
        ),
    ).properties(width=WIDTH, height=HEIGHT)
    return to_svg(picture, description(bars, ceiling, weeks, len(changes)))


def nitrate_chart(week: Week, tank: str, ceiling: float) -> str | None:
    """Nitrate as ranges with changes and the ceiling, half a year; None where nothing was read."""
    first = week.as_of - dt.timedelta(weeks=HISTORY_WEEKS)
    lately = pl.col("day").is_between(first, week.as_of)
    rows = week.of("reading", tank).filter(lately, parameter="nitrate")
    if not rows.height:
        return None
    reach = rows.select(pl.max_horizontal(pl.col("high").fill_null(pl.col("low") * 1.3), "low").max()).item()
    top = max(1.5 * ceiling, float(reach))
    guide = pl.col("doubt").is_not_null() | pl.col("expired")
    bars = rows.select(
        pl.col("day").cast(pl.String).alias("day"),
        "low",
        pl.col("high").fill_null(top).alias("high"),
        pl.when(guide).then(pl.lit(EARLIER)).otherwise(pl.lit(INK)).alias("shade"),
    )
    changed = week.of("water_change", tank).filter(lately, pl.col("kind") != "top-up")
    x = _days(first, week.as_of + dt.timedelta(days=4), week.as_of, format="%b", labelFontSize=14)
    axis = alt.Axis(title=None, tickCount=5, labelFontSize=14, domain=False)
    y = alt.Y("low:Q", scale=alt.Scale(domain=[0, top * 1.08], nice=False), axis=axis)
    drawn = alt.Chart(bars).mark_bar(width=5).encode(x=x, y=y, y2="high:Q", color=alt.Color("shade:N", scale=None))
    ticks = alt.Chart(changed.select(pl.col("day").cast(pl.String))).mark_rule(color=INK2, strokeWidth=1.4)
    line = alt.Chart(pl.DataFrame({"low": [ceiling], "said": [f"limit {number(ceiling)}"]}))
    rule = line.mark_rule(color=INK, strokeDash=[6, 4], strokeWidth=1.2).encode(y=y)
    word = line.mark_text(align="left", baseline="bottom", dx=3, dy=-3, fontSize=14, color=INK).encode(
        x=alt.value(0), y=y, text="said:N"
    )
    last = rows.sort("at").row(-1, named=True)
    reads = interval(last["low"], last["high"])
    name = (
        f"Nitrate over {HISTORY_WEEKS} weeks, mg/L: {rows.height} readings, the last {reads} on {day(last['day'])};"
        f" limit {number(ceiling)}; {changed.height} water changes."
    )
    ticks = ticks.encode(x=x, y=alt.value(0), y2=alt.value(9))
    return to_svg(alt.layer(ticks, drawn, rule, word).properties(**HISTORY_SIZE), name)
