"""The chart a manager reads: bars, a limit, ticks for water changes; no numbers."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import altair as alt
import polars as pl

from pipeline.papers.drawing import EARLIER, INK, INK2, month_starts, noon, to_svg
from pipeline.wording import count_word, counted, listed

WIDTH, HEIGHT = 482, 112
ROOM_DAYS = 19  # empty days at the right, where the words "our limit" and "none" stand


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
    said = [
        f"Nitrate in the water over {weeks} weeks. Each bar runs from the lowest to the highest the test could mean"
    ]
    if late and late < len(bars):
        dark = "dark bar is" if late == 1 else f"{count_word(late)} dark bars are"
        said[0] += f"; the {dark} from the days of this report"
    said[0] += "."
    marks = ["the dashed line is the limit we keep to"]
    if changes:
        marks.append("ticks at the top are water changes")
    if any(bar.guide for bar in bars):
        marks.append("a hollow bar is a guide only")
    if any(bar.high is None for bar in bars):
        marks.append("an arrow means off the end of the test")
    said.append(f"{marks[0][0].upper()}{'; '.join(marks)[1:]}.")
    return " ".join(said)


def description(bars: Sequence[Bar], ceiling: float, weeks: int, changes: int) -> str:
    """The chart in words, for those who do not see it."""
    over = sum(bar.low > ceiling for bar in bars)
    under = sum(bar.high is not None and bar.high <= ceiling for bar in bars)
    across = len(bars) - over - under
    parts = [
        counted(count, "bar") + " " + where
        for count, where in ((under, "under our limit"), (across, "across it"), (over, "over it"))
        if count
    ]
    return f"Nitrate over {weeks} weeks: {listed(parts)}; {counted(changes, 'water change')}."


def svg(bars: Sequence[Bar], changes: Sequence[dt.date], ceiling: float, to: dt.date, weeks: int) -> str:
    """The drawing. Bars above the scale end at its edge under an arrowhead, as open ones do."""
    first, last = to - dt.timedelta(weeks=weeks), to + dt.timedelta(days=ROOM_DAYS)
    top = scale_top(bars, ceiling)
    edge = top / 0.86  # the rest of the height belongs to the ticks
    x = alt.X(
        "day:T",
        scale=alt.Scale(domain=[noon(first), noon(last)]),
        axis=alt.Axis(
            title=None,
            format="%B",
            values=[noon(day) for day in month_starts(first, last - dt.timedelta(days=8))],
            labelAlign="left",
            labelOffset=3,
            labelFontSize=11.5,
            labelPadding=3,
            tickSize=10,
        ),
    )
    scale = alt.Scale(domain=[0, edge], nice=False)
    rows = [
        {
            "day": noon(bar.day),
            "low": min(bar.low, top * 0.98),
            "high": top if bar.high is None else min(bar.high, top),
            "shade": INK if bar.late else EARLIER,
            "guide": bar.guide,
            "off": bar.high is None or bar.high > top,
        }
        for bar in bars
    ]
    kinds = {"day": pl.String, "low": pl.Float64, "high": pl.Float64, "shade": pl.String}
    frame = pl.DataFrame(rows, schema={**kinds, "guide": pl.Boolean, "off": pl.Boolean})
    shade = alt.Color("shade:N", scale=None)
    drawn = alt.Chart(frame).encode(x=x)
    y, y2 = alt.Y("low:Q", scale=scale, axis=None), alt.Y2("high:Q")
    trusted = drawn.transform_filter("!datum.guide").mark_bar(width=5.5).encode(y=y, y2=y2, color=shade)
    guide = drawn.transform_filter("datum.guide").mark_bar(width=5, fill="white", strokeWidth=1.2)
    off = drawn.transform_filter("datum.off").mark_point(
        shape="triangle-up", size=26, filled=True, opacity=1, yOffset=-3
    )
    ticks = alt.Chart(pl.DataFrame({"day": [noon(day) for day in changes]}, schema={"day": pl.String}))
    limit = alt.Chart(pl.DataFrame({"level": [ceiling]}))
    words = alt.Chart(pl.DataFrame({"level": [float(ceiling), 0.0], "said": ["our limit", "none"]}))
    picture = alt.layer(
        ticks.mark_rule(color=INK2, strokeWidth=1.2).encode(x=x, y=alt.value(0), y2=alt.value(8)),
        trusted,
        guide.encode(y=y, y2=y2, stroke=alt.Color("shade:N", scale=None)),
        off.encode(y=alt.Y("high:Q", scale=scale, axis=None), color=shade),
        limit.mark_rule(color=INK, strokeDash=[5, 3], strokeWidth=1.3).encode(
            y=alt.Y("level:Q", scale=scale, axis=None)
        ),
        words.mark_text(align="right", baseline="bottom", dy=-3, fontSize=12, color=INK2).encode(
            x=alt.value(WIDTH - 4), y=alt.Y("level:Q", scale=scale, axis=None), text="said:N"
        ),
    ).properties(width=WIDTH, height=HEIGHT)
    return to_svg(picture, description(bars, ceiling, weeks, len(changes)))
