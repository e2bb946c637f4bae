"""Spreadsheets (.xlsx, .ods) to sheets of text: each is then read as a CSV is, its rows numbered as the sheet's are.
How large it would become is looked at before anything is unpacked."""

import csv
import datetime as dt
import io
import re
import zipfile
from collections.abc import Iterator, Sequence
from typing import Any
from xml.parsers import expat

from python_calamine import CalamineError, CalamineWorkbook, SheetTypeEnum

from pipeline.intake.structure import NoTable

UNPACKED_MB = 100  # a workbook of 2,000 visits comes to 2 MB
SAVE_ANEW = "save it anew as .xlsx, .ods or CSV"
MOST_CELLS = 2_000_000  # of a sheet, blank ones between included
MOST_TEXT = 500_000_000  # bytes that repeated texts may come to
XLSX_CELL = re.compile(rb"""\br\s*=\s*["']\s*([A-Za-z]*)(\d+)""")  # of a cell, or of a row, which has no letters
XLSX_TEXT = re.compile(rb"<si\b.*?</si>", re.DOTALL)
ODS_ROW = re.compile(rb"<table:table-row\b([^>]*?)(?:/>|>(.*?)</table:table-row>)", re.DOTALL)
ODS_CELL = re.compile(
    rb"<table:(?:covered-)?table-cell\b([^>]*?)(?:/>|>(.*?)</table:(?:covered-)?table-cell>)", re.DOTALL
)
REPEATED = re.compile(rb"""number-(?:rows|columns)-repeated\s*=\s*["']\s*(\d+)""")


def _column(letters: bytes) -> int:
    place = 0
    for letter in letters.upper()[:8]:
        place = place * 26 + letter - 64
    return place


def _reach_xlsx(parts: dict[str, bytes]) -> tuple[int, int]:
    """(cells, bytes of text) that the largest sheet comes to when it is laid out."""
    cells = 0
    for name, content in parts.items():
        if "worksheets/" in name.casefold():
            places = set(XLSX_CELL.findall(content))
            wide = max((_column(letters) for letters in {one for one, _ in places}), default=0)
            wide = max(wide, *(row.count(b"<c") for row in content.split(b"<row")))  # cells need not say where they are
            cells = max(cells, wide * max((int(row[:12]) for _, row in places), default=0))
    strings = next((content for name, content in parts.items() if name.casefold().endswith("sharedstrings.xml")), b"")
    return cells, cells * max((len(text) for text in XLSX_TEXT.findall(strings)), default=0)


def _times(attributes: bytes) -> int:
    found = REPEATED.search(attributes)
    return int(found[1][:12]) if found else 1


def _reach_ods(parts: dict[str, bytes]) -> tuple[int, int]:
    """As _reach_xlsx; all sheets together."""
    rows = last = width = text = 0
    for attributes, body in ODS_ROW.findall(parts.get("content.xml", b"")):
        place = 0
        for own, content in ODS_CELL.findall(body):
            times = _times(own)
            place += times
            if content:
                width, last = max(width, place), rows + _times(attributes)
                text += times * _times(attributes) * len(content)
        rows += _times(attributes)
    return width * last, text


def _checked(raw: bytes) -> bytes:
    """The workbook with only the parts that were looked at; refused is what is damaged or would not fit the memory."""
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as book:
            wanted = [part for part in book.infolist() if part.filename.endswith((".xml", ".rels", "mimetype"))]
            if (large := sum(part.file_size for part in wanted) / 1e6) > UNPACKED_MB:
                says = f"it would be {large:.0f} MB unpacked, more than {UNPACKED_MB} MB; split it into several files"
                raise NoTable(says)
            parts = {part.filename: book.read(part) for part in wanted}
        for name, content in parts.items():  # the reader may never come to an end of what is not well formed
            if name.endswith((".xml", ".rels")):
                expat.ParserCreate().Parse(content, True)
    except NoTable:
        raise
    except Exception:  # of a damaged or locked archive, zipfile raises many kinds
        raise NoTable(f"it is no workbook that can be read, or is locked with a password; {SAVE_ANEW}") from None
    cells, text = _reach_ods(parts) if "content.xml" in parts else _reach_xlsx(parts)
    if cells > MOST_CELLS or text > MOST_TEXT:
        far = (
            f"a sheet reaches over {cells} cells, more than the {MOST_CELLS} that one may have"
            if cells > MOST_CELLS
            else "its texts repeat too often"
        )
        raise NoTable(f"{far}; delete what stands far below or to the right of the table, or split it")
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as book:
        for name, content in parts.items():
            book.writestr(name, content)
    return out.getvalue()


def by_record(raw: bytes) -> list[tuple[str, bytes]]:
    """A CSV whose first column is `record` as one for each kind of record, its rows on the lines they had; else none.

    So what a phone form saves, visits and services and events in one file, is read as any sheet.
    """
    if raw[:32].removeprefix(b"\xef\xbb\xbf").strip(b'"').partition(b",")[0].strip(b'"').lower() != b"record":
        return []
    head, *rows = csv.reader(io.StringIO(raw.decode("utf-8-sig", "replace"), newline=""))
    rows = [[*row, *[""] * (len(head) - len(row))] for row in rows]
    made = []
    for kind in dict.fromkeys(row[0].strip() for row in rows if any(row)):
        mine = [row if row[0].strip() == kind else [] for row in rows]
        used = [place for place in range(1, len(head)) if any(row and row[place] for row in mine)]
        text = io.StringIO()
        names = [head[place] for place in used]
        csv.writer(text, lineterminator="\n").writerows(
            [names, *([row[place] for place in used] if row else [] for row in mine)]
        )
        made.append((kind or "visits", text.getvalue().encode()))
    return made


def as_text(value: object) -> str:
    """A cell as it would be typed: dates as ISO 8601, whole numbers without a point."""
    if isinstance(value, float):
        return f"{value:.15g}"
    if isinstance(value, dt.datetime):
        return value.strftime("%Y-%m-%d" if value.time() == dt.time() else "%Y-%m-%d %H:%M")
    if isinstance(value, dt.time):
        return value.strftime("%H:%M")
    return " ".join(str(value).split())


def _unmerged(
    grid: list[list[Any]], merged: Sequence[tuple[tuple[int, int], tuple[int, int]]] | None
) -> list[list[Any]]:
    """The cells with what is merged over several rows in each of them; a title across one row stays as it is."""
    for (top, left), (bottom, right) in merged or ():
        if top < bottom < len(grid):
            for row in range(top, bottom + 1):
                for place in range(left, min(right + 1, len(grid[row]))):
                    grid[row][place] = grid[top][left]
    return grid


def sheets_of(raw: bytes) -> Iterator[tuple[str, bytes]]:
    """(name, content as a CSV with a line for each row) of every sheet that holds anything.

    Raises NoTable, saying why, for what is no workbook or too large.
    """
    checked = _checked(raw)
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(checked))
        names = [one.name for one in book.sheets_metadata if one.typ == SheetTypeEnum.WorkSheet]
        sheets = [book.get_sheet_by_name(name) for name in names]
        grids = [_unmerged(sheet.to_python(skip_empty_area=False), sheet.merged_cell_ranges) for sheet in sheets]
    except (CalamineError, ValueError, OSError) as error:
        raise NoTable(f"it is no workbook that can be read ({str(error)[:80]}); {SAVE_ANEW}") from None
    for name, grid in zip(names, grids, strict=True):
        rows = [[as_text(value) for value in row] for row in grid]
        width = max((place for row in rows for place, text in enumerate(row, 1) if text), default=0)
        if not width:
            continue
        text = io.StringIO()
        # A blank line, not a line of commas, so that it is passed over as in any CSV.
        csv.writer(text, lineterminator="\n").writerows(row[:width] if any(row) else [] for row in rows)
        yield name, text.getvalue().encode("utf-8", "replace")
