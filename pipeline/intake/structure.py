"""Bytes to text cells with physical line numbers. Clean files are split by polars; any other by the csv module, line
by line, so that one bad line costs only itself. No row is lost: what is no row is held with its line."""

import csv
import io
import itertools
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import polars as pl

SEPARATORS = ",;\t"
BLANK = " \t\u00a0"
HEADER_WITHIN = 25  # records: title lines above a table are few
TOP = HEADER_WITHIN * 4  # lines in which those records are looked for
NAMELESS = re.compile(r"\(column \d+\)")  # a column whose header is blank
LONGEST_NAME = 200  # characters: no header name is longer, and folding a line of megabytes takes seconds
MOST_LINES = 500_000  # of a file: forty tanks visited each week fill them in two centuries
LONGEST_LINE = 100_000  # characters of a row; no note is longer
HALF_LINE = LONGEST_LINE // 2  # a longer line reaches over as many without an end of a line
csv.field_size_limit(2**31 - 1)  # what is too long is held with its line instead


@dataclass(frozen=True)
class BadLine:
    """A line that is no row: its number, its text, and why."""

    line: int
    text: str
    fault: str
    reason: str


@dataclass
class Table:
    """A file as text: `cells` has one column per header name, and `line`."""

    header: list[str]
    cells: pl.DataFrame
    bad: list[BadLine] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    short: list[int] = field(default_factory=list)  # lines with fewer fields than the header
    separator: str = ","


class NoTable(Exception):
    """The file has no table that can be read; the message says what was found and what to do."""

    def __init__(self, fault: str, message: str) -> None:
        super().__init__(message)
        self.fault = fault


def decode(raw: bytes) -> tuple[str, str]:
    """Text of a file, and a remark where the encoding had to be worked out."""
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return raw.decode("utf-16", errors="replace"), "read as UTF-16"
    if raw.count(b"\x00") > len(raw) // 8:
        little = raw[1::2].count(b"\x00") >= raw[0::2].count(b"\x00")
        return raw.decode("utf-16-le" if little else "utf-16-be", errors="replace"), "read as UTF-16 without its mark"
    try:
        return raw.decode("utf-8-sig"), ""
    except UnicodeDecodeError:
        # cp1252 leaves five bytes undefined; latin-1 keeps those rather than losing the file.
        try:
            return raw.decode("cp1252"), "read as Windows-1252"
        except UnicodeDecodeError:
            return raw.decode("latin-1"), "read as Latin-1"


def _lines(text: str) -> list[str]:
    """Physical lines with their ends; also for files whose lines end in a lone carriage return."""
    return list(io.StringIO(text, newline=""))


def _records(lines: list[str], separator: str, start: int) -> Iterator[tuple[int, int, list[str]]]:
    """(first line, last line, fields) of every record from index `start`; lines count from 1.

    A quote that is opened and never closed would swallow the file: then the record is that line alone, read
    without quotes, and reading goes on with the next line.
    """
    index = start
    while index < len(lines):
        position = index

        def feed() -> Iterator[str]:
            nonlocal position
            while position < len(lines):
                position += 1
                yield lines[position - 1]

        reader = csv.reader(feed(), delimiter=separator, strict=True)
        while True:
            first = position
            try:
                fields = next(reader, None)
            except csv.Error:
                fields = next(csv.reader([lines[first]], delimiter=separator, quoting=csv.QUOTE_NONE), [])
                yield first + 1, first + 1, fields
                index = first + 1
                break
            if fields is None:
                return
            yield first + 1, position, fields


def _known(names: list[str], knows: frozenset[str], fold: Callable[[str], str]) -> int:
    """How many distinct known names stand among these."""
    return len({fold(name) for name in names if len(name) <= LONGEST_NAME} & knows)


def _separator(sample: list[str], knows: frozenset[str], fold: Callable[[str], str]) -> str:
    """The mark that makes most known names of a line."""

    def most(mark: str) -> int:
        return max((_known(line.split(mark), knows, fold) for line in sample), default=0)

    # A mark that stands nowhere leaves lines whole, and a whole line is one name at most.
    there = {mark: most(mark) for mark in SEPARATORS if any(mark in line for line in sample)}
    if max(there.values(), default=0) > 1:
        return max(there, key=lambda mark: there[mark])
    return max(SEPARATORS, key=most)


def _header(
    top: list[str], knows: frozenset[str], fold: Callable[[str], str], is_sheet: bool
) -> tuple[str, tuple[int, int, list[str]] | None]:
    """The separator, and (first line, last line, names) of the record near the top that holds most known names."""
    separator = "," if is_sheet else _separator([line for line in top if line.strip()][:HEADER_WITHIN], knows, fold)
    best: tuple[int, int, list[str]] | None = None
    most = 0
    for first, last, fields in itertools.islice(_records(top, separator, 0), HEADER_WITHIN):
        known = _known(fields, knows, fold)
        if known > most:
            most, best = known, (first, last, fields)
    if best is None:
        return separator, None
    first, last, fields = best
    names = [name.strip().strip("\ufeff") for name in fields]
    while names and not names[-1] and not is_sheet:  # a sheet is as wide as what stands in it
        names.pop()
    return separator, (first, last, names)


def read_table(
    raw: bytes, knows: frozenset[str], fold: Callable[[str], str], most_columns: int, is_sheet: bool = False
) -> Table:
    """Read a file, or a sheet that was made one. `fold` makes a header name comparable; `knows` are the folded names that a header may hold."""
    if (widest := _widest(raw)) > most_columns:
        raise NoTable(
            "too many columns",
            f"its first line has {widest} columns, more than the {most_columns} that a file may have; split it",
        )
    if (lines := raw.count(b"\n") or raw.count(b"\r")) > MOST_LINES:
        raise NoTable(
            "too many lines", f"it has {lines} lines, more than the {MOST_LINES} that a file may have; split it"
        )
    text, remark = decode(raw)
    if not text.strip():
        return Table([], pl.DataFrame({"line": []}, schema={"line": pl.Int64}))
    top = list(itertools.islice(io.StringIO(text, newline=""), TOP))
    separator, header = _header(top, knows, fold, is_sheet)
    if header is None:
        shown = next((line.strip() for line in top if line.strip()), "")
        raise NoTable("no header", f"no line at its top names a known column; its first line reads “{shown[:80]}”")
    first, last, names = header
    body = text[sum(len(line) for line in top[:last]) :]
    table = _read_clean(body, last, separator, names) or _read_line_by_line(_lines(text), last, separator, names)
    table.separator = separator
    if remark:
        table.remarks.append(remark)
    if first > 1:
        table.remarks.append(f"{first - 1} lines above the table passed over")
    return table


def _widest(raw: bytes) -> int:
    """The most separators in one of the first lines, and one more."""
    top = raw[: 1 << 22].split(b"\n", HEADER_WITHIN)[:HEADER_WITHIN]
    return 1 + max((line.count(mark.encode()) for line in top for mark in SEPARATORS), default=0)


def _unique(names: list[str]) -> list[str]:
    """Names made distinct: a name that comes again gets its column number."""
    seen: set[str] = set()
    result = []
    for place, name in enumerate(names, 1):
        own = name or f"(column {place})"
        result.append(own if own not in seen and own != "line" else f"{own} (column {place})")
        seen.add(own)
    return result


def _read_clean(body: str, skip: int, separator: str, names: list[str]) -> Table | None:
    """By polars, which is quick and strict: only where no quote is needed and every line has as many fields as the first;
    else None. Fields beyond the header's may be there where they are blank everywhere."""
    body = body.replace("\r\n", "\n").rstrip("\n")
    # Quotes around a field that has no need of them go; where one has, others are left, and the csv module reads it all.
    for end in (separator, separator, "\n") if '"' in body else ():
        body = body.replace(f'{separator}""{end}', separator + end)
    if '"' in body:
        edge = re.escape(separator)
        body = re.sub(rf'(?<![^{edge}\n])"([^"{edge}\n]*)"(?![^{edge}\n])', r"\1", body)
    if (
        not body.strip()
        or any("\n" not in body[at : at + HALF_LINE] for at in range(0, len(body) - HALF_LINE, HALF_LINE))
        or any(mark in body for mark in ('"', "\r", "\x00", "\ufeff"))
    ):
        return None
    width, lines = body.split("\n", 1)[0].count(separator) + 1, body.count("\n") + 1
    if width < len(names) or body.count(separator) != (width - 1) * lines:
        return None
    names = _unique(names)
    try:
        cells = pl.read_csv(
            body.encode("utf-8", "surrogatepass"),
            has_header=False,
            separator=separator,
            infer_schema=False,
            empty_string_is_null=False,
            quote_char=None,
            new_columns=[*names, *(f"surplus {place}" for place in range(width - len(names)))],
        )
    except (pl.exceptions.PolarsError, UnicodeDecodeError):
        return None
    # polars fills a short line; with the right count of separators in all, there is a long one too, which it refuses.
    if (cells.height, cells.width) != (lines, width):
        return None
    told = cells.lazy().with_columns(pl.all().str.strip_chars(BLANK), line=pl.int_range(skip + 1, skip + 1 + lines))
    cells = told.filter(pl.any_horizontal(pl.col(cells.columns) != "")).collect()
    if any((cells[name] != "").any() for name in cells.columns[len(names) : width]):
        return None
    return Table(names, cells[["line", *names]])


def _read_line_by_line(lines: list[str], skip: int, separator: str, names: list[str]) -> Table:
    """The careful way: a line with too many fields is held as typed, one with too few is filled with blanks."""
    width = len(names)
    rows: list[tuple[int, int, list[str]]] = [
        (first, last, fields)
        for first, last, fields in _records(lines, separator, skip)
        if any(f.strip() for f in fields)
    ]
    everywhere = min((len(fields) for _, _, fields in rows), default=width)
    spare = everywhere > width and all(not "".join(fields[width:]).strip() for _, _, fields in rows)
    good: list[list[str | int]] = []
    bad: list[BadLine] = []
    short: list[int] = []
    for first, last, fields in rows:
        fault = reason = ""
        if sum(map(len, fields)) > LONGEST_LINE:
            fault = "too long"
            reason = (
                f"The row has more than {LONGEST_LINE} characters; expected fewer. Shorten it, or close its quotes."
            )
        elif len(fields) > width and not (spare and len(fields) == everywhere):
            fault = "too many fields"
            reason = (
                f"The line has {len(fields)} fields where the header has {width};"
                " a comma inside a value must stand in quotes, or the file use semicolons."
            )
        if fault:
            shown = "".join(lines[first - 1 : last]).rstrip("\r\n")
            bad.append(BadLine(first, shown[:2000], fault, reason))
            continue
        if len(fields) < width:
            short.append(first)
        good.append([first, *(fields + [""] * width)[:width]])
    schema = {"line": pl.Int64, **dict.fromkeys(_unique(names), pl.String)}
    cells = pl.DataFrame(good, schema=schema, orient="row").with_columns(pl.col(pl.String).str.strip_chars(BLANK))
    return Table(_unique(names), cells, bad, [], short)
