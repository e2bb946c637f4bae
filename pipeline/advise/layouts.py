"""What a model of the book holds, filled in each of the ways it can be: loose or neat, carbon or media last."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace

import polars as pl

from pipeline.advise.book import Medium, Model, Prices, Room, best_medium, catalogue
from pipeline.assumptions import Assumptions
from pipeline.calc.floworder import audit_layers
from pipeline.calc.half_cycle import by_flow_l, by_media_l, limit_word, rating_l
from pipeline.calc.layers import HALF_CYCLE_KINDS, layers_on
from pipeline.wording import listed
from schemas import Tables, conform, empty

DAY = dt.date(2000, 1, 1)  # any day: a thought-of filter stands on it


@dataclass(frozen=True)
class Content:
    """What lies in one compartment: kilograms of media, or litres of foam."""

    room: str
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

    def full_kg(self, assumed: Assumptions) -> float | None:
        """Media that counts for the full cycle [kg]."""
        if self.missing:
            return None
        return sum(c.kg for c in self.contents if c.medium.counts(assumed))

    @property
    def media_kg(self) -> float | None:
        """All biological media [kg], whatever its grade."""
        return None if self.missing else sum(c.kg for c in self.contents)

    @property
    def foam_l(self) -> float:
        return sum(c.foam_l for c in self.contents)

    @property
    def says(self) -> str:
        """The layout in words: `with carbon in basket 4`, `packed neatly, with media in basket 4`."""
        said = ["packed neatly"] if self.packing == "neat" else []
        if self.carbon:
            said.append(f"with carbon in {listed(self.carbon)}")
        if self.instead:
            said.append(f"with media instead of carbon in {listed(self.instead)}")
        return ", ".join(said) or "filled loosely"


@dataclass(frozen=True)
class Rating:
    """What a layout is good for, in net litres; None where it can't be said."""

    half_l: float | None
    half_limit: str
    full_l: float | None
    full_limit: str
    full_kg: float | None  # media that counts; none in an internal or sponge filter


def rate(layout: Layout, flow_l_h: float | None, assumed: Assumptions, load: float = 1.0, kind: str = "") -> Rating:
    """Half and full cycle of a layout at a flow [L/h] and a load factor; a filter is full-cycle for no more than half.

    An internal or sponge filter (`kind`) is never full-cycle.
    """
    media, full_kg = layout.media_kg, layout.full_kg(assumed)
    if media is None or full_kg is None:
        return Rating(None, "", None, "", None)
    by_media = by_media_l(media, layout.foam_l, assumed)
    by_flow = by_flow_l(float("nan") if flow_l_h is None else flow_l_h, assumed)
    half = float(rating_l(by_media, by_flow))
    counted = 0.0 if kind in HALF_CYCLE_KINDS else full_kg
    full = counted * assumed["litres_per_kg"] / load
    limit = str(limit_word(by_media, by_flow))
    held_by = "media" if full <= half else limit.replace("flow unknown", "media")
    return Rating(half, limit, min(full, half), held_by, counted)


def _content(room: Room, medium: Medium | None, packing: str, assumed: Assumptions) -> tuple[Content | None, str]:
    """What lies in a room, or what the book lacks to say so."""
    if medium is None:
        return None, f"the medium of {room.name}"
    if medium.foam or (medium.quality == 0 and medium.bulk is None):
        if room.usable_l is None:
            return None, f"the volume of {room.name}"
        return Content(room.name, medium, foam_l=room.usable_l), ""
    if medium.quality is None:
        return None, f"the quality of {medium.name}"
    kg = room.loose(medium) if packing == "loose" else room.neat(medium, assumed)
    if kg is None:
        return None, f"the volume or weighed mass of {room.name}"
    return Content(room.name, medium, kg=kg), ""


def layouts(model: Model, media: Mapping[str, Medium], prices: Prices, assumed: Assumptions) -> list[Layout]:
    """Every way to fill a model: first as the book has it, loose; then neat; then with media instead of carbon."""
    usual = next((media[room.medium] for room in model.rooms if room.medium and room.medium in media), None)
    spare = usual if usual is not None and usual.counts(assumed) else best_medium(media, prices, assumed)
    carbon = tuple(room.name for room in model.rooms if room.for_carbon)
    found = []
    for instead in ((), carbon) if carbon else ((),):
        for packing in ("loose", "neat"):
            contents, missing = [], []
            for room in model.rooms:
                if room.for_media:
                    own = media.get(room.medium) if room.medium else usual
                elif room.name in instead:
                    own = spare
                else:
                    continue
                content, lacks = _content(room, own, packing, assumed)
                if content is None:
                    missing.append(lacks)
                else:
                    contents.append(content)
            if not model.rooms:
                missing.append(f"the compartments of {model.name}")
            kept = tuple(name for name in carbon if name not in instead)
            found.append(Layout(packing, kept, instead, tuple(contents), tuple(dict.fromkeys(missing))))
    # A way that differs from the first by the name of its packing alone is none.
    return [found[0], *(way for way in found[1:] if replace(way, packing=found[0].packing) != found[0])]


def usual_layers(tables: Tables, model: Model, assumed: Assumptions) -> pl.DataFrame:
    """The layers of a model filled as the book has it, in flow order, as `layers_on` gives those of a running filter.

    For drawing an entry of the book and for its audit. Every row of the book that names a medium is a layer.
    """
    media = catalogue(tables)
    fills: list[dict[str, object]] = []
    layer: dict[str, int] = {}
    for room in model.rooms:
        for stage, name in room.usual:
            if name is None or name not in media:
                continue
            layer[room.name] = layer.get(room.name, 0) + 1
            kg = room.loose(media[name]) if stage in ("biological", "chemical") else None
            kg = None if media[name].foam else kg
            fills.append({"filter": model.name, "compartment": room.name, "layer": layer[room.name], "medium": name,
                          "mass_kg": kg, "from": DAY, "file": "book", "line": 1})  # fmt: skip
    row = {"file": "book", "line": 1}
    own = {
        "filter": conform("filter", pl.DataFrame([{**row, "filter": model.name, "model": model.name}])),
        "placement": conform(
            "placement", pl.DataFrame([{**row, "filter": model.name, "tank": model.name, "from": DAY}])
        ),
        "fill": conform("fill", pl.DataFrame(fills)) if fills else empty("fill"),
    }
    asks = pl.DataFrame({"tank": [model.name], "as_of": [DAY]})
    return layers_on({**tables, **own}, asks, assumed)


def model_audit(tables: Tables, model: Model, assumed: Assumptions) -> list[dict[str, str]]:
    """What is wrong with a model as the book fills it: fault, says, do; empty where nothing is."""
    layers = usual_layers(tables, model, assumed)
    return audit_layers(layers, assumed).select("fault", "says", "do").to_dicts() if layers.height else []
