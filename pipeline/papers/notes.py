"""The notes of a site's records, as a report may be offered them: none is printed unless somebody ticked it."""

import datetime as dt

import polars as pl

from pipeline.week import Week

# Table, the column of its day (none: a standing note), the column of its text.
SOURCES = (
    ("visit", "day", "note"),
    ("service", "date", "note"),
    ("event", "date", "note"),
    ("promise", "made_on", "promise"),
    ("feeding", "from", "note"),
    ("tank", None, "note"),
    ("site", None, "note"),
)
SHAPE = {
    "day": pl.Date, "kind": pl.String, "tank": pl.String, "text": pl.String, "file": pl.String, "line": pl.Int64
}  # fmt: skip


def notes_of(week: Week, site: str) -> pl.DataFrame:
    """Every note on a site and its tanks: day, kind, tank, text, file, line. A note on the whole site has no tank."""
    tanks = week.table("tank").filter(pl.col("site") == site)["tank"].to_list()
    found = []
    for table, day, text in SOURCES:
        rows = week.table(table)
        here = pl.col("tank").is_in(tanks) if "tank" in rows.columns else pl.lit(False)
        if table in ("promise", "site"):
            whole = pl.col("site") == site
            here = here | (whole & pl.col("tank").is_null() if "tank" in rows.columns else whole)
        found.append(
            rows.filter(here & (pl.col(text).str.strip_chars() != "")).select(
                (pl.col(day) if day else pl.lit(None, pl.Date)).alias("day"),
                pl.lit(table).alias("kind"),
                pl.col("tank") if "tank" in rows.columns else pl.lit(None, pl.String).alias("tank"),
                pl.col(text).alias("text"),
                "file",
                pl.col("line").cast(pl.Int64),
            )
        )
    return pl.concat(found).cast(pl.Schema(SHAPE)).sort("day", "text", nulls_last=False)


def offered(week: Week, site: str, first: dt.date, last: dt.date) -> pl.DataFrame:
    """The notes written in a span of days, newest first; standing notes are not offered."""
    rows = notes_of(week, site).filter(pl.col("day").is_between(first, last))
    return rows.sort("day", "tank", "file", "line", descending=[True, False, False, False], nulls_last=True)
