"""Visit sheets to visits, readings and water changes, some sites at a time: memory stays bounded however many rows.

No check looks from one site to another, so a batch is whole in itself.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field

import polars as pl

from pipeline.intake import beside, patterns
from pipeline.intake.changes import read_changes, top_ups
from pipeline.intake.columns import Given, shown_orders
from pipeline.intake.jobs import with_large_changes
from pipeline.intake.ladders import KitRow
from pipeline.intake.meanings import READING_CELL, Meanings
from pipeline.intake.names import Resolver
from pipeline.intake.rhythm import gaps
from pipeline.intake.settle import RETEST, exact_repeats, two_kinds, two_sights, two_values
from pipeline.intake.sheets import Sheets
from pipeline.intake.visits import (
    kits_of,
    locate,
    long_to_wide,
    people_and_fish,
    read_readings,
    taken_as,
    tanks_meant,
)
from schemas import Tables, conform, empty
from schemas.words import PARAMETERS

KEY = ["file", "line"]
BATCH_ROWS = 130_000
AT_ONCE = 2  # batches under way together: polars lets go of the interpreter while it works
PLACE = {"file": pl.String, "line": pl.Int64, "tank": pl.String, "day": pl.Date}


@dataclass
class Told:
    """What is gathered on the way: issues, rows held whole, rows that repeat, and where each row belongs."""

    issues: list[pl.DataFrame] = field(default_factory=list)
    whole: list[pl.DataFrame] = field(default_factory=list)
    again: list[pl.DataFrame] = field(default_factory=list)
    places: list[pl.DataFrame] = field(default_factory=list)

    def take(self, other: Told) -> None:
        """Take in what another has gathered."""
        self.issues += other.issues
        self.whole += other.whole
        self.again += other.again
        self.places += other.places

    def whole_where(self, issues: pl.DataFrame, columns: list[str]) -> pl.DataFrame:
        """Take in issues; the rows that wait for a cell of `columns` are held whole. Returns those rows."""
        self.issues.append(issues)
        stuck = issues.filter((pl.col("outcome") == "held") & pl.col("column").is_in(columns)).select(KEY).unique()
        self.whole.append(stuck)
        return stuck


class _Reader:
    """What every batch is read with."""

    def __init__(self, given: Given, standing: Tables) -> None:
        self.given, self.standing = given, standing
        self.resolver = Resolver(standing["alias"], standing["site"], standing["tank"])
        self.kits: dict[tuple[str, str], KitRow] = kits_of(standing, given.figures)
        supplies = [*standing["site"]["water_supply"], *standing["tap"]["water_supply"]]
        self.supplies = {supply for supply in supplies if supply is not None}
        self.meanings = Meanings()

    def family(
        self, name: str, frame: pl.DataFrame, told: Told
    ) -> tuple[pl.DataFrame, list[pl.DataFrame], pl.DataFrame]:
        """One batch of wide or long sheets: visits, readings by parameter, changes."""
        placed, unplaced = locate(frame, self.given, self.standing)
        told.whole_where(unplaced, ["date", "tank"])
        again = exact_repeats(placed, name)
        told.again.append(again)
        told.places.append(placed.select(*KEY, pl.col("tank_id").alias("tank"), "day"))
        placed = placed.join(again, on=KEY, how="anti", maintain_order="left").with_row_index("row")
        placed, taken = taken_as(placed)
        placed, others = people_and_fish(placed, self.kits)
        told.issues += [taken, others]
        readings, changes = [], pl.DataFrame()
        if name == "visit":
            placed, swapped = beside.swapped_by_limits(placed, self.given)
            told.issues.append(swapped)
            columns = [(parameter, parameter, placed) for parameter in PARAMETERS]
            changes, bad = read_changes(placed, self.given, self.standing, self.supplies)
            told.issues.append(bad)
        else:
            unit = pl.col("unit") if "unit" in placed.columns else pl.lit("")
            by_name = placed.with_columns(unit.alias("unit of value")).group_by("named", maintain_order=True)
            columns = [(str(parameter), "value", part) for (parameter,), part in by_name]
        for parameter, column, part in columns:
            got, bad = read_readings(part, parameter, column, self.kits, self.given, self.meanings)
            readings.append(got)
            told.issues.append(bad)
        visit = placed.select(
            "row",
            *KEY,
            pl.col("tank_id").alias("tank"),
            "day",
            "at",
            pl.col("taken_as").alias("taken"),
            "kit",
            pl.col("fish").alias("fish_seen"),
            pl.col("look").alias("fish_look"),
            "by",
            "note",
            "date",
        )
        return visit, [part for part in readings if part.height], changes

    def batch(self, frames: Tables) -> tuple[Tables, Told]:
        """One batch whole: read, settled, looked at; readings as cells, rows counted from 0."""
        told = Told()
        visits: list[pl.DataFrame] = []
        readings: list[pl.DataFrame] = []
        changes = pl.DataFrame()
        many = 0
        for name, frame in frames.items():
            visit, got, changed = self.family(name, frame, told)
            visits.append(visit.with_columns(pl.col("row") + many))
            readings += [part.with_columns(pl.col("row") + many) for part in got]
            many += visit.height
            changes = changed if name == "visit" else changes
        visit = pl.concat(visits, how="diagonal_relaxed")
        reading = pl.concat(readings, how="diagonal_relaxed") if readings else pl.DataFrame()
        visit, sights = two_sights(visit)
        told.issues.append(sights)
        reading, change = _settled(visit, reading, changes, told)
        told.issues += [gaps(visit, self.given), top_ups(change, self.given)]
        told.issues.append(with_large_changes(self.standing["service"], change, self.given.figures))
        cells = pl.DataFrame(schema=READING_CELL)
        if reading.height:
            cells, spoken = patterns.look(reading, visit, change, self.standing, self.given)
            told.issues.append(spoken)
        return {"visit_row": visit, "reading_cell": cells, "water_change": change}, told


def _settled(
    visit: pl.DataFrame, reading: pl.DataFrame, change: pl.DataFrame, told: Told
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Two values for the same thing are held, on both sides; equal ones count once."""
    if reading.height:
        reading = reading.rename({"tank_id": "tank", "taken_as": "taken"})
        # Only rows of the same tank, day and stage can clash: most folders have none.
        shared = visit.filter(pl.len().over("tank", "day", "taken") > 1).select(
            "row", pl.col("note").fill_null("").str.contains(RETEST).alias("retest")
        )
        if shared.height:
            several, clash = two_values(
                reading.join(shared, on="row", how="inner", maintain_order="left"),
                ["tank", "day", "taken", "parameter", "retest"],
                ["low", "high"],
                pl.col("cell"),
                ask=True,
            )
            told.issues.append(clash)
            reading = pl.concat([reading.join(shared, on="row", how="anti"), several.drop("retest")])
    if change.height:
        change, clash = two_kinds(change)
        told.issues.append(clash)
        change, clash = two_values(
            change, ["tank", "day", "kind"], ["fraction", "litres"], pl.lit("water_changed"), ask=False
        )
        told.issues.append(clash)
    return reading, change


def _batches(frames: Tables, standing: Tables) -> Iterator[Tables]:
    """The frames cut by the sites of their tanks; one piece where they are small."""
    if sum(frame.height for frame in frames.values()) <= BATCH_ROWS * 1.5:
        yield frames
        return
    site_of = standing["tank"].select(pl.col("tank").alias("id"), pl.col("site").alias("of_site"))
    placed = {name: frame.select("id").join(site_of, on="id", how="left", maintain_order="left")["of_site"]
              for name, frame in frames.items()}  # fmt: skip
    sizes = pl.concat(placed.values()).fill_null("").value_counts(name="rows").sort("of_site")
    numbered = sizes.select("of_site", ((pl.col("rows").cum_sum() - 1) // BATCH_ROWS).alias("batch"))
    lookup = dict(numbered.iter_rows())
    batch_of = {
        name: series.fill_null("").replace_strict(lookup, return_dtype=pl.Int64) for name, series in placed.items()
    }
    for number in sorted(set(lookup.values())):
        yield {name: frame.filter(batch_of[name] == number) for name, frame in frames.items()}


def _one_after_another(reader: _Reader, frames: Tables) -> Iterator[tuple[Tables, Told]]:
    """Every batch's tables and what was told, in order; AT_ONCE of them are under way."""
    if not frames:
        return
    with ThreadPoolExecutor(AT_ONCE) as pool:
        waiting: deque[Future[tuple[Tables, Told]]] = deque()
        for batch in _batches(frames, reader.standing):
            waiting.append(pool.submit(reader.batch, batch))
            if len(waiting) > AT_ONCE:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def read_visits(sheets: Sheets, given: Given, standing: Tables, told: Told) -> Tables:
    """Visit sheets to visit_row, reading_cell, meaning, water_change and the places of their rows."""
    reader = _Reader(given, standing)
    frames: Tables = {}
    for name in ("visit", "visit_long"):
        frame = sheets.frames.get(name)
        if frame is None or frame.height == 0:
            continue
        if name == "visit_long":
            frame, bad = long_to_wide(frame)
            stuck = told.whole_where(bad, ["parameter"])
            frame = frame.join(stuck, on=KEY, how="anti", maintain_order="left")
            frame = frame.with_columns(
                pl.lit("").alias(c) for c in ("water_changed", "change_kind", "new_water", "fish_seen", "fish_look")
            )
        frame, unnamed = tanks_meant(frame, reader.resolver)
        told.whole_where(unnamed, ["tank"])
        frames[name] = frame if "shown order" in frame.columns else shown_orders(frame, "date")
    if given.kept_changes is not None:
        told.issues.append(with_large_changes(standing["service"], given.kept_changes, given.figures))
    parts: list[Tables] = []
    places = [pl.DataFrame(schema=PLACE)]
    first = 0
    for found, spoken in _one_after_another(reader, frames):
        told.take(spoken)
        places += spoken.places
        visit, cells = found["visit_row"], found["reading_cell"]
        parts.append(
            {
                "visit_row": visit.with_columns(pl.col("row") + first),
                "reading_cell": cells.with_columns(pl.col("row") + first),
                "water_change": found["water_change"],
            }
        )
        first += visit.height
    tables: Tables = {
        "visit_row": pl.concat([p["visit_row"] for p in parts], how="diagonal_relaxed") if parts else pl.DataFrame(),
        "reading_cell": pl.concat([p["reading_cell"] for p in parts]) if parts else pl.DataFrame(schema=READING_CELL),
        "meaning": reader.meanings.frame(),
        "sheet_row": pl.concat(places),
    }
    changes = [p["water_change"] for p in parts if p["water_change"].height]
    tables["water_change"] = conform("water_change", pl.concat(changes).sort(KEY)) if changes else empty("water_change")
    return tables
