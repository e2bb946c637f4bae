"""Readings of visits and tap tests: each distinct text of a parameter, unit and kit is read and judged once."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.intake.columns import (
    KEY,
    Context,
    day_of,
    distinct,
    join_issues,
    no_issues,
    read_dates,
    side_cells,
    unit_column,
)
from pipeline.intake.judge import judge
from pipeline.intake.ladders import KitRow, read_reading
from pipeline.intake.names import fold_name
from pipeline.intake.settle import contradicts, two_values
from pipeline.intake.standing import first_told
from schemas import Tables, conform, empty
from schemas.parameters import RECORDS
from schemas.places import TapSheet
from schemas.visits import TypedReading
from schemas.words import CANON

Kits = dict[tuple[str, str], KitRow]
SAYS = ("outcome", "fault", "says", "suggestion")


def kits_of(standing: Tables, assumed: Assumptions) -> Kits:
    """(kit id folded, parameter) -> its ladder, and the last day it was in date and not open too long."""
    months = int(assumed["kit_open_months"])
    good_until = pl.min_horizontal("expires", pl.col("opened").dt.offset_by(f"{months}mo"))
    rows = standing["kit"].select("kit", "parameter", "ladder", "factor", "basis", good_until, "per_drop")
    return {
        (fold_name(kit), parameter): KitRow(
            tuple(step / times for step in ladder or ()),
            times,
            basis or "",
            until,
            None if drop is None else drop / times,
        )
        for kit, parameter, ladder, times, basis, until, drop in rows.iter_rows()
    }


def _read_texts(means: Sequence[tuple[str, ...]], kits: Kits, context: Context) -> pl.DataFrame:
    """What each (parameter, text, unit of the header, kit typed) means; `low` and the rest are null where it is held."""
    used = [kits.get((fold_name(kit), parameter)) if kit else None for parameter, _, _, kit in means]
    cells = [
        read_reading(parameter, text, of, kit, context.assumed)
        for (parameter, text, of, _), kit in zip(means, used, strict=True)
    ]
    columns: dict[str, tuple[Any, list[Any]]] = {
        "parameter": (pl.String, [one[0] for one in means]),
        "text": (pl.String, [one[1] for one in means]),
        **{name: (pl.Float64, [getattr(cell, name) for cell in cells]) for name in ("low", "high", "matched")},
        **{name: (pl.String, [getattr(cell, name) or None for cell in cells]) for name in SAYS},
        "kit": (pl.String, [one[3] if kit else None for one, kit in zip(means, used, strict=True)]),
        "good_until": (pl.Date, [kit.good_until if kit else None for kit in used]),
        "unit": (pl.String, [of or CANON[parameter] for parameter, _, of, _ in means]),
        "file": (pl.String, [""] * len(means)),
        "line": (pl.Int64, list(range(len(means)))),
    }
    read = pl.DataFrame([pl.Series(name, values, kind) for name, (kind, values) in columns.items()])
    issues = judge(TypedReading, read.filter(pl.col("matched").is_not_null()), context).issues
    if issues.height == 0:
        return read
    bad = issues.unique("line", keep="first").select("line", *SAYS)
    kept = pl.col("outcome_right").is_null()
    return read.join(bad, on="line", how="left", maintain_order="left").with_columns(
        *(pl.when(kept).then(pl.col(name)).alias(name) for name in ("low", "high", "matched")),
        *(pl.when(kept).then(pl.col(name)).otherwise(pl.col(f"{name}_right")).alias(name) for name in SAYS),
    )


def read_typed(
    frame: pl.DataFrame, names: Sequence[str], keep: Sequence[str], kits: Kits, context: Context
) -> tuple[dict[str, pl.DataFrame], pl.DataFrame]:
    """The readings of each of the parameters `names`, with the columns `keep` of their rows, and the issues of the cells.

    A wide row has a column for each parameter; one of a long sheet, marked `long`, names its own, of which `value` is the
    reading. `column` says where each was read."""
    beside = ["kit", "parameter", "value", *map(unit_column, (*names, "value"))]
    told = distinct(frame, [*names, *(name for name in beside if name in frame.columns)])
    blank = [""], np.zeros(frame.height, np.int64)
    is_long = frame["long"].to_numpy() if "long" in frame.columns else np.zeros(frame.height, bool)
    means: list[tuple[str, ...]] = []
    places: list[tuple[str, np.ndarray, np.ndarray]] = []  # column, rows, which of `means` each of them has
    for column in (name for name in (*names, "value") if name in told):
        own = told["parameter"] if column == "value" else ([column], blank[1])
        here = is_long if column == "value" else ~is_long
        for (texts, at), good in ((told[column], bool), (own, names.__contains__)):
            here = here & np.array([good(text) for text in texts], bool)[at]
        rows = np.flatnonzero(here)
        cells = own, told[column], told.get(unit_column(column), blank), told.get("kit", blank)
        meant, which = side_cells([(texts, at[rows]) for texts, at in cells])
        places.append((column, rows, which + len(means)))
        means += meant
    read = _read_texts(means, kits, context)
    used, odd = read["matched"].is_not_null().to_numpy(), (read["outcome"] != "accepted").to_numpy()
    late = pl.col("day") > pl.col("good_until") if "day" in keep else pl.lit(False)
    kept, values = frame.select(keep), read.drop("file", "line", "fault", "says", "suggestion")
    said = read.select("text", pl.col("says").fill_null(""), "outcome", "fault", "suggestion")
    found: dict[str, list[pl.DataFrame]] = {name: [] for name in names}
    issues = []
    for column, rows, which in places:
        spoken, good = odd[which], used[which]
        if spoken.any():
            of_cells = pl.concat([frame[rows[spoken], KEY], said[which[spoken]]], how="horizontal")
            issues.append(of_cells.with_columns(column=pl.lit(column)))
        if good.any():
            beside_it = kept if good.sum() == kept.height else kept[rows[good]]
            part = pl.concat([beside_it, values[which[good]]], how="horizontal")
            part = part.with_columns(column=pl.lit(column), expired=late.fill_null(False))
            for name in names if column == "value" else [column]:
                found[name].append(part.filter(pl.col("parameter") == name) if column == "value" else part)
    return {name: pl.concat(parts) for name, parts in found.items() if any(p.height for p in parts)}, join_issues(
        issues
    )


def read_one(parameter: str, text: str, kit: KitRow | None, context: Context) -> dict[str, Any]:
    """One cell, read and judged as a sheet's would be."""
    kits = {} if kit is None else {("kit", parameter): kit}
    return _read_texts([(parameter, text, "", "kit")], kits, context).row(0, named=True)


MEASURED = [record.name for record in RECORDS if record.in_tap]


def read_taps(
    frame: pl.DataFrame | None, context: Context
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """The tap table, its issues, and the rows that repeat and that are held (file, line)."""
    if frame is None or frame.height == 0:
        nothing = no_issues().select(KEY)
        return empty("tap"), no_issues(), nothing, nothing
    frame, again = first_told(frame, ["water_supply", "date", *MEASURED, "note"])
    days = read_dates(frame, ["date"], context)["date"]
    supply = pl.when(pl.col("water_supply") != "").then("water_supply").alias("water_supply")
    judged = judge(TapSheet, frame.with_columns(days.values(day_of, pl.Date), supply), context, frame)
    parts, unreadable = read_typed(judged.good, MEASURED, [*KEY, "water_supply", "date"], {}, context)
    issues = [days.issues(), judged.issues, unreadable]
    if not parts:
        return empty("tap"), join_issues(issues), again, judged.held
    at = pl.col("date").cast(pl.Datetime("us")).alias("at")
    readings = pl.concat(parts.values()).with_columns(at, pl.col("date").alias("day")).drop("kit")
    same = ["water_supply", "day", "parameter"]
    tap, clash = two_values(readings, same, contradicts(), pl.col("parameter"))
    return conform("tap", tap.sort(*KEY, "parameter")), join_issues([*issues, clash]), again, judged.held
