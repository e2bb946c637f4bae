"""Readings of visits and tap tests: each distinct text of a parameter, unit and kit is read and judged once."""

from collections.abc import Sequence
from typing import Any

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.intake.amounts import KitRow, read_reading
from pipeline.intake.beside import contradicts, two_values
from pipeline.intake.columns import KEY, Collected, Context, distinct, fold_name, read_dates, unit_column
from pipeline.intake.judge import judge
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
    frame: pl.DataFrame, names: Sequence[str], keep: Sequence[str], kits: Kits, found: Collected
) -> dict[str, pl.DataFrame]:
    """The readings of each of the parameters `names`, with the columns `keep` of their rows.

    A wide row has a column for each parameter; one of a long sheet, marked `long`, names its own, of which `value` is the
    reading. `column` says where each was read."""
    frame = frame.with_columns(pl.lit(False).alias("long")) if "long" not in frame.columns else frame
    several = []
    for column in (name for name in (*names, "value") if name in frame.columns):
        own, is_long = pl.col("parameter") if column == "value" else pl.lit(column), pl.col("long")
        here = is_long & own.is_in(list(names)) if column == "value" else ~is_long
        of, kit = (pl.col(n) if n in frame.columns else pl.lit("") for n in (unit_column(column), "kit"))
        typed = {"column": pl.lit(column), "0": own, "1": pl.col(column), "2": of, "3": kit}
        texts = {name: of_row.fill_null("").cast(pl.Categorical) for name, of_row in typed.items()}
        several.append(frame.lazy().filter(here & (pl.col(column) != "")).select(*keep, **texts))
    rows = pl.concat(several).collect()
    means, which = distinct(rows, *map(pl.col, "0123"))
    read, rows = _read_texts(means, kits, found), rows.drop(*"0123")
    odd, used = (read["outcome"] != "accepted").to_numpy()[which], read["matched"].is_not_null().to_numpy()[which]
    texts = read.select("text", pl.col("says").fill_null(""), "outcome", "fault", "suggestion")[which[odd]]
    cells = rows.select(*KEY, "column").filter(odd).cast({"file": pl.String, "column": pl.String})
    found.issues.append(pl.concat([cells, texts], how="horizontal"))
    values = read.drop("file", "line", "fault", "says", "suggestion").cast({pl.String: pl.Categorical})[which[used]]
    late = pl.col("day") > pl.col("good_until") if "day" in keep else pl.lit(False)
    rows = pl.concat([rows.filter(used), values], how="horizontal").with_columns(expired=late.fill_null(False))
    return {name: part for name in names if (part := rows.filter(pl.col("parameter") == name)).height}


def read_one(parameter: str, text: str, kit: KitRow | None, context: Context) -> dict[str, Any]:
    """One cell, read and judged as a sheet's would be."""
    kits = {} if kit is None else {("kit", parameter): kit}
    return _read_texts([(parameter, text, "", "kit")], kits, context).row(0, named=True)


MEASURED = [record.name for record in RECORDS if record.in_tap]


def read_taps(frame: pl.DataFrame | None, found: Collected) -> pl.DataFrame:
    """The tap table."""
    if frame is None or frame.height == 0:
        return empty("tap")
    frame = found.without_repeats(frame, ["water_supply", "date", *MEASURED, "note"])
    days = read_dates(frame, ["date"], found)["date"]
    supply = pl.when(pl.col("water_supply") != "").then("water_supply").alias("water_supply")
    judged = judge(TapSheet, frame.with_columns(days.values("day", pl.Date), supply), found, frame)
    found.issues += [days.issues(), judged.issues]
    found.whole.append(judged.held)
    parts = read_typed(judged.good, MEASURED, [*KEY, "water_supply", "date"], {}, found)
    if not parts:
        return empty("tap")
    at = pl.col("date").cast(pl.Datetime("us")).alias("at")
    readings = pl.concat(parts.values()).with_columns(at, pl.col("date").alias("day")).drop("kit")
    tap = two_values(readings, ["water_supply", "day", "parameter"], contradicts(), pl.col("parameter"), found)
    return conform("tap", tap.sort(*KEY, "parameter"))
