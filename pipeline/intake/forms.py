"""What may be odd about the form of a sheet: names that stand twice or otherwise, and lines that sum up the others."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.intake.headers import Header
from pipeline.intake.structure import Table
from pipeline.wording import counted, listed

TOTALS = r"(?i)^(grand |sub-?)?(totals?|sums?|averages?|means?|counts?)\b"
WITH_KIT = ("ammonia", "nitrite", "nitrate", "kh", "gh", "phosphate")
Issues = list[dict[str, object]]


def said_of_header(header: Header) -> list[str]:
    """What was understood of a header beyond its own names."""
    said = []
    if header.renamed:
        units = {name: f" in {header.units[column]}" for name, column in header.renamed if column in header.units}
        (first, column), *others = header.renamed
        names = [f"“{first}” is taken as {column}{units.get(first, '')}"]
        names += [f"“{name}” as {column}{units.get(name, '')}" for name, column in others]
        said.append(f"in the header, {listed(names)}")
    if header.twice:
        columns = listed(dict.fromkeys(column for column, _ in header.twice))
        said.append(f"{columns} stands twice in the header; a row is used where both say the same, or one says nothing")
    return said


def columns_twice(frame: pl.DataFrame, table: Table, header: Header) -> tuple[pl.DataFrame, Issues]:
    """Two columns of one name: what both say is used, what only one says too; what they differ on is held."""
    issues: Issues = []
    for column, name in header.twice:
        other = table.cells.select(pl.col(name).str.strip_chars(" \t\u00a0").alias("other")).to_series()
        both = frame.select("file", "line", pl.col(column).alias("one"), other)
        differs = (pl.col("one") != "") & (pl.col("other") != "") & (pl.col("one") != pl.col("other"))
        issues += [
            {
                "file": file,
                "line": line,
                "column": column,
                "text": one,
                "outcome": "held",
                "fault": "two columns",
                "says": f"The two columns named {column} read “{one}” and “{two}”: neither is used. Type the right one.",
                "suggestion": None,
            }
            for file, line, one, two in both.filter(differs).iter_rows()
        ]
        right = pl.when(differs).then(pl.lit("")).when(pl.col("one") == "").then("other").otherwise("one")
        frame = frame.with_columns(both.select(right.alias(column)).to_series())
    return frame, issues


def totals_lines(frame: pl.DataFrame, table: Table, keys: list[str], of_file: np.ndarray) -> tuple[np.ndarray, Issues]:
    """A line that sums up the others is no row: its keys say so, or it is the last one and has numbers but no keys.

    Returns by row whether it is one. `of_file` is by row which file it is of; the rows of a file stand together.
    """
    sums = np.zeros(frame.height, dtype=bool)
    if frame.height == 0 or len(keys) < 2:
        return sums, []
    # A row with all its keys is none: nearly every row, so that the patterns see few.
    near = frame.select(pl.any_horizontal(pl.col(key) == "" for key in keys)).to_series().to_numpy()
    if not near.any():
        return sums, []
    named = pl.any_horizontal(pl.col(key).str.contains(TOTALS) for key in keys)
    keyless = pl.all_horizontal(pl.col(key) == "" for key in keys)
    rest = [name for name in frame.columns if name not in ("file", "line", *keys)]
    number = (
        pl.any_horizontal(pl.col(name).str.contains(r"^[\d.,]+\s*\D{0,6}$") for name in rest) if rest else pl.lit(False)
    )
    last = pl.Series("last", np.append(of_file[1:] != of_file[:-1], True)[near])
    sums[near] = frame.filter(near).select(named | (keyless & last & number)).to_series().to_numpy()
    if not sums.any():
        return sums, []
    names = [name for name in table.cells.columns if name != "line"]
    text = pl.concat_str(names, separator=table.separator).alias("text")
    told = frame.filter(sums).select("file", "line").with_columns(table.cells.filter(sums).select(text).to_series())
    issues: Issues = [
        {
            "file": file,
            "line": line,
            "column": None,
            "text": text,
            "outcome": "held",
            "fault": "totals line",
            "says": "This looks like a totals line: it sums up other rows and is no visit or record of its own. Reject it,"
            " or name what it belongs to.",
            "suggestion": None,
        }
        for file, line, text in told.iter_rows()
    ]
    return sums, issues


def no_kit(frame: pl.DataFrame, long: bool) -> Issues:
    """Readings without a kit are taken as from a meter, in the usual units: said once a file."""
    kitless = frame["kit"] == ""
    if not kitless.any():
        return []
    measured = pl.col("value") != "" if long else pl.any_horizontal(pl.col(name) != "" for name in WITH_KIT)
    of_a_kit = pl.col("parameter").str.to_lowercase().is_in(list(WITH_KIT)) if long else pl.lit(True)
    told = frame.filter(kitless).filter(measured & of_a_kit).group_by("file", maintain_order=True).len()
    return [
        {
            "file": file,
            "line": 0,
            "column": "kit",
            "text": "",
            "outcome": "converted",
            "fault": "no kit",
            "says": f"{counted(many, 'row')} of readings {'names' if many == 1 else 'name'} no kit: taken as from a meter,"
            " in the usual units.",
            "suggestion": None,
        }
        for file, many in told.iter_rows()
    ]
