"""The standing records: sites, tanks, the filter book, kits, feeding, and what is done and owed."""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.intake import amounts, services
from pipeline.intake.columns import (
    KEY,
    Context,
    count_of,
    day_of,
    issue_rows,
    join_issues,
    low_of,
    no_issues,
    read_columns,
    read_dates,
    reader_of,
    side_by_side,
    whole_rows,
    word_of,
)
from pipeline.intake.grammar import Cell
from pipeline.intake.headers import FAMILY
from pipeline.intake.judge import judge
from pipeline.intake.names import fold_name
from pipeline.intake.settle import differing_cells
from pipeline.intake.sheets import Sheets, text_columns
from pipeline.units import factor
from schemas import FAMILIES, Tables, empty
from schemas.columns import describe
from schemas.filterbook import WET, usable_by_dimensions
from schemas.words import PARAMETERS

# Read here; visits, taps and corrections have rooms of their own.
PLAIN = [f.name for f in FAMILIES if f.name not in ("visit", "tap", "correction")]
# A second row of the same key with other values is a contradiction; of the rest only exact repeats are told.
ONE_ROW_A_KEY = frozenset(
    {"site", "tank", "medium", "filter_model", "compartment", "filter", "placement", "fill", "kit", "feeding"}
)

AS_TYPED = ("text", "key", "list")
# What is kept of a cell by the kind of its column, and its type; of others a word.
VALUES: dict[str, tuple[Callable[[Cell], object], Any]] = {
    "date": (day_of, pl.Date),
    "number": (low_of, pl.Float64),
    "share": (low_of, pl.Float64),
    "count": (count_of, pl.Int64),
}


@dataclass
class Family:
    """A family's rows as values, those that repeat (file, line), what is said of them, and those that are held."""

    rows: pl.DataFrame
    again: pl.DataFrame
    issues: list[pl.DataFrame]
    held: list[pl.DataFrame]

    def add(self, issues: pl.DataFrame, holds: Sequence[str | None] = ()) -> None:
        """Take in issues; those held of the columns `holds` (None: of the whole row) hold their rows: see `drop_held`."""
        if issues.height and holds:
            stuck = pl.col("column").is_in([name for name in holds if name is not None])
            stuck |= pl.col("column").is_null() & (None in holds)
            self.held.append(issues.filter(stuck & (pl.col("outcome") == "held")).select(KEY))
        self.issues.append(issues)

    def drop_held(self) -> None:
        """Leave out the rows that are held by now."""
        if any(part.height for part in self.held):
            self.rows = self.rows.join(pl.concat(self.held), on=KEY, how="anti", maintain_order="left")


def first_told(frame: pl.DataFrame, columns: Sequence[str]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The rows that do not say exactly what an earlier one says, and the place of those that do (file, line)."""
    cells = [pl.col(c).fill_null("").str.to_lowercase() for c in columns]
    first = frame.select(pl.struct(cells).is_first_distinct()).to_series()
    if first.all():
        return frame, no_issues().select(KEY)
    return frame.filter(first), frame.filter(~first).select(KEY)


def read_plain(name: str, frame: pl.DataFrame, context: Context) -> tuple[pl.DataFrame, pl.DataFrame]:
    """A family's text frame to typed columns, and the issues of its cells."""
    notes = describe(FAMILY[name].model)
    told = {n: notes[n].kind for n in text_columns(name)}
    dates = [n for n, kind in told.items() if kind == "date"]
    read = read_dates(frame, dates, context) | read_columns(
        frame, {n: reader_of(notes[n], context) for n, kind in told.items() if kind not in ("date", *AS_TYPED)}
    )
    typed = [cells.values(*VALUES.get(told[n], (word_of, pl.String))) for n, cells in read.items()]
    texts = [pl.when(pl.col(n) != "").then(n).alias(n) for n, kind in told.items() if kind in AS_TYPED]
    values = frame.select(*KEY, *texts, *typed).select(*KEY, *told)
    return values, join_issues(cells.issues() for cells in read.values())


def contradictions(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """Rows that share the key of their family and differ: all are held."""
    if name not in ONE_ROW_A_KEY:
        return no_issues()
    key = list(FAMILY[name].key)
    folded = [pl.col(c).str.to_lowercase().alias(f"key {c}") for c in key]
    keyed = frame.filter(pl.col(key[0]) != "").with_columns(folded)
    twice = keyed.filter(pl.struct(f"key {c}" for c in key).is_duplicated())
    if twice.height == 0:
        return no_issues()
    twice = twice.with_columns(pl.Series("whole row", whole_rows(twice, text_columns(name)), pl.String))
    twice = twice.with_columns(side_by_side(twice, [f"key {c}" for c in key], "{file}, line {line}", "; "))
    return issue_rows(twice, None, None, "same key, other values", text="whole row", shown={"key": " and ".join(key)})


def called(alias: pl.DataFrame) -> dict[str, str]:
    """Folded name or alias -> the one tank that it can mean."""
    times = Counter(alias["folded"])
    return {folded: tank for folded, tank in alias.select("folded", "tank").iter_rows() if times[folded] == 1}


def references(
    typed: pl.DataFrame, column: str, known: pl.DataFrame, what: str, *, whole_row: bool, names: Mapping[str, str]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The frame with ids in their own spelling, and issues for what nobody knows; a near one is suggested.

    `known`: the ids and, where they have one, the name of each; `names`: folded names that mean one id alone.
    """
    if typed.height == 0:
        return typed, no_issues()
    shown = {row[0]: f"{row[1]} ({row[0]})" if len(row) > 1 and row[1] else row[0] for row in known.iter_rows()}
    times = Counter(map(fold_name, shown))
    by_fold = {**names, **{fold_name(k): k for k in shown if times[fold_name(k)] == 1}}
    told = sorted(set(typed[column]) - {None})
    right = {n: by_fold[fold_name(n)] for n in told if fold_name(n) in by_fold} | {n: n for n in told if n in shown}
    strange = [n for n in told if n not in right]
    if not strange and all(name == ident for name, ident in right.items()):
        return typed, no_issues()
    near = {n: get_close_matches(fold_name(n), list(by_fold), 1, 0.6) for n in strange}
    offered = {n: by_fold[found[0]] if found else None for n, found in near.items()}
    hints = {n: f" Is it {shown[ident]}?" if ident else "" for n, ident in offered.items()}
    rows = typed.with_columns(
        pl.col(column).replace_strict(offered, default=None, return_dtype=pl.String).alias("offered"),
        pl.col(column).replace_strict(hints, default="", return_dtype=pl.String).alias("hint"),
        pl.col(column).alias("typed"),
    )
    words = {"what": what, "end": "The row is on hold." if whole_row else "Left out."}
    held = pl.col(column).is_in(strange)
    issues = issue_rows(rows, held, column, "reference not known", suggestion="offered", shown=words)
    issues = issues.with_columns(pl.lit(f"{what} not known").alias("fault"))
    fixed = pl.col(column).replace_strict(right, default=None, return_dtype=pl.String)
    return typed.with_columns(fixed.alias(column)), issues


def kits(typed: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Kits with their factor and their ladder in the canonical unit; a basis nobody knows holds the row."""
    pairs = typed.select("parameter", "basis", "steps").unique()
    factors, ladders, drops = [], [], []
    for parameter, basis, steps in pairs.iter_rows():
        value = factor(parameter, basis or "") if parameter in PARAMETERS else None
        factors.append(value)
        ladders.append([step * (value or 1.0) for step in (amounts.read_steps(steps)[0] if steps else [])])
        worth = amounts.read_per_drop(steps) if steps else None
        drops.append(None if worth is None else worth * (value or 1.0))
    read = pairs.with_columns(
        pl.Series("factor", factors, pl.Float64),
        pl.Series("ladder", ladders, pl.List(pl.Float64)),
        pl.Series("per_drop", drops, pl.Float64),
    )
    rows = typed.join(read, on=["parameter", "basis", "steps"], how="left", nulls_equal=True, maintain_order="left")
    unknown = pl.col("factor").is_null() & pl.col("parameter").is_in(PARAMETERS)
    kits_typed = rows.with_columns(pl.col("basis").fill_null("").alias("typed"))
    return rows, issue_rows(kits_typed, unknown, "basis", "basis")


def fills(typed: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """A later row for the same filter, compartment and layer closes an open one, and says so."""
    if typed.height == 0:
        return typed, no_issues()
    key = ["filter", "compartment", "layer"]
    ordered = typed.with_columns(pl.col("layer").fill_null(1)).sort(*key, "from", *KEY, nulls_last=True)
    ordered = ordered.with_columns(pl.col(c).shift(-1).over(key).alias(f"next_{c}") for c in ("from", *KEY))
    closes = (pl.col("to").is_null() & (pl.col("next_from") > pl.col("from"))).fill_null(False)
    issues = issue_rows(
        ordered.with_columns(pl.lit("").alias("blank")), closes, "to", "closed by a later row",
        outcome="converted", text="blank",
    )  # fmt: skip
    before = pl.col("next_from").dt.offset_by("-1d")
    closed = ordered.with_columns(pl.when(closes).then(before).otherwise(pl.col("to")).alias("to"))
    return closed.sort(KEY).select(typed.columns), issues


def two_tanks_at_once(typed: pl.DataFrame) -> pl.DataFrame:
    """A filter that stands on two tanks on the same day: both rows are held."""
    typed = typed.drop_nulls(["filter", "tank", "from"])
    other = typed.select("filter", *(pl.col(c).alias(f"other_{c}") for c in ("tank", "from", "to", *KEY)))
    far = pl.date(9999, 12, 31)
    pairs = typed.join(other, on="filter").filter(
        (pl.col("tank") != pl.col("other_tank"))
        & (pl.col("from") <= pl.col("other_to").fill_null(far))
        & (pl.col("other_from") <= pl.col("to").fill_null(far))
    )
    pairs = pairs.unique(KEY, keep="first", maintain_order=True)
    pairs = pairs.with_columns(pl.Series("whole row", whole_rows(pairs, ["filter", "tank", "from"]), pl.String))
    return issue_rows(pairs, None, None, "filter on two tanks at once", text="whole row")


def compartments(frame: pl.DataFrame, tables: Tables) -> pl.DataFrame:
    """Fills in a compartment that the filter's model does not have; their rows wait."""
    book = tables["compartment"].select("model", "compartment").unique().with_columns(pl.lit(True).alias("known"))
    has = pl.col("compartment").unique(maintain_order=True).str.join(", ").alias("has")
    rows = (
        frame.join(tables["filter"].select("filter", "model"), on="filter", how="left", maintain_order="left")
        .join(book, on=["model", "compartment"], how="left", maintain_order="left")
        .join(tables["compartment"].group_by("model").agg(has), on="model", how="left", maintain_order="left")
    )
    strange = pl.col("known").is_null() & pl.col("has").is_not_null() & pl.col("compartment").is_not_null()
    return issue_rows(rows, strange, "compartment", "compartment not known")


def _rooms(book: pl.DataFrame, f: Assumptions) -> pl.DataFrame:
    """Usable litres of each compartment of a model: its parts added up; a measured fill wins over dimensions.

    Rows of one compartment with the same sizes are one room told again, a stage each.
    """
    sizes = ["shape", "length_mm", "width_mm", "inner_mm", "depth_mm", "usable_l"]
    return (
        book.select("model", "compartment", *sizes, pl.coalesce("usable_l", usable_by_dimensions(f)).alias("litres"))
        .filter(pl.struct("model", "compartment", *sizes).is_first_distinct())
        .group_by("model", "compartment")
        .agg(pl.col("litres").sum())
        .filter(pl.col("litres") > 0)
    )


def masses(fill: pl.DataFrame, book: Tables, sheet: pl.DataFrame, f: Assumptions) -> pl.DataFrame:
    """Media that is too heavy for its compartment: weighed wet, or litres entered as kilograms. Used, and asked about."""
    media = book["medium"].filter(pl.col("stage").is_in(["biological", "chemical"]))["medium"]
    rows = (
        fill.filter((pl.col("mass_kg") > 0) & pl.col("medium").is_in(media.implode()))
        .join(book["filter"].select("filter", "model"), on="filter", how="inner", maintain_order="left")
        .join(_rooms(book["compartment"], f), on=["model", "compartment"], how="inner", maintain_order="left")
        .join(sheet.select(*KEY, pl.col("mass_kg").alias("as typed")), on=KEY, how="left", maintain_order="left")
        .with_columns((pl.col("mass_kg") / pl.col("litres")).alias("bulk"))
    )
    wet, as_kg = pl.col("bulk") > f["bulk_high_kg_l"], (pl.col("bulk") - 1).abs() < f["litre_as_kg_share"]
    return join_issues(
        issue_rows(rows, test, "mass_kg", case, says=says, outcome="warned", text="as typed")
        for test, case, says in ((wet, "weighed wet", WET), (as_kg, "litres as kilograms", None))
    )


def read_standing(sheets: Sheets, context: Context) -> dict[str, Family]:
    """Every plain family as values, judged by its model; references not yet followed."""
    found: dict[str, Family] = {}
    for name in PLAIN:
        frame = sheets.frames.get(name)
        if frame is None:
            continue
        text, again = first_told(frame, text_columns(name))
        values, unread = read_plain(name, text, context)
        extra: pl.DataFrame = no_issues()
        holds: list[str | None] = [None]
        if name == "kit":
            values, extra = kits(values)
            holds.append("basis")
        judged = judge(FAMILY[name].model, values, context, text)
        family = Family(judged.good, again, [unread, judged.issues], [judged.held])
        family.add(contradictions(name, text), holds)
        family.add(extra, holds)
        family.drop_held()
        found[name] = family
    book: Tables = {
        name: found[name].rows if name in found else empty(name)
        for name in ("filter", "filter_model", "compartment", "medium")
    }
    if fill := found.get("fill"):
        fill.add(masses(fill.rows, book, sheets.frames["fill"], context.assumed))
    if service := found.get("service"):
        text, key = sheets.frames["service"], list(FAMILY["service"].key)
        rest = [name for name in text_columns("service") if name not in key]
        service.rows, twice = differing_cells(text, service.rows, key, rest)
        service.rows, over = services.timed(service.rows, text, book, context.assumed)
        for issues in (twice, over, services.put_off(service.rows, text)):
            service.add(issues)
    return found
