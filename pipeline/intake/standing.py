"""The standing records as tables: sites, tanks, the filter book, kits, feeding, and what is done and owed."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from difflib import get_close_matches
from typing import Any

import polars as pl

from pipeline.intake import book
from pipeline.intake.beside import differing_cells
from pipeline.intake.columns import (
    KEY,
    Collected,
    Context,
    count_of,
    read_columns,
    read_dates,
    reader_of,
    side_by_side,
    whole_rows,
)
from pipeline.intake.grammar import Cell
from pipeline.intake.headers import FAMILY, required
from pipeline.intake.judge import judge
from pipeline.intake.names import aliases, fold_name
from pipeline.intake.sheets import Sheets, text_columns
from schemas import FAMILIES, Tables, conform, empty
from schemas.columns import describe

# Read here; visits, taps and corrections have rooms of their own.
PLAIN = [f.name for f in FAMILIES if f.name not in ("visit", "tap", "correction")]
# A second row of the same key with other values is a contradiction; of the rest only exact repeats are told.
ONE_ROW_A_KEY = frozenset(
    {"site", "tank", "medium", "filter_model", "compartment", "filter", "placement", "fill", "kit", "feeding"}
)

# A column that refers to the ids of another family. Where it is required, its row waits for it.
REFERENCES = {"site": "site", "tank": "tank", "model": "filter_model", "medium": "medium", "filter": "filter"}
AS_TYPED = ("text", "key", "list")
# What is kept of a cell by the kind of its column, and its type; of others a word.
VALUES: dict[str, tuple[str | Callable[[Cell], object], Any]] = {
    "date": ("day", pl.Date),
    "number": ("low", pl.Float64),
    "share": ("low", pl.Float64),
    "count": (count_of, pl.Int64),
}


def read_plain(name: str, frame: pl.DataFrame, found: Collected) -> pl.DataFrame:
    """A family's text frame to typed columns."""
    notes = describe(FAMILY[name].model)
    kinds = {n: notes[n].kind for n in text_columns(name)}
    dates = [n for n, kind in kinds.items() if kind == "date"]
    read = read_dates(frame, dates, found) | read_columns(
        frame, {n: reader_of(notes[n], found) for n, kind in kinds.items() if kind not in ("date", *AS_TYPED)}
    )
    typed = [cells.values(*VALUES.get(kinds[n], ("word", pl.String))) for n, cells in read.items()]
    texts = [pl.when(pl.col(n) != "").then(n).alias(n) for n, kind in kinds.items() if kind in AS_TYPED]
    found.issues += [cells.issues() for cells in read.values()]
    return frame.select(*KEY, *texts, *typed).select(*KEY, *kinds)


def contradictions(name: str, frame: pl.DataFrame, found: Collected) -> None:
    """Rows that share the key of their family and differ: all are held."""
    key = list(FAMILY[name].key)
    folded = [pl.col(c).str.to_lowercase().alias(f"key {c}") for c in key]
    keyed = frame.filter(pl.col(key[0]) != "").with_columns(folded)
    twice = keyed.filter(pl.struct(f"key {c}" for c in key).is_duplicated())
    twice = twice.with_columns(pl.Series("whole row", whole_rows(twice, text_columns(name)), pl.String))
    twice = twice.with_columns(side_by_side(twice, [f"key {c}" for c in key], "{file}, line {line}", "; "))
    shown = {"key": " and ".join(key)}
    found.say(twice, None, "same key, other values", text="whole row", shown=shown, whole=True)


def references(
    name: str, typed: pl.DataFrame, column: str, tables: Tables, names: Mapping[str, str], found: Collected
) -> pl.DataFrame:
    """The frame with ids in their own spelling. Of what nobody knows it is said so, and a near one is suggested. `names`:
    folded names that mean one tank alone."""
    other, whole = REFERENCES[column], describe(FAMILY[name].model)[column].required
    what, known = other.replace("_", " "), tables[other]
    called_so = known["name"] if "name" in known.columns else [None] * known.height
    shown = {one: f"{title} ({one})" if title else one for one, title in zip(known[column], called_so, strict=True)}
    times = Counter(map(fold_name, shown))
    by_fold = {**(names if other == "tank" else {}), **{fold_name(k): k for k in shown if times[fold_name(k)] == 1}}
    written = sorted(set(typed[column]) - {None})
    right = {n: by_fold[fold_name(n)] for n in written if fold_name(n) in by_fold} | {
        n: n for n in written if n in shown
    }
    strange = [n for n in written if n not in right]
    if not strange and all(name == ident for name, ident in right.items()):
        return typed
    near = {n: get_close_matches(fold_name(n), list(by_fold), 1, 0.6) for n in strange}
    offered = {n: by_fold[found[0]] if found else None for n, found in near.items()}
    hints = {n: f" Is it {shown[ident]}?" if ident else "" for n, ident in offered.items()}
    rows = typed.with_columns(
        pl.col(column).replace_strict(offered, default=None, return_dtype=pl.String).alias("offered"),
        pl.col(column).replace_strict(hints, default="", return_dtype=pl.String).alias("hint"),
        pl.col(column).alias("typed"),
    )
    words = {"what": what, "end": "The row is on hold." if whole else "Left out."}
    held = pl.col(column).is_in(strange)
    found.say(rows, column, "reference not known", held, suggestion="offered", shown=words, whole=whole)
    found.issues[-1] = found.issues[-1].with_columns(pl.lit(f"{what} not known").alias("fault"))
    return typed.with_columns(pl.col(column).replace_strict(right, default=None, return_dtype=pl.String))


def _places(frame: pl.DataFrame, tanks: Iterable[str], names: Mapping[str, str], context: Context) -> pl.DataFrame:
    """Where each row of a sheet belongs, held or not: the tank it types, where it is a known one, and its day."""
    by_fold, ids = {**names, **{fold_name(tank): tank for tank in tanks}}, set(tanks)
    meant = {text: text if text in ids else by_fold.get(fold_name(text)) for text in set(frame["tank"])}
    tank = pl.col("tank").replace_strict(meant, default=None, return_dtype=pl.String)
    day = next((name for name in ("date", "from", "made_on") if name in frame.columns), None)
    days = read_dates(frame, [day], context)[day].values("day", pl.Date) if day else pl.lit(None, pl.Date)
    return frame.select(*KEY, tank, days.alias("day"), pl.lit(None, pl.String).alias("parameter"))


def read_standing(sheets: Sheets, found: Collected) -> Tables:
    """Every plain family, judged by its model and references followed: what others refer to comes first."""
    tables: Tables = {"alias": empty("alias")}
    as_typed: Tables = {}  # before references are followed: a filter may be of a model that only compartments.csv has
    names: dict[str, str] = {}  # folded name or alias -> the one tank that it can mean
    for name in PLAIN:
        if (sheet := sheets.frames.get(name)) is None:
            tables[name] = as_typed[name] = empty(name)
            continue
        text = found.without_repeats(sheet, text_columns(name))
        values = read_plain(name, text, found)
        if name == "kit":
            values = book.kits(values, found)
        judged = judge(FAMILY[name].model, values, found, text)
        found.issues.append(judged.issues)
        found.whole.append(judged.held)
        if name in ONE_ROW_A_KEY:
            contradictions(name, text, found)
        rows = as_typed[name] = found.not_held(judged.good)
        if name == "fill":
            book.masses(rows, as_typed, sheet, found)
        if name == "service":
            key = list(FAMILY[name].key)
            rows = differing_cells(sheet, rows, key, [c for c in text_columns(name) if c not in key], found)
            rows = book.timed(rows, sheet, as_typed, found)
            book.put_off(rows, sheet, found)
        for column, other in REFERENCES.items():
            if column in rows.columns and other != name:
                rows = references(name, rows, column, tables, names, found)
        if name == "fill":
            rows = book.fills(rows, found)
            book.compartments(rows, tables, found)
        if name == "placement":
            book.two_tanks_at_once(rows, found)
        rows = found.not_held(rows)
        tables[name] = conform(name, rows.drop_nulls(required(FAMILY[name])).sort(KEY))
        if name == "tank":
            tables["alias"] = conform("alias", aliases(tables["tank"]))
            times = Counter(tables["alias"]["folded"])
            names = {
                folded: tank for folded, tank in tables["alias"].select("folded", "tank").rows() if times[folded] == 1
            }
        elif "tank" in sheet.columns:
            found.places.append(_places(sheet, tables["tank"]["tank"].to_list(), names, found))
    return tables
