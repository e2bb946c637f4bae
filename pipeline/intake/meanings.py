"""What a typed cell means, kept once. A reading is then a row of a sheet, the number of a meaning, and what is doubted.

Kits have few steps, so a million readings have a few hundred meanings: this keeps them small in memory and on disk.
"""

from __future__ import annotations

from threading import Lock

import numpy as np
import polars as pl

from pipeline.intake.ladders import Taken
from schemas import Tables, conform, empty
from schemas.words import CANON, DOUBTS

MEANING = {
    "meaning": pl.UInt32,
    "parameter": pl.String,
    "unit": pl.String,
    "text": pl.String,
    "kit": pl.String,
    "low": pl.Float64,
    "high": pl.Float64,
    "matched": pl.Float64,
    "outcome": pl.String,
}
READING_CELL = {
    "row": pl.UInt32,
    "meaning": pl.UInt32,
    "warned": pl.Boolean,
    "doubt": pl.UInt8,  # a place in DOUBTS
    "expired": pl.Boolean,
}


class Meanings:
    """The book of meanings of one check."""

    def __init__(self) -> None:
        self._numbers: dict[tuple[str, str, str, str | None], int] = {}
        self._rows: list[tuple[object, ...]] = []
        self._kits: dict[str, int] = {}
        self._one_at_a_time = Lock()

    def number(self, parameter: str, text: str, header_unit: str, kit: str | None, taken: Taken) -> int:
        """The number of what `text` means in a column of a parameter and unit, read with a kit (None: no kit of ours)."""
        key = (parameter, text, header_unit, kit)
        with self._one_at_a_time:
            number = self._numbers.setdefault(key, len(self._rows))
            if number == len(self._rows):
                unit = header_unit or CANON[parameter]
                self._rows.append(
                    (number, parameter, unit, text, kit, taken.low, taken.high, taken.matched, taken.cell.outcome)
                )
        return number

    def kit_number(self, kit: str) -> int:
        """A number that stands for the kit as it was typed."""
        with self._one_at_a_time:
            return self._kits.setdefault(kit, len(self._kits))

    def kits(self) -> dict[int, str]:
        """Every kit as it was typed, by its number."""
        with self._one_at_a_time:
            return {number: kit for kit, number in self._kits.items()}

    def texts(self) -> pl.Series:
        """What was typed, by the number of its meaning."""
        with self._one_at_a_time:
            return pl.Series("text", [row[3] for row in self._rows], pl.String)

    def frame(self) -> pl.DataFrame:
        return pl.DataFrame(self._rows, schema=MEANING, orient="row")


def narrowed(part: pl.DataFrame, spoken_of: np.ndarray) -> pl.DataFrame:
    """Readings of one parameter as reading cells; those in the rows `spoken_of` are warned."""
    warned = part["warned"]
    if spoken_of.size:
        said = np.zeros(int(part["row"].to_numpy().max(initial=0)) + 1, dtype=bool)
        said[spoken_of[spoken_of < said.size]] = True
        warned = warned | pl.Series(said[part["row"].to_numpy()])
    doubt = (
        part["doubt"] if "doubt" in part.columns else pl.Series([None], dtype=pl.UInt8).new_from_index(0, part.height)
    )
    return pl.DataFrame([part["row"], part["meaning"], warned.alias("warned"), doubt.alias("doubt"), part["expired"]])


def widened(visit: pl.DataFrame, cells: pl.DataFrame, meaning: pl.DataFrame) -> pl.DataFrame:
    """Reading cells as the table `reading`, in order of file, line and parameter."""
    if cells.height == 0:
        return empty("reading")
    visit = visit.sort("row")
    place = np.searchsorted(visit["row"].to_numpy(), cells["row"].to_numpy())
    told = visit.select("file", "line", "tank", "day", "at", "taken")[place]
    means = meaning.drop("meaning")[cells["meaning"]]
    wide = pl.concat([told, means, cells.select("warned", "doubt", "expired")], how="horizontal").with_columns(
        pl.when("warned").then(pl.lit("warned")).otherwise("outcome").alias("outcome"),
        pl.col("doubt").replace_strict(dict(enumerate(DOUBTS)), return_dtype=pl.String),
    )
    return conform("reading", wide.sort("file", "line", "parameter"))


def with_readings(tables: Tables) -> Tables:
    """The checked tables with `reading` in full instead of its parts."""
    parts = {"visit_row", "reading_cell", "meaning", "sheet_row"}
    reading = widened(tables["visit_row"], tables["reading_cell"], tables["meaning"])
    visit = conform("visit", tables["visit_row"].sort("file", "line")) if tables["visit_row"].height else empty("visit")
    return {**{name: frame for name, frame in tables.items() if name not in parts}, "visit": visit, "reading": reading}
