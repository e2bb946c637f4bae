"""Readings of visits and tap tests: each distinct text of a parameter, unit and kit is read and judged once."""

from collections.abc import Sequence

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.intake.columns import KEY, Context, as_cells, join_issues, read_dates, unit_column
from pipeline.intake.grammar import Cell
from pipeline.intake.judge import judge
from pipeline.intake.ladders import KitRow, Taken, read_reading
from pipeline.intake.names import fold_name
from pipeline.intake.settle import contradicts, two_values
from pipeline.intake.standing import first_told
from schemas import Tables, conform, empty
from schemas.parameters import RECORDS
from schemas.places import TapSheet
from schemas.visits import TypedReading
from schemas.words import CANON

Kits = dict[tuple[str, str], KitRow]
MEANS = ["parameter", "text", "of", "with_kit"]
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


def typed_wide(frame: pl.DataFrame, names: Sequence[str], keep: Sequence[str]) -> pl.DataFrame:
    """The cells of wide sheets that hold something, column by column: `keep` of their rows, with `parameter`, `column`,
    `text`, the unit `of` the header and the kit typed `with_kit`."""
    units = [
        (pl.col(unit).fill_null("") if (unit := unit_column(name)) in frame.columns else pl.lit("")).alias(name)
        for name in names
    ]
    cells = frame.with_row_index("place").unpivot(names, index="place", variable_name="column", value_name="text")
    of = frame.select(pl.first().is_null().alias(""), *units).unpivot(names)["value"]
    cells = cells.with_columns(of.alias("of")).filter(pl.col("text").fill_null("") != "")
    kit = pl.col("kit").fill_null("") if "kit" in frame.columns else pl.lit("")
    rows = frame.select(*keep, kit.alias("with_kit"))[cells["place"]]
    return pl.concat([rows, cells.drop("place")], how="horizontal").with_columns(parameter="column")


def typed_long(frame: pl.DataFrame, names: Sequence[str], keep: Sequence[str]) -> pl.DataFrame:
    """The same of long sheets, a row a cell."""
    unit = unit_column("value")
    return frame.filter(pl.col("parameter").is_in(list(names)) & (pl.col("value").fill_null("") != "")).select(
        *keep,
        pl.col("kit").fill_null("").alias("with_kit"),
        pl.lit("value").alias("column"),
        pl.col("value").alias("text"),
        (pl.col(unit).fill_null("") if unit in frame.columns else pl.lit("")).alias("of"),
        "parameter",
    )


def _read_texts(texts: pl.DataFrame, kits: Kits, context: Context) -> pl.DataFrame:
    """What each distinct (parameter, text, of, with_kit) means; `low` and the rest are null where it is held."""
    rows = texts.rows()
    used = [kits.get((fold_name(kit), parameter)) if kit else None for parameter, _, _, kit in rows]
    taken = [
        read_reading(parameter, text, of, kit, context.assumed)
        for (parameter, text, of, _), kit in zip(rows, used, strict=True)
    ]
    read = texts.with_row_index("line").with_columns(
        pl.lit("").alias("file"),
        pl.col("line").cast(pl.Int64),
        *(pl.Series(name, [getattr(t, name) for t in taken], pl.Float64) for name in ("low", "high", "matched")),
        *(column for column in as_cells([one.cell for one in taken]) if column.name in SAYS),
        pl.Series("kit", [kit if row else None for kit, row in zip(texts["with_kit"], used, strict=True)], pl.String),
        pl.Series("good_until", [kit.good_until if kit else None for kit in used], pl.Date),
        pl.Series("unit", [of or CANON[parameter] for parameter, _, of, _ in rows], pl.String),
    )
    judged = judge(TypedReading, read.filter(pl.col("matched").is_not_null()), context)
    bad = judged.issues.unique("line", keep="first", maintain_order=True).select("line", *SAYS)
    kept = pl.col("outcome_right").is_null()
    return read.join(bad, on="line", how="left", maintain_order="left").select(
        *(name for name in texts.columns),
        *(pl.when(kept).then(pl.col(name)).alias(name) for name in ("low", "high", "matched")),
        *(pl.when(kept).then(pl.col(name)).otherwise(pl.col(f"{name}_right")).alias(name) for name in SAYS),
        "kit",
        "good_until",
        "unit",
    )


def read_one(parameter: str, text: str, kit: KitRow | None, context: Context) -> Taken:
    """One cell, read and judged as a sheet's would be."""
    taken = read_reading(parameter, text, "", kit, context.assumed)
    if taken.matched is None:
        return taken
    values = {"low": taken.low, "high": taken.high, "matched": taken.matched}
    row = {"file": "", "line": 1, "parameter": parameter, "text": text, **values}
    frame = pl.DataFrame([row], schema_overrides=dict.fromkeys(values, pl.Float64))
    for says, fault in judge(TypedReading, frame, context).issues.select("says", "fault").iter_rows():
        return Taken(None, None, None, Cell("held", fault=fault, says=says))
    return taken


def read_typed(typed: pl.DataFrame, kits: Kits, context: Context) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The readings of typed cells, with the other columns of their rows, and the issues of the cells."""
    texts = typed.select(MEANS).unique(maintain_order=True)
    cells = typed.join(_read_texts(texts, kits, context), on=MEANS, how="left", maintain_order="left")
    odd = cells.filter(pl.col("outcome") != "accepted").with_columns(pl.col("says").fill_null(""))
    late = pl.col("day") > pl.col("good_until") if "day" in typed.columns else pl.lit(False)
    found = cells.filter(pl.col("matched").is_not_null()).with_columns(late.fill_null(False).alias("expired"))
    return found.drop("of", "with_kit", "good_until", "fault", "says", "suggestion"), join_issues([odd])


MEASURED = [record.name for record in RECORDS if record.in_tap]


def read_taps(
    frame: pl.DataFrame | None, context: Context
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """The tap table, its issues, and the rows that repeat and that are held (file, line)."""
    if frame is None or frame.height == 0:
        nothing = pl.DataFrame(schema={"file": pl.String, "line": pl.Int64})
        return empty("tap"), join_issues([]), nothing, nothing
    frame, again = first_told(frame, ["water_supply", "date", *MEASURED, "note"])
    days, unread = read_dates(frame, "date", context)
    supply = pl.when(pl.col("water_supply") != "").then("water_supply").alias("water_supply")
    judged = judge(TapSheet, frame.with_columns(days.alias("date"), supply), context, frame)
    cells = typed_wide(judged.good, MEASURED, [*KEY, "water_supply", "date"])
    read, unreadable = read_typed(cells, {}, context)
    issues = [unread, judged.issues, unreadable]
    at = pl.col("date").cast(pl.Datetime("us")).alias("at")
    readings = read.with_columns(at, pl.col("date").alias("day")).drop("kit")
    same = ["water_supply", "day", "parameter"]
    tap, clash = two_values(readings, same, contradicts(), pl.col("parameter"))
    return conform("tap", tap.sort(*KEY, "parameter")), join_issues([*issues, clash]), again, judged.held
