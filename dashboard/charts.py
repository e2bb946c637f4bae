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


def _time(start: dt.date | None, end: dt.date | None, ticks: Literal["month", "year"] = "month") -> alt.X:
    axis = alt.Axis(format="%b" if ticks == "month" else "%Y", tickCount=ticks, labelColor=INK2, domainColor=RULE,
                    tickColor=RULE, grid=False, title=None)  # fmt: skip
    # Spelled out as ISO text: a date object would be taken as one in the browser's own time zone.
    ends: Any = alt.Undefined if start is None or end is None else [start.isoformat(), end.isoformat()]
    return alt.X("at:T", axis=axis, scale=alt.Scale(domain=ends, nice=False))


def _one(**row: Any) -> alt.Chart:
    """A chart of one row of data."""
    return alt.Chart(pl.DataFrame({name: [value] for name, value in row.items()}))


def _drawn(layers: Sequence[Any], height: int) -> Any:
    layered = alt.layer(*layers).properties(height=height)
    return layered.configure_view(stroke=None).configure(font="Source Sans, sans-serif")


def _highest(readings: pl.DataFrame) -> float:
    return float(readings.select(pl.max_horizontal("high", "low").max()).item() or 0)


def nitrate(
    readings: pl.DataFrame, changes: pl.DataFrame, path: pl.DataFrame, events: Sequence[tuple[int, dt.date]],
    ceiling: float, start: dt.date, as_of: dt.date, cause: tuple[pl.DataFrame, pl.DataFrame] | None = None,
) -> Any:  # fmt: skip
    """Readings as bars from low to high, the fitted saw-tooth in its band, the fan, the limit, changes, events.

    `cause`, where one is chosen: the path it implies (at, level) and the readings it would move (at, low, high).
    """
    tops = [1.5 * ceiling, _highest(readings) * 1.1]
    if path.height:
        tops.append(min(float(path["high"].max() or 0), 4 * ceiling))  # type: ignore[arg-type]
    top = max(tops)
    axis = alt.Axis(values=list(range(0, int(top) + 1, 20 if top < 160 else 50)), labelColor=INK2, domain=False,
                    grid=False, title=None, ticks=False)  # fmt: skip
    scale, x = alt.Scale(domain=[-0.16 * top, top], nice=False), _time(start, as_of + dt.timedelta(15))
    low, y, y2, level = (alt.Y(f"{name}:Q", scale=scale, axis=axis) for name in ("low", "y", "y2", "level"))
    layers: list[Any] = [_one(y=0.0).mark_rule(color=RULE).encode(y=y)]
    if path.height:
        fit, fan = (alt.Chart(path.filter(pl.col("part") == part)) for part in ("fit", "forecast"))
        half = alt.Y("low_half:Q", scale=scale, axis=axis)
        layers += [
            fit.mark_area(color=BLUE, opacity=0.16).encode(x=x, y=low, y2="high:Q"),
            fan.mark_area(color=BLUE, opacity=0.12).encode(x=x, y=low, y2="high:Q"),
            fan.mark_area(color=BLUE, opacity=0.20).encode(x=x, y=half, y2="high_half:Q"),
            fit.mark_line(color=BLUE, strokeWidth=1.6).encode(x=x, y=level),
            fan.mark_line(color=BLUE, strokeDash=[3, 3]).encode(x=x, y=level),
        ]
    limit = _one(y=ceiling, at=start.isoformat(), says=f"limit {ceiling:.0f}")
    layers.append(limit.mark_rule(color=INK, strokeDash=[6, 4], strokeWidth=1.2).encode(y=y))
    label = limit.mark_text(align="left", dx=4, dy=-7, color=INK, fontSize=13)
    layers.append(label.encode(x=x, y=y, text="says:N"))
    tip = [alt.Tooltip("day:T", title="Read", format="%a %-d %B"), alt.Tooltip("said:N", title="Nitrate, mg/L")]
    width = alt.expr("max(3, min(7, width / 150))")
    bars = readings.with_columns(pl.col("high").fill_null(top))
    styles: list[dict[str, Any]] = [{"color": INK, "opacity": 0.78},
                                    {"color": GROUND, "stroke": INK, "strokeWidth": 1.4}]  # fmt: skip
    for hollow, style in zip((False, True), styles, strict=True):
        if (part := bars.filter(pl.col("hollow") == hollow)).height:
            bar = alt.Chart(part).mark_bar(width=width, **style)
            layers.append(bar.encode(x=x, y=low, y2="high:Q", tooltip=tip))
    if cause is not None:
        implied, moved = (frame.filter(pl.col("at") >= dt.datetime.combine(start, dt.time())) for frame in cause)
        line = alt.Chart(implied).mark_line(color=HAND, strokeWidth=1.8, strokeDash=[7, 3])
        layers.append(line.encode(x=x, y=level))
        if moved.height:
            seen = moved.with_columns(pl.col("low") - 0.6, pl.col("high").fill_null(top) + 0.6)
            bar = alt.Chart(seen).mark_bar(width=6, color=GROUND, stroke=HAND, strokeWidth=1.6)
            layers.append(bar.encode(x=x, y=low, y2="high:Q"))
    if changes.height:
        tip = [alt.Tooltip("day:T", title="Changed", format="%a %-d %B"), alt.Tooltip("pct:N", title="Per cent")]
        ticks = alt.Chart(changes.with_columns(pl.lit(top).alias("y"), pl.lit(top * 0.955).alias("y2")))
        share = ticks.mark_text(color=INK2, fontSize=12, dy=8, opacity=alt.expr("width > 620 ? 1 : 0"))
        layers.append(ticks.mark_rule(color=INK2).encode(x=x, y=y, y2="y2:Q", tooltip=tip))
        layers.append(share.encode(x=x, y=y2, text="pct:N"))
    now = _one(at=as_of.isoformat(), says="14 days", y=-0.08 * top)
    layers.append(now.mark_rule(color=INK2).encode(x=x))
    if events:
        rows = alt.Chart(
            pl.DataFrame({"n": [n for n, _ in events], "at": [d.isoformat() for _, d in events], "y": -0.08 * top})
        )
        # On a phone the weeks lie closer together, and so may the squares.
        side = alt.expr("width > 620 ? 220 : 150")
        layers += [
            rows.mark_rule(color=INK2, strokeDash=[1, 3]).encode(x=x),
            rows.mark_square(size=side, color=GROUND, stroke=INK, opacity=1).encode(x=x, y=y),
            rows.mark_text(color=INK, fontSize=12).encode(x=x, y=y, text="n:N"),
        ]
    # A square that stands on the rule, or close before it, pushes the words to its right.
    near = any(0 <= (as_of - day).days <= SQUARE_DAYS for _, day in events)
    label = now.mark_text(align="left", dx=12 if near else 4, color=INK2, fontSize=12)
    layers.append(label.encode(x=x, y=y, text="says:N"))
    return _drawn(layers, 270)


def whole_life(readings: pl.DataFrame, limit: float, start: dt.date, as_of: dt.date) -> Any:
    """All nitrate readings ever, low: what the chart below covers is shaded."""
    top = max(1.5 * limit, _highest(readings))
    bars = alt.Chart(readings.select(pl.col("day").cast(pl.Datetime).alias("at"), "low", pl.col("high").fill_null(top)))
    x, y = _time(None, None, "year"), alt.Y("low:Q", axis=None, scale=alt.Scale(domain=[0, top], nice=False))
    span = _one(at=start.isoformat(), to=as_of.isoformat())
    layers = [
        span.mark_rect(color=INK, opacity=0.06).encode(x=x, x2="to:T"),
        _one(low=limit).mark_rule(color=INK, strokeDash=[6, 4]).encode(y=y),
        bars.mark_rule(color=INK, opacity=0.6, strokeWidth=2).encode(x=x, y=y, y2="high:Q"),
    ]
    return _drawn(layers, 72)


def small(readings: pl.DataFrame, limit: float | None, top: float, start: dt.date, as_of: dt.date, colour: str) -> Any:
    """One parameter over twelve weeks with its one limit."""
    x = _time(start, as_of)
    # pH has no useful 0; the others start there.
    scale = alt.Scale(domain=[limit - 1.0 if limit is not None and limit > 5 else 0.0, top], nice=False)
    y = alt.Y("low:Q", scale=scale, axis=AXIS)
    high, least = pl.col("high").fill_null(top), pl.col("low") + top / 40  # a reading without width is still a mark
    bars = readings.with_columns(
        high, pl.when(pl.col("high") < least).then(least).otherwise(pl.col("high")).alias("top")
    )
    layers: list[Any] = [alt.Chart(bars).mark_bar(width=5, color=colour).encode(x=x, y=y, y2="top:Q")]
    if limit is not None:
        rule = _one(low=limit, at=start.isoformat(), says=f"act at {limit:g}")
        layers.append(rule.mark_rule(color=INK, strokeDash=[5, 4]).encode(y=y))
        text = rule.mark_text(align="left", dx=3, dy=-7, color=INK, fontSize=12)
        layers.append(text.encode(x=x, y=y, text="says:N"))
    return _drawn(layers, 104)


DIAMOND = "M0,-1.1L1.1,0L0,1.1L-1.1,0Z"
# Class -> its shape as in cells.SHAPES, and whether it is filled, drawn, or a broken line.
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
    rule, band = _one(x=100.0, y=top, says="rating"), _one(y=normal[0], y2=normal[1])
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
    return _drawn(layers, 440)
