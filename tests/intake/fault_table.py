"""The catalogue of faults as a table: `python -m tests.intake.fault_table`."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from tests.intake.test_faults import ALL, at, checked


def main() -> None:
    """Each case with what is really said of it today."""
    table = Table("No.", "Typed", "Column", "Outcome", "Said", "Suggestion", title="What becomes of messy input")
    for case in ALL:
        tables = checked(case.folder)
        held, remark = at(tables["held"], case, "column"), at(tables["remark"], case, "column")
        said = " ".join([*held["reason"], *remark["says"]])
        suggestion = (held["suggestion"][0] if held.height else None) or ""
        row = (case.number, case.typed, case.column or "row", case.outcome, said, suggestion)
        table.add_row(*(Text(cell) for cell in row))  # as text: a cell may look like markup
    Console(width=None).print(table)


if __name__ == "__main__":
    main()
