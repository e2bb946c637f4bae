"""HTML from templates, for pages and papers: every text is escaped, what is not given is an error, wordings are at hand."""

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from pipeline import wording

WORDINGS = (
    "aged", "ago", "amount", "cause_text", "counted", "day", "fixed", "flow", "interval", "kilograms", "listed",
    "litres", "money", "number", "pct", "per_cent", "sentence", "span", "with_unit",
)  # fmt: skip


def templates(folder: Path) -> Environment:
    """The templates of a folder; wordings are functions in them, and filters."""
    found = Environment(
        loader=FileSystemLoader(folder), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )  # fmt: skip
    at_hand = {name: getattr(wording, name) for name in WORDINGS}
    found.globals |= at_hand
    found.filters |= at_hand
    return found
