"""The tanks as advice starts from them: each filter's layers in flow order, and what the tank asks of them. Built from
the parts that capacity is calculated from, so that a plan of no changes is the capacity of the day."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from pipeline.advise.book import Medium, Model, Prices, Room, catalogue, models
from pipeline.assumptions import Assumptions
from pipeline.calc import factors, half_cycle
from pipeline.calc.capacity import layer_factors, parts, rated
from pipeline.calc.capacity import missing as missing_of
from pipeline.calc.capacity_time import last_change_days
from pipeline.calc.cells import Array
from pipeline.calc.layers import HALF_CYCLE_KINDS, MET, fills_numbered, in_force, table
from pipeline.calc.servicing import DAYS_A_WEEK
from pipeline.week import Week


class Blow(NamedTuple):
    """A disturbance that a body has not slept off: weeks since, lowest factor, weeks to recover, share reached."""

    weeks_since: float
    lowest: float
    recovery_weeks: float
    share: float


@dataclass(frozen=True)
class Body:
    """Some media of one history. `steps` are (day, kg × quality × place in force from that day); the first is day 0.

    age_weeks is that of day 0: None is ripe, under 0 goes in later.
    """

    steps: tuple[tuple[int, float], ...]
    age_weeks: float | None = None
    blows: tuple[Blow, ...] = ()


def curve(bodies: Iterable[Body], days: Array, assumed: Assumptions) -> Array:
    """Effective kilograms of some bodies on each of some days after day 0 (clogging and warmth apart)."""
    total = np.zeros(len(days))
    weeks = days / DAYS_A_WEEK
    for body in bodies:
        at = np.searchsorted([day for day, _ in body.steps], days, side="right") - 1
        worked = np.array([kg for _, kg in body.steps])[np.maximum(at, 0)]
        if body.age_weeks is not None:
            worked = worked * factors.maturity(body.age_weeks + weeks, assumed)
        if body.blows:
            felt = [
                factors.disturbance(past + weeks, lowest, span, share, assumed)
                for past, lowest, span, share in body.blows
            ]
            worked = worked * np.minimum.reduce(felt)
        total += worked
    return total


def mature(bodies: Iterable[Body]) -> float:
    """Effective kilograms of some bodies when all is ripe and recovered, after their last steps."""
    return sum(body.steps[-1][1] for body in bodies)


def horizon_days(assumed: Assumptions) -> int:
    """Days until the last third that goes in later is ripe."""
    steps = round(1 / assumed["media_share_at_once"]) - 1
    weeks = steps * assumed["better_step_weeks"] + assumed["maturity_full_weeks"]
    return max(last_change_days(assumed), int(np.ceil(weeks * DAYS_A_WEEK)) + 1)


@dataclass(frozen=True)
class Layer:
    """One layer of a filter, in flow order. What is not known is None."""

    room: str
    position: int | None
    medium: Medium
    kg: float | None = None
    litres: float | None = None
    loose_share: float | None = None
    tight_share: float | None = None
    age_weeks: float | None = None  # None: ripe
    blows: tuple[Blow, ...] = ()
    outside: bool = False  # a bag beside the flow
    bypass: bool = False
    life_days: float | None = None

    @cached_property
    def foam(self) -> bool:
        """Counted by its litres: foam by name, or what has no mass and does nothing for the full cycle."""
        return self.medium.biological and (self.medium.foam or (self.kg is None and self.medium.quality == 0))

    @cached_property
    def media(self) -> bool:
        """Biological media, not foam."""
        return self.medium.biological and not self.foam

    @property
    def quality(self) -> float:
        return self.medium.quality or 0.0


@dataclass(frozen=True)
class FilterState:
    """A filter on the tank, or one that could stand on it."""

    name: str
    model: Model | None
    kind: str | None
    layers: tuple[Layer, ...]
    flow_l_h: float | None = None
    clog: float = 1.0
    note: str = ""  # of a filter that is on no tank
    aged: bool = True  # the day its media was wetted is recorded
    tidied: bool = False  # its flow order put right: all media behind a fine stage, in the flow

    @property
    def rooms(self) -> tuple[Room, ...]:
        return () if self.model is None else self.model.rooms

    def places(self, assumed: Assumptions) -> list[float | None]:
        if not assumed["use_place"]:
            return [1.0] * len(self.layers)
        by_kind = "internal" if self.kind in HALF_CYCLE_KINDS else "trickle" if self.kind == "trickle" else None
        by_met, met = factors.place(range(len(factors.MET_FIGURES)), assumed), factors.MET_NOTHING
        found: list[float | None] = []
        for layer in self.layers:
            case = "not_in_flow" if by_kind is None and layer.outside and not self.tidied else by_kind
            base = assumed[f"place_{case}"] if case else float(by_met[factors.MET_FINE if self.tidied else met])
            bypass = assumed["place_bypass"] if layer.bypass and not self.tidied else 1.0
            found.append(None if case is None and layer.position is None else base * bypass)
            met = max(met, MET.get(layer.medium.stage or "", factors.MET_NOTHING))
        return found

    def bodies(self, assumed: Assumptions) -> list[Body]:
        """What its media works, each layer a body. Layers whose place or mass is not known are left out."""
        found = []
        for layer, place in zip(self.layers, self.places(assumed), strict=True):
            if not layer.media or layer.kg is None or place is None:
                continue
            quality = layer.quality if assumed["use_quality"] else 1.0
            found.append(Body(((0, layer.kg * quality * place),), layer.age_weeks, layer.blows))
        return found

    def half_l(self, assumed: Assumptions) -> float:
        """Half-cycle rating [L]; nan where it is not known."""
        kg = [layer.kg for layer in self.layers if layer.media]
        foam = [layer.litres for layer in self.layers if layer.foam]
        flow = half_cycle.by_flow_l(np.nan if self.flow_l_h is None else self.flow_l_h, assumed)
        held = half_cycle.by_media_l(sum(x or 0.0 for x in kg), sum(x or 0.0 for x in foam), assumed)
        unsure = any(x is None for x in (*kg, *foam)) or not self.layers
        media = np.nan if unsure and not held >= flow else held
        return float(half_cycle.rating_l(media, flow))


@dataclass(frozen=True)
class TankState:
    """A tank as of the day: what it asks, and the filters on it."""

    tank: str
    site: str | None
    net_l: float | None
    load: float
    load_basis: str
    feed_g_day: float | None
    need_kg: float | None
    warmth: float  # temperature factor, 1 where the load is by class
    filters: tuple[FilterState, ...]
    capacity: dict[str, Any]  # the row of schemas Capacity

    @property
    def known(self) -> bool:
        """Whether a working load can be calculated at all."""
        return self.need_kg is not None and self.capacity["effective_kg"] is not None


@dataclass(frozen=True)
class Inputs:
    week: Week
    assumed: Assumptions
    prices: Prices
    tanks: dict[str, TankState]
    media: dict[str, Medium]
    book: dict[str, Model]
    spare: tuple[FilterState, ...] = ()  # filters that stand on no tank


# Of a layer's row as the capacity has it, what a layer here is called alike.
SHARED = ("position", "litres", "loose_share", "tight_share", "age_weeks", "outside", "bypass", "life_days")


def _layer(row: dict[str, Any], media: dict[str, Medium], blows: dict[int, tuple[Blow, ...]]) -> Layer:
    known = media.get(row["medium"], Medium(row["medium"], row["stage"], None, None))
    known = known if known.stage == row["stage"] else replace(known, stage=row["stage"])
    shared = {name: row[name] for name in SHARED}
    return Layer(row["compartment"], medium=known, kg=row["mass_kg"], blows=blows.get(row["row"], ()), **shared)


def _blows(reached: pl.DataFrame, layers: pl.DataFrame, assumed: Assumptions) -> dict[int, tuple[Blow, ...]]:
    """The disturbances of each layer row that still hold it back."""
    if not assumed["use_disturbance"]:
        return {}
    felt = reached.drop_nulls("lowest").join(layers.select("row", "as_of"), on="row")
    since = (pl.col("as_of") - pl.col("date")).dt.total_days() / DAYS_A_WEEK
    felt = felt.filter(since < pl.col("weeks")).select("row", since.alias("since"), "lowest", "weeks", "share")
    return {row: tuple(Blow(*blow) for blow in blows) for row, blows in felt.rows_by_key("row").items()}


def _spare(week: Week, book: dict[str, Model], media: dict[str, Medium]) -> tuple[FilterState, ...]:
    """Filters that stand on no tank that day, with what lies in them. Their media dried out: it counts as new."""
    day = pl.lit(week.as_of).alias("as_of")
    free = table(week.tables, "filter").join(week.placed(), on="filter", how="anti")
    fills = fills_numbered(week.tables).with_columns(day).filter(in_force("as_of"))
    found = []
    for name, model, clean, note in free.sort("filter").select("filter", "model", "clean_flow_l_h", "note").iter_rows():
        known = book.get(model)
        if known is None:
            continue
        places = {room.name: room.position for room in known.rooms}
        own = fills.filter((pl.col("filter") == name) & pl.col("medium").is_in(list(media)))
        rows = own.select("compartment", "layer", "medium", "mass_kg", "wetted").rows()
        layers = tuple(
            Layer(room, places.get(room), media[medium], kg, age_weeks=0.0)
            for room, _, medium, kg, _ in sorted(rows, key=lambda r: (places.get(r[0], 99), r[1]))
        )
        if any(layer.media and layer.kg for layer in layers):
            flow = clean if clean is not None else known.flow(week.assumed)[0]
            aged = all(wetted is not None for _, _, medium, _, wetted in rows if media[medium].biological)
            found.append(FilterState(name, known, known.kind, layers, flow, note=note or "", aged=aged))
    return tuple(found)


def build(week: Week, tanks: Sequence[str]) -> Inputs:
    """The inputs for plans of some tanks; the others of their sites are among them too, since a filter may come from them."""
    assumed, tables = week.assumed, week.tables
    asked, all_tanks = pl.col("tank").is_in(list(tanks)), table(tables, "tank").select("tank", "site", "closed")
    sites = all_tanks.filter(asked)["site"].unique()
    running = pl.col("closed").is_null() | (pl.col("closed") >= week.as_of)
    wanted = all_tanks.filter(asked | (pl.col("site").is_in(sites.implode()) & running))
    requests = wanted.select("tank", pl.lit(week.as_of).alias("as_of")).unique("tank", maintain_order=True)
    found = parts(tables, requests, assumed)
    full = layer_factors(found.layers, found.tanks, found.filters, found.reached, assumed)
    rows = rated(found.tanks, full, found.filters, missing_of(full, found.filters), assumed)
    media, book = catalogue(tables), models(tables, assumed)
    blows = _blows(found.reached, found.layers, assumed)
    lying = full.select("tank", "filter", "row", "compartment", "medium", "stage", "mass_kg", *SHARED)
    layers = lying.rows_by_key(["tank", "filter"], named=True)
    filters: dict[str, list[FilterState]] = {}
    for row in found.filters.sort("tank", "filter").iter_rows(named=True):
        own = tuple(_layer(one, media, blows) for one in layers.get((row["tank"], row["filter"]), ()))
        model = book.get(row["model"] or "")
        state = FilterState(row["filter"], model, row["kind"], own, row["flow_l_h"], row["clog"])
        filters.setdefault(row["tank"], []).append(state)
    site = dict(wanted.select("tank", "site").iter_rows())
    states = {}
    for row in rows.iter_rows(named=True):
        by_feed = row["load_basis"] == "feed" and row["temperature_c"] is not None
        warmth = float(factors.temperature(row["temperature_c"] if by_feed else np.nan, assumed))
        states[row["tank"]] = TankState(
            row["tank"], site.get(row["tank"]), row["net_l"], row["load"], row["load_basis"], row["feed_g_day"],
            row["need_kg"], warmth, tuple(filters.get(row["tank"], ())), row,
        )  # fmt: skip
    return Inputs(week, assumed, week.round.prices, states, media, book, _spare(week, book, media))
