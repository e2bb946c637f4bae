"""One entry of the filter book: a filter with what lies in it on a day, or a model filled as the book has it, in the
order the water meets it, and what it is good for by itself at normal stocking."""

from dataclasses import dataclass
from itertools import count
from typing import Any

import polars as pl

from pipeline.advise.book import Model, Rating, catalogue, layouts, model_audit, model_named, models, rate, usual_layers
from pipeline.assumptions import Assumptions
from pipeline.calc.capacity import Calculated, parts, put_together
from pipeline.calc.capacity_time import back_within, break_even
from pipeline.calc.floworder import audit_filters
from pipeline.calc.layers import HALF_CYCLE_KINDS, filters_on, rooms, table
from pipeline.problems import Problem
from pipeline.week import Week
from schemas import Tables, conform

Row = dict[str, Any]
NOWHERE = "(on no tank)"  # a name no record has: a spare filter is calculated as if it stood there


@dataclass(frozen=True)
class Band:
    """One band of the drawing, in flow order: a layer, or the empty part of its compartment (then `medium` is None)."""

    room: str
    number: int | None  # counted along the flow; empty parts have none
    stage: str | None
    medium: str | None
    kg: float | None
    depth_mm: float | None
    age_weeks: float | None
    foam_l: float | None = None  # of biological foam, which is counted by its litres

    @property
    def empty(self) -> bool:
        return self.medium is None


@dataclass(frozen=True)
class Entry:
    name: str
    is_model: bool
    model: Model | None
    kind: str | None
    tank: str | None  # that it stands on
    note: str | None
    flow_l_h: float | None
    flow_basis: str  # timed, timed on this model, estimated, unknown
    flow_day: Any  # of the timing, None where the book's clean flow is taken
    flow_of_clean: float | None
    bands: tuple[Band, ...]
    good: Rating  # at normal stocking
    audit: tuple[Row, ...]  # fault, says, do

    @property
    def recorded(self) -> bool:
        return any(not band.empty for band in self.bands)

    @property
    def depth_mm(self) -> float:
        """All that is drawn, one above the other [mm]; what is not known counts nothing."""
        return sum(band.depth_mm or 0.0 for band in self.bands)


def bands(layers: pl.DataFrame, book: pl.DataFrame, assumed: Assumptions) -> tuple[Band, ...]:
    """The bands of one filter: its layers in flow order, and after those of each compartment what is left empty in it.

    `book` has the rooms of its model. A compartment with nothing in it is one empty band. Where the depth of a layer or
    of its compartment is not known, nothing is said to be empty.
    """
    lying = layers.rows_by_key("compartment", named=True, include_key=True)
    depths = dict(book.sort("position").select("compartment", "depth_mm").iter_rows())
    found: list[Band] = []
    numbers = count(1)
    for room in {**depths, **lying}:
        rows = lying.get(room, [])
        filled = [row["depth_mm"] for row in rows]
        found += [
            Band(room, next(numbers), row["stage"], row["medium"], row["mass_kg"], row["depth_mm"],
                 row.get("age_weeks"), row["litres"] if row["foam"] else None)
            for row in rows
        ]  # fmt: skip
        deep = depths.get(room)
        if deep is not None and None not in filled and deep - sum(filled) >= assumed["empty_shown_mm"]:
            found.append(Band(room, None, None, None, None, deep - sum(filled), None))
    return tuple(found)


def filters_of(week: Week) -> list[tuple[str, str | None]]:
    """Every filter of the book with the tank it stands on that day; those on a tank first."""
    placed = week.placed()
    own = table(week.tables, "filter").select("filter").unique(maintain_order=True)
    names = pl.concat([own, placed.select("filter")]).unique(maintain_order=True)
    rows = names.join(placed.select("filter", "tank").unique("filter", keep="last"), on="filter", how="left")
    return sorted(rows.select("filter", "tank").iter_rows(), key=lambda row: (row[1] is None, row[0]))


def _good_of(row: Row, kind: str | None) -> Rating:
    """What a filter alone is good for, from the capacity row of a tank that has only this one."""
    half, by_media, kg = row["half_rating_l"], row["plain_l"], row["media_kg"]
    if kind in HALF_CYCLE_KINDS:
        by_media, kg = (None, None) if by_media is None else (0.0, 0.0)
    limit = row["half_limit"] or ""
    # Media that counts for nothing is a full answer, whatever else is not known.
    full = None if by_media is None or (half is None and by_media > 0) else min(by_media, half or 0.0)
    bites = "" if full is None else "media" if half is None or by_media <= half else limit
    missing = row["missing"]
    wanted = [m for m in (missing or "").split("; ") if m and m not in ("no rated media", "net or gross litres")]
    return Rating(half, limit if half is not None else "", full, bites.replace("flow unknown", "media"), kg,
                  row["effective_kg"], "; ".join(wanted) or None)  # fmt: skip


def _entries(week: Week, tables: Tables, tanks: list[str]) -> list[Entry]:
    """The filters on some tanks that day, in the order of their names."""
    assumed = week.assumed
    requests = pl.DataFrame({"tank": tanks, "as_of": week.as_of}, schema={"tank": pl.String, "as_of": pl.Date})
    found = parts(tables, requests, assumed)
    book = rooms(table(tables, "compartment"), assumed)
    known = models(tables, assumed)
    notes = dict(table(tables, "filter").select("filter", "note").iter_rows())
    placed = filters_on(tables, requests)
    entries = []
    for row in found.filters.sort("tank", "filter").iter_rows(named=True):
        name, tank = row["filter"], row["tank"]
        alone, here = pl.col("filter") == name, found.tanks.filter(pl.col("tank") == tank)
        mine = Calculated(here, found.filters.filter(alone), found.layers.filter(alone), found.reached)
        capacity, layers = put_together(mine, assumed)
        faults = audit_filters(tables, placed.filter(alone), mine.layers, assumed)
        own = book.filter(pl.col("model") == (row["model"] or ""))
        entries.append(
            Entry(name, False, known.get(row["model"] or ""), row["kind"], None if tank == NOWHERE else tank,
                  notes.get(name), row["flow_l_h"], row["flow_basis"], row["flow_day"], row["flow_of_clean"],
                  bands(layers, own, assumed), _good_of(capacity.row(0, named=True), row["kind"]),
                  tuple(faults.sort("fault", "says").select("fault", "says", "do").to_dicts()))
        )  # fmt: skip
    return entries


def on_tank(week: Week, tank: str) -> list[Entry]:
    return _entries(week, week.tables, [tank])


def of_filter(week: Week, name: str) -> Entry:
    """A filter as it stands that day, on its tank or in the van. A Problem where no record has it."""
    standing = dict(filters_of(week))
    if name not in standing:
        known = ", ".join(sorted(standing)) or "none"
        raise Problem(f"“{name}” is not a filter of filters.csv; expected one of: {known}.")
    tank, tables = standing[name], week.tables
    if tank is None:
        row = {"filter": name, "tank": NOWHERE, "from": week.as_of, "file": "spare", "line": 1}
        placed = [table(tables, "placement"), conform("placement", pl.DataFrame([row]))]
        tables = {**tables, "placement": pl.concat(placed, how="diagonal_relaxed")}
    return next(entry for entry in _entries(week, tables, [tank or NOWHERE]) if entry.name == name)


def of_model(week: Week, name: str) -> Entry:
    assumed, tables = week.assumed, week.tables
    model = model_named(tables, name, assumed)
    flow, basis = model.flow(assumed)
    (_, good), *_ = ways_of(week, name)
    book = rooms(table(tables, "compartment"), assumed).filter(pl.col("model") == model.name)
    return Entry(model.name, True, model, model.kind, None, model.note, flow, basis, None, None,
                 bands(usual_layers(tables, model, assumed), book, assumed), good,
                 tuple(model_audit(tables, model, assumed)))  # fmt: skip


def ways_of(week: Week, name: str) -> list[tuple[str, Rating]]:
    """Every way to fill a model, and what it is then good for: first as the book has it, then neat, then with media in
    place of carbon."""
    assumed, tables = week.assumed, week.tables
    model = model_named(tables, name, assumed)
    ways, flow = layouts(model, catalogue(tables), week.round.prices, assumed), model.flow(assumed)[0]
    return [(layout.says, rate(layout, flow, assumed, kind=model.kind or "")) for layout in ways]


def rooms_known(week: Week, model: str) -> list[Row]:
    """What the book knows of each compartment of a model, in flow order, with where it knows it from.

    Columns of `rooms`, and `sizes` (of each row of the book: shape and millimetres) and `sources`.
    """
    own = table(week.tables, "compartment").filter(pl.col("model") == model).sort("position")
    sums = own.group_by("compartment", maintain_order=True).agg(
        pl.struct("shape", "length_mm", "width_mm", "inner_mm", "depth_mm", "usable_share").alias("sizes"),
        pl.col("source").drop_nulls().unique(maintain_order=True).alias("sources"),
    )
    return rooms(own, week.assumed).sort("position").join(sums, on="compartment", maintain_order="left").to_dicts()


def spare_rooms(week: Week, entry: Entry) -> list[tuple[str, str | None, float | None]]:
    """Compartments of a filter in use that hold nothing though the book has media in them: name, medium, and the dry
    kilograms that would go in loosely, None where that is not known."""
    if entry.model is None or not entry.recorded:
        return []
    media, filled = catalogue(week.tables), {band.room for band in entry.bands if not band.empty}
    bare = [room for room in entry.model.rooms if room.for_media and room.name not in filled]
    spare = [(room, media.get(room.medium or "")) for room in bare]
    return [(room.name, room.medium, None if usual is None else room.loose(usual)) for room, usual in spare]


def standing(week: Week, tank: str) -> tuple[str, list[Row]] | None:
    """Beside a tank's two ratings: when it is back within its working rating, in words, and what the ratings hang on (rows
    of `break_even`); None where no capacity was calculated for it."""
    capacity = week.now("capacity").filter(pl.col("tank") == tank)
    if not capacity.height:
        return None
    back = back_within(week.tables, capacity.select("tank", "as_of"), week.assumed)
    says = back["says"][0] if back.height else "Can't say: what is needed is not all known."
    return says, break_even(capacity, week.assumed).to_dicts()
