"""What tables of tanks draw: class shapes, the twelve-week strip and small bars as SVG in img with their alt."""

import datetime as dt
from collections.abc import Sequence

from markupsafe import Markup, escape

from dashboard import look
from dashboard.data import Row
from dashboard.look import BLUE, GROUND, HAND, INK, INK2, INK3, RULE, STRIP
from pipeline.wording import due_text

WEEKS = 12

SHAPES = {
    "act today": f'<path d="M7 .8 13.2 7 7 13.2 .8 7Z" fill="{HAND}"/>',
    "this week": f'<path d="M7 1.6 12.4 7 7 12.4 1.6 7Z" fill="none" stroke="{HAND}" stroke-width="2"/>',
    "can't say": f'<circle cx="7" cy="7" r="5.2" fill="none" stroke="{INK}" stroke-width="1.7" stroke-dasharray="2.6 2"/>',
    "plan": f'<path d="M1 12.5H13V2.5Z" fill="{INK}"/>',
    "due": f'<path d="M3 13.5V1.2M3 2 12.2 4.8 3 7.8" fill="none" stroke="{INK}" stroke-width="1.7"/>',
    "steady": f'<path d="M1 7H13" stroke="{INK2}" stroke-width="2.2"/>',
}


def uri(body: str, width: float, height: float) -> str:
    """An SVG as a data URI: Streamlit's sanitiser lets it through in an img, and only there."""
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height:g}" viewBox="0 0 {width:g} {height:g}">{body}</svg>'
    for a, b in (("%", "%25"), ("#", "%23"), ('"', "'"), ("<", "%3C"), (">", "%3E")):
        svg = svg.replace(a, b)
    return "data:image/svg+xml," + svg


def img(body: str, alt: str, width: float, height: float) -> Markup:
    """An img of an SVG; lazy, since a thousand of them take half a minute otherwise."""
    return Markup(
        f'<img loading="lazy" decoding="async" src="{uri(body, width, height)}" width="{width:g}" height="{height:g}"'
        f' alt="{escape(alt)}">'
    )


def _inline(body: str, style: str = "") -> Markup:
    """A sign in a line of words, which say the same: it has no alt of its own."""
    return Markup(
        f'<img src="{uri(body, 14, 14)}" width="14" height="14" alt="" style="display:inline;vertical-align:-2px{style}">'
    )


def mark(name: str) -> Markup:
    return _inline(SHAPES[name], ";margin-right:6px")


# The marks of the strip, for its key.
SAMPLES = {
    "bar": _inline(f'<path d="M5 2h4v10h-4Z" fill="{STRIP}"/>'),
    "hollow": _inline(f'<path d="M5 2h4v10h-4Z" fill="none" stroke="{INK}"/>'),
    "ring": _inline(f'<circle cx="7" cy="9" r="2" fill="none" stroke="{INK3}"/>'),
    "tick": _inline(f'<path d="M7 0v8" stroke="{INK2}" stroke-width="1.4"/>'),
    "dash": _inline(f'<path d="M0 7H14" stroke="{INK}" stroke-dasharray="4 3"/>'),
    "blue": _inline(f'<path d="M7 1V13M4 1h6M4 13h6" stroke="{BLUE}"/><circle cx="7" cy="7" r="2.6" fill="{BLUE}"/>'),
}
STYLES = {
    "plain": f'fill="{STRIP}"',
    "hollow": f'fill="{GROUND}" stroke="{INK}" stroke-width="1.2"',
    "over": f'fill="{HAND}"',
    "last": f'fill="{INK}"',
    "caret": f'fill="none" stroke="{INK}" stroke-width="1"',
}


def strip(
    readings: Sequence[Row], changes: Sequence[Row], outlook: Row | None, ceiling: float, as_of: dt.date, height: float,
    hot: bool,
) -> Markup:  # fmt: skip
    """Twelve weeks of readings and changes; twice the tank's limit is the height of every row. `hot`: vermillion may be used."""
    width, lane = 168.0, min(14.0, height / 4)
    weeks_w, base = width - 18, height - 3

    def x(day: dt.date) -> float:
        return 4 + (weeks_w - 10) * (1 - (as_of - day).days / (7 * WEEKS))

    def y(value: float) -> float:
        return base - (base - lane) * min(value / (2 * ceiling), 1.0)

    parts = [
        f'<path d="M0 {base:g}H{weeks_w:g}" stroke="{RULE}" stroke-width="1"/>',
        f'<path d="M0 {y(ceiling):.1f}H{width:g}" stroke="{INK}" stroke-width="1" stroke-dasharray="4 3"/>',
    ]
    paths = dict.fromkeys(STYLES, "")
    for n, row in enumerate(readings):
        last, top = n == len(readings) - 1, y(2 * ceiling if row["high"] is None else row["high"])
        w, at, bottom = 5 if last else 3, x(row["day"]), max(y(row["low"]), top + 2)
        over = hot and last and row["low"] > ceiling
        kind = "hollow" if row["expired"] or row["doubt"] else "over" if over else "last" if last else "plain"
        paths[kind] += f"M{at - w / 2:.1f} {top:.1f}h{w}V{bottom:.1f}h-{w}Z"
        if row["high"] is None or row["high"] > 2 * ceiling:
            paths["caret"] += f"M{at - 3:.1f} {lane:g}l3 -3l3 3"
    parts += [f'<path d="{drawn}" {STYLES[kind]}/>' for kind, drawn in paths.items() if drawn]
    ticks = "".join(f"M{x(c['day']) + 6:.1f} 0v{2 + 0.7 * lane * min(c['fraction'] or 0, 1.0):.1f}" for c in changes)
    if ticks:
        parts.append(f'<path d="{ticks}" stroke="{INK2}" stroke-width="1.2" fill="none"/>')
    blank = sorted({*range(WEEKS)} - {(as_of - row["day"]).days // 7 for row in readings})
    parts += [f'<circle cx="{x(as_of - dt.timedelta(7 * w + 3)):.1f}" cy="{base - 3:g}" r="2" fill="none" stroke="{INK3}"/>'
              for w in blank]  # fmt: skip
    outlook_text = "where it levels off is not known"
    if outlook and outlook["plateau"] is not None:
        low, high, mid, at = max(outlook["plateau_low"], 0), outlook["plateau_high"], outlook["plateau"], width - 8
        parts.append(
            f'<path d="M{at:g} {y(high):.1f}V{y(low):.1f}M{at - 3:g} {y(high):.1f}h6M{at - 3:g} {y(low):.1f}h6"'
            f' stroke="{BLUE}" stroke-width="1.4"/><circle cx="{at:g}" cy="{y(mid):.1f}" r="2.6" fill="{BLUE}"/>'
        )
        outlook_text = f"levels off near {mid:.0f} ({low:.0f} to {high:.0f})"
    last_text = "none"
    if readings:
        low, high = readings[-1]["low"], readings[-1]["high"]
        last_text = f"over {low:.0f}" if high is None else f"{low:.0f} to {high:.0f}"
    alt = (
        f"Nitrate, {WEEKS} weeks: last {last_text} mg/L, limit {ceiling:.0f}; {len(readings)} readings,"
        f" {len(blank)} weeks without; {outlook_text}."
    )
    return img("".join(parts), alt, width, height)


def rise_bar(low: float, rate: float, high: float) -> Markup:
    """Net rise a week on a scale from −5 to 25, tick at 0."""

    def x(value: float) -> float:
        return 2 + 76 * (min(max(value, -5), 25) + 5) / 30

    body = (
        f'<path d="M2 6H78" stroke="{RULE}"/><path d="M{x(0):.1f} 3v6" stroke="{INK2}"/>'
        f'<path d="M{x(low):.1f} 6H{x(high):.1f}" stroke="{BLUE}" stroke-width="2.6"/>'
        f'<circle cx="{x(rate):.1f}" cy="6" r="3" fill="{BLUE}"/>'
    )
    return img(body, "", 80, 12)


def load_bar(plain: float, working: float | None, hot: bool) -> Markup:
    """Plain bioload open over working bioload filled, 0 to 200 %, tick at 100, caret beyond."""

    def w(value: float) -> float:
        return 80 * min(value, 200) / 200

    body = f'<rect x=".5" y="1" width="{w(plain):.1f}" height="5" fill="none" stroke="{HAND if hot and plain > 100 else INK2}"/>'
    if working is not None:
        body += (
            f'<rect x="0" y="8" width="{w(working):.1f}" height="5" fill="{HAND if hot and working > 100 else INK2}"/>'
        )
        if working > 200:
            body += f'<path d="M82 8l4 2.5l-4 2.5" fill="none" stroke="{HAND if hot else INK2}"/>'
    body += f'<path d="M40 0V14" stroke="{INK}" stroke-dasharray="2 2"/>'
    return img(body, "", 88, 14)


def bioload_bar(value: float, hot: bool) -> Markup:
    """One bioload as a bar, 0 to 200 % of the rating, a line at 100, caret beyond."""
    colour = HAND if hot else INK2
    body = f'<rect x="0" y="2" width="{min(value, 200) * 0.9:.1f}" height="7" fill="{colour}"/>'
    body += f'<path d="M0 11H180" stroke="{RULE}"/><path d="M90 0V12" stroke="{INK}" stroke-dasharray="2 2"/>'
    if value > 200:
        body += f'<path d="M182 2l4 3.5l-4 3.5" fill="none" stroke="{colour}"/>'
    return img(body, "", 188, 12)


# Rule -> where its step is done, where that is no visit at the tank: a page, or a form of At the tank.
DONE_AT = {
    "held": "held_rows",
    **dict.fromkeys(("over_full_cycle_rating", "over_and_climbing", "no_rated_media", "plateau_above_ceiling",
                     "half_cycle_short", "overload_recorded"), "plan"),
    "service_due": "services", "carbon_due": "services", "promise_due": "promises", "kit_due": "kits",
    "tap_moved": "tap", "tap_near_limit": "tap", "no_filter_recorded": "placements", "closed_today": "placements",
}  # fmt: skip


def done_at(rule: str, tank: str, doubted: dt.date | None = None) -> str:
    """The address of the page where the step of a rule's finding is done; of a doubted reading with its day."""
    place, asked = DONE_AT.get(rule, "at_the_tank"), f"tank={look.address(tank)}"
    if place in ("held_rows", "plan"):
        return f"{place}?{asked}"
    form = "" if place == "at_the_tank" else f"&amp;record={place}"
    on = f"&amp;day={doubted}" if rule == "reading_in_doubt" and doubted else ""
    return f"at_the_tank?{asked}{form}{on}"


def due_soon(rows: list[Row], soon: int) -> list[str]:
    """Jobs that are overdue, due or coming within `soon` days; a tap test concerns the supply, not one tank."""
    near = (row for row in rows if row["late_days"] >= -soon and row["what"] != "tap test")
    return [due_text(row["what"], row["about"] or "", row["on"], row["late_days"]) for row in near]
