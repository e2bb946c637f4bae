"""The catalogue of faults as a table: `python -m tests.intake.fault_table`."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from tests.intake.test_faults import ALL, at, checked

WIDE = 150  # characters: sentences need room


def main() -> None:
    """Each case with what is really said of it today."""
    table = Table(title="What becomes of messy input, all of it invented", show_lines=False)
    for name, ratio in (
        ("No.", None),
        ("Typed", 2),
        ("Column", None),
        ("Outcome", None),
        ("Said", 6),
        ("Suggestion", 1),
    ):
        table.add_column(name, ratio=ratio, no_wrap=ratio is None)
    for case in ALL:
        tables = checked(case.folder)
        held, remark = at(tables["held"], case, "column"), at(tables["remark"], case, "column")
        said = " ".join([*held["reason"], *remark["says"]])
        suggestion = (held["suggestion"][0] if held.height else None) or ""
        row = (case.number, case.typed, case.column or "row", case.outcome, said, suggestion)
        table.add_row(*(Text(cell) for cell in row))  # as text: a cell may look like markup
    console = Console()
    console.width = max(console.width, WIDE)
    console.print(table)


if __name__ == "__main__":
    main()
