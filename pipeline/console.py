"""What the terminal prints: templates of text in printed/, with all of the wording at hand."""

import textwrap
from collections.abc import Mapping, Sequence
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


def _shortened(text: str) -> str:
    return textwrap.shorten(f"  {text}", WIDTH, placeholder=" …")


TEXTS = templates(Path(__file__).with_name("printed")).overlay(autoescape=False)
TEXTS.globals |= vars(wording) | {"CAUTION_LINE": CAUTION_LINE}
TEXTS.filters |= vars(wording) | {"wrapped": wrapped, "shortened": _shortened}


def printed(name: str, **shown: Any) -> str:
    """A text of printed/ with what is shown in it."""
    return TEXTS.get_template(name).render(**shown).rstrip("\n")


def account_text(account: Mapping[str, Any], *, nothing_new: bool, warehouse: str) -> str:
    """The account of a load: the sum first, then the files, then columns nobody knows."""
    shown = {"outcomes": OUTCOME_TEXTS, "nothing_new": nothing_new, "warehouse": warehouse}
    return printed("account.txt", account=account, **shown)


def held_rows(week: Week) -> list[dict[str, Any]]:
    """The held items as `held --format json` prints them."""
    keys = ["file", "line", "column", "text", "reason", "suggestion", "tank"]
    return week.table("held").sort("file", "line", "column", nulls_last=False).select(keys).to_dicts()


def held_text(rows: Sequence[Mapping[str, Any]]) -> str:
    """The held items by file, a line of what was found and the sentence under it."""
    return printed("held.txt", rows=rows)


def assumptions_rows(assumed: Assumptions) -> list[dict[str, Any]]:
    """Every assumption as `assumptions --format json` prints it."""
    names = ("name", "value", "unit", "basis", "what", "group", "low", "high", "spread", "least", "most", "built_in")
    return [{name: getattr(f, name) for name in names} | {"spread": f.spread or None} for f in assumed.records()]


def assumptions_text(assumed: Assumptions) -> str:
    """Every assumption by group; an overridden one says what it was."""
    return printed("assumptions.txt", assumed=assumed).strip().replace(wording.NBSP, " ")


def account_dict(account: pl.DataFrame, unknown: pl.DataFrame, problems: Sequence[str] = ()) -> dict[str, Any]:
    """The account as `load --format json` prints it."""
    files = account.drop("sha256").sort("file").to_dicts()
    totals = {name: int(account[name].sum()) for name in ("rows_in", *ROW_OUTCOMES)}
    unknown_columns = unknown.sort("file", "column").to_dicts()
    return {**totals, "files": files, "unknown_columns": unknown_columns, "problems": list(problems)}
