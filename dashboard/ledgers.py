"""The filter as the water meets it, and the capacity sum line by line, as HTML of one tank."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import streamlit as st

from dashboard import look
from dashboard.data import Row
from pipeline.advise.filter_entry import Entry
from pipeline.week import Week
from pipeline.wording import NBSP, day, fixed, number, per_cent, with_unit

DAYS_A_WEEK = 7


def flow_text(entry: Entry) -> str:
    """`610 L/h, timed Tue 14 April (87 % of clean)`; how it is known stands with it."""
    if entry.flow_l_h is None:
        return "flow not known"
    text = with_unit(number(entry.flow_l_h), "L/h")
    if entry.flow_day is not None:
        share = "" if entry.flow_of_clean is None else f" ({per_cent(100 * entry.flow_of_clean)} of clean)"
        return f"{text}, timed {day(entry.flow_day)}{share}"
    if entry.flow_basis == "estimated":
        return f"{text}, estimated from the rated flow"
    return f"{text}, {'timed on filters of this model' if entry.is_model else 'timed when clean'}"


def filter_html(entries: Sequence[Entry], headed: bool = True) -> str:
    """Filters as the water meets them, drawn to depth."""
    return look.filled("filter.html", entries=entries, headed=headed, flow_text=flow_text)


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
    return look.filled("sum.html", lines=lines)


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
    layers = [layer for layer in layers if layer["stage"] == "biological"]
    why = "; ".join(dict.fromkeys(f"{layer['compartment']}: {layer['why']}" for layer in layers if layer["why"]))
    drawn = look.filled("media.html", layers=layers, why=why, effective=row["effective_kg"])
    look.html(f"<strong>Effective media: each layer, factor by factor</strong>{drawn}")
