"""What every record has besides its own columns: where it came from."""

from collections.abc import Iterable

import pandera.polars as pa

from schemas.columns import column
from schemas.parameters import Parameter


class Frame(pa.DataFrameModel):
    """A frame with exactly the columns of its model. Values are parsed before they are validated."""

    class Config:
        strict = True
        ordered = False


class Record(Frame):
    """A row read from a CSV: `file` is its path inside the log folder, `line` its physical line number."""

    file: str = column("File", "Path inside the log folder.", kind="key", required=True)
    line: int = column("Line", "Line of the file, counted from 1.", kind="count", required=True, ge=1)


def readings_after(base: type[Record], parameters: Iterable[Parameter]) -> type[Record]:
    """A model with the columns of `base`, and after them one of readings as typed for each parameter."""
    wanted = list(parameters)
    fields = {p.name: column(p.title, p.description, kind="reading", unit=p.unit) for p in wanted}
    body = {"__module__": base.__module__, "__annotations__": {p.name: str for p in wanted}, **fields}
    return type(f"{base.__name__}Readings", (base,), body)
