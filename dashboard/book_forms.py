"""What pages say of filters, of the filter book, and of a tank's capacity."""

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import polars as pl
import streamlit as st

from dashboard import look
from dashboard.data import Row
from pipeline.advise.filter_entry import Entry
from pipeline.week import Week
from pipeline.wording import day, flow, kilograms, number, per_cent, with_unit
from pipeline.wording import sentence as capital

BITES = {"flow": "flow is the limit", "media": "media is the limit", "flow unknown": "by its media; flow not known"}


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


def draw(entries: Sequence[Entry], headed: bool = True) -> None:
    """Filters as the water meets them, drawn to depth."""
    look.show("filter.html", entries=entries, headed=headed, flow_text=flow_text)


def capacity(week: Week, tank: str, row: Row | None) -> None:
    """Both ratings of a tank side by side, and below them the effective media, layer by layer."""
    if row is None:
        look.html("<p>No sum can be made: no filter or no volume is recorded.</p>")
        return
    layers = (
        week.now("capacity_layer").filter(tank=tank, stage="biological").sort("filter", "position", "layer").to_dicts()
    )
    why = "; ".join(dict.fromkeys(f"{layer['compartment']}: {layer['why']}" for layer in layers if layer["why"]))
    rule = week.assumed.assumption("litres_per_kg")
    left, right = st.columns(2, gap="large")
    look.show("plain.html", left, capacity=row, rule=rule)
    look.show("need.html", right, capacity=row, rule=rule)
    look.show("media.html", capacity=row, layers=layers, why=why)


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


def rooms(rows: Iterable[Row]) -> list[Row]:
    """Compartments of the book, each with what it is `inside`, in words."""
    return [{**row, "inside": "; ".join(dict.fromkeys(filter(None, map(_size, row["sizes"]))))} for row in rows]


def _follows(row: Row, later: Row) -> bool:
    """Whether a fill takes the place of another."""
    same = all(row[key] == later[key] for key in ("compartment", "layer"))
    return same and row["to"] is not None and 0 <= (later["from"] - row["to"]).days <= 1


def history(week: Week, name: str, titles: Mapping[str, str]) -> None:
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
    rows = [(day(date, year=True), f": {capital('; '.join(texts))}.") for date, texts in days.items()]
    none = "No fill and no tank is recorded of it. Write them into fills.csv and placements.csv."
    look.show("days.html", rows=rows, of=0, otherwise=none)


def by_shortfall(answers: Sequence[Row]) -> list[Row]:
    """Models that do first, then the smallest shortfall, what can't be said last; each with what it `lacks`."""

    def key(a: Row) -> tuple[Any, ...]:
        full, short, cost = a["full"], a["full"]["short_kg"], a["cost"]
        does = (full["ok"] is None, not full["ok"], not a["half"]["ok"])
        return (*does, short is None, short or 0.0, cost is None, cost or 0.0)

    return [{**answer, "lacks": _lacks(answer)} for answer in sorted(answers, key=key)]


def _lacks(answer: Row) -> list[str]:
    """What the book does not say of a model, flow, media; else the first thing that would make it a yes."""
    half, full, lacks = answer["half"], answer["full"], list(answer["missing"])
    if half["ok"] is False and half["limit"] == "flow":
        lacks.append(f"flow of {flow(half['needs_l_h'])}")
    if full["short_kg"]:
        lacks.append(kilograms(full["short_kg"]) + " of media")
    return answer["would_make_it_yes"][:1] if full["ok"] is False and not lacks else lacks


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
