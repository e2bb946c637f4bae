"""All checked tables as CSV, Parquet or one workbook, described as a Frictionless Data Package. CSV is safe to open
in a spreadsheet: a text that begins like a formula gets an apostrophe before it, and only then."""

import datetime as dt
import hashlib
import io
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import polars as pl
import polars.selectors as cs

from pipeline.papers.writing import write_bytes, zipped
from pipeline.problems import Problem
from pipeline.week import Week
from schemas import conform
from schemas.columns import describe
from schemas.tables import TABLES

FORMATS = ("csv", "xlsx", "parquet")
BOM = b"\xef\xbb\xbf"
# What a spreadsheet may take for a formula. Apostrophes before it count, so that taking one away gives back the text.
RISKY = r"^'*[=+\-@\t\r\n]"
PACKAGE, WORKBOOK = "datapackage.json", "tankround.xlsx"
LONGEST_CELL, MOST_ROWS = 32_767, 1_048_575  # of a sheet, by the format

TEXT = pl.col(pl.String)
# Text with an apostrophe before what a spreadsheet would read as a formula.
GUARDED = pl.when(TEXT.str.contains(RISKY)).then(pl.lit("'") + TEXT).otherwise(TEXT).name.keep()
# Lists as JSON arrays, which is what a Data Package reads as an array.
LISTS = cs.list().map_elements(lambda items: json.dumps(list(items), ensure_ascii=False), return_dtype=pl.String)


def to_csv(frame: pl.DataFrame) -> bytes:
    """The frame as CSV with a byte order mark; lists as JSON arrays, dates as ISO 8601, nulls empty."""
    out = io.BytesIO()
    out.write(BOM)
    frame.with_columns(GUARDED, LISTS).write_csv(out, datetime_format="%Y-%m-%dT%H:%M:%S")
    return out.getvalue()


def to_xlsx(tables: Mapping[str, pl.DataFrame]) -> bytes:
    """One workbook with a sheet a table, its header kept in sight; text is text, never a formula or a link."""
    import xlsxwriter

    out = io.BytesIO()
    plain = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(out, {"in_memory": True, "nan_inf_to_errors": True, **plain}) as book:
        book.set_properties({"created": dt.datetime(2000, 1, 1)})  # the same tables give the same bytes
        for name, frame in tables.items():
            # A cell of a sheet takes no more; what is longer is whole in CSV and Parquet.
            cut = TEXT.str.slice(0, LONGEST_CELL)
            frame.with_columns(LISTS).with_columns(cut).head(MOST_ROWS).write_excel(
                book, name[:31], header_format={"bold": True}, freeze_panes="A2", autofit=False
            )
    return out.getvalue()


NAMES = {pl.List: "array", pl.Datetime: "datetime", pl.Date: "date", pl.Boolean: "boolean", pl.String: "string"}


def _type(kind: pl.DataType) -> str:
    return NAMES.get(kind.base_type()) or ("integer" if kind.is_integer() else "number")


def _nonempty(**parts: Any) -> dict[str, Any]:
    """What of it says something."""
    return {name: value for name, value in parts.items() if value}


def schema_of(table: str) -> dict[str, Any]:
    """The Table Schema of a table, from the titles, units, descriptions and words of `schemas`."""
    types: Mapping[str, pl.DataType] = conform(table, pl.DataFrame()).schema
    fields = []
    for name, note in describe(TABLES[table]).items():
        # A text may be there and empty.
        rules = _nonempty(required=note.required and types[name] != pl.String, enum=list(note.words))
        extras = _nonempty(description=note.description, unit=note.unit, constraints=rules)
        fields.append({"name": name, "title": note.title, "type": _type(types[name]), **extras})
    return {"fields": fields}


def _resource(table: str, form: str, content: bytes) -> dict[str, Any]:
    csv = {"mediatype": "text/csv", "encoding": "utf-8-sig"}
    return {
        "name": table.replace("_", "-"),
        "path": f"{table}.{form}",
        "profile": "tabular-data-resource" if form == "csv" else "data-resource",
        "description": (TABLES[table].__doc__ or table).strip().splitlines()[0],
        "format": form,
        "bytes": len(content),
        "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
        "schema": schema_of(table),
        **(csv if form == "csv" else {"mediatype": "application/vnd.apache.parquet"}),
    }


def columns_of_tables() -> pl.DataFrame:
    """Every column of every table: title, unit, what it is, allowed words."""
    rows = [
        {"table": table, "column": name, "title": note.title, "unit": note.unit, "description": note.description, "words": ", ".join(note.words)}
        for table, model in TABLES.items()
        for name, note in describe(model).items()
    ]  # fmt: skip
    return pl.DataFrame(rows)


def contents(week: Week, form: str = "csv") -> Iterator[tuple[str, bytes]]:
    """Name and bytes of every file of an export, the description last."""
    if form not in FORMATS:
        raise Problem(f"“{form}” is not a format of an export; expected csv, xlsx or parquet.")
    tables = {name: conform(name, week.tables[name]) for name in TABLES if name in week.tables}
    if form == "xlsx":
        yield WORKBOOK, to_xlsx({"columns": columns_of_tables(), **tables})
        return
    resources, guarded = [], " A text that begins with =, +, -, @, a tab or a line break stands after an apostrophe."
    for table, frame in tables.items():
        out = io.BytesIO()
        if form == "parquet":
            frame.write_parquet(out)  # text as it was typed
        content = out.getvalue() or to_csv(frame)
        resources.append(_resource(table, form, content))
        yield f"{table}.{form}", content
    package = {
        "profile": "data-package",
        "name": "tankround-export",
        "title": f"Checked tables of {week.round.name or 'a tank round'}",
        "description": f"Records and calculation as of {week.as_of}. Empty means not known, never 0."
        + (guarded if form == "csv" else ""),
        "created": f"{week.as_of}T00:00:00Z",
        "resources": resources,
    }
    yield PACKAGE, json.dumps(package, ensure_ascii=False, indent=1).encode()


def export(week: Week, folder: Path, form: str = "csv") -> list[Path]:
    """Writes every table the week holds into a folder, the description last: a package with one is whole.

    As xlsx it is one workbook, in which the first sheet describes the columns.
    """
    return [write_bytes(folder / name, content) for name, content in contents(week, form)]


def export_zip(week: Week, form: str = "csv") -> bytes:
    return zipped(contents(week, form))
