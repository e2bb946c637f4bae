"""Some sheets changed: their rows are taken out of a copy of the warehouse, and put in anew."""

from __future__ import annotations

from collections.abc import Sequence

import duckdb
import polars as pl

from pipeline.store.warehouse import PARTED, PARTS, parts_stored, put, query, settle
from schemas import BASE_TABLES, Tables, conform
from schemas.words import ROW_OUTCOMES

BY_ROW = ("visit_row", "row_beside", "water_change", "held", "remark")
BY_FILE = ("held", "remark", "account", "unknown_column")
MEANS = ["parameter", "unit", "text", "kit", "low", "high", "matched", "outcome"]


def _take_out(
    con: duckdb.DuckDBPyConnection, changed: Sequence[str], zone: pl.DataFrame, context: Sequence[str]
) -> None:
    """Everything that the sheets read again say anew."""
    frames = {"going_file": pl.DataFrame({"file": list(changed)}, schema={"file": pl.String}), "going_row": zone,
              "context_file": pl.DataFrame({"file": list(context)}, schema={"file": pl.String})}  # fmt: skip
    for name, frame in frames.items():
        con.register("incoming_frame", frame.to_arrow())
        con.execute(f"create or replace temp table {name} as select * from incoming_frame")
        con.unregister("incoming_frame")
    goes = """(file in (select file from going_file)
               or exists (select 1 from going_row g where g.file = t.file and g.line = t.line))"""
    con.execute(f'delete from reading_cell where "row" in (select "row" from visit_row t where {goes})')
    for name in BY_ROW:
        con.execute(f"delete from {name} t where {goes}")
    con.execute("create or replace temp table of_visits as select file from account where family = 'visit'")
    for name in BY_FILE:
        con.execute(f"delete from {name} where file not in (select file from of_visits)")
        con.execute(f"delete from {name} where file in (select file from going_file)")
    for name in ("held", "remark"):
        con.execute(f"delete from {name} where line = 0 and file in (select file from context_file)")
    con.execute("delete from unknown_column where file in (select file from context_file)")


def _append(con: duckdb.DuckDBPyConnection, name: str, frame: pl.DataFrame) -> None:
    if frame.height:
        con.register("incoming_frame", frame.to_arrow())
        con.execute(f'insert into "{name}" by name select * from incoming_frame')
        con.unregister("incoming_frame")


def _meanings(con: duckdb.DuckDBPyConnection, meaning: pl.DataFrame) -> pl.DataFrame:
    """`meaning` and `number`: what the new meanings are numbered in the warehouse; those it lacks are put in."""
    known = query(con, "select * from meaning order by meaning")
    # The same may stand twice (typed under a header with the unit, and under one without): the first of them is meant.
    first = known.unique(MEANS, keep="first", maintain_order=True).rename({"meaning": "number"})
    found = meaning.join(first, on=MEANS, how="left", nulls_equal=True, maintain_order="left")
    next_number = (int(known["meaning"].max()) + 1) if known.height else 0  # type: ignore[arg-type]
    lacking = found["number"].is_null()
    found = found.with_columns(
        pl.coalesce(pl.col("number").cast(pl.Int64), next_number + lacking.cum_sum().cast(pl.Int64) - 1)
        .cast(pl.UInt32)
        .alias("number")
    )
    _append(con, "meaning", found.filter(lacking).drop("meaning").rename({"number": "meaning"}))
    return found.select("meaning", "number")


def apply_delta(
    con: duckdb.DuckDBPyConnection, parts: Tables, changed: Sequence[str], zone: pl.DataFrame, context: Sequence[str]
) -> None:
    """Bring the checked tables of a warehouse up to date.

    `parts` are the checked tables of all small files and of the sheets read again; all rows of the files `changed` are
    replaced, of the files `context` only the rows of `zone` (file, line).
    """
    _take_out(con, changed, zone, context)
    parts = parts_stored(parts)

    def new_rows(name: str) -> pl.DataFrame:
        frame = parts[name]
        if frame.height == 0:
            return frame
        again = frame.join(zone, on=["file", "line"], how="semi", maintain_order="left")
        own = pl.col("file").is_in(context).not_()
        head = (pl.col("line") == 0) & pl.col("file").is_in(context)
        return (
            pl.concat([frame.filter(own | head), again]) if name in BY_FILE else pl.concat([frame.filter(own), again])
        )

    visit, cells = new_rows("visit_row"), parts["reading_cell"]
    if visit.height:
        first = int(query(con, 'select coalesce(max("row") + 1, 0)::bigint as first from visit_row').item())
        numbered = visit.with_columns(pl.int_range(first, first + visit.height, dtype=pl.UInt32).alias("number"))
        numbers = _meanings(con, parts["meaning"])
        cells = (
            cells.join(numbered.select("row", "number"), on="row", how="inner")
            .drop("row")
            .rename({"number": "row"})
            .join(numbers, on="meaning", how="left")
            .drop("meaning")
            .rename({"number": "meaning"})
        )
        _append(con, "visit_row", numbered.drop("row").rename({"number": "row"}).select(list(PARTS["visit_row"])))
        _append(con, "reading_cell", cells.select(list(PARTS["reading_cell"])))
    beside = new_rows("row_beside")
    _append(con, "row_beside", beside.select(list(PARTS["row_beside"])) if beside.height else beside)
    _append(con, "water_change", conform("water_change", new_rows("water_change")))
    for name in ("held", "remark"):
        _append(con, name, conform(name, new_rows(name)))
    _append(con, "account", conform("account", parts["account"].filter(~pl.col("file").is_in(context))))
    _append(con, "unknown_column", conform("unknown_column", parts["unknown_column"]))
    _count_again(con)
    small = [name for name in BASE_TABLES if name not in (*PARTED, *BY_ROW, *BY_FILE)]
    put(con, {name: parts[name] for name in small})
    settle(con)


def _count_again(con: duckdb.DuckDBPyConnection) -> None:
    """The account of the files of which only some rows were read again."""
    counts = ", ".join(f"count(*) filter (outcome = '{name}')::bigint as {name}" for name in ROW_OUTCOMES)
    sets = ", ".join(f"{name} = c.{name}" for name in ROW_OUTCOMES)
    con.execute(
        f"""update account set {sets}
            from (select file, {counts} from sheet_row where file in (select file from context_file) group by file) c
            where account.file = c.file"""
    )
