"""The standing records as tables: sites, tanks, the filter book, kits, feeding, and what is done and owed; and what is said
of their rows beside each other, and beside what they refer to."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from difflib import get_close_matches
from typing import Any

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.intake import amounts
from pipeline.intake.beside import FAR, differing_cells
from pipeline.intake.columns import (
    KEY,
    Collected,
    Context,
    aliases,
    count_of,
    fold_name,
    read_columns,
    read_dates,
    reader_of,
    side_by_side,
    whole_rows,
)
from pipeline.intake.grammar import Cell
from pipeline.intake.headers import FAMILY, required
from pipeline.intake.judge import judge
from pipeline.intake.sheets import Sheets, text_columns
from pipeline.units import factor
from schemas import FAMILIES, Tables, conform, empty
from schemas.columns import describe
from schemas.filterbook import usable_by_dimensions
from schemas.rules import SENTENCES
from schemas.words import PARAMETERS

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
            values = kits(values, found)
        judged = judge(FAMILY[name].model, values, found, text)
        found.issues.append(judged.issues)
        found.whole.append(judged.held)
        if name in ONE_ROW_A_KEY:
            contradictions(name, text, found)
        rows = as_typed[name] = found.not_held(judged.good)
        if name == "fill":
            masses(rows, as_typed, sheet, found)
        if name == "service":
            key = list(FAMILY[name].key)
            rows = differing_cells(sheet, rows, key, [c for c in text_columns(name) if c not in key], found)
            rows = timed(rows, sheet, as_typed, found)
            put_off(rows, sheet, found)
        for column, other in REFERENCES.items():
            if column in rows.columns and other != name:
                rows = references(name, rows, column, tables, names, found)
        if name == "fill":
            rows = fills(rows, found)
            compartments(rows, tables, found)
        if name == "placement":
            two_tanks_at_once(rows, found)
        rows = found.not_held(rows)
        tables[name] = conform(name, rows.drop_nulls(required(FAMILY[name])).sort(KEY))
        if name == "tank":
            tables["alias"] = conform("alias", aliases(tables["tank"]))
            alone = tables["alias"].filter(pl.col("folded").is_unique())
            names = dict(alone.select("folded", "tank").iter_rows())
        elif "tank" in sheet.columns:
            found.places.append(_places(sheet, tables["tank"]["tank"].to_list(), names, found))
    return tables


# -- kits, the filter book and services ------------------------------------------------------------------


def kits(typed: pl.DataFrame, found: Collected) -> pl.DataFrame:
    """Kits with their factor and their ladder in the canonical unit; a basis nobody knows holds the row."""
    pairs = typed.select("parameter", "basis", "steps").unique()
    read = []
    for parameter, basis, steps in pairs.iter_rows():
        value = factor(parameter, basis or "") if parameter in PARAMETERS else None
        times, worth = value or 1.0, amounts.read_per_drop(steps or "")
        ladder = [step * times for step in amounts.read_steps(steps or "")[0]]
        read.append((value, ladder, None if worth is None else worth * times))
    kinds: dict[str, Any] = {"factor": pl.Float64, "ladder": pl.List(pl.Float64), "per_drop": pl.Float64}
    pairs = pl.concat([pairs, pl.DataFrame(read, kinds, orient="row")], how="horizontal")
    rows = typed.join(pairs, on=["parameter", "basis", "steps"], how="left", nulls_equal=True, maintain_order="left")
    unknown = pl.col("factor").is_null() & pl.col("parameter").is_in(PARAMETERS)
    found.say(rows.with_columns(pl.col("basis").fill_null("").alias("typed")), "basis", "basis", unknown, whole=True)
    return rows


def fills(typed: pl.DataFrame, found: Collected) -> pl.DataFrame:
    """A later row for the same filter, compartment and layer closes an open one, and says so."""
    key = ["filter", "compartment", "layer"]
    ordered = typed.with_columns(pl.col("layer").fill_null(1)).sort(*key, "from", *KEY, nulls_last=True)
    ordered = ordered.with_columns(pl.col(c).shift(-1).over(key).alias(f"next_{c}") for c in ("from", *KEY))
    closes = (pl.col("to").is_null() & (pl.col("next_from") > pl.col("from"))).fill_null(False)
    marked = ordered.with_columns(pl.lit("").alias("blank"))
    found.say(marked, "to", "closed by a later row", closes, outcome="converted", text="blank")
    before = pl.col("next_from").dt.offset_by("-1d")
    closed = ordered.with_columns(pl.when(closes).then(before).otherwise(pl.col("to")).alias("to"))
    return closed.sort(KEY).select(typed.columns)


def two_tanks_at_once(typed: pl.DataFrame, found: Collected) -> None:
    """A filter that stands on two tanks on the same day: both rows are held."""
    typed = typed.drop_nulls(["filter", "tank", "from"])
    other = typed.select("filter", *(pl.col(c).alias(f"other_{c}") for c in ("tank", "from", "to", *KEY)))
    pairs = typed.join(other, on="filter").filter(
        (pl.col("tank") != pl.col("other_tank"))
        & (pl.col("from") <= pl.col("other_to").fill_null(FAR))
        & (pl.col("other_from") <= pl.col("to").fill_null(FAR))
    )
    pairs = pairs.unique(KEY, keep="first", maintain_order=True)
    pairs = pairs.with_columns(pl.Series("whole row", whole_rows(pairs, ["filter", "tank", "from"]), pl.String))
    found.say(pairs, None, "filter on two tanks at once", text="whole row", whole=True)


def compartments(frame: pl.DataFrame, tables: Tables, found: Collected) -> None:
    """Fills in a compartment that the filter's model does not have; their rows wait."""
    book = tables["compartment"].select("model", "compartment").unique().with_columns(pl.lit(True).alias("known"))
    has = pl.col("compartment").unique(maintain_order=True).str.join(", ").alias("has")
    rows = (
        frame.join(tables["filter"].select("filter", "model"), on="filter", how="left", maintain_order="left")
        .join(book, on=["model", "compartment"], how="left", maintain_order="left")
        .join(tables["compartment"].group_by("model").agg(has), on="model", how="left", maintain_order="left")
    )
    strange = pl.col("known").is_null() & pl.col("has").is_not_null() & pl.col("compartment").is_not_null()
    found.say(rows, "compartment", "compartment not known", strange, whole=True)


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


def _as_typed(rows: pl.DataFrame, sheet: pl.DataFrame, column: str) -> pl.DataFrame:
    """The rows with what a cell of theirs reads, as `as typed`."""
    return rows.join(sheet.select(*KEY, pl.col(column).alias("as typed")), on=KEY, how="left", maintain_order="left")


def masses(fill: pl.DataFrame, book: Tables, sheet: pl.DataFrame, found: Collected) -> None:
    """Media that is too heavy for its compartment: weighed wet, or litres entered as kilograms. Used, and asked about."""
    media = book["medium"].filter(pl.col("stage").is_in(["biological", "chemical"]))["medium"]
    rows = (
        _as_typed(fill, sheet, "mass_kg")
        .filter((pl.col("mass_kg") > 0) & pl.col("medium").is_in(media.implode()))
        .join(book["filter"].select("filter", "model"), on="filter", how="inner", maintain_order="left")
        .join(
            _rooms(book["compartment"], found.assumed), on=["model", "compartment"], how="inner", maintain_order="left"
        )
        .with_columns((pl.col("mass_kg") / pl.col("litres")).alias("bulk"))
    )
    wet, as_kg = (
        pl.col("bulk") > found.assumed["bulk_high_kg_l"],
        (pl.col("bulk") - 1).abs() < found.assumed["litre_as_kg_share"],
    )
    for test, case, says in ((wet, "weighed wet", SENTENCES["weighed wet"]), (as_kg, "litres as kilograms", None)):
        found.say(rows, "mass_kg", case, test, says=says, outcome="warned", text="as typed")


def put_off(service: pl.DataFrame, text: pl.DataFrame, found: Collected) -> None:
    """Intervals that were lengthened although the filter was found dirty."""
    rows = (
        _as_typed(service, text, "next_weeks")
        .filter(pl.col("next_weeks").is_not_null() & pl.col("filter").is_not_null())
        .sort("filter", "date", *KEY)
        .with_columns(pl.col("next_weeks").shift(1).over("filter").alias("before"))
    )
    longer = pl.col("found").is_in(["heavy", "sludge"]) & (pl.col("next_weeks") > pl.col("before"))
    found.say(rows, "next_weeks", "put off", longer, outcome="warned", text="as typed")


def timed(service: pl.DataFrame, text: pl.DataFrame, tables: Tables, found: Collected) -> pl.DataFrame:
    """Flows timed at a service that are more than the pump is rated for: held."""
    models = tables["filter_model"].select("model", rated="rated_flow_l_h")
    rated = tables["filter"].select("filter", "model").join(models, on="model", how="left").drop("model")
    for column in ("flow_before", "flow_after"):
        rows = _as_typed(service, text, column).with_columns(flow=pl.col(column))
        rows = rows.join(rated, on="filter", how="left", maintain_order="left")
        over = pl.col("flow") > pl.col("rated") * found.assumed["flow_hold_over_rated"]
        found.say(rows, column, "over the rated flow: at a service", over, text="as typed")
        service = rows.with_columns(pl.when(over.fill_null(False)).then(None).otherwise(column).alias(column))
        service = service.drop("flow", "rated", "as typed")
    return service


def with_large_changes(service: pl.DataFrame, change: pl.DataFrame, found: Collected) -> None:
    """A full service and a large water change on the same day: two shocks at once."""
    large = (
        change.filter(pl.col("fraction") > found.assumed["service_change_share"])
        .group_by("tank", pl.col("day").alias("date"))
        .agg((pl.col("fraction").max() * 100).alias("per_cent"))
    )
    rows = service.join(large, on=["tank", "date"], how="inner", maintain_order="left")
    found.say(rows, "job", "service and change", pl.col("job") == "full", outcome="warned")
