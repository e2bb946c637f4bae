"""Visit sheets to visits, readings and water changes, some sites at a time: memory stays bounded however many rows.

No check looks from one site to another, so a batch is whole in itself.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from pipeline.intake import beside, patterns
from pipeline.intake.changes import read_changes, top_ups
from pipeline.intake.coded import coded
from pipeline.intake.columns import Given, shown_orders
from pipeline.intake.jobs import with_large_changes
from pipeline.intake.ladders import KitRow
from pipeline.intake.meanings import READING_CELL, Meanings
from pipeline.intake.names import Resolver
from pipeline.intake.readings import Batch, Column, Parts, kits_of, read_readings
from pipeline.intake.rhythm import gaps
from pipeline.intake.settle import RETEST, exact_repeats, two_kinds, two_sights, two_values
from pipeline.intake.sheets import Sheets, unit_column
from pipeline.intake.visits import Rows, locate, long_to_wide, people_and_fish, taken_as, tanks_meant
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


@dataclass(frozen=True)
class Some:
    """Some rows of a frame, by their places."""

    frame: pl.DataFrame
    places: np.ndarray


class _Reader:
    """What every batch is read with."""

    def __init__(self, given: Given, standing: Tables) -> None:
        self.given, self.standing = given, standing
        self.resolver = Resolver(standing["alias"], standing["site"], standing["tank"])
        self.kits: dict[tuple[str, str], KitRow] = kits_of(standing, given.assumed)
        supplies = [*standing["site"]["water_supply"], *standing["tap"]["water_supply"]]
        self.supplies = {supply for supply in supplies if supply is not None}
        self.meanings = Meanings()

    def family(self, name: str, some: Some, told: Told) -> tuple[pl.DataFrame, Parts, pl.DataFrame]:
        """One batch of wide or long sheets: visits, readings by parameter, changes; in order of tank and time."""
        placed, unplaced = locate(some.frame, some.places, self.given, self.standing)
        told.whole_where(unplaced, ["date", "tank"])
        told.places.append(placed.select(*KEY, pl.col("tank_id").alias("tank"), "day"))
        rows = Rows.of(placed)
        again = exact_repeats(placed, rows, name)
        told.again.append(placed[again].select(KEY))
        if again.size:
            placed = placed[np.setdiff1d(np.arange(placed.height), again)]
            rows = Rows.of(placed)
        placed = placed.with_row_index("row")
        placed, taken = taken_as(placed, rows)
        placed, others = people_and_fish(placed, self.kits)
        told.issues += [taken, others]
        changes = pl.DataFrame()
        if name == "visit":
            placed, swapped = beside.swapped_by_limits(placed, self.given)
            told.issues.append(swapped)
            columns = [Column(parameter, parameter) for parameter in PARAMETERS]
            changes, bad = read_changes(placed, self.given, self.standing, self.supplies)
            told.issues.append(bad)
        else:
            placed = placed.with_columns(
                (pl.col("unit") if "unit" in placed.columns else pl.lit("")).alias(unit_column("value"))
            )
            named = placed["named"].to_numpy()
            columns = [
                Column(str(parameter), "value", np.flatnonzero(named == parameter))
                for parameter in placed["named"].drop_nulls().unique(maintain_order=True)
            ]
        kit_used = coded(placed["kit"])
        readings: Parts = {}
        for column in columns:
            part, bad = read_readings(placed, column, self.kits, self.given.assumed, self.meanings, kit_used)
            told.issues.append(bad)
            if part.height:
                readings[column.parameter] = part
        visit = placed.select(
            "row",
            *KEY,
            pl.col("tank_id").alias("tank"),
            "tank no",
            "day",
            "at",
            pl.col("taken_as").alias("taken"),
            "kit",
            pl.col("fish").alias("fish_seen"),
            pl.col("look").alias("fish_look"),
            "by",
            "note",
            "date",
            pl.lit(name == "visit_long").alias("long"),
        )
        return visit, readings, changes

    def batch(self, frames: Mapping[str, Some]) -> tuple[Tables, Told]:
        """One batch whole: read, settled, looked at; readings as cells, rows counted from 0."""
        told = Told()
        families = [self.family(name, some, told) for name, some in frames.items()]
        visit, parts, change = families[0] if len(families) == 1 else _beside_each_other(families)
        rows = Rows.of(visit)
        visit, sights = two_sights(visit)
        told.issues.append(sights)
        batch = Batch(visit, rows, self.meanings.texts(), self.meanings.kits())
        parts, change = _settled(batch, parts, change, told)
        told.issues += [gaps(visit, rows, self.given), top_ups(change, self.given)]
        told.issues.append(with_large_changes(self.standing["service"], change, self.given.assumed))
        cells = pl.DataFrame(schema=READING_CELL)
        if parts:
            cells, spoken = patterns.look(batch, parts, change, self.standing, self.given)
            told.issues.append(spoken)
        return {"visit_row": visit.drop("long", "tank no"), "reading_cell": cells, "water_change": change}, told


def _beside_each_other(
    families: Sequence[tuple[pl.DataFrame, Parts, pl.DataFrame]],
) -> tuple[pl.DataFrame, Parts, pl.DataFrame]:
    """Wide and long sheets as one, in order of tank and time; their rows counted anew."""
    many = np.cumsum([0, *(visit.height for visit, _, _ in families)])
    whole = pl.concat(
        [visit.with_columns(pl.col("row") + int(first)) for (visit, _, _), first in zip(families, many, strict=False)],
        how="diagonal_relaxed",
    ).sort("tank no", "at", "row")
    now = np.empty(whole.height, dtype=np.uint32)  # by the row of before
    now[whole["row"].to_numpy()] = np.arange(whole.height, dtype=np.uint32)

    def moved(frame: pl.DataFrame, first: int) -> pl.DataFrame:
        return frame.with_columns(pl.Series("row", now[frame["row"].to_numpy() + first]))

    parts: dict[str, list[pl.DataFrame]] = {}
    changes = []
    for (_, readings, change), first in zip(families, many, strict=False):
        for name, part in readings.items():
            parts.setdefault(name, []).append(moved(part, int(first)))
        if change.height:
            changes.append(moved(change, int(first)))
    joined = {name: pl.concat(some).sort("row") for name, some in parts.items()}
    visit = whole.with_columns(pl.Series("row", np.arange(whole.height, dtype=np.uint32)))
    return visit, joined, pl.concat(changes).sort("row") if changes else pl.DataFrame()


def _settled(batch: Batch, parts: Parts, change: pl.DataFrame, told: Told) -> tuple[Parts, pl.DataFrame]:
    """Two values for the same thing are held, on both sides; equal ones count once."""
    # Only rows of the same tank, day and stage can clash: most folders have none.
    same_day = batch.rows.several(batch.rows.of_day)
    shared = batch.visit.filter(pl.Series(same_day)).filter(pl.len().over("tank", "day", "taken") > 1)
    if shared.height and parts:
        retest = shared.select("row", pl.col("note").fill_null("").str.contains(RETEST).alias("retest"))
        rows = retest["row"].implode()
        words = [
            batch.worded(part.filter(pl.col("row").is_in(rows)), name).with_columns(
                pl.col("tank id").alias("tank"),
                pl.col("kit").replace_strict(batch.kits, default=None, return_dtype=pl.String),
                pl.when("warned").then(pl.lit("warned")).otherwise(pl.lit("accepted")).alias("outcome"),
            )
            for name, part in parts.items()
        ]
        several, clash = two_values(
            # Of equal ones the first in the sheets counts, not the first of the day.
            pl.concat(words).sort("long", *KEY).join(retest, on="row", how="inner", maintain_order="left"),
            ["tank", "day", "taken", "parameter", "retest"],
            ["low", "high"],
            pl.col("cell"),
            ask=True,
        )
        told.issues.append(clash)
        parts = {name: _kept(part, name, several, rows) for name, part in parts.items()}
    if change.height:
        with_others = pl.Series(same_day[change["row"].to_numpy()])
        alone = change.filter(~with_others).drop("kind_text")
        some, clash = two_kinds(change.filter(with_others).sort(KEY))
        told.issues.append(clash)
        some, clash = two_values(
            some, ["tank", "day", "kind"], ["fraction", "litres"], pl.lit("water_changed"), ask=False
        )
        told.issues.append(clash)
        change = pl.concat([alone, some.select(alone.columns)]).sort("row") if some.height else alone
    return {name: part for name, part in parts.items() if part.height}, change


def _kept(part: pl.DataFrame, name: str, several: pl.DataFrame, rows: pl.Series) -> pl.DataFrame:
    """A part without those of its shared `rows` that are no longer among `several`; and what is asked about of them."""
    mine = several.filter(pl.col("parameter") == name)
    asked = mine.filter(pl.col("outcome") == "warned")["row"]
    left = part.filter(~pl.col("row").is_in(rows) | pl.col("row").is_in(mine["row"].implode()))
    return left.with_columns(pl.col("warned") | pl.col("row").is_in(asked.implode()))


def _batches(frames: Tables, standing: Tables) -> Iterator[dict[str, Some]]:
    """The frames cut by the sites of their tanks; one piece where they are small."""
    if sum(frame.height for frame in frames.values()) <= BATCH_ROWS * 1.5:
        yield {name: Some(frame, np.arange(frame.height)) for name, frame in frames.items()}
        return
    site = standing["tank"]["site"].fill_null("").rank("dense").to_numpy().astype(np.int64)
    site_of = np.append(site, 0)  # tanks of no row of ours are of site 0, which is none
    placed = {name: site_of[frame["tank no"].fill_null(site.size).to_numpy()] for name, frame in frames.items()}
    sizes = np.bincount(np.concatenate(list(placed.values())), minlength=site.size + 1)
    batch = (np.maximum(np.cumsum(sizes), 1) - 1) // BATCH_ROWS
    for number in np.unique(batch[sizes > 0]):
        yield {name: Some(frame, np.flatnonzero(batch[placed[name]] == number)) for name, frame in frames.items()}


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
        frame, unnamed = tanks_meant(frame, reader.resolver, standing["tank"])
        told.whole_where(unnamed, ["tank"])
        frames[name] = frame if "shown order" in frame.columns else shown_orders(frame, "date")
    if given.kept_changes is not None:
        told.issues.append(with_large_changes(standing["service"], given.kept_changes, given.assumed))
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
