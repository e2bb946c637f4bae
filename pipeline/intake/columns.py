"""Columns of text to columns of values, and what is said of their rows."""

import datetime as dt
import re
import string
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from functools import cached_property
from operator import attrgetter
from typing import Any

import numpy as np
import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.intake import amounts
from pipeline.intake.grammar import Cell, evidence, faults, held, read_date, read_word
from pipeline.units import caco3_per_dh
from pipeline.week import Round
from pipeline.wording import number
from schemas.columns import Note
from schemas.words import PARAMETERS

KEY = ["file", "line"]
CELL = [*KEY, "column"]
DAY_FIRST = re.compile(r"\s*\d{1,2}[-/. ]")
OF_ISSUE = ("column", "text", "outcome", "fault", "says", "suggestion")
ISSUE = {"file": pl.String, "line": pl.Int64, **dict.fromkeys(OF_ISSUE, pl.String)}
NO_ISSUES = pl.DataFrame(schema=ISSUE)
Reader = Callable[[str, str], Cell]  # text, unit of the header (of a date: its file) -> cell
Column = str | pl.Expr | None


@dataclass
class Context:
    """What the reading of cells may use: the round's settings, the assumptions in force, the day of loading."""

    round: Round
    assumed: Assumptions
    today: dt.date

    @cached_property
    def limits(self) -> Mapping[str, float]:
        """What the models of schemas/ are judged by."""
        return {**self.assumed, "caco3_per_degree": caco3_per_dh(self.assumed)}


class _Sentence(string.Formatter):
    """As str.format, with `{x:n}` for a number of three digits, `{x:.4n}` of four; a null is said to be not known."""

    def format_field(self, value: Any, format_spec: str) -> str:
        if value is None:
            return "not known"
        if format_spec.endswith("n"):
            return number(value, int(format_spec[1:-1] or 3))
        return str(super().format_field(value, format_spec))


_SENTENCE = _Sentence()


def sentences(
    rows: pl.DataFrame,
    template: str,
    limits: Mapping[str, float] | None = None,
    shown: Mapping[str, object] | None = None,
) -> pl.Series:
    """A sentence for each row: a template over what is shown, the row's columns, and limits where none has the name."""
    names = dict.fromkeys(name for _, name, _, _ in _SENTENCE.parse(template) if name)
    fixed = {name: limits[name] for name in names if name not in rows.columns} if limits else shown or {}
    own = [name for name in names if name not in fixed]
    if not own:
        return pl.Series("says", [_SENTENCE.vformat(template, (), fixed)], pl.String).new_from_index(0, rows.height)
    keys = rows.select(own).rows()
    filled = {row: _SENTENCE.vformat(template, (), {**fixed, **dict(zip(own, row, strict=True))}) for row in set(keys)}
    return pl.Series("says", [filled[row] for row in keys], pl.String)


def sheet_order(files: pl.Series) -> pl.Expr:
    """One number by which readings stand in order of file, line and parameter: it takes a sixth of sorting by texts."""
    file, parameter = (pl.Enum(sorted(names)) for names in (files.unique(), PARAMETERS))
    place = pl.col("file").cast(file).to_physical().cast(pl.Int64) * 2**40 + pl.col("line") * len(PARAMETERS)
    return place + pl.col("parameter").cast(parameter).to_physical()


def whole_rows(rows: pl.DataFrame, columns: Sequence[str], separator: str = ",") -> list[str]:
    """The cells of each row as one text, as it was typed."""
    return [
        separator.join("" if cell is None else str(cell) for cell in row) for row in rows.select(columns).iter_rows()
    ]


def side_by_side(rows: pl.DataFrame, key: Sequence[str], template: str, joint: str = " and ") -> pl.Series:
    """For each row, a piece of each row that shares its key, joined."""
    keys, by_key = rows.select(key).rows(), {}  # type: ignore[var-annotated]
    for one, piece in zip(keys, sentences(rows, template), strict=True):
        by_key.setdefault(one, []).append(piece)
    return pl.Series("places", [joint.join(by_key[one]) for one in keys], pl.String)


def join_issues(parts: Iterable[pl.DataFrame]) -> pl.DataFrame:
    """Issues from several checks in one frame."""
    return pl.concat([NO_ISSUES, *(part.select(list(ISSUE)) for part in parts if part.height)])


def issue_rows(
    rows: pl.DataFrame,
    column: Column,
    case: str,
    where: pl.Expr | None = None,
    *,
    says: str | None = None,
    outcome: str = "held",
    text: str | None = None,
    suggestion: str | None = None,
    shown: Mapping[str, object] | None = None,
) -> pl.DataFrame:
    """Issues of rows, or of those where a test holds; null is no. What `says` or the case's sentence in faults.toml says
    is filled with what is shown and the rows' columns. `text` and `suggestion` name columns; the text is that of `column`
    where it names one."""
    rows = rows if where is None else rows.filter(where)
    if rows.height == 0:
        return NO_ISSUES
    typed = text or (column if isinstance(column, str) and column in rows.columns else None)
    return rows.select(
        pl.col("file").cast(pl.String),
        "line",
        (column if isinstance(column, pl.Expr) else pl.lit(column)).cast(pl.String).alias("column"),
        (pl.lit("") if typed is None else pl.col(typed).cast(pl.String).fill_null("")).alias("text"),
        pl.lit(outcome).alias("outcome"),
        pl.lit(case.partition(":")[0]).alias("fault"),
        sentences(rows, says or faults()[case], shown=shown),
        (pl.lit(None) if suggestion is None else pl.col(suggestion)).cast(pl.String).alias("suggestion"),
    )


@dataclass
class Collected(Context):
    """What the reading may use, and what is found on the way: issues, rows held whole and rows that repeat (file, line),
    where each row belongs, unknown names, and what may be wrong with readings that are used."""

    issues: list[pl.DataFrame] = field(default_factory=list)
    whole: list[pl.DataFrame] = field(default_factory=list)
    again: list[pl.DataFrame] = field(default_factory=list)
    places: list[pl.DataFrame] = field(default_factory=list)
    unknown: list[pl.DataFrame] = field(default_factory=list)
    doubts: list[pl.DataFrame] = field(default_factory=list)

    def say(
        self, rows: pl.DataFrame, column: Column, case: str, *where: pl.Expr, whole: bool = False, **more: Any
    ) -> None:
        """Issues of rows, as `issue_rows` makes them; `whole` holds the rows as well."""
        self.issues.append(issue := issue_rows(rows, column, case, *where, **more))
        if whole:
            self.whole.append(issue.select(KEY))

    def not_held(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Rows without those that are held whole by now."""
        held = pl.concat(self.whole)
        return rows.join(held, on=KEY, how="anti", maintain_order="left") if held.height else rows

    def without_repeats(self, rows: pl.DataFrame, columns: Sequence[str]) -> pl.DataFrame:
        """Rows without those that say exactly what an earlier one says: these repeat."""
        first = rows.select(pl.struct(pl.col(columns).fill_null("").str.to_lowercase()).is_first_distinct()).to_series()
        self.again.append(rows.filter(~first).select(KEY))
        return rows.filter(first)


def unit_column(name: str) -> str:
    """The column that holds the header's unit of `name`."""
    return f"unit of {name}"


def count_of(cell: Cell) -> int | None:
    return None if cell.low is None else round(cell.low)


@dataclass(frozen=True)
class Cells:
    """A column read: each distinct text once, of which `at` says the one that stands in each row of `frame`."""

    frame: pl.DataFrame
    name: str
    texts: Sequence[str]
    read: Sequence[Cell]
    at: np.ndarray

    def values(self, of: str | Callable[[Cell], object], kind: Any = pl.String) -> pl.Series:
        """What each row's cell has, by its name or a function; a blank word is null, and so is all of a held cell."""
        of = attrgetter(of) if isinstance(of, str) else of
        return pl.Series(self.name, [value if (value := of(c)) != "" else None for c in self.read], kind)[self.at]

    def issues(self) -> pl.DataFrame:
        """The cells that were not simply accepted."""
        odd = [cell.outcome != "accepted" for cell in self.read]
        if not any(odd):
            return NO_ISSUES
        rows = np.flatnonzero(np.array(odd)[self.at])
        which = self.at[rows]
        texts: dict[str, Sequence[str | None]] = {"text": self.texts, "says": [c.says for c in self.read]}
        texts |= {name: [getattr(c, name) or None for c in self.read] for name in ("outcome", "fault", "suggestion")}
        columns = {name: pl.Series(values, dtype=pl.String)[which] for name, values in texts.items()}
        return self.frame[rows, KEY].with_columns(column=pl.lit(self.name), **columns).select(list(ISSUE))


def distinct(frame: pl.DataFrame, *cells: pl.Expr) -> tuple[list[tuple[Any, ...]], np.ndarray]:
    """The distinct cells of columns side by side, and which of them stand in each row; a null text is blank."""
    rows = frame.select(cell.alias(str(place)) for place, cell in enumerate(cells))
    rows = rows.with_columns(pl.col(pl.String).fill_null(""))
    some = rows.unique(maintain_order=True)
    at = rows.join(some.with_row_index("at"), on=rows.columns, how="left", nulls_equal=True, maintain_order="left")[
        "at"
    ]
    return some.rows(), at.to_numpy()


def read_columns(frame: pl.DataFrame, readers: Mapping[str, Reader]) -> dict[str, Cells]:
    """The cells of columns, each read with the unit of its header, if it has one."""
    found = {}
    for name, reader in readers.items():
        unit = unit_column(name)
        pairs, at = distinct(frame, pl.col(name), pl.col(unit) if unit in frame.columns else pl.lit(""))
        found[name] = Cells(frame, name, [text for text, _ in pairs], [reader(*pair) for pair in pairs], at)
    return found


def read_dates(frame: pl.DataFrame, names: Sequence[str], context: Context) -> dict[str, Cells]:
    """Dates of columns, read file by file: what a file's own dates show settles the order of the rest."""
    found = {}
    for name in names:
        # Nearly all dates begin with their year: those mean the same in every file.
        turned = any(DAY_FIRST.match(text) for text in frame[name].drop_nulls().unique())
        pairs, at = distinct(frame, pl.col(name), pl.col("file") if turned else pl.lit(""))
        by_file: dict[str, list[str]] = {}
        for text, file in pairs if turned else ():
            by_file.setdefault(file, []).append(text)
        shown = {file: evidence(filter(DAY_FIRST.match, several)) for file, several in by_file.items()}
        read = [read_date(text, context.round.date_order, shown.get(file, "")) for text, file in pairs]
        found[name] = Cells(frame, name, [text for text, _ in pairs], read, at)
    return found


def reader_of(note: Note, context: Context) -> Reader:
    """The reader of a plain column by its kind; dates, readings and changes have their own ways."""
    assumed, gallon = context.assumed, context.round.gallon
    readers: dict[str, Reader] = {
        "word": lambda text, _: read_word(text, note.words),
        "number": lambda text, of: amounts.read_number(text, note.unit, of, assumed, gallon),
        "share": amounts.read_share,
        "count": lambda text, _: amounts.read_count(text),
        "steps": lambda text, _: cell if (cell := amounts.read_steps(text)[1]).held else replace(cell, word=text),
    }
    return readers[note.kind]


# -- tank names: an id, a name or a known alias; a name on two sites needs its site; a near miss is held -----

# Letters that look alike in other alphabets and come in by copy and paste.
SEVERAL = "same name twice"
ALIKE = str.maketrans("АВЕКМНОРСТХаеорсхуіΑΒΕΖΗΙΚΜΝΟΡΤΥΧαοινρτυ", "ABEKMHOPCTXaeopcxyiABEZHIKMNOPTYXaoivptu")


def fold_name(name: str) -> str:
    """A name as compared: without case, spaces, underscores and look-alike letters."""
    return re.sub(r"[\s_\u00a0\u200b]+", "", name.translate(ALIKE)).casefold()


def aliases(tanks: pl.DataFrame) -> pl.DataFrame:
    """Every name a tank answers to, folded; an id beats a name, a name beats an alias."""
    rows: list[tuple[str, str, str, str]] = []
    for tank, site, name, also in tanks.select("tank", "site", "name", "also_known_as").iter_rows():
        named = [(tank, "id"), (name, "name"), *((part, "alias") for part in (also or "").split("|"))]
        rows += [(fold_name(n), site, tank, via) for n, via in named if n and n.strip()]
    frame = pl.DataFrame(rows, dict.fromkeys(("folded", "site", "tank", "via"), pl.String), orient="row")
    return frame.unique(["folded", "tank"], keep="first", maintain_order=True).sort("folded", "site", "tank")


class Resolver:
    """Says which tank a name means. A name that was given again is of the tank that ran on the day."""

    def __init__(self, alias: pl.DataFrame, sites: pl.DataFrame, tanks: pl.DataFrame) -> None:
        self.by_name: dict[str, list[tuple[str, str, str]]] = {}
        for folded, site, tank, via in alias.iter_rows():
            self.by_name.setdefault(folded, []).append((site, tank, via))
        self.site_of = {
            fold_name(n): site for site, name in sites.select("site", "name").iter_rows() for n in (site, name) if n
        }
        self.site_names = dict(sites.select("site", "name").iter_rows())
        self.shown = {tank: name or tank for tank, name in tanks.select("tank", "name").iter_rows()}
        self.ran = {tank: (first, last) for tank, first, last in tanks.select("tank", "set_up", "closed").iter_rows()}

    def _ran_on(self, tank: str, day: dt.date) -> bool:
        first, last = self.ran[tank]
        return (first is None or first <= day) and (last is None or day <= last)

    def find(self, text: str, site_text: str, day: dt.date | None = None) -> Cell:
        """The tank that a name and the site typed beside it mean, as the word of a cell; none where it is held."""
        site = self.site_of.get(fold_name(site_text)) if site_text else None
        found = self.by_name.get(fold_name(text), [])
        if site_text and site is None:
            near = get_close_matches(fold_name(site_text), list(self.site_of), 1, 0.7)
            hint = f" Is it {self.site_names[self.site_of[near[0]]]}?" if near else ""
            return held("site not known", site_text, hint=hint)
        here = [entry for entry in found if site is None or entry[0] == site]
        # An id is unique over all sites; names and aliases only within one.
        exact = [entry for entry in here if entry[2] == "id"] or here
        if day is not None and len({tank for _, tank, _ in exact}) > 1:
            exact = [entry for entry in exact if self._ran_on(entry[1], day)] or exact
        if len({tank for _, tank, _ in exact}) == 1:
            _, tank, via = exact[0]
            if via == "alias":
                return Cell("converted", word=tank, fault=via, says=f"“{text}” is {self.shown[tank]} ({tank}).")
            if text.translate(ALIKE) != text and text not in (tank, self.shown[tank]):
                says = f"“{text}” has letters of another alphabet; read as {self.shown[tank]} ({tank})."
                return Cell("converted", word=tank, fault="look-alike letters", says=says)
            return Cell(word=tank)
        if exact:
            places = " and ".join(sorted({self.site_names.get(s, s) or s for s, _, _ in exact}))
            return held(SEVERAL, text, places=places)
        if found and site is not None:
            return held(
                "tank at another site", text, where=self.site_names.get(found[0][0], found[0][0]), site=site_text
            )
        here_or_any = [n for n, e in self.by_name.items() if site is None or any(x[0] == site for x in e)]
        near = get_close_matches(fold_name(text), here_or_any, 1, 0.6)
        suggestion = self.by_name[near[0]][0][1] if near else ""
        hint = f" Is it {self.shown[suggestion]} ({suggestion})?" if suggestion else ""
        return held("tank not known", text, suggestion, hint=hint)
