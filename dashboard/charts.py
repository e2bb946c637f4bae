"""Altair charts of the pages: nitrate with its fit and fan, small multiples, load against net rise."""

import datetime as dt
from collections.abc import Sequence
from typing import Any, Literal

import altair as alt
import polars as pl

from dashboard.look import BLUE, GROUND, HAND, INK, INK2, RULE, URGENT

# A chart is checked whole when it is drawn: checking each of its parts as well takes longer than all the rest of a page.
alt.utils.schemapi.disable_debug_mode()

SQUARE_DAYS = 2  # squares of events this close would cover one another
AXIS = alt.Axis(labelColor=INK2, tickColor=RULE, domain=False, grid=False, title=None, labelFontSize=13)


def _time(start: dt.date, end: dt.date) -> alt.X:
    axis = alt.Axis(
        format="%b", tickCount="month", labelColor=INK2, domainColor=RULE, tickColor=RULE, grid=False, title=None
    )
    # Spelled out as ISO text: a date object would be taken as one in the browser's own time zone.
    return alt.X("at:T", axis=axis, scale=alt.Scale(domain=[start.isoformat(), end.isoformat()], nice=False))


def nitrate(
    readings: pl.DataFrame, changes: pl.DataFrame, path: pl.DataFrame, events: Sequence[tuple[int, dt.date]],
    ceiling: float, start: dt.date, as_of: dt.date, cause: tuple[pl.DataFrame, pl.DataFrame] | None = None,
) -> Any:  # fmt: skip
    """Readings as bars from low to high, the fitted saw-tooth in its band, the fan, the limit, changes, events.

    `cause`, where one is chosen: the path it implies (at, level) and the readings it would move (at, low, high).
    """
    end = as_of + dt.timedelta(15)
    tops = [1.5 * ceiling]
    if readings.height:
        tops.append(float(readings.select(pl.max_horizontal("high", "low").max()).item() or 0) * 1.1)
    if path.height:
        tops.append(min(float(path["high"].max() or 0), 4 * ceiling))  # type: ignore[arg-type]
    top = max(tops)
    scale = alt.Scale(domain=[-0.16 * top, top], nice=False)
    step = 20 if top < 160 else 50
    axis = alt.Axis(
        values=list(range(0, int(top) + 1, step)), labelColor=INK2, domain=False, grid=False, title=None, ticks=False
    )

    def y(field: str) -> alt.Y:
        return alt.Y(field, scale=scale, axis=axis)

    x = _time(start, end)
    layers: list[Any] = [alt.Chart(pl.DataFrame({"y": [0.0]})).mark_rule(color=RULE).encode(y=y("y:Q"))]
    if path.height:
        fit, fan = path.filter(pl.col("part") == "fit"), path.filter(pl.col("part") == "forecast")
        for frame, low, high, shade in (
            (fit, "low", "high", 0.16),
            (fan, "low", "high", 0.12),
            (fan, "low_half", "high_half", 0.20),
        ):
            layers.append(
                alt.Chart(frame).mark_area(color=BLUE, opacity=shade).encode(x=x, y=y(f"{low}:Q"), y2=f"{high}:Q")
            )
        layers.append(alt.Chart(fit).mark_line(color=BLUE, strokeWidth=1.6).encode(x=x, y=y("level:Q")))
        layers.append(alt.Chart(fan).mark_line(color=BLUE, strokeDash=[3, 3]).encode(x=x, y=y("level:Q")))
    rule = pl.DataFrame({"y": [ceiling], "at": [start.isoformat()], "says": [f"limit {ceiling:.0f}"]})
    layers.append(alt.Chart(rule).mark_rule(color=INK, strokeDash=[6, 4], strokeWidth=1.2).encode(y=y("y:Q")))
    layers.append(
        alt.Chart(rule)
        .mark_text(align="left", dx=4, dy=-7, color=INK, fontSize=13)
        .encode(x=x, y=y("y:Q"), text="says:N")
    )
    if readings.height:
        bars = readings.with_columns(pl.col("high").fill_null(top).alias("high"))
        tip = [alt.Tooltip("day:T", title="Read", format="%a %-d %B"), alt.Tooltip("said:N", title="Nitrate, mg/L")]
        width = alt.expr("max(3, min(7, width / 150))")
        styles: list[tuple[bool, dict[str, Any]]] = [
            (False, {"color": INK, "opacity": 0.78}),
            (True, {"color": GROUND, "stroke": INK, "strokeWidth": 1.4}),
        ]
        for hollow, style in styles:
            part = bars.filter(pl.col("hollow") == hollow)
            if part.height:
                layers.append(
                    alt.Chart(part).mark_bar(width=width, **style).encode(x=x, y=y("low:Q"), y2="high:Q", tooltip=tip)
                )
    if cause is not None:
        path_, moved = (frame.filter(pl.col("at") >= dt.datetime.combine(start, dt.time())) for frame in cause)
        layers.append(
            alt.Chart(path_).mark_line(color=HAND, strokeWidth=1.8, strokeDash=[7, 3]).encode(x=x, y=y("level:Q"))
        )
        if moved.height:
            seen = moved.with_columns((pl.col("low") - 0.6), pl.col("high").fill_null(top) + 0.6)
            layers.append(
                alt.Chart(seen)
                .mark_bar(width=6, color=GROUND, stroke=HAND, strokeWidth=1.6)
                .encode(x=x, y=y("low:Q"), y2="high:Q")
            )
    if changes.height:
        tip = [alt.Tooltip("day:T", title="Changed", format="%a %-d %B"), alt.Tooltip("pct:N", title="Per cent")]
        ticks = alt.Chart(changes.with_columns(pl.lit(top).alias("y"), pl.lit(top * 0.955).alias("y2")))
        layers.append(ticks.mark_rule(color=INK2).encode(x=x, y=y("y:Q"), y2="y2:Q", tooltip=tip))
        shown = alt.expr("width > 620 ? 1 : 0")
        layers.append(
            ticks.mark_text(color=INK2, fontSize=12, dy=8, opacity=shown).encode(x=x, y=y("y2:Q"), text="pct:N")
        )
    now = pl.DataFrame({"at": [as_of.isoformat()], "says": ["14 days"], "y": [-0.08 * top]})
    layers.append(alt.Chart(now).mark_rule(color=INK2).encode(x=x))
    if events:
        rows = pl.DataFrame({"n": [n for n, _ in events], "at": [d.isoformat() for _, d in events], "y": -0.08 * top})
        # On a phone the weeks lie closer together, and so may the squares.
        side = alt.expr("width > 620 ? 220 : 150")
        layers.append(alt.Chart(rows).mark_rule(color=INK2, strokeDash=[1, 3]).encode(x=x))
        layers.append(
            alt.Chart(rows).mark_square(size=side, color=GROUND, stroke=INK, opacity=1).encode(x=x, y=y("y:Q"))
        )
        layers.append(alt.Chart(rows).mark_text(color=INK, fontSize=12).encode(x=x, y=y("y:Q"), text="n:N"))
    # A square that stands on the rule, or close before it, pushes the words to its right.
    near = any(0 <= (as_of - day).days <= SQUARE_DAYS for _, day in events)
    layers.append(
        alt.Chart(now)
        .mark_text(align="left", dx=12 if near else 4, color=INK2, fontSize=12)
        .encode(x=x, y=y("y:Q"), text="says:N")
    )
    return (
        alt.layer(*layers).properties(height=270).configure_view(stroke=None).configure(font="Source Sans, sans-serif")
    )


def whole_life(readings: pl.DataFrame, limit: float, start: dt.date, as_of: dt.date) -> Any:
    """All nitrate readings ever, low: what the chart below covers is shaded."""
    top = max(1.5 * limit, float(readings.select(pl.max_horizontal("high", "low").max()).item() or 0))
    bars = readings.select(pl.col("day").cast(pl.Datetime).alias("at"), "low", pl.col("high").fill_null(top))
    axis = alt.Axis(
        format="%Y", tickCount="year", labelColor=INK2, domainColor=RULE, tickColor=RULE, grid=False, title=None
    )
    x = alt.X("at:T", axis=axis, scale=alt.Scale(nice=False))
    y = alt.Y("low:Q", axis=None, scale=alt.Scale(domain=[0, top], nice=False))
    span = alt.Chart(pl.DataFrame({"at": [start.isoformat()], "to": [as_of.isoformat()]}))
    return (
        alt.layer(
            span.mark_rect(color=INK, opacity=0.06).encode(x=x, x2="to:T"),
            alt.Chart(pl.DataFrame({"low": [limit]})).mark_rule(color=INK, strokeDash=[6, 4]).encode(y=y),
            alt.Chart(bars).mark_rule(color=INK, opacity=0.6, strokeWidth=2).encode(x=x, y=y, y2="high:Q"),
        )
        .properties(height=72)
        .configure_view(stroke=None)
        .configure(font="Source Sans, sans-serif")
    )


def small(readings: pl.DataFrame, limit: float | None, top: float, start: dt.date, as_of: dt.date, colour: str) -> Any:
    """One parameter over twelve weeks with its one limit."""
    x = _time(start, as_of)
    # pH has no useful 0; the others start there.
    scale = alt.Scale(domain=[limit - 1.0 if limit is not None and limit > 5 else 0.0, top], nice=False)
    y = alt.Y("low:Q", scale=scale, axis=AXIS)
    bars = readings.with_columns(
        pl.col("high").fill_null(top),
        # A reading without width is still a mark.
        pl.when((pl.col("high") - pl.col("low")) < top / 40)
        .then(pl.col("low") + top / 40)
        .otherwise(pl.col("high"))
        .alias("top"),
    )
    layers: list[Any] = [alt.Chart(bars).mark_bar(width=5, color=colour).encode(x=x, y=y, y2="top:Q")]
    if limit is not None:
        rule = pl.DataFrame({"low": [limit], "at": [start.isoformat()], "says": [f"act at {limit:g}"]})
        layers.append(alt.Chart(rule).mark_rule(color=INK, strokeDash=[5, 4]).encode(y=y))
        text = alt.Chart(rule).mark_text(align="left", dx=3, dy=-7, color=INK, fontSize=12)
        layers.append(text.encode(x=x, y=y, text="says:N"))
    return (
        alt.layer(*layers).properties(height=104).configure_view(stroke=None).configure(font="Source Sans, sans-serif")
    )


DIAMOND = "M0,-1.1L1.1,0L0,1.1L-1.1,0Z"
# Class -> its shape as in marks.SHAPES, and whether it is filled, drawn, or a broken line.
SHAPE: dict[str, tuple[str, dict[str, Any]]] = {
    "act today": (DIAMOND, {"filled": True}),
    "this week": (DIAMOND, {"filled": False, "strokeWidth": 2}),
    "can't say": ("circle", {"filled": False, "strokeWidth": 1.7, "strokeDash": [2.6, 2]}),
    "plan": ("M-1,1L1,1L1,-1Z", {"filled": True}),
    "due": ("M-.6,1.2L-.6,-1.2L1.1,-.55L-.6,.1", {"filled": False, "strokeWidth": 1.7}),
    "steady": ("M-1,0L1,0", {"filled": False, "strokeWidth": 2.2}),
}


PLOT = (350.0, 380.0)  # about the pixels of the plot beside its table, and on a phone
LIMIT, LETTER, LINE = 150, 6.3, 15.0  # pixels: the longest name, a letter, a line
Side = tuple[Literal["left", "right"], int, int]
SIDES: tuple[Side, ...] = (("left", 10, 0), ("right", -10, 0), ("left", 10, -13), ("right", -10, -13),
                           ("left", 10, 13), ("right", -10, 13), ("left", 10, 26), ("right", -10, 26))  # fmt: skip


def _placed(rows: pl.DataFrame, across: Sequence[float], up: Sequence[float]) -> dict[Side, pl.DataFrame]:
    """The names by the side of their point on which they cover no point and no name; without such a side, none is drawn."""
    spots = [
        ((x - across[0]) / (across[1] - across[0]) * PLOT[0], (up[1] - y) / (up[1] - up[0]) * PLOT[1])
        for x, y in rows.select("x", "y").iter_rows()
    ]
    taken = [(x - 7, y - 7, x + 7, y + 7) for x, y in spots]
    found: dict[Side, list[int]] = {}
    for n, ((x, y), name) in enumerate(zip(spots, rows["name"], strict=True)):
        long = min(LETTER * len(name), LIMIT)
        for side in SIDES:
            left = x + side[1] - (long if side[0] == "right" else 0)
            box = (left, y + side[2] - LINE / 2, left + long, y + side[2] + LINE / 2)
            if box[0] < 0 or box[2] > PLOT[0] or box[1] < 0 or box[3] > PLOT[1]:
                continue
            if not any(box[0] < t[2] and t[0] < box[2] and box[1] < t[3] and t[1] < box[3] for t in taken):
                found.setdefault(side, []).append(n)
                taken.append(box)
                break
    return {side: rows[places] for side, places in found.items()}


def load_and_rise(rows: pl.DataFrame, normal: tuple[float, float]) -> Any:
    """Bioload across, net rise up with its range; rows have id, name, class, x, y, low, high, load, said."""
    first, last = (float(value) for value in rows.select(pl.min("x"), pl.max("x").alias("last")).row(0))
    x_low, x_high = min(first - 12, 88), max(last + 14, 112)
    top = max(12.0, float(rows.select(pl.max("high")).item()))
    xs = alt.Scale(domain=[x_low, x_high], zero=False, nice=False)
    ys = alt.Scale(domain=[min(0.0, float(rows.select(pl.min("low")).item())), top], nice=False)
    axis = alt.Axis(grid=False, labelColor=INK2, titleColor=INK2, titleFontWeight=400)
    x = alt.X("x:Q", scale=xs, title="bioload, % of its rating", axis=axis)
    y = alt.Y("y:Q", scale=ys, title="net rise, mg/L a week", axis=axis)
    tips = [alt.Tooltip(f"{field}:N", title=title)
            for field, title in (("name", "Tank"), ("said", "Net rise"), ("load", "Bioload"))]  # fmt: skip
    pick = alt.selection_point(name="pick", fields=["id"], on="click", clear=False)
    base = alt.Chart(rows)
    rule = alt.Chart(pl.DataFrame({"x": [100.0], "y": [top], "says": ["rating"]}))
    band = alt.Chart(pl.DataFrame({"y": [normal[0]], "y2": [normal[1]]}))
    layers: list[Any] = [
        band.mark_rect(color=INK, opacity=0.06).encode(y=y, y2="y2:Q"),
        rule.mark_rule(color=INK, strokeDash=[5, 4]).encode(x=x),
        rule.mark_text(align="left", dx=4, dy=6, color=INK2).encode(x=x, y=y, text="says:N"),
        base.mark_rule(color=BLUE, strokeWidth=2.2).encode(x=x, y=alt.Y("low:Q", scale=ys), y2="high:Q"),
    ]
    for name, (shape, style) in SHAPE.items():
        if (mine := rows.filter(pl.col("class") == name)).height:
            colour = HAND if name in URGENT else INK2 if name == "steady" else INK
            point = alt.Chart(mine).mark_point(shape=shape, size=110, opacity=1, color=colour, **style)
            layers.append(point.encode(x=x, y=y))
    for (side, dx, dy), part in _placed(rows, (x_low, x_high), ys.to_dict()["domain"]).items():
        for style in ({"stroke": GROUND, "strokeWidth": 4}, {"color": INK}):
            text = alt.Chart(part).mark_text(align=side, dx=dx, dy=dy, fontSize=13, clip=True, limit=LIMIT, **style)
            layers.append(text.encode(x=x, y=y, text="name:N"))
    layers.append(base.mark_circle(size=900, opacity=0.001).encode(x=x, y=y, tooltip=tips).add_params(pick))
    return (
        alt.layer(*layers).properties(height=440).configure_view(stroke=None).configure(font="Source Sans, sans-serif")
    )
