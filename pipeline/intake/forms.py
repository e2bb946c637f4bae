"""What may be odd about the form of a sheet: names that stand twice or otherwise, and lines that sum up the others."""

import polars as pl

from pipeline.intake.columns import issue_rows, no_issues, whole_rows
from pipeline.intake.headers import Header
from pipeline.intake.structure import Table
from pipeline.wording import counted, listed
from schemas.parameters import RECORDS

TOTALS = r"(?i)^(grand |sub-?)?(totals?|sums?|averages?|means?|counts?)\b"
WITH_KIT = [record.name for record in RECORDS if record.needs_kit]


def remarks_on_header(header: Header) -> list[str]:
    """What was understood of a header beyond its own names."""
    remarks = []
    if header.renamed:
        units = {name: f" in {header.units[column]}" for name, column in header.renamed if column in header.units}
        (first, column), *others = header.renamed
        names = [f"“{first}” is taken as {column}{units.get(first, '')}"]
        names += [f"“{name}” as {column}{units.get(name, '')}" for name, column in others]
        remarks.append(f"in the header, {listed(names)}")
    if header.twice:
        columns = listed(dict.fromkeys(column for column, _ in header.twice))
        remarks.append(f"{columns} is twice in the header; a row is used where both say the same, or one says nothing")
    return remarks


def columns_twice(frame: pl.DataFrame, table: Table, header: Header) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Two columns of one name: what both say is used, what only one says too; what they differ on is held."""
    issues = []
    for column, name in header.twice:
        both = frame.with_columns(table.cells[name].alias("other"))
        one, other = pl.col(column), pl.col("other")
        differs = (one != "") & (other != "") & (one != other)
        typed = both.with_columns(one.alias("typed"))
        issues.append(issue_rows(typed, differs, column, "two columns", shown={"name": column}))
        frame = both.with_columns(
            pl.when(differs).then(pl.lit("")).when(one == "").then(other).otherwise(one).alias(column)
        ).drop("other")
    return frame, issues


def totals_lines(frame: pl.DataFrame, table: Table, keys: list[str]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """A line that sums up the others is no row: its keys say so, or it is the last one and has numbers but no keys.

    Returns the rows without such lines, and their issues.
    """
    if frame.height == 0 or len(keys) < 2:
        return frame, no_issues()
    named = pl.any_horizontal(pl.col(key).str.contains(TOTALS) for key in keys)
    keyless = pl.all_horizontal(pl.col(key) == "" for key in keys)
    rest = [name for name in frame.columns if name not in ("file", "line", *keys)]
    number = (
        pl.any_horizontal(pl.col(name).str.contains(r"^[\d.,]+\s*\D{0,6}$") for name in rest) if rest else pl.lit(False)
    )
    last = pl.col("line") == frame["line"][-1]
    # A row with all its keys is none: nearly every row, so that the patterns see few.
    near = frame.filter(pl.any_horizontal(pl.col(key) == "" for key in keys))
    sums = near.filter(named | (keyless & last & number)).select("file", "line")
    if sums.height == 0:
        return frame, no_issues()
    names = [name for name in table.cells.columns if name != "line"]
    lines = sums.join(table.cells.select("line", *names), on="line", how="left", maintain_order="left")
    lines = lines.with_columns(pl.Series("whole line", whole_rows(lines, names, table.separator), pl.String))
    left = frame.join(sums, on=["file", "line"], how="anti", maintain_order="left")
    return left, issue_rows(lines, None, None, "totals line", text="whole line")


def no_kit(frame: pl.DataFrame, long: bool) -> pl.DataFrame:
    """Readings without a kit are taken as from a meter, in the usual units: said once a file."""
    measured = pl.col("value") != "" if long else pl.any_horizontal(pl.col(name) != "" for name in WITH_KIT)
    of_a_kit = pl.col("parameter").str.to_lowercase().is_in(WITH_KIT) if long else pl.lit(True)
    many = frame.filter((pl.col("kit") == "") & measured & of_a_kit).height
    if not many:
        return no_issues()
    shown = {"many": counted(many, "row"), "name": "names" if many == 1 else "name"}
    place = frame.select("file", pl.lit(0, pl.Int64).alias("line"))[:1]
    return issue_rows(place, None, "kit", "no kit", outcome="converted", shown=shown)
