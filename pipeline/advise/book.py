"""The filter book as advice needs it: prices, the media catalogue, the models, and what one holds and is good for when it
is filled in each of the ways it can be: loose or neat, carbon or media last."""

import datetime as dt
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from statistics import median
from typing import Any, NamedTuple

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc.floworder import audit_layers
from pipeline.calc.half_cycle import by_flow_l, by_media_l, limit_word, rating_l
from pipeline.calc.layers import FOAM, HALF_CYCLE_KINDS, layers_on, rooms, table
from pipeline.problems import Problem
from pipeline.wording import listed
from schemas import Tables, conform, empty

DAY = dt.date(2000, 1, 1)  # any day: a thought-of filter stands on it

# [prices] of round.toml as its reader has checked it: visit, water_m3, carbon (one fill), and by name under media (a
# kilogram, pads a piece) and filters.
Prices = Mapping[str, Any]


def _fold(name: str) -> str:
    return name.strip().casefold()


def price(prices: Prices, name: str, kind: str = "") -> float | None:
    """A price, of `kind` media or filters where that is said; one that is not there is not known, never 0."""
    priced = prices.get(kind, {}) if kind else prices
    return {_fold(known): value for known, value in priced.items() if not isinstance(value, Mapping)}.get(_fold(name))


@dataclass(frozen=True)
class Medium:
    """One medium of the catalogue. quality and bulk [kg/L] may not be known."""

    name: str
    stage: str | None
    quality: float | None
    bulk: float | None

    @property
    def biological(self) -> bool:
        return self.stage == "biological"

    @cached_property
    def foam(self) -> bool:
        return self.biological and re.search(FOAM, self.name) is not None

    def counts(self, assumed: Assumptions) -> bool:
        """Whether it counts for the full cycle by the plain rule."""
        return self.biological and self.quality is not None and self.quality >= assumed["plain_min_quality"]


def catalogue(tables: Tables) -> dict[str, Medium]:
    rows = table(tables, "medium").select("medium", "stage", "quality", "bulk_kg_l").iter_rows()
    return {name: Medium(name, stage, quality, bulk) for name, stage, quality, bulk in rows}


def _by_price(prices: Prices, medium: Medium) -> tuple[float, str]:
    """Orders media by price, one of unknown price last."""
    cost = price(prices, medium.name, "media")
    return math.inf if cost is None else cost, medium.name


def best_medium(media: Mapping[str, Medium], prices: Prices, assumed: Assumptions) -> Medium | None:
    """The medium to put in where a filter has none that counts: best quality, most of it in a litre, least price."""
    good = [m for m in media.values() if m.counts(assumed) and m.bulk is not None and not m.foam]
    return min(good, key=lambda m: (-(m.quality or 0), -(m.bulk or 0), _by_price(prices, m)), default=None)


def fine_pad(media: Mapping[str, Medium], prices: Prices) -> Medium | None:
    """The pad of the fine stage to buy: the cheapest priced one, else any."""
    return min((m for m in media.values() if m.stage == "fine"), key=lambda m: _by_price(prices, m), default=None)


@dataclass(frozen=True)
class Room:
    """One compartment of a model, in flow order. Litres and kilograms are not known where the book lacks them."""

    name: str
    position: int
    stages: tuple[str, ...]
    usual: tuple[tuple[str | None, str | None], ...]  # (stage, medium) of each row of the book
    usable_l: float | None
    loose_kg: float | None  # weighed, of its usual medium
    neat_kg: float | None
    usual_medium: str | None

    @property
    def for_media(self) -> bool:
        return "biological" in self.stages

    @property
    def for_carbon(self) -> bool:
        return "chemical" in self.stages and not self.for_media

    @property
    def medium(self) -> str | None:
        """The medium that usually lies in its biological stage."""
        return next((medium for stage, medium in self.usual if stage == "biological" and medium), None)

    def loose(self, medium: Medium) -> float | None:
        """Dry kilograms of a medium poured in loosely; null where neither a weighing nor a volume is known."""
        if self.loose_kg is not None and medium.name == self.usual_medium:
            return self.loose_kg
        if self.usable_l is None or medium.bulk is None:
            return None
        return self.usable_l * medium.bulk

    def neat(self, medium: Medium, assumed: Assumptions) -> float | None:
        if self.neat_kg is not None and medium.name == self.usual_medium:
            return self.neat_kg
        loose = self.loose(medium)
        return None if loose is None else loose * assumed["neat_gain"]


@dataclass(frozen=True)
class Model:
    """A model of the book with its compartments in flow order."""

    name: str
    kind: str | None
    rated_l_h: float | None
    source: str | None
    rooms: tuple[Room, ...]
    clean_l_h: tuple[float, ...] = ()  # timed on own filters of this model
    note: str | None = None

    @property
    def half_cycle_kind(self) -> bool:
        return self.kind in HALF_CYCLE_KINDS

    def flow(self, assumed: Assumptions, timed: float | None = None) -> tuple[float | None, str]:
        """Flow [L/h] and how it is known: given, timed on own filters, estimated from the rated one, or unknown."""
        if timed is not None:
            return timed, "timed"
        if self.clean_l_h:
            return median(self.clean_l_h), "timed on this model"
        if self.rated_l_h is not None:
            return self.rated_l_h * assumed["flow_of_rated"], "estimated"
        return None, "unknown"


def models(tables: Tables, assumed: Assumptions) -> dict[str, Model]:
    """Every model of the book, by name; one that only has compartments is one too."""
    book: dict[str, list[Room]] = {}
    for row in rooms(table(tables, "compartment"), assumed).sort("model", "position").iter_rows(named=True):
        usual = tuple((pair["stage"], pair["medium"]) for pair in row["usual"])
        book.setdefault(row["model"], []).append(
            Room(row["compartment"], row["position"], tuple(row["stages"]), usual, row["usable_l"],
                 row["room_loose_kg"], row["room_neat_kg"], row["usual_medium"])
        )  # fmt: skip
    flows = table(tables, "filter").select("model", "clean_flow_l_h").drop_nulls().group_by("model")
    clean: dict[str, list[float]] = dict(flows.agg("clean_flow_l_h").iter_rows())
    rows: dict[str, Any] = table(tables, "filter_model").rows_by_key("model", named=True, unique=True)
    found: dict[str, Model] = {}
    for name in {**rows, **book}:
        own = rows.get(name, {})
        found[name] = Model(name, own.get("kind"), own.get("rated_flow_l_h"), own.get("source"),
                            tuple(book.get(name, ())), tuple(clean.get(name, ())), own.get("note"))  # fmt: skip
    return found


def model_named(tables: Tables, name: str, assumed: Assumptions) -> Model:
    """The model of a name, in any case of letters; a Problem in words where there is none."""
    book = models(tables, assumed)
    by_fold = {_fold(known): model for known, model in book.items()}
    if _fold(name) in by_fold:
        return by_fold[_fold(name)]
    known = ", ".join(sorted(book)) or "none yet: fill in filter_models.csv and compartments.csv"
    raise Problem(f"“{name}” is not a model of the filter book; expected one of: {known}.")


# -- the ways to fill a model --


class Content(NamedTuple):
    """What lies in one compartment: kilograms of media, or litres of foam."""

    medium: Medium
    kg: float = 0.0
    foam_l: float = 0.0


@dataclass(frozen=True)
class Layout:
    """A way of filling a model. `missing` names what the book lacks; then kilograms are not known."""

    packing: str  # loose or neat
    carbon: tuple[str, ...]  # compartments that keep their carbon
    instead: tuple[str, ...]  # compartments that hold media instead of carbon
    contents: tuple[Content, ...]
    missing: tuple[str, ...] = ()

    def full_kg(self, assumed: Assumptions) -> float:
        """Media that counts for the full cycle [kg]; 0 where that is not known."""
        return 0.0 if self.missing else sum(c.kg for c in self.contents if c.medium.counts(assumed))

    @property
    def says(self) -> str:
        """The layout in words: `with carbon in basket 4`, `packed neatly, with media in basket 4`."""
        parts = ["packed neatly"] if self.packing == "neat" else []
        if self.carbon:
            parts.append(f"with carbon in {listed(self.carbon)}")
        if self.instead:
            parts.append(f"with media instead of carbon in {listed(self.instead)}")
        return ", ".join(parts) or "filled loosely"


@dataclass(frozen=True)
class Rating:
    """What a filter or a layout is good for by itself, in net litres; None where it can't be said."""

    half_l: float | None = None
    half_limit: str = ""  # media, flow or flow unknown; blank where it can't be said
    full_l: float | None = None
    full_limit: str = ""
    full_kg: float | None = None  # dry media that counts; none in an internal or sponge filter
    worked_kg: float | None = None  # what that media works for the full cycle today, on its tank; None for a layout
    missing: str | None = None


def rate(layout: Layout, flow_l_h: float | None, assumed: Assumptions, load: float = 1.0, kind: str = "") -> Rating:
    """Half and full cycle of a layout at a flow [L/h] and a load factor; a filter is full-cycle for no more than half.

    An internal or sponge filter (`kind`) is never full-cycle.
    """
    if layout.missing:
        return Rating(missing="; ".join(layout.missing))
    by_media = by_media_l(sum(c.kg for c in layout.contents), sum(c.foam_l for c in layout.contents), assumed)
    by_flow = by_flow_l(float("nan") if flow_l_h is None else flow_l_h, assumed)
    half = float(rating_l(by_media, by_flow))
    counted = 0.0 if kind in HALF_CYCLE_KINDS else layout.full_kg(assumed)
    full = counted * assumed["litres_per_kg"] / load
    limit = str(limit_word(by_media, by_flow))
    held_by = "media" if full <= half else limit.replace("flow unknown", "media")
    return Rating(half, limit, min(full, half), held_by, counted)


def _content(room: Room, medium: Medium | None, packing: str, assumed: Assumptions) -> Content | str:
    """What lies in a room, or what the book lacks to say so."""
    if medium is None:
        return f"the medium of {room.name}"
    if medium.foam or (medium.quality == 0 and medium.bulk is None):
        foam_l = room.usable_l
        return f"the volume of {room.name}" if foam_l is None else Content(medium, foam_l=foam_l)
    if medium.quality is None:
        return f"the quality of {medium.name}"
    kg = room.loose(medium) if packing == "loose" else room.neat(medium, assumed)
    return f"the volume or weighed mass of {room.name}" if kg is None else Content(medium, kg)


def layouts(model: Model, media: Mapping[str, Medium], prices: Prices, assumed: Assumptions) -> list[Layout]:
    """Every way to fill a model: first as the book has it, loose; then neat; then with media instead of carbon."""
    usual = next((media[room.medium] for room in model.rooms if room.medium and room.medium in media), None)
    spare = usual if usual is not None and usual.counts(assumed) else best_medium(media, prices, assumed)
    carbon = tuple(room.name for room in model.rooms if room.for_carbon)
    found = []
    for instead, packing in product(((), carbon) if carbon else ((),), ("loose", "neat")):
        parts: list[Content | str] = [] if model.rooms else [f"the compartments of {model.name}"]
        for room in model.rooms:
            if room.for_media or room.name in instead:
                own = spare if not room.for_media else media.get(room.medium) if room.medium else usual
                parts.append(_content(room, own, packing, assumed))
        contents = tuple(part for part in parts if isinstance(part, Content))
        missing = tuple(dict.fromkeys(part for part in parts if isinstance(part, str)))
        found.append(Layout(packing, () if instead else carbon, instead, contents, missing))
    # A way that differs from the first by the name of its packing alone is none.
    return [found[0], *(way for way in found[1:] if replace(way, packing=found[0].packing) != found[0])]


def usual_layers(tables: Tables, model: Model, assumed: Assumptions) -> pl.DataFrame:
    """The layers of a model filled as the book has it, in flow order, as `layers_on` gives those of a running filter.

    For drawing an entry of the book and for its audit. Every row of the book that names a medium is a layer.
    """
    media = catalogue(tables)
    row = {"file": "book", "line": 1, "filter": model.name, "from": DAY}
    fills: list[dict[str, object]] = []
    for room in model.rooms:
        named = [(stage, media[name]) for stage, name in room.usual if name in media]
        for layer, (stage, medium) in enumerate(named, start=1):
            kg = room.loose(medium) if stage in ("biological", "chemical") and not medium.foam else None
            fills.append({**row, "compartment": room.name, "layer": layer, "medium": medium.name, "mass_kg": kg})
    own = {
        "filter": conform("filter", pl.DataFrame([{**row, "model": model.name}])),
        "placement": conform("placement", pl.DataFrame([{**row, "tank": model.name}])),
        "fill": conform("fill", pl.DataFrame(fills)) if fills else empty("fill"),
    }
    requests = pl.DataFrame({"tank": [model.name], "as_of": [DAY]})
    return layers_on({**tables, **own}, requests, assumed)


def model_audit(tables: Tables, model: Model, assumed: Assumptions) -> list[dict[str, str]]:
    """What is wrong with a model as the book fills it: fault, says, do; empty where nothing is."""
    layers = usual_layers(tables, model, assumed)
    return audit_layers(layers, assumed).select("fault", "says", "do").to_dicts() if layers.height else []
