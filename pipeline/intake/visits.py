"""Visit sheets, wide and long: which tank and day each row is of, how its readings were taken, and its other cells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.intake import amounts
from pipeline.intake.coded import TOLD, Cells, coded, crossed, read_cells
from pipeline.intake.columns import Given, issue_rows, join_issues, read_dates
from pipeline.intake.dates import read_time
from pipeline.intake.grammar import Cell, read_word
from pipeline.intake.ladders import KitRow
from pipeline.intake.names import Resolver, fold_name
from pipeline.intake.sheets import no_issues
from schemas import Tables
from schemas.words import FISH_LOOK, PARAMETERS, TAKEN

KEY = ["file", "line"]
NO_CHANGE = ("", "-", "none", "no", "0")
FIRST_DAY = np.datetime64("1970-01-01", "D")
DAY_S = 86_400


def tanks_meant(frame: pl.DataFrame, resolver: Resolver, tanks: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The frame with `id`, the tank meant, and `tank no`, its place in `tanks`; and the issues of its tank cells."""
    named = crossed([coded(frame["tank"]), coded(frame["site"])])
    found = [
        resolver.find(tank, site)
        if tank
        else (None, "held", "key missing", "The row names no tank; expected one. The row waits for it.", "")
        for tank, site in named.values.iter_rows()
    ]
    names = ("id", *TOLD)
    told = named.values.select(pl.col("tank").alias("text")).with_columns(
        pl.Series(name, [entry[i] or None for entry in found], pl.String) for i, name in enumerate(names)
    )
    place = tanks.select(pl.col("tank").alias("id")).with_row_index("tank no").unique("id", keep="first")
    told = told.join(place, on="id", how="left", maintain_order="left")
    cells = Cells(named.codes, told)
    return frame.with_columns(cells["id"], cells["tank no"]), cells.issues(frame, "tank")


def _days(frame: pl.DataFrame, given: Given, standing: Tables) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The frame with `day`; a day the tank did not run, or to come, holds the row."""
    route = (
        standing["tank"]
        .select("site", "set_up", "closed")
        .join(standing["site"].select("site", "visit_day"), on="site", how="left", maintain_order="left")
    )
    number = frame["tank no"]
    days, issues = read_dates(frame, "date", given, route["visit_day"].gather(number))
    parts = [issues]
    no_day = days.is_null()
    if no_day.any():
        blank = frame.filter(no_day).filter(pl.col("date").is_in(["", "-"]))
        says = pl.lit("The row has no date; expected one such as 2026-06-01. The row waits for it.")
        parts.append(_date_held(blank, "key missing", says))
    tests = [
        (
            days > given.today,
            "future",
            "The day is in the future; expected one up to the day of loading. The row waits.",
        ),
        (
            days < route["set_up"].gather(number),
            "before set up",
            "The day is before the tank was set up; expected a later one. The row waits.",
        ),
        (
            days > route["closed"].gather(number),
            "after closing",
            "The day is after the tank was closed; expected an earlier one. The row waits.",
        ),
    ]
    parts += [
        _date_held(frame.filter(test.fill_null(False)), fault, pl.lit(says))
        for test, fault, says in tests
        if test.any()
    ]
    return frame.with_columns(days.alias("day")), join_issues(parts)


def _date_held(rows: pl.DataFrame, fault: str, says: pl.Expr) -> pl.DataFrame:
    return issue_rows(
        rows, pl.lit(True), column="date", text=pl.col("date"), outcome="held", fault=fault, says=says
    )  # fmt: skip


def _clock(frame: pl.DataFrame) -> tuple[np.ndarray, pl.DataFrame]:
    """The time of day [s], 0 where none is told; and the issues of the time cells."""
    texts = coded(frame["time"].alias("text"))
    times = [read_time(text) for text in texts.values["text"]]
    seconds = [0 if t is None else t.hour * 3600 + t.minute * 60 + t.second for t, _ in times]
    read = texts.values.with_columns(
        pl.Series("seconds", seconds, pl.Int64),
        *(pl.Series(name, [getattr(cell, name) or None for _, cell in times], pl.String) for name in TOLD),
    )
    cells = Cells(texts.codes, read)
    return cells["seconds"].to_numpy(), cells.issues(frame, "time")


def locate(
    frame: pl.DataFrame, places: np.ndarray, given: Given, standing: Tables
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The rows at `places` of `tanks_meant` with their `tank_id`, day and time, in order of tank and time; rows that
    can't be placed are held and left out."""
    narrow = frame.select(*KEY, "id", "tank no", "date", "time", "shown order")
    dated, dates = _days(narrow if places.size == frame.height else narrow[places], given, standing)
    seconds, late = _clock(dated)
    issues = join_issues([dates, late])
    stuck = issues.filter((pl.col("outcome") == "held") & (pl.col("column") == "date")).select(KEY).unique()
    stays = (dated["id"].is_not_null() & dated["day"].is_not_null()).to_numpy()
    if stuck.height:
        held = dated.select(KEY).with_row_index("place").join(stuck, on=KEY, how="semi")["place"].to_numpy()
        stays = stays.copy()
        stays[held] = False
    stay = np.flatnonzero(stays)
    # One number for tank and time: a day is under 2^22 days from 1970, so its second under 2^39.
    second = dated["day"].to_physical().fill_null(0).to_numpy().astype(np.int64) * DAY_S + seconds
    key = (dated["tank no"].fill_null(0).to_numpy().astype(np.int64) << 39) + second
    stay = stay[np.argsort(key[stay], kind="stable")]
    at = pl.Series("at", second[stay] * 1_000_000).cast(pl.Datetime("us"))
    # The one time that whole rows are moved.
    placed = frame[places[stay]].rename({"id": "tank_id"}).with_columns(dated["day"].gather(stay), at)
    return placed, issues


@dataclass(frozen=True)
class Rows:
    """Where the sheet rows of a batch belong, as numbers; they stand in order of tank and time.

    Shapes: one entry a row each. Units: `day` [d since 1970].
    """

    tank: np.ndarray  # its place in the table of tanks
    day: np.ndarray
    of_day: np.ndarray  # number of the tank and day
    of_time: np.ndarray  # number of the tank and time

    @classmethod
    def of(cls, placed: pl.DataFrame) -> Rows:
        tank = placed["tank no"].to_numpy()
        day = placed["day"].to_physical().to_numpy()
        at = placed["at"].to_physical().to_numpy()
        other_tank = np.ones(tank.size, dtype=bool)
        other_tank[1:] = tank[1:] != tank[:-1]
        return cls(tank, day, _numbered(other_tank, day), _numbered(other_tank, at))

    def several(self, number: np.ndarray) -> np.ndarray:
        """Which rows share their number with another."""
        many = np.bincount(number) > 1 if number.size else np.zeros(0, dtype=bool)
        shares: np.ndarray = many[number]
        return shares

    def day_starts(self) -> np.ndarray:
        """The first row of each row's tank and day."""
        starts: np.ndarray = np.searchsorted(self.of_day, self.of_day)
        return starts


def _numbered(other_tank: np.ndarray, values: np.ndarray) -> np.ndarray:
    new = other_tank.copy()
    new[1:] |= values[1:] != values[:-1]
    numbers: np.ndarray = np.cumsum(new) - 1
    return numbers


def taken_as(placed: pl.DataFrame, rows: Rows) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The frame with `taken_as`, and whether it is `after` a change: blank is before on a day with a change, none otherwise; "after" needs a change."""
    cells = read_cells(placed, "taken", lambda text, _: read_word(text, TAKEN, "way of taking"))
    amounts_told = coded(placed["water_changed"].alias("text"))
    is_change = ~amounts_told.values["text"].is_in(list(NO_CHANGE)).to_numpy()
    changed = is_change[amounts_told.codes]
    change_day = np.bincount(rows.of_day, weights=changed) > 0 if changed.size else changed
    frame = pl.DataFrame({"said": cells["word"], "outcome": cells["outcome"], "change_day": change_day[rows.of_day]})
    wrong = frame.select(((pl.col("said") == "after") & ~pl.col("change_day")).fill_null(False)).to_series()
    told = no_issues()
    if wrong.any():
        told = issue_rows(
            placed.filter(wrong),
            pl.lit(True),
            column="taken",
            text=pl.col("taken"),
            outcome="held",
            fault="after without a change",
            says=pl.lit(
                "Taken “after”, but no water change stands on that day; expected the change, or none. Taken as unknown."
            ),
        )
    taken = frame.select(
        pl.when(wrong | (pl.col("outcome") == "held"))
        .then(pl.lit("unknown"))
        .when(pl.col("said").is_not_null())
        .then(pl.col("said"))
        .when(pl.col("change_day"))
        .then(pl.lit("before"))
        .otherwise(pl.lit("none"))
        .alias("taken_as")
    ).to_series()
    return placed.with_columns(taken, (taken == "after").alias("after")), join_issues(
        [cells.issues(placed, "taken"), told]
    )


def people_and_fish(placed: pl.DataFrame, kits: dict[tuple[str, str], KitRow]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Fish seen, how they look, and kits nobody knows."""
    seen = read_cells(placed, "fish_seen", lambda text, _: amounts.read_count(text))
    look = read_cells(placed, "fish_look", lambda text, _: read_word(text, FISH_LOOK, "look of fish"))
    known = {kit for kit, _ in kits}

    def kit(text: str, _: str) -> Cell:
        if not text or fold_name(text) in known:
            return Cell(word=text)
        return Cell(
            "warned",
            word=text,
            fault="kit not known",
            says=f"“{text[:40]}” is no kit of kits.csv: its readings are taken in the usual units. Add it there.",
        )

    kits_used = read_cells(placed, "kit", kit)
    used = pl.col("outcome") != "held"
    frame = placed.with_columns(
        seen.select(pl.when(used).then(pl.col("low"))).alias("fish"),
        look.select(pl.when(used).then(pl.col("word"))).alias("look"),
    )
    told = [seen.issues(placed, "fish_seen"), look.issues(placed, "fish_look"), kits_used.issues(placed, "kit")]
    return frame, join_issues(told)


def long_to_wide(frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """A long sheet with its parameter read, and one column of CANON's names filled a row."""
    cells = read_cells(frame, "parameter", lambda text, _: read_word(text, PARAMETERS, "parameter"))
    named = cells.select(pl.when(pl.col("outcome") != "held").then(pl.col("word")))
    wide = frame.with_columns(named.alias("named"))
    blank = issue_rows(
        frame,
        pl.col("parameter") == "",
        column="parameter",
        text=pl.lit(""),
        outcome="held",
        fault="key missing",
        says=pl.lit("The row names no parameter; expected one. The row waits for it."),
    )
    return wide, join_issues([cells.issues(frame, "parameter"), blank])
