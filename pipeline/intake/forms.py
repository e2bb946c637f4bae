"""What may be odd about the form of a sheet: names that stand twice or otherwise, and lines that sum up the others."""

from __future__ import annotations

import polars as pl

from pipeline.intake.headers import Header
from pipeline.intake.structure import Table
from pipeline.telling import counted, listed

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


def totals_lines(frame: pl.DataFrame, table: Table, keys: list[str]) -> tuple[pl.DataFrame, Issues]:
    """A line that sums up the others is no row: its keys say so, or it is the last one and has numbers but no keys."""
    if frame.height == 0 or len(keys) < 2:
        return frame, []
    named = pl.any_horizontal(pl.col(key).str.contains(TOTALS) for key in keys)
    keyless = pl.all_horizontal(pl.col(key) == "" for key in keys)
    some = pl.any_horizontal(pl.col(key) == "" for key in keys)
    rest = [name for name in frame.columns if name not in ("file", "line", *keys)]
    number = (
        pl.any_horizontal(pl.col(name).str.contains(r"^[\d.,]+\s*\D{0,6}$") for name in rest) if rest else pl.lit(False)
    )
    last = pl.col("line") == pl.col("line").max()
    found = frame.filter(some & (named | (keyless & last & number))).select("file", "line")
    if found.height == 0:
        return frame, []
    cells = table.cells.join(found.select("line"), on="line", how="semi")
    names = [name for name in cells.columns if name != "line"]
    texts = cells.select("line", pl.concat_str(names, separator=table.separator).alias("text"))
    issues: Issues = [
        {
            "file": found["file"][0],
            "line": line,
            "column": None,
            "text": text,
            "outcome": "held",
            "fault": "totals line",
            "says": "This looks like a totals line: it sums up other rows and is no visit or record of its own. Reject it,"
            " or name what it belongs to.",
            "suggestion": None,
        }
        for line, text in texts.iter_rows()
    ]
    return frame.join(found, on=["file", "line"], how="anti", maintain_order="left"), issues


def no_kit(frame: pl.DataFrame, file: str, long: bool) -> Issues:
    """Readings without a kit are taken as from a meter, in the usual units: said once a file."""
    measured = pl.col("value") != "" if long else pl.any_horizontal(pl.col(name) != "" for name in WITH_KIT)
    of_a_kit = pl.col("parameter").str.to_lowercase().is_in(list(WITH_KIT)) if long else pl.lit(True)
    many = frame.filter(measured & of_a_kit & (pl.col("kit") == "")).height
    if many == 0:
        return []
    said = f"{counted(many, 'row')} of readings {'names' if many == 1 else 'name'} no kit"
    return [
        {
            "file": file,
            "line": 0,
            "column": "kit",
            "text": "",
            "outcome": "converted",
            "fault": "no kit",
            "says": f"{said}: taken as from a meter, in the usual units.",
            "suggestion": None,
        }
    ]
