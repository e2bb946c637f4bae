"""The filter book as advice needs it: prices, the media catalogue, and what a model holds when it is filled."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from pipeline.assumptions import Assumptions
from pipeline.calc.layers import FOAM, HALF_CYCLE_KINDS, rooms, table
from pipeline.problems import Problem
from schemas import Tables


@dataclass(frozen=True)
class Prices:
    """[prices] of round.toml: visit, water_m3, carbon (one fill), [prices.media] and [prices.filters] by name.

    Media is priced a kilogram, pads a piece. A price that is not there is not known, never 0.
    """

    plain: Mapping[str, float] = field(default_factory=dict)
    media: Mapping[str, float] = field(default_factory=dict)
    filters: Mapping[str, float] = field(default_factory=dict)

    def of_medium(self, medium: str | None) -> float | None:
        return self.media.get(_fold(medium or ""))

    def of_filter(self, model: str) -> float | None:
        return self.filters.get(_fold(model))

    def of(self, name: str) -> float | None:
        return self.plain.get(name)


def _fold(name: str) -> str:
    return name.strip().casefold()


def read_prices(prices: Mapping[str, Any]) -> Prices:
    """[prices] as the reader of round.toml has checked it."""
    tables = {name: own for name, own in prices.items() if isinstance(own, Mapping)}
    media, filters = ({_fold(k): v for k, v in tables.get(name, {}).items()} for name in ("media", "filters"))
    return Prices({_fold(k): v for k, v in prices.items() if k not in tables}, media, filters)


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
    """The media by name."""
    rows = table(tables, "medium").select("medium", "stage", "quality", "bulk_kg_l").iter_rows()
    return {name: Medium(name, stage, quality, bulk) for name, stage, quality, bulk in rows}


def best_medium(media: Mapping[str, Medium], prices: Prices, assumed: Assumptions) -> Medium | None:
    """The medium to put in where a filter has none that counts: best quality, most of it in a litre, least price."""
    good = [m for m in media.values() if m.counts(assumed) and m.bulk is not None and not m.foam]

    def key(m: Medium) -> tuple[float, float, float, str]:
        price = prices.of_medium(m.name)
        return (-(m.quality or 0), -(m.bulk or 0), float("inf") if price is None else price, m.name)

    return min(good, key=key, default=None)


def fine_pad(media: Mapping[str, Medium], prices: Prices) -> Medium | None:
    """The pad of the fine stage to buy: the cheapest priced one, else any."""
    pads = [m for m in media.values() if m.stage == "fine"]

    def key(m: Medium) -> tuple[bool, float, str]:
        price = prices.of_medium(m.name)
        return price is None, price or 0.0, m.name

    return min(pads, key=key, default=None)


@dataclass(frozen=True)
class Room:
    """One compartment of a model, in flow order. Litres and kilograms are not known where the book lacks them."""

    name: str
    position: int
    stages: tuple[str, ...]
    usual: tuple[tuple[str | None, str | None], ...]  # (stage, medium) of each row of the book
    usable_l: float | None
    depth_mm: float | None
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
        """Dry kilograms of a medium packed neatly."""
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
            ordered = sorted(self.clean_l_h)
            middle = (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2
            return middle, "timed on this model"
        if self.rated_l_h is not None:
            return self.rated_l_h * assumed["flow_of_rated"], "estimated"
        return None, "unknown"


def models(tables: Tables, assumed: Assumptions) -> dict[str, Model]:
    """Every model of the book, by name; one that only has compartments is one too."""
    book: dict[str, list[Room]] = {}
    for row in rooms(table(tables, "compartment"), assumed).sort("model", "position").iter_rows(named=True):
        usual = tuple((pair["stage"], pair["medium"]) for pair in row["usual"])
        book.setdefault(row["model"], []).append(
            Room(row["compartment"], row["position"], tuple(row["stages"]), usual, row["usable_l"], row["depth_mm"],
                 row["room_loose_kg"], row["room_neat_kg"], row["usual_medium"])
        )  # fmt: skip
    clean: dict[str, list[float]] = {}
    for model, flow in table(tables, "filter").select("model", "clean_flow_l_h").drop_nulls().iter_rows():
        clean.setdefault(model, []).append(flow)
    rows = {row["model"]: row for row in table(tables, "filter_model").iter_rows(named=True)}
    found: dict[str, Model] = {}
    for name in [*rows, *(model for model in book if model not in rows)]:
        own: dict[str, Any] = rows.get(name, {})
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
