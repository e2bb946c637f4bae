"""The filter as the water meets it, and the capacity sum line by line, as HTML of one tank."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

import streamlit as st

from dashboard import look
from dashboard.data import Row
from pipeline.advise.filter_entry import Band, Entry
from pipeline.week import Week
from pipeline.wording import NBSP, counted, day, fixed, number, per_cent, sentence, with_unit

DAYS_A_WEEK = 7
MM = 1.2  # pixels a millimetre of depth
LEAST, TWO_LINES = 23.0, 42.0  # pixels: the thinnest band, and the least that holds two lines of words


def _words(band: Band, gap: str) -> str:
    """What stands beside a band: number, stage, medium, mass; after `gap`, small: compartment, depth, age."""
    depth = "depth not recorded" if band.depth_mm is None else with_unit(fixed(band.depth_mm, 0), "mm")
    if band.medium is None:
        return f"<small>empty, {depth} of {escape(band.room)}</small>"
    lacks = ["mass not recorded"] if band.stage in ("biological", "chemical") else []
    masses = [with_unit(number(held), unit) for held, unit in ((band.kg, "kg"), (band.foam_l, "L")) if held is not None]
    mass = "".join(f", {said}" for said in (masses or lacks)[:1])
    age, weeks = "", band.age_weeks
    if weeks is not None:  # up to two years in weeks, then in years
        age = f"; {counted(int(weeks), 'week') if weeks < 104 else counted(int(weeks // 52), 'year')} old"
    return (
        f'<span class="num">{band.number}</span><strong>{escape((band.stage or "stage not known").capitalize())}</strong>,'
        f' {escape(band.medium)}{mass}{gap}<small><span class="more">{escape(band.room)}, </span>{depth}{age}</small>'
    )


def _drawn(entry: Entry, shape: str) -> str:
    """The bands in the water's order: one above the other, where a canister is only drawn upside down, or in a `row` with
    their words as a list below."""
    items, bands, above = "", "", None
    for band in entry.bands:
        new, empty, stage = band.room != above, band.empty, escape(band.stage or "")
        above, high = band.room, max(LEAST, MM * (band.depth_mm or 0.0))
        if shape == "row":
            mark = "" if empty else f"<span>{band.number}</span>"
            core = f'<div class="core {stage}{" new" if new else ""}" style="flex:{band.depth_mm or 0:.0f} 0 0">'
            bands += f"{core}{mark}</div>"
            items += f'<li class="{"empty" if empty else ""}"><div class="words">{_words(band, " ")}</div></li>'
            continue
        # Words of a thin layer take one line, else they would stretch it out of true.
        one, kind = empty or high < TWO_LINES, " ".join(["new"] * new + ["empty"] * empty)
        items += (
            f'<li class="{kind}" style="min-height:{high:.0f}px"><div class="core {stage}"></div>'
            f'<div class="words{" one" if one else ""}">{_words(band, " " if one else "<br>")}</div></li>'
        )
    if shape == "row":
        return f'<i class="along"></i><div class="bands" aria-hidden="true">{bands}</div><ol>{items}</ol>'
    lines = ("shell", "chan", "turn", "out") if shape == "up" else ("in", "off")
    return f'<div class="body">{"".join(f"<i class={chr(34)}{name}{chr(34)}></i>" for name in lines)}<ol>{items}</ol></div>'


def flow_said(entry: Entry) -> str:
    """`610 L/h, timed Tue 14 April (87 % of clean)`; how it is known stands with it."""
    if entry.flow_l_h is None:
        return "flow not known"
    said = with_unit(number(entry.flow_l_h), "L/h")
    if entry.flow_day is not None:
        share = "" if entry.flow_of_clean is None else f" ({per_cent(100 * entry.flow_of_clean)} of clean)"
        return f"{said}, timed {day(entry.flow_day)}{share}"
    if entry.flow_basis == "estimated":
        return f"{said}, estimated from the rated flow"
    return f"{said}, {'timed on filters of this model' if entry.is_model else 'timed when clean'}"


def _one_filter(entry: Entry) -> str:
    """The drawing of one filter, with the way of the water in words."""
    last = max((band.number or 0 for band in entry.bands), default=0)
    through = "layer 1" if last == 1 else f"1 to {last}"
    flow, first = escape(flow_said(entry)), escape(entry.bands[0].room)
    if entry.kind == "sump":
        shape, ways = "row", f"<b>→</b> in at the left, out at the right: {flow}"
        course = f"Water passes {through} from left to right."
    elif entry.kind == "canister":
        shape, ways = "up", f"<b>↓</b> in, and down the side<br><b>↑</b> out, {flow}"
        course = f"Water goes down the side, turns under {first} and rises through {through}."
    else:
        falls = entry.kind in ("trickle", "hang-on")
        shape, ways = "down", f"<b>↓</b> in{' at the top' if falls else ''}<br><b>↓</b> out, {flow}"
        course = f"Water passes {through}, drawn from the top down."
    body = _drawn(entry, shape)
    deep = f"Drawn to depth, {with_unit(fixed(entry.depth_mm, 0), 'mm')} in all. " if entry.depth_mm else ""
    return f'<div class="vessel {shape}"><p class="ways">{ways}</p>{body}</div><p class="small">{deep}{course}</p>'


def filter_html(entries: Sequence[Entry], headed: bool = True) -> str:
    """Filters as the water meets them: a canister from the bottom, a sump in a row, the others from the top down."""
    if not entries:
        return "<p>No filter is recorded on this tank. Write it into filters.csv, placements.csv and fills.csv.</p>"
    empty = (
        "<p>Nothing is recorded of what lies in it, so it cannot be drawn. Look inside at the next service and write each"
        " layer into fills.csv.</p>"
    )
    return "".join(
        (f"<p><strong>{escape(', '.join(filter(None, (entry.name, entry.kind))))}</strong></p>" if headed else "")
        + (_one_filter(entry) if entry.recorded else empty)
        for entry in entries
    )


@dataclass(frozen=True)
class Line:
    """A line of a sum: what, how much, and how it is known."""

    label: str
    value: str
    basis: str = ""
    total: bool = False
    hand: bool = False


def sum_html(lines: Iterable[Line]) -> str:
    """A sum, line by line."""
    body = "".join(
        f'<tr class="{"sum" if line.total else ""}"><td>{escape(line.label)}</td>'
        f'<td class="n{" hand" if line.hand else ""}">{escape(line.value)}</td><td><small>{escape(line.basis)}</small></td></tr>'
        for line in lines
    )
    return f'<table class="ledger">{body}</table>'


def known(value: float | None, unit: str, places: int = 0) -> str:
    return "not known" if value is None else f"{fixed(value, places)}{NBSP}{unit}"


def _food_line(row: Row) -> Line:
    """What the food makes, beside the published share of it: two opinions, never mixed."""
    if row["expected_rise"] is None:
        return Line("Nitrate the food makes", "not known", "no food recorded")
    rise, low, high, published = (
        number(DAYS_A_WEEK * row[f"expected_{name}"], 2) for name in ("rise", "low", "high", "published")
    )
    basis = f"house figure; {published} by the share of Timmons & Ebeling"
    return Line("Nitrate the food makes", f"{rise} ({low}–{high}){NBSP}mg/L a week", basis)


def effective_html(row: Row, layers: list[Row]) -> str:
    """Effective media: one row a layer, one column a factor, and why any factor is not 1."""
    rows = [r for r in layers if r["stage"] == "biological"]
    if not rows:
        return "<p>No biological layer: half cycle only.</p>"
    factors = ("quality", "place", "maturity", "disturbance", "clog", "temperature")
    columns = {"dry kg": "mass_kg", **{name: name for name in factors}, "effective kg": "effective_kg"}
    head = "".join(f'<th class="n">{name}</th>' for name in columns)
    body = "".join(
        f"<tr><td>{escape(r['compartment'])}, {escape(r['medium'])}</td>"
        + "".join(f"<td class='n' data-l='{head}'>{fixed(r[n], 2)}</td>" for head, n in columns.items())
        + "</tr>"
        for r in rows
    )
    why = "; ".join(dict.fromkeys(f"{r['compartment']}: {r['why']}" for r in rows if r["why"]))
    return (
        f'<div class="wide"><table class="ledger held"><thead><tr><th>Layer</th>{head}</tr></thead><tbody>{body}<tr class="sum"><td>Together</td>'
        f'<td class="n" colspan="7"></td><td class="n">{fixed(row["effective_kg"], 2)}</td></tr></tbody></table></div>'
        f'<p class="small">{escape(why)}{". " if why else ""}Factors are house figures; change any of them in round.toml and'
        " this sum follows.</p>"
    )


def capacity(week: Week, tank: str, row: Row | None) -> None:
    """Both ratings of a tank side by side, and below them the effective media, layer by layer."""
    if row is None:
        look.html("<p>No sum can be made: no filter or no volume is recorded.</p>")
        return
    layers = week.now("capacity_layer").filter(tank=tank).sort("filter", "position", "layer").to_dicts()
    rule, net, working = week.assumed.assumption("litres_per_kg"), row["net_l"], row["working_load_pct"]
    plain = [
        Line("Media that counts, dry", known(row["media_kg"], "kg", 2), "porous biological, in the flow"),
        Line("× litres for each kilogram", known(rule.value, "L"), rule.basis),
        Line("Plain rating", known(row["plain_l"], "L"), total=True),
        Line("Net volume", known(net, "L"), row["net_basis"] or "measure it by filling"),
        Line("Bioload of the plain rating", known(row["plain_load_pct"], "%"), row["plain_state"], True,
             bool(row["over_full_cycle"])),
    ]  # fmt: skip
    need = [
        Line(f"Net volume ÷ {number(rule.value)}", known(net and net / rule.value, "kg", 2), "at normal stocking"),
        Line("× stocking", number(row["load"]), f"from {row['load_basis']}" if row["load_basis"] else ""),
        Line("× plants", number(row["plants"]), "house figure"),
        Line("Need", known(row["need_kg"], "kg", 2), total=True),
        Line("Effective, from below", known(row["effective_kg"], "kg", 2)),
        Line("Bioload of the working rating", known(working, "%"), row["working_state"], True, (working or 0) > 100),
        _food_line(row),
    ]
    left, right = st.columns(2, gap="large")
    look.html(f"<strong>Plain rating: a common rule of thumb, disputed</strong>{sum_html(plain)}", left)
    look.html(f"<strong>Need: what this tank asks for</strong>{sum_html(need)}", right)
    look.html(f"<strong>Effective media: each layer, factor by factor</strong>{effective_html(row, layers)}")


def findings_html(findings: list[Row], causes: list[Row]) -> str:
    """Each finding: its sentence, at most three possible causes with the likeliest first, and the step."""
    out = []
    for f in findings:
        mine = sorted((c for c in causes if c["rule"] == f["rule"]), key=lambda c: c["place"])
        told = look.items(
            (f"<strong>Possible cause: {escape(c['cause'])}.</strong> {escape(sentence(c['because']))}.<br>"
             f"<small>Check: {escape(c['check'])}.</small>" for c in mine), "why", "ol",
        )  # fmt: skip
        quiet = " <small>(alert paused)</small>" if f["quiet"] else ""
        out.append(
            f'<p class="say">{escape(f["says"])}{quiet}</p>{told}'
            f'<p class="step">{escape(f["do"])}</p><p class="small">Basis: {escape(f["basis"])}.</p>'
        )
    return "".join(out) or "<p>Nothing to explain: no rule has found anything.</p>"
