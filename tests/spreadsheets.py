"""Small workbooks for the tests: .xlsx by XlsxWriter, .ods by hand."""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from collections.abc import Mapping, Sequence
from html import escape

import xlsxwriter

Grid = Sequence[Sequence[object]]
ODS = (
    '<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0"'
    ' xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0"'
    ' xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"><office:body><office:spreadsheet>'
)


def xlsx(sheets: Mapping[str, Grid]) -> bytes:
    """A workbook; dates are real dates, None is no cell."""
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        day = book.add_format({"num_format": "dd/mm/yyyy"})
        for name, grid in sheets.items():
            sheet = book.add_worksheet(name)
            for row, cells in enumerate(grid):
                for place, value in enumerate(cells):
                    if isinstance(value, dt.date):
                        sheet.write_datetime(row, place, dt.datetime.combine(value, dt.time()), day)
                    elif value is not None:
                        sheet.write(row, place, value)
    return out.getvalue()


def ods_of(body: str) -> bytes:
    """A workbook of OpenDocument around its tables."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as book:
        book.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        book.writestr(
            "META-INF/manifest.xml",
            '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>',
        )
        book.writestr("content.xml", f"{ODS}{body}</office:spreadsheet></office:body></office:document-content>")
    return out.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return "<table:table-cell/>"
    if isinstance(value, dt.date):
        kind = f'office:value-type="date" office:date-value="{value}"'
    elif isinstance(value, int | float):
        kind = f'office:value-type="float" office:value="{value}"'
    else:
        kind = 'office:value-type="string"'
    return f"<table:table-cell {kind}><text:p>{escape(str(value))}</text:p></table:table-cell>"


def ods(sheets: Mapping[str, Grid]) -> bytes:
    """As xlsx()."""
    return ods_of(
        "".join(
            f'<table:table table:name="{escape(name)}">'
            + "".join(f"<table:table-row>{''.join(map(_cell, row))}</table:table-row>" for row in grid)
            + "</table:table>"
            for name, grid in sheets.items()
        )
    )
