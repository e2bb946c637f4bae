"""What the terminal prints: templates of text in printed/, with the wording at hand."""

import textwrap
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import wording
from pipeline.assumptions import Assumptions
from pipeline.markup import templates
from pipeline.week import Week
from schemas.words import CAUTION_LINE, ROW_OUTCOMES

WIDTH = 100
OUTCOME_TEXTS = {
    "accepted": "accepted",
    "converted": "converted (original kept)",
    "warned": "warned (used, marked)",
    "part_held": "part held (the rest of the row is used)",
    "held": "held (not used)",
    "repeats": "exact repeats (already here)",
}


def wrapped(text: str, first: int = 0, more: int = 0, width: int = WIDTH) -> str:
    """Text as lines of a terminal, the first and the others indented by so many spaces."""
    return textwrap.fill(text, width, initial_indent=" " * first, subsequent_indent=" " * more)


TEXTS = templates(Path(__file__).with_name("printed")).overlay(autoescape=False)
AT_HAND = {one: getattr(wording, one) for one in ("CYCLES", "NBSP", "STOCKED", "flow", "interval", "litres", "money")}
TEXTS.globals |= AT_HAND | {"CAUTION_LINE": CAUTION_LINE, "outcomes": OUTCOME_TEXTS}
TEXTS.filters |= AT_HAND | {"wrapped": wrapped, "shortened": partial(textwrap.shorten, width=WIDTH, placeholder=" …")}


def printed(name: str, **shown: Any) -> str:
    """A text of printed/ with what is shown in it."""
    return TEXTS.get_template(name).render(**shown).rstrip("\n")


def held_rows(week: Week) -> list[dict[str, Any]]:
    """The held items as `held --format json` prints them."""
    keys = ["file", "line", "column", "text", "reason", "suggestion", "tank"]
    return week.table("held").sort("file", "line", "column", nulls_last=False).select(keys).to_dicts()


def assumptions_rows(assumed: Assumptions) -> list[dict[str, Any]]:
    """Every assumption as `assumptions --format json` prints it."""
    names = ("name", "value", "unit", "basis", "what", "group", "low", "high", "spread", "least", "most", "built_in")
    return [{name: getattr(f, name) for name in names} | {"spread": f.spread or None} for f in assumed.records()]


def account_dict(account: pl.DataFrame, unknown: pl.DataFrame, problems: Sequence[str] = ()) -> dict[str, Any]:
    """The account as `load --format json` prints it."""
    files = account.drop("sha256").sort("file").to_dicts()
    totals = {name: int(account[name].sum()) for name in ("rows_in", *ROW_OUTCOMES)}
    unknown_columns = unknown.sort("file", "column").to_dicts()
    return {**totals, "files": files, "unknown_columns": unknown_columns, "problems": list(problems)}
