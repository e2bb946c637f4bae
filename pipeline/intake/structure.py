"""Bytes to text cells with physical line numbers. Clean files are split by polars; any other by the csv module, line by
line, so that one bad line costs only itself. No row is lost: what is no row is held with its line. Spreadsheets (.xlsx,
.ods) become sheets of text, each then read as a CSV is, its rows numbered as the sheet's are; how large one would become
is looked at before anything is unpacked."""

import csv
import datetime as dt
import io
import itertools
import re
import zipfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any
from xml.parsers import expat

import polars as pl
from python_calamine import CalamineError, CalamineWorkbook, SheetTypeEnum

from pipeline.intake.grammar import faults

SEPARATORS = ",;\t"
BLANK = " \t\u00a0"
HEADER_WITHIN = 25  # records: title lines above a table are few
TOP = HEADER_WITHIN * 4  # lines in which those records are looked for
NAMELESS = re.compile(r"\(column \d+\)")  # a column whose header is blank
LONGEST_NAME = 200  # characters: no header name is longer, and folding a line of megabytes takes seconds
MOST_LINES = 500_000  # of a file: forty tanks visited each week fill them in two centuries
LONGEST_LINE = 100_000  # characters of a row; no note is longer
csv.field_size_limit(2**31 - 1)  # what is too long is held with its line instead


@dataclass
class Table:
    """A file as text: `cells` has one column per header name, and `line`."""

    header: list[str]
    cells: pl.DataFrame
    # Lines that are no row, held, and such as lack fields, warned: (line, outcome, fault, what is said, text).
    odd: list[tuple[int, str, str, str, str]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    separator: str = ","


class NoTable(Exception):
    """The file has no table that can be read; the message says what was found and what to do."""

    def __init__(self, case: str, fault: str = "", **shown: object) -> None:
        super().__init__(faults()[case].format(**shown))
        self.fault = fault or case.partition(":")[0]


def decode(raw: bytes) -> tuple[str, str]:
    """Text of a file, and a remark where the encoding had to be worked out."""
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return raw.decode("utf-16", errors="replace"), "read as UTF-16"
    if raw.count(b"\x00") > len(raw) // 8:
        little = raw[1::2].count(b"\x00") >= raw[0::2].count(b"\x00")
        return raw.decode("utf-16-le" if little else "utf-16-be", errors="replace"), "read as UTF-16 without its mark"
    for encoding, remark in (("utf-8-sig", ""), ("cp1252", "read as Windows-1252")):
        with suppress(UnicodeDecodeError):
            return raw.decode(encoding), remark
    # cp1252 leaves five bytes undefined; latin-1 keeps those rather than losing the file.
    return raw.decode("latin-1"), "read as Latin-1"


def _records(lines: list[str], separator: str, start: int) -> Iterator[tuple[int, int, list[str]]]:
    """(first line, last line, fields) of every record from index `start`; lines count from 1.

    A quote that is opened and never closed would swallow the file: then the record is that line alone, read
    without quotes, and reading goes on with the next line.
    """
    while start < len(lines):
        first = start
        reader = csv.reader((lines[n] for n in range(start, len(lines))), delimiter=separator, strict=True)
        try:
            for fields in reader:
                yield first + 1, start + reader.line_num, fields
                first = start + reader.line_num
            return
        except csv.Error:
            fields = next(csv.reader([lines[first]], delimiter=separator, quoting=csv.QUOTE_NONE), [])
            yield first + 1, first + 1, fields
            start = first + 1


def _header(
    lines: list[str], knows: frozenset[str], fold: Callable[[str], str], is_sheet: bool
) -> tuple[str, int, int, list[str]] | None:
    """(separator, first line, last line, names) of the record near the top that holds most known names."""
    tried = [
        (len({fold(name) for name in names if len(name) <= LONGEST_NAME} & knows), mark, first, last, names)
        for mark in ("," if is_sheet else SEPARATORS)
        for first, last, names in itertools.islice(_records(lines[:TOP], mark, 0), HEADER_WITHIN)
    ]
    known, mark, first, last, names = max(tried, key=lambda one: one[0])
    names = [name.strip().strip("\ufeff") for name in names]
    while names and not names[-1] and not is_sheet:  # a sheet is as wide as what stands in it
        names.pop()
    return (mark, first, last, names) if known else None


def read_table(
    raw: bytes, knows: frozenset[str], fold: Callable[[str], str], most_columns: int, is_sheet: bool = False
) -> Table:
    """Read a file, or a sheet that was made one. `fold` makes a header name comparable; `knows` are the folded names that a header may hold."""
    first_lines = raw[: 1 << 22].split(b"\n", HEADER_WITHIN)[:HEADER_WITHIN]
    widest = 1 + max(line.count(mark.encode()) for line in first_lines for mark in SEPARATORS)
    if widest > most_columns:
        raise NoTable("too many columns", widest=widest, most=most_columns)
    if (many := raw.count(b"\n") or raw.count(b"\r")) > MOST_LINES:
        raise NoTable("too many lines", many=many, most=MOST_LINES)
    text, remark = decode(raw)
    if not text.strip():
        return Table([], pl.DataFrame({"line": []}, schema={"line": pl.Int64}))
    lines = list(io.StringIO(text, newline=""))  # also of files whose lines end in a lone carriage return
    header = _header(lines, knows, fold, is_sheet)
    if header is None:
        shown = next((line.strip() for line in lines[:TOP] if line.strip()), "")
        raise NoTable("no header", shown=shown)
    separator, first, last, names = header
    table = _read_clean(lines, last, separator, names) or _read_lines(lines, last, separator, names)
    table.separator = separator
    if remark:
        table.remarks.append(remark)
    if first > 1:
        table.remarks.append(f"{first - 1} lines above the table passed over")
    return table


def _unique(names: list[str]) -> list[str]:
    """Names made distinct: a name that comes again gets its column number."""
    seen: set[str] = set()
    result = []
    for place, name in enumerate(names, 1):
        own = name or f"(column {place})"
        result.append(own if own not in seen and own != "line" else f"{own} (column {place})")
        seen.add(own)
    return result


def _read_clean(lines: list[str], skip: int, separator: str, names: list[str]) -> Table | None:
    """The rows after some lines by polars, which is quick and strict; None where a line is not as wide as the header, or
    holds a quoted separator or another mark that only the csv module reads as people mean it."""
    body = "".join(lines[skip:]).replace("\r\n", "\n").rstrip("\n")
    if '"' in body:  # quotes around a whole field that needs none
        body = re.sub(
            rf'"(?<![^{separator}\n]")([^"{separator}\n]*)"(?=[{separator}\n]|\Z)', lambda found: found[1], body
        )
    header, many = _unique(names), body.count("\n") + 1
    odd = any(mark in body for mark in '"\r\x00\ufeff') or max(map(len, lines)) > LONGEST_LINE
    if not body or odd or body.count(separator) != (len(header) - 1) * many:
        return None
    try:
        cells = pl.read_csv(
            body.encode("utf-8", "surrogatepass"),
            has_header=False,
            separator=separator,
            quote_char=None,
            new_columns=header,
            infer_schema=False,
            empty_string_is_null=False,
        )
    except pl.exceptions.PolarsError:
        return None
    # polars fills a short line; with the right count of separators in all, there is a long one too, which it refuses.
    if cells.shape != (many, len(header)):
        return None
    cells = cells.with_columns(pl.all().str.strip_chars(BLANK), line=pl.int_range(skip + 1, skip + 1 + many))
    return Table(header, cells.filter(pl.any_horizontal(pl.col(header) != "")).select("line", *header))


def _read_lines(lines: list[str], skip: int, separator: str, names: list[str]) -> Table:
    """The rows after some lines: one with too many fields is held as typed, one with too few is filled with blanks."""
    width = len(names)
    rows = [row for row in _records(lines, separator, skip) if any(cell.strip() for cell in row[2])]
    everywhere = min((len(fields) for _, _, fields in rows), default=width)
    spare = everywhere > width and all(not "".join(fields[width:]).strip() for _, _, fields in rows)
    good: list[list[str | int]] = []
    odd: list[tuple[int, str, str, str, str]] = []
    for first, last, fields in rows:
        wide = len(fields) > width and not (spare and len(fields) == everywhere)
        if sum(map(len, fields)) > LONGEST_LINE or wide:
            fault = "too long" if sum(map(len, fields)) > LONGEST_LINE else "too many fields"
            says = faults()[fault].format(most=LONGEST_LINE, many=len(fields), width=width)
            odd.append((first, "held", fault, says, "".join(lines[first - 1 : last]).rstrip("\r\n")[:2000]))
            continue
        if len(fields) < width:
            odd.append((first, "warned", "short line", faults()["short line"], ""))
        good.append([first, *(fields + [""] * width)[:width]])
    header = _unique(names)
    schema = {"line": pl.Int64, **dict.fromkeys(header, pl.String)}
    cells = pl.DataFrame(good, schema=schema, orient="row").with_columns(pl.col(pl.String).str.strip_chars(BLANK))
    return Table(header, cells, odd)


# -- workbooks -------------------------------------------------------------------------------------------

UNPACKED_MB = 100  # a workbook of 2,000 visits comes to 2 MB
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
                raise NoTable("file: unpacked", large=large, most=UNPACKED_MB)
            parts = {part.filename: book.read(part) for part in wanted}
        for name, content in parts.items():  # the reader may never come to an end of what is not well formed
            if name.endswith((".xml", ".rels")):
                expat.ParserCreate().Parse(content, True)
    except NoTable:
        raise
    except Exception:  # of a damaged or locked archive, zipfile raises many kinds
        raise NoTable("file: locked") from None
    cells, text = _reach_ods(parts) if "content.xml" in parts else _reach_xlsx(parts)
    if cells > MOST_CELLS:
        raise NoTable("file: too far", cells=cells, most=MOST_CELLS)
    if text > MOST_TEXT:
        raise NoTable("file: repeats")
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as book:
        for name, content in parts.items():
            book.writestr(name, content)
    return out.getvalue()


def _as_csv(rows: Iterable[list[str]]) -> bytes:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    return text.getvalue().encode("utf-8", "replace")


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
        made.append((kind or "visits", _as_csv([row[place] for place in used] if row else [] for row in (head, *mine))))
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
        raise NoTable("file: no workbook", error=str(error)) from None
    for name, grid in zip(names, grids, strict=True):
        rows = [[as_text(value) for value in row] for row in grid]
        width = max((place for row in rows for place, text in enumerate(row, 1) if text), default=0)
        if not width:
            continue
        # A blank line, not a line of commas, so that it is passed over as in any CSV.
        yield name, _as_csv(row[:width] if any(row) else [] for row in rows)
