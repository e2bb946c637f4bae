"""What every record has besides its own columns: where it came from."""

from __future__ import annotations

import pandera.polars as pa

from schemas.columns import column


class Frame(pa.DataFrameModel):
    """A frame with exactly the columns of its model. Values are parsed before they are validated."""

    class Config:
        strict = True
        ordered = False


class Record(Frame):
    """A row read from a CSV: `file` is its path inside the log folder, `line` its physical line number."""

    file: str = column("File", "Path inside the log folder.", kind="key", required=True)
    line: int = column("Line", "Line of the file, counted from 1.", kind="count", required=True, ge=1)
