"""Columns of text to columns of values, and what is said of their rows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.intake import amounts
from pipeline.intake.coded import TOLD, Cells, Reader, coded, crossed
from pipeline.intake.dates import evidence, read_date
from pipeline.intake.grammar import Cell, read_word
from pipeline.intake.sheets import ISSUE
from pipeline.week import Round
from schemas.columns import Note


@dataclass(frozen=True)
class Given:
    """What the reading of cells may lean on."""

    round: Round
    assumed: Assumptions
    today: dt.date
    # Water changes that stand in the warehouse, where a load reads only some sheets: services are held against them too.
    kept_changes: pl.DataFrame | None = None


def issue_rows(
    frame: pl.DataFrame,
    where: pl.Expr,
    *,
    column: str | None,
    text: pl.Expr,
    outcome: str,
    fault: str,
    says: pl.Expr,
    suggestion: pl.Expr | None = None,
) -> pl.DataFrame:
    """Issues for the rows of `frame` where a test holds."""
    # One chunk: polars 2.1 panics in pl.format where the chunks of its columns do not lie side by side.
    return (
        frame.filter(where)
        .rechunk()
        .select(
            "file",
            "line",
            pl.lit(column, pl.String).alias("column"),
            text.cast(pl.String).fill_null("").alias("text"),
            pl.lit(outcome).alias("outcome"),
            pl.lit(fault).alias("fault"),
            says.alias("says"),
            (pl.lit(None, pl.String) if suggestion is None else suggestion.cast(pl.String)).alias("suggestion"),
        )
    )


def join_issues(parts: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Issues from several checks in one frame."""
    good = [part.select(list(ISSUE)) for part in parts if part.height]
    return pl.concat(good) if good else pl.DataFrame(schema=ISSUE)


def shown_orders(frame: pl.DataFrame, name: str) -> pl.DataFrame:
    """The frame with `shown order`: the order of day and month that its file's own dates show, or blank."""
    texts = coded(frame[name].alias("text"))
    odd = texts.values.select(pl.col("text").str.contains(r"^\s*\d{1,2}[-/. ]")).to_series().to_numpy()
    if not odd.any():
        return frame.with_columns(pl.lit("").alias("shown order"))
    rows = frame.filter(pl.Series(odd[texts.codes])).select("file", pl.col(name).fill_null("").alias("text"))
    shown = {
        file: evidence(part["text"].to_list())
        for (file,), part in rows.unique(maintain_order=True).group_by("file", maintain_order=True)
    }
    order = pl.col("file").replace_strict(shown, default="", return_dtype=pl.String)
    return frame.with_columns(order.alias("shown order"))


def read_dates(
    frame: pl.DataFrame, name: str, given: Given, route_day: pl.Series | None = None
) -> tuple[pl.Series, pl.DataFrame]:
    """Dates of a column, read file by file: what a file's own dates show settles the order of the rest.

    `route_day` is the weekday on which the row's site is visited, where known: a hint in the held sentence.
    """
    if "shown order" not in frame.columns:
        frame = shown_orders(frame, name)
    texts = crossed([coded(frame[name].alias("text")), coded(frame["shown order"].alias("shown"))])
    order = given.round.date_order
    first_year = int(given.assumed["first_year"])
    days: list[dt.date | None] = []
    table: dict[str, list[str | None]] = {key: [] for key in TOLD}
    for text, shown in texts.values.iter_rows():
        one = read_date(text, order, shown)
        day, cell = one.day, one.cell
        if day is not None and day.year < first_year:
            says = f"“{text}” is before {first_year}; expected a date of this round."
            day, cell = None, Cell("held", fault="long ago", says=says)
        days.append(day)
        for key, values in table.items():
            values.append(getattr(cell, key) or None)
    read = texts.values.with_columns(
        pl.Series("day", days, pl.Date), *(pl.Series(key, values, pl.String) for key, values in table.items())
    )
    cells = Cells(texts.codes, read)
    issues = cells.issues(frame, name)
    if route_day is not None and issues.height:
        route = route_day[cells.where(pl.col("outcome") != "accepted")]
        hint = pl.format("{} This site's route day is {}.", pl.col("says"), pl.col("route"))
        asked = (pl.col("fault") == "ambiguous date") & pl.col("route").is_not_null()
        issues = (
            issues.with_columns(route.alias("route"))
            .rechunk()
            .with_columns(pl.when(asked).then(hint).otherwise(pl.col("says")).alias("says"))
            .drop("route")
        )
    return cells["day"].alias("day"), issues


def reader_of(note: Note, given: Given) -> Reader:
    """The reader of a plain column by its kind; dates, readings and changes have their own ways."""
    gallon = given.round.gallon

    def word(text: str, _: str) -> Cell:
        return read_word(text, note.words, note.title.lower())

    def number(text: str, of: str) -> Cell:
        return amounts.read_number(text, note.unit, of, given.assumed, gallon)

    def share(text: str, of: str) -> Cell:
        return amounts.read_share(text, of)

    def count(text: str, _: str) -> Cell:
        return amounts.read_count(text)

    def steps(text: str, _: str) -> Cell:
        return amounts.read_steps(text)[1]

    def plain(text: str, _: str) -> Cell:
        return Cell(word=text)

    readers: dict[str, Reader] = {"word": word, "number": number, "share": share, "count": count, "steps": steps}
    return readers.get(note.kind, plain)
