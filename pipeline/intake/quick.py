"""The quick way through clean files: numpy looks at their bytes, and where nothing is odd polars splits their cells.

Clean means: every record is one line with the same count of separators, every quote opens at the start of a field and
closes at its end, line ends are \\n or \\r\\n. Anything else is no body of this module, and the csv module goes through
it line by line.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

QUOTE, LF, CR, SPACE = 0x22, 0x0A, 0x0D, 0x20
MARK = b"\xef\xbb\xbf"  # of byte order


@dataclass(frozen=True)
class Body:
    """A clean file below its header, and what its bytes show before they are split."""

    data: bytes  # the last line has its end too
    width: int  # fields a line
    lines: int
    crlf: bool
    tidy: bool  # no field starts or ends with a space, so that nothing need be stripped; may say no where it could say yes
    blank: bool  # a line may have nothing in its first field; may say yes where it could say no


def _outside_quotes(data: np.ndarray, stops: np.ndarray, mark: int) -> np.ndarray | None:
    """Those of the `stops` (separators and line ends) that stand outside quotes.

    None where a quote stands anywhere but at an end of a field, or a record runs over lines.
    """
    quotes = np.flatnonzero(data == QUOTE)
    if quotes.size % 2:
        return None
    opens, closes = quotes[::2], quotes[1::2]
    ahead, behind = data[opens - 1], data[closes + 1]  # before the first byte stands the last one, a line end
    # A quote beside a quote is a doubled one inside a field: quotes alternate, so that it is the neighbour in the list.
    fields_open = (ahead == mark) | (ahead == LF) | (ahead == QUOTE)
    fields_close = (behind == mark) | (behind == LF) | (behind == CR) | (behind == QUOTE)
    if not (fields_open.all() and fields_close.all()):
        return None
    filled = closes - opens > 1  # most quotes of a spreadsheet hold nothing
    first, last = np.searchsorted(stops, opens[filled]), np.searchsorted(stops, closes[filled])
    holds = last > first
    if not holds.any():
        return stops
    depth = np.zeros(stops.size + 1, dtype=np.int8)
    depth[first[holds]] += 1
    depth[last[holds]] -= 1
    inside = np.cumsum(depth[:-1], dtype=np.int8) > 0
    return None if (data[stops[inside]] == LF).any() else stops[~inside]


def _is_tidy(body: bytes, data: np.ndarray, separator: str) -> bool:
    """Whether no field can start or end with a space, a tab or a no-break space."""
    # Where tabs part the fields, one in quotes is part of a field.
    if (b'"' if separator == "\t" else b"\t") in body or (not body.isascii() and "\u00a0".encode() in body):
        return False
    if b" " not in body:
        return True
    spaces = np.flatnonzero(data == SPACE)
    edge = np.zeros(256, dtype=bool)
    edge[[ord(separator), LF, CR, QUOTE]] = True
    return not (edge[data[spaces - 1]].any() or edge[data[spaces + 1]].any())


def look(text: bytes, separator: str) -> Body | None:
    """The body of UTF-8 `text` without its header; None where it is not clean."""
    body = text.rstrip(b"\r\n")
    # A byte order mark here is a character of the first cell, which polars would drop.
    if not body or b"\x00" in body or body.startswith(MARK):
        return None
    crlf = b"\r\n" in body
    body += b"\r\n" if crlf else b"\n"
    mark = ord(separator)
    data = np.frombuffer(body, dtype=np.uint8)
    is_end = data == LF
    lines = int(np.count_nonzero(is_end))
    every = np.flatnonzero(is_end | (data == mark))
    stops = _outside_quotes(data, every, mark) if b'"' in body else every
    if stops is None:
        return None
    width = stops.size // lines
    ends = stops[width - 1 :: width]  # where these are all line ends they are all there are, as the last byte is one
    if not is_end[ends].all():
        return None
    if b"\r" in body and not (np.count_nonzero(data == CR) == lines and (data[ends - 1] == CR).all()):
        return None
    plain = np.zeros(256, dtype=bool)  # bytes that can't begin a blank field
    plain[0x21:0x7F] = True
    plain[[mark, QUOTE]] = False
    blank = not (plain[data[0]] and plain[data[ends[:-1] + 1]].all())
    return Body(body, width, lines, crlf, _is_tidy(body, data, separator), blank)


def split(bodies: Sequence[Body], separator: str, first_lines: Sequence[int]) -> pl.DataFrame | None:
    """`line` and one column of text a field (c0, c1 …) of bodies of one width and one line end, one under the other.

    None where polars does not find what the bytes showed.
    """
    width, lines = bodies[0].width, [body.lines for body in bodies]
    try:
        cells = pl.read_csv(
            io.BytesIO(b"".join(body.data for body in bodies)),
            has_header=False,
            separator=separator,
            infer_schema=False,
            empty_string_is_null=False,
            quote_char='"',
            new_columns=[f"c{i}" for i in range(width)],
        )
    except (pl.exceptions.PolarsError, UnicodeDecodeError):
        return None
    if cells.width != width or cells.height != sum(lines):
        return None
    # Counted on through the bodies, and set back at the start of each.
    offsets = np.array(first_lines, dtype=np.int64) - np.cumsum([0, *lines[:-1]], dtype=np.int64)
    line = np.arange(cells.height, dtype=np.int64) + np.repeat(offsets, lines)
    return cells.insert_column(0, pl.Series("line", line))
