"""Columns of text to columns of values: each distinct text is read once, then joined back to its rows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.figures import Figures
from pipeline.intake import amounts
from pipeline.intake.dates import evidence, read_date
from pipeline.intake.grammar import Cell, read_word
from pipeline.intake.sheets import ISSUE, unit_column
from pipeline.week import Round
from schemas.columns import Note

CELL = {
    "low": pl.Float64,
    "high": pl.Float64,
    "kind": pl.String,
    "unit": pl.String,
    "word": pl.String,
    "guessed": pl.Boolean,
    "digits": pl.Int64,
    "outcome": pl.String,
    "fault": pl.String,
    "says": pl.String,
    "suggestion": pl.String,
}
Reader = Callable[[str, str], Cell]  # text, unit of the header -> cell


@dataclass(frozen=True)
class Given:
    """What the reading of cells may lean on."""

    round: Round
    figures: Figures
    today: dt.date
    # Water changes that stand in the warehouse, where a load reads only some sheets: services are held against them too.
    kept_changes: pl.DataFrame | None = None


def read_cells(frame: pl.DataFrame, name: str, reader: Reader) -> pl.DataFrame:
    """One row for each row of `frame`, in its order, with the columns of CELL."""
    unit = pl.col(unit_column(name)).fill_null("") if unit_column(name) in frame.columns else pl.lit("")
    keyed = frame.select(pl.col(name).fill_null("").alias("text"), unit.alias("of"))
    distinct = keyed.unique(maintain_order=True)
    cells = [reader(text, of) for text, of in distinct.iter_rows()]
    read = distinct.with_columns(
        pl.Series(
            key, [getattr(cell, key) or None if kind == pl.String else getattr(cell, key) for cell in cells], kind
        )
        for key, kind in CELL.items()
    )
    return keyed.join(read, on=["text", "of"], how="left", maintain_order="left")


def issues_of(frame: pl.DataFrame, cells: pl.DataFrame, name: str | None) -> pl.DataFrame:
    """The rows whose cell was not simply accepted, as issues."""
    told = pl.concat(
        [frame.select("file", "line"), cells.select("text", "outcome", "fault", "says", "suggestion")], how="horizontal"
    )
    return told.filter(pl.col("outcome") != "accepted").select(
        "file",
        "line",
        pl.lit(name, pl.String).alias("column"),
        "text",
        "outcome",
        "fault",
        pl.col("says").fill_null(""),
        "suggestion",
    )


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
    distinct = frame.select("file", pl.col(name).fill_null("").alias("text")).unique(maintain_order=True)
    odd = distinct.filter(pl.col("text").str.contains(r"^\s*\d{1,2}[-/. ]"))
    shown = {file: evidence(part["text"].to_list()) for (file,), part in odd.group_by("file", maintain_order=True)}
    order = pl.col("file").replace_strict(shown, default="", return_dtype=pl.String) if shown else pl.lit("")
    return frame.with_columns(order.alias("shown order"))


def read_dates(
    frame: pl.DataFrame, name: str, given: Given, route_day: pl.Series | None = None
) -> tuple[pl.Series, pl.DataFrame]:
    """Dates of a column, read file by file: what a file's own dates show settles the order of the rest.

    `route_day` is the weekday on which the row's site is visited, where known: a hint in the held sentence.
    """
    if "shown order" not in frame.columns:
        frame = shown_orders(frame, name)
    keyed = frame.select("file", "line", pl.col(name).fill_null("").alias("text"), "shown order")
    distinct = keyed.select("file", "text", "shown order").unique(maintain_order=True)
    order = given.round.date_order
    read = [read_date(text, order, shown) for _, text, shown in distinct.iter_rows()]
    first_year = int(given.figures["first_year"])
    days: list[dt.date | None] = []
    table: dict[str, list[str | None]] = {key: [] for key in ("outcome", "fault", "says", "suggestion")}
    for text, one in zip(distinct["text"], read, strict=True):
        day, cell = one.day, one.cell
        if day is not None and day.year < first_year:
            says = f"“{text}” is before {first_year}; expected a date of this round."
            day, cell = None, Cell("held", fault="long ago", says=says)
        days.append(day)
        for key, values in table.items():
            values.append(getattr(cell, key) or None)
    joined = keyed.join(
        distinct.drop("shown order").with_columns(
            pl.Series("day", days, pl.Date),
            *(pl.Series(key, values, pl.String) for key, values in table.items()),
        ),
        on=["file", "text"],
        how="left",
        maintain_order="left",
    )
    if route_day is not None:
        hint = pl.format("{} This site's route day is {}.", pl.col("says"), pl.col("route"))
        joined = joined.with_columns(route_day.alias("route")).with_columns(
            pl.when((pl.col("fault") == "ambiguous date") & pl.col("route").is_not_null())
            .then(hint)
            .otherwise(pl.col("says"))
            .alias("says")
        )
    return joined["day"], issues_of(frame, joined, name)


def reader_of(note: Note, given: Given) -> Reader:
    """The reader of a plain column by its kind; dates, readings and changes have their own ways."""
    gallon = given.round.gallon

    def word(text: str, _: str) -> Cell:
        return read_word(text, note.words, note.title.lower())

    def number(text: str, of: str) -> Cell:
        return amounts.read_number(text, note.unit, of, given.figures, gallon)

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
