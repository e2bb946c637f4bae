"""The account: what became of every row and cell."""

import datetime as dt

from schemas.columns import Frame
from schemas.columns import column as col


class Held(Frame):
    """A cell (or, with `column` blank, a whole row; with `line` 0, a whole file) that is not used."""

    file: str = col("File", kind="key", required=True)
    line: int = col("Line", kind="count", required=True, ge=0)
    column: str = col("Column", kind="key")
    text: str = col("As typed", required=True)
    fault: str = col("Fault", "Id of the rule that held it.", kind="key", required=True)
    reason: str = col("Reason", "In words.", required=True)
    suggestion: str = col("Suggestion", "A value to accept, or blank.")
    tank: str = col("Tank id", "Where it could be read.", kind="key")
    day: dt.date = col("Day", "Of the row, where it could be read.", kind="date")
    parameter: str = col("Parameter", "What a held reading measures; in a long sheet its row names it.", kind="key")


class Remark(Frame):
    """A cell that is used, with something said about it: converted or warned."""

    file: str = col("File", kind="key", required=True)
    line: int = col("Line", kind="count", required=True, ge=0)
    column: str = col("Column", kind="key")
    text: str = col("As typed", required=True)
    fault: str = col("Fault", "Id of the rule that spoke.", kind="key", required=True)
    outcome: str = col("Outcome", kind="word", words=("converted", "warned"), required=True)
    says: str = col("Says", "In words.", required=True)
    tank: str = col("Tank id", kind="key")
    day: dt.date = col("Day", kind="date")


class Account(Frame):
    """One row a file: rows_in = accepted + converted + warned + part_held + held + repeats."""

    file: str = col("File", kind="key", required=True)
    sha256: str = col("Content hash", kind="key", required=True)
    family: str = col("Kind of record", kind="key", required=True)
    rows_in: int = col("Rows in", required=True, ge=0)
    accepted: int = col("Accepted", required=True, ge=0)
    converted: int = col("Converted", required=True, ge=0)
    warned: int = col("Warned", required=True, ge=0)
    part_held: int = col("Part held", required=True, ge=0)
    held: int = col("Held", required=True, ge=0)
    repeats: int = col("Repeats", required=True, ge=0)


class UnknownColumn(Frame):
    """A column that no schema knows: shown, never ignored in silence."""

    file: str = col("File", kind="key", required=True)
    column: str = col("Column", required=True)
    like: str = col("Looks like", "The known column it resembles.", kind="key")
