"""Tiny builders for checked tables by hand: a few tanks, filters and what fills them, as a test needs them.

    r = Rounds()
    r.tank("T1", net_l=240)
    r.filter("F1", "T1", [("cup", "fine pad"), ("basket", "good", 2.0)])
    capacity, layers = r.capacity()

Everything here is invented. Media known from the start: MEDIA. A day is a date or a count of weeks before `as_of`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.assumptions import Assumptions, built_in
from pipeline.week import Round, Week
from schemas import Tables, conform, empty
from schemas.tables import BASE_TABLES

AS_OF = dt.date(2026, 6, 1)
LONG_AGO = dt.date(2024, 1, 1)
FIGURES = built_in()

# medium: stage, quality, bulk_kg_l
MEDIA: dict[str, tuple[str, float, float | None]] = {
    "sock": ("settlement", 0.0, None),
    "coarse pad": ("coarse", 0.0, None),
    "medium pad": ("medium", 0.0, None),
    "fine pad": ("fine", 0.0, None),
    "good": ("biological", 1.0, 0.5),
    "lava": ("biological", 0.6, 0.8),
    "smooth": ("biological", 0.25, 0.7),
    "balls": ("biological", 0.0, 0.1),
    "bio foam": ("biological", 0.0, None),
    "carbon": ("chemical", 0.0, 0.45),
}

Layer = Sequence[Any]  # (compartment, medium), (compartment, medium, kg) or (…, {"wetted": …, …})


class Rounds:
    """A round built a call at a time; every method takes further columns as keywords."""

    def __init__(self, as_of: dt.date = AS_OF) -> None:
        self.as_of = as_of
        self.rows: dict[str, list[dict[str, Any]]] = {name: [] for name in BASE_TABLES}
        self.add("site", site="S1", name="Hall", water_supply="W1")
        for name, (stage, quality, bulk) in MEDIA.items():
            self.add("medium", medium=name, stage=stage, quality=quality, bulk_kg_l=bulk)

    def add(self, table: str, **row: Any) -> Rounds:
        """One row of a table."""
        place = {"file": f"{table}.csv", "line": len(self.rows[table]) + 2}
        self.rows[table].append(place | row)
        return self

    def day(self, when: dt.date | float) -> dt.date:
        """A date, or so many weeks before as_of."""
        return when if isinstance(when, dt.date) else self.as_of - dt.timedelta(days=round(7 * when))

    def tank(self, tank: str = "T1", **more: Any) -> Rounds:
        return self.add("tank", **{"tank": tank, "site": "S1", "name": tank, "stocking": "normal", **more})

    def model(self, model: str, rooms: Iterable[Mapping[str, Any]], **more: Any) -> Rounds:
        """A model and its compartments in flow order; positions are counted where they are not given."""
        self.add("filter_model", **{"model": model, "kind": "canister", **more})
        for position, room in enumerate(rooms, start=1):
            self.add("compartment", **{"model": model, "position": position, "stage": "biological", **room})
        return self

    def filter(
        self, name: str, tank: str | None, layers: Sequence[Layer], *, model: str | None = None,
        since: dt.date | float = LONG_AGO, to: dt.date | None = None, kind: str = "canister",
        rated: float | None = None, clean: float | None = None, note: str | None = None,
    ) -> Rounds:  # fmt: skip
        """A filter on a tank with its layers in flow order; without a model one is made that has their rooms."""
        if model is None:
            model = f"model of {name}"
            names = list(dict.fromkeys(layer[0] for layer in layers))
            self.model(model, [{"compartment": room} for room in names], kind=kind, rated_flow_l_h=rated)
        self.add("filter", filter=name, model=model, clean_flow_l_h=clean, note=note)
        if tank is not None:
            self.place(name, tank, since, to)
        return self.fill(name, layers, since)

    def place(self, name: str, tank: str, since: dt.date | float, to: dt.date | None = None) -> Rounds:
        return self.add("placement", **{"filter": name, "tank": tank, "from": self.day(since), "to": to})

    def fill(self, name: str, layers: Sequence[Layer], since: dt.date | float = LONG_AGO) -> Rounds:
        """Layers of a filter; the order within a compartment is that of the list. `wetted` is long ago unless given."""
        count: dict[str, int] = {}
        for room, medium, *rest in layers:
            count[room] = count.get(room, 0) + 1
            more = dict(rest[-1]) if rest and isinstance(rest[-1], Mapping) else {}
            kg = rest[0] if rest and not isinstance(rest[0], Mapping) else None
            wetted = more.pop("wetted", LONG_AGO if MEDIA.get(medium, ("",))[0] == "biological" else None)
            row = {"filter": name, "compartment": room, "layer": count[room], "medium": medium, "mass_kg": kg,
                   "wetted": None if wetted is None else self.day(wetted), "from": self.day(since), **more}  # fmt: skip
            self.add("fill", **row)
        return self

    def feed(self, tank: str, grams: float, since: dt.date | float = LONG_AGO, **more: Any) -> Rounds:
        return self.add("feeding", **{"tank": tank, "from": self.day(since), "feed_g_day": grams, **more})

    def service(self, name: str | None, when: dt.date | float, job: str = "pads", **more: Any) -> Rounds:
        return self.add("service", **{"date": self.day(when), "filter": name, "job": job, **more})

    def event(self, tank: str, when: dt.date | float, event: str, **more: Any) -> Rounds:
        return self.add("event", **{"date": self.day(when), "tank": tank, "event": event, **more})

    def reading(self, tank: str, when: dt.date | float, parameter: str, value: float, **more: Any) -> Rounds:
        day = self.day(when)
        row = {"tank": tank, "day": day, "at": dt.datetime.combine(day, dt.time(9)), "taken": "before",
               "parameter": parameter, "low": value, "high": value, "matched": value, "text": f"{value:g}",
               "outcome": "accepted", "expired": False, **more}  # fmt: skip
        return self.add("reading", **row)

    def tables(self) -> Tables:
        """The tables as intake would hand them over."""
        return {
            name: conform(name, pl.DataFrame(rows, infer_schema_length=None)) if rows else empty(name)
            for name, rows in self.rows.items()
        }

    def requests(self, *days: dt.date | float) -> pl.DataFrame:
        """Every tank as of some days, of as_of where none is given."""
        when = [self.day(day) for day in days] or [self.as_of]
        pairs = [(row["tank"], day) for row in self.rows["tank"] for day in when]
        return pl.DataFrame(pairs, schema={"tank": pl.String, "as_of": pl.Date}, orient="row")

    def capacity(self, *days: dt.date | float, assumed: Assumptions = FIGURES) -> tuple[pl.DataFrame, pl.DataFrame]:
        from pipeline.calc.capacity import capacity

        return capacity(self.tables(), self.requests(*days), assumed)

    def rating(
        self, tank: str = "T1", day: dt.date | float | None = None, assumed: Assumptions = FIGURES
    ) -> dict[str, Any]:
        """The capacity of one tank on one day, as a dict."""
        frame, _ = self.capacity(self.as_of if day is None else day, assumed=assumed)
        return frame.row(by_predicate=pl.col("tank") == tank, named=True)

    def week(
        self, assumed: Assumptions = FIGURES, prices: Mapping[str, Any] | None = None, **derived: pl.DataFrame
    ) -> Week:
        """A Week of these tables, calculated as of `as_of` and a week before as far as capacity goes."""
        tables = self.tables()
        frame, layers = self.capacity(0, 1, assumed=assumed)
        tables |= {"capacity": frame, "capacity_layer": layers, **derived}
        settings = Round(name="Invented", prices=dict(prices or {}))
        return Week(Path("round"), settings, assumed, self.as_of, self.as_of, tables)
