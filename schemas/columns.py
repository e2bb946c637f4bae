"""How a column is described: title, unit, description, kind and allowed words, in one place.

`column()` makes a pandera field that carries them; `describe()` reads them back. The templates of
`tankround new`, the labels of the dashboard, the exported data package and the docs all come from here.
"""

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal, get_type_hints

import polars as pl

from schemas.models import pa
from schemas.parameters import Parameter

# What the text of a cell is meant to be; pipeline/intake has one parser a kind.
Kind = Literal[
    "text",  # free text, kept as typed
    "key",  # an identifier: trimmed text
    "word",  # one of `words`
    "list",  # names separated by |
    "steps",  # a kit ladder: numbers separated by |
    "number",  # a plain number in `unit`
    "count",  # a whole number
    "share",  # 0 to 1, or a per cent
    "date",
    "time",
    "reading",  # a kit reading: number, range, "<5", ">100"
    "change",  # a water change: per cent or an amount with its unit
]


@dataclass(frozen=True)
class Note:
    """What is known of one column."""

    name: str
    title: str
    description: str
    unit: str
    kind: Kind
    words: tuple[str, ...]
    required: bool
    type: Any  # in polars


# What a model's annotations stand for in polars.
POLARS: dict[Any, Any] = {
    str: pl.String, float: pl.Float64, int: pl.Int64, bool: pl.Boolean, dt.date: pl.Date,
    dt.datetime: pl.Datetime("us"), list[float]: pl.List(pl.Float64), list[str]: pl.List(pl.String),
}  # fmt: skip


def column(
    title: str,
    description: str = "",
    *,
    kind: Kind = "text",
    unit: str = "",
    words: Sequence[str] = (),
    required: bool = False,
    **rules: Any,
) -> Any:
    """A pandera field. A column is nullable unless `required`; `rules` are pandera's own (ge=, le=, ...)."""
    if words:
        rules["isin"] = list(words)
    return pa.Field(
        title=title,
        description=description,
        nullable=not required,
        metadata={"unit": unit, "kind": kind, "words": tuple(words), "required": required},
        **rules,
    )


@cache
def describe(model: type[pa.DataFrameModel]) -> dict[str, Note]:
    """The notes of a model's columns, in order."""
    # Read off the fields: making pandera's schema of every table takes longer than loading a small folder.
    fields = {name: field for base in reversed(model.__mro__) for name, field in vars(base).items()}
    notes: dict[str, Note] = {}
    for place, hint in get_type_hints(model).items():
        if hint in POLARS:
            field = fields[place]
            name = field.alias or place
            notes[name] = Note(name, field.title, field.description or "", type=POLARS[hint], **field.metadata)
    return notes


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
