"""What the page Filter book says of an entry: sentences, ledgers and lists as HTML. Everything typed is escaped."""

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any

import polars as pl
import streamlit as st

from dashboard import look
from dashboard.data import Row
from dashboard.ledgers import Line, flow_text, sum_html
from pipeline.advise.book import Rating
from pipeline.advise.filter_entry import Entry
from pipeline.week import Week
from pipeline.wording import NBSP, STOCKED, day, flow, kilograms, listed, litres, money, number, per_cent, with_unit
from pipeline.wording import sentence as capital

BITES = {"flow": "flow is the limit", "media": "media is the limit", "flow unknown": "by its media; flow not known"}
RULE = {True: " by the rule of thumb, which flatters a trickle tower", False: ""}
HALF_ONLY = "an internal or sponge filter does the half cycle only"


def sentence(entry: Entry, tank: str | None, net: float | None) -> str:
    """What it holds and what that is good for; what is not known is stated."""
    good = entry.good
    stands = "on no tank" if tank is None else f"on {tank}{'' if net is None else f' ({litres(net)} net)'}"
    where = f"{entry.name}, {'filled as the book has it' if entry.is_model else stands},"
    if not entry.recorded:
        what = "has no usual media in the book" if entry.is_model else "has nothing recorded inside"
        return f"{where} {what}: it can't be said what it is good for."
    missing = f" Still needed: {good.missing}." if good.missing else ""
    if good.half_l is None and good.full_l is None:
        return f"{where} can't be rated yet.{missing or ' Its layers are not all known.'}"
    held = "" if good.full_kg is None else f" holds {kilograms(good.full_kg)} of media that counts and"
    held = " holds no media that counts and" if good.full_kg == 0 else held
    cycles = (good.half_l, good.half_limit, ""), (good.full_l, good.full_limit, RULE[entry.kind == "trickle"])
    half, full = (
        "not known" if value is None else f"{litres(value)}{rule} ({BITES.get(limit, 'media is the limit')})"
        for value, limit, rule in cycles
    )
    if good.full_l == 0:
        full = f"none: {HALF_ONLY}" if entry.model and entry.model.half_cycle_kind else "none"
    ways = f"half cycle {half}, full cycle {full}"
    return f"{where}{held} is good for: {ways}.{missing}"


def facts_line(entry: Entry) -> str:
    """Kind, entry of the book, flow, and what the media works today."""
    parts = [entry.kind or "kind not recorded"]
    if not entry.is_model:
        parts.append(f"book entry {entry.model.name}" if entry.model else "model not in the book")
    parts.append(flow_text(entry))
    if entry.good.worked_kg and entry.tank is not None:
        parts.append(f"today its media works like {kilograms(entry.good.worked_kg)} of mature, well-placed media")
    if entry.is_model and entry.model is not None:
        parts.append(f"book: {entry.model.source or 'source not recorded'}")
    parts.append("litres are net and normally stocked")
    note = f"<br>Note: {escape(entry.note)}" if entry.note else ""
    return escape(" · ".join(parts)) + note


def alone_html(entry: Entry, assumed: Mapping[str, float]) -> str:
    """The sum of what it is good for by itself."""
    good = entry.good
    table = sum_html([
        Line("Media that counts, dry", kilograms(good.full_kg)),
        Line("Flow", flow(entry.flow_l_h), entry.flow_basis if entry.flow_l_h is not None else ""),
        Line("Half cycle", litres(good.half_l), BITES.get(good.half_limit, ""), total=True),
        Line("Full cycle", litres(good.full_l), BITES.get(good.full_limit, ""), total=True),
    ])  # fmt: skip
    rule = (
        f"Half: the smaller of media ÷{NBSP}{assumed['half_media_share']:g} × {assumed['litres_per_kg']:g}{NBSP}L (foam:"
        f" {assumed['half_foam_l_per_l']:g}{NBSP}L a litre) and flow ÷{NBSP}{assumed['half_turnover_h']:g}. Full: media ×"
        f" {assumed['litres_per_kg']:g}{NBSP}L, and never more than the half."
    )
    trickle = " In a trickle tower the rule of thumb flatters: much air leaves little of the full cycle."
    return f'{table}<p class="small">{rule}{trickle if entry.kind == "trickle" else ""}</p>'


def _table(headings: Sequence[str], rows: Iterable[Sequence[str]], numbers: Sequence[int] = ()) -> str:
    """A ledger of the book; on a phone the headings stand before the values."""
    return look.table(headings, rows, "ledger held book", ("", *headings[1:]), classes=dict.fromkeys(numbers, "n"))


def ways_html(ways: Sequence[tuple[str, Rating]]) -> str:
    """Every way to fill a model, side by side."""
    rows = [
        (escape(filled), kilograms(good.full_kg), litres(good.half_l), BITES.get(good.half_limit, "–"),
         litres(good.full_l), BITES.get(good.full_limit, "–"))
        for filled, good in ways
    ]  # fmt: skip
    return _table(("Filled", "media", "half cycle", "its limit", "full cycle", "limit of the full"), rows, (1, 2, 4))


def _size(size: Row) -> str:
    """`box 190 × 150 × 75 mm, 88 % usable`."""
    names = {"box": ("length_mm", "width_mm", "depth_mm"), "cylinder": ("width_mm", "depth_mm"),
             "ring": ("width_mm", "inner_mm", "depth_mm")}  # fmt: skip
    sides = [size[name] for name in names.get(size["shape"] or "", ("depth_mm",))]
    if all(side is None for side in sides):
        return ""
    measures = " × ".join("?" if side is None else number(side, 4) for side in sides)
    share = "" if size["usable_share"] is None else f", {per_cent(100 * size['usable_share'])} usable"
    return f"{size['shape'] or 'deep'} {with_unit(measures, 'mm')}{share}"


def rooms_html(rows: Sequence[Row]) -> str:
    """What the book knows of each compartment, and from where."""
    cells = []
    for row in rows:
        sizes = dict.fromkeys(filter(None, map(_size, row["sizes"])))
        weighed = [f"{with_unit(number(row[name]), 'kg')} {word}"
                   for name, word in (("room_loose_kg", "loose"), ("room_neat_kg", "neat")) if row[name] is not None]  # fmt: skip
        of = f" of {row['usual_medium']}" if weighed and row["usual_medium"] else ""
        volume = "not known" if row["usable_l"] is None else f"{litres(row['usable_l'])} by {row['volume_basis']}"
        pad = "" if row["pad_mm"] is None else f"pads {with_unit(number(row['pad_mm'], 4), 'mm')}"
        sources = listed(row["sources"]) or "source not recorded"
        cells.append((
            f"{row['position']} {escape(row['compartment'])}",
            escape(listed(dict.fromkeys(row["stages"])) or "not said"),
            escape("; ".join(sizes)) or "size not recorded",
            escape(volume),
            escape((" / ".join(weighed) + of) if weighed else "not weighed"),
            f"{escape(sources)}<br><small>{escape('; '.join(filter(None, (pad, row['room_note']))))}</small>",
        ))  # fmt: skip
    return _table(("Compartment", "meant for", "inside", "holds", "weighed", "known by"), cells)


def _follows(row: Row, later: Row) -> bool:
    """Whether a fill takes the place of another."""
    same = all(row[key] == later[key] for key in ("compartment", "layer"))
    return same and row["to"] is not None and 0 <= (later["from"] - row["to"]).days <= 1


def history_html(week: Week, name: str, titles: Mapping[str, str]) -> str:
    """Moves between tanks and fills of a filter, newest first, each day's together."""
    found: list[tuple[dt.date, int, str]] = []
    for row in week.table("placement").filter(filter=name).iter_rows(named=True):
        where = titles.get(row["tank"], row["tank"])
        found += [(row["from"], 0, f"put on {where}"), (row["to"] or dt.date.max, 3, f"last day on {where}")]
    fills = week.table("fill").filter(filter=name).sort("from").to_dicts()
    for n, row in enumerate(fills):
        # What ended the day before, or the same day, in the same layer was replaced: one line, not two.
        before = next((f["medium"] for f in reversed(fills[:n]) if _follows(f, row)), None)
        size = with_unit(number(row["thickness_mm"], 4), "mm") if row["thickness_mm"] is not None else ""
        size = with_unit(number(row["mass_kg"]), "kg") if row["mass_kg"] is not None else size
        what, room = f"{size} {row['medium']}".strip(), row["compartment"]
        how = "renewed in" if before == row["medium"] else f"in place of {before} in" if before else "into"
        text, wet = f"{what} {how} {room}", row["wetted"]
        text += f" (wetted {day(wet, year=True)})" if wet is not None and wet != row["from"] else ""
        text += f", batch {row['batch']}" if row["batch"] else ""
        found.append((row["from"], 1, text + (f", “{row['note']}”" if row["note"] else "")))
        if row["to"] is not None and not any(_follows(row, later) for later in fills[n + 1 :]):
            found.append((row["to"], 2, f"last day of {what} in {room}"))
    days: dict[dt.date, list[str]] = {}
    for date, _, text in sorted(found, key=lambda item: (-item[0].toordinal(), item[1])):
        if date <= week.as_of:
            days.setdefault(date, []).append(text)
    listing = look.items(
        f"<strong>{day(date, year=True)}</strong>: {escape(capital('; '.join(text)))}." for date, text in days.items()
    )
    return listing or "<p>No fill and no tank is recorded of it. Write them into fills.csv and placements.csv.</p>"


def _ok(cycle: Row) -> str:
    return "can't say" if cycle["ok"] is None else "yes" if cycle["ok"] else "no"


def answer_sentence(answer: Row) -> str:
    """Both answers in one sentence."""
    full, parts = answer["full"], []
    for cycle in (answer["half"], full):
        limit = f" ({BITES[cycle['limit']]})" if cycle["limit"] in BITES else ""
        good = "" if cycle["rates_l"] is None else f", good for {litres(cycle['rates_l'])}{limit}"
        parts.append(_ok(cycle) + good)
    short = f", short {kilograms(full['short_kg'])}" if full["short_kg"] else ""
    return (
        f"For {litres(answer['net_l'])} net, {STOCKED[answer['stocking']]}, the {answer['model']}, {full['layout']}:"
        f" half cycle {parts[0]}; full cycle {parts[1]}{short}."
    )


def by_shortfall(answers: Sequence[Row]) -> list[Row]:
    """Models that do first, then the smallest shortfall of media; what can't be said last."""

    def key(a: Row) -> tuple[Any, ...]:
        full, short, cost = a["full"], a["full"]["short_kg"], a["cost"]
        does = (full["ok"] is None, not full["ok"], not a["half"]["ok"])
        return (*does, short is None, short or 0.0, cost is None, cost or 0.0)

    return sorted(answers, key=key)


def compare_html(answers: Sequence[Row]) -> str:
    """Every model for the same water, side by side, filled loosely and packed neatly."""

    def full_of(answer: Row, layout: str) -> str:
        """`no, 146 L; 0.65 kg short` of one way to fill a model."""
        way = next((way for way in answer["layouts"] if way["layout"] == layout), None)
        if way is None:
            return "–"
        short = f"<br><small>{kilograms(way['short_kg'])} short of {kilograms(way['need_kg'])}</small>"
        return f"{_ok(way)}, {litres(way['rates_l'])}{short if way['short_kg'] else ''}"

    rows = []
    for a in answers:
        half, full = a["half"], a["full"]
        lacks = list(a["missing"])
        if half["ok"] is False and half["limit"] == "flow":
            lacks.append(f"flow of {flow(half['needs_l_h'])}")
        if full["short_kg"]:
            lacks.append(kilograms(full["short_kg"]) + " of media")
        if full["ok"] is False and not lacks:
            lacks = a["would_make_it_yes"][:1]
        slack = "–" if a["slack_pct"] is None else per_cent(a["slack_pct"])
        slack = f"over by {slack.lstrip('−')}" if slack.startswith("−") else slack
        cost = money(a["cost"]) if a["cost"] is not None else "<small>price not in round.toml</small>"
        rows.append(
            (f"<strong>{escape(a['model'])}</strong>", f"{_ok(half)}, {litres(half['rates_l'])}",
             full_of(a, "filled loosely"), full_of(a, "packed neatly"), slack, cost, escape(listed(lacks)) or "nothing")
        )  # fmt: skip
    names = ("Model", "half cycle", "full cycle, filled loosely", "full cycle, packed neatly", "slack", "cost", "lacks")
    return _table(names, rows, (4,))


def filters_table(week: Week, tanks: Mapping[str, str]) -> pl.DataFrame:
    """Every filter with its tank, that tank's bioload, the age of its oldest media and its next service."""
    now, none = week.as_of, pl.col("to").is_null() | (pl.col("to") >= week.as_of)
    stands = week.table("placement").filter((pl.col("from") <= now) & none).sort("from").unique("filter", keep="last")
    media = week.table("fill").filter((pl.col("from") <= now) & none).group_by("filter").agg(
        pl.coalesce("wetted", "from").min().alias("Oldest media")
    )  # fmt: skip
    service = week.now("due").filter(what="check").group_by(pl.col("about").alias("filter")).agg(
        pl.col("on").min().alias("Next service")
    )  # fmt: skip
    load = week.now("capacity").select("tank", "plain_load_pct", "working_load_pct")
    rows = week.table("filter").select("filter", "model").unique("filter", keep="first", maintain_order=True)
    rows = rows.join(stands.select("filter", "tank"), on="filter", how="left").join(load, on="tank", how="left")
    return rows.join(media, on="filter", how="left").join(service, on="filter", how="left").select(
        pl.col("filter").alias("Filter"), pl.col("model").alias("Model"),
        pl.col("tank").replace_strict(tanks, default=pl.col("tank")).fill_null("on no tank").alias("Tank"),
        pl.col("plain_load_pct").round(0).alias("Plain bioload, %"), pl.col("working_load_pct").round(0).alias("Working bioload, %"),
        "Oldest media", "Next service",
    ).sort("Working bioload, %", descending=True, nulls_last=True)  # fmt: skip


FILTER_COLUMNS = {
    **{name: st.column_config.NumberColumn(format="%.0f") for name in ("Plain bioload, %", "Working bioload, %")},
    **{name: st.column_config.DateColumn(format="YYYY-MM-DD") for name in ("Oldest media", "Next service")},
}
