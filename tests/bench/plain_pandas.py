"""The load as one would write it straight away: pandas parses, pandera checks, SQLite keeps. To be measured by.

It does less: no units, no dates but ISO, no kits but one, nothing that looks from one row to another but repeats.
"""

from __future__ import annotations

import re
import sqlite3
from pathlib import Path

import pandas as pd
import pandera.pandas as pa

PARAMETERS = ["ammonia", "nitrite", "nitrate", "ph", "kh", "gh", "temperature", "phosphate"]
LIMITS = {"ammonia": 8, "nitrite": 10, "nitrate": 250, "ph": 10, "kh": 30, "gh": 50, "temperature": 40, "phosphate": 20}
BETWEEN = re.compile(r"^(\d+(?:\.\d+)?)\s*-\s*(\d+(?:\.\d+)?)$")
UNDER = re.compile(r"^<\s*(\d+(?:\.\d+)?)$")

READING = pa.DataFrameSchema(
    {
        "tank": pa.Column(str),
        "date": pa.Column("datetime64[ns]"),
        "taken": pa.Column(str, pa.Check.isin(["before", "after", "none", "unknown"])),
        "parameter": pa.Column(str, pa.Check.isin(PARAMETERS)),
        "low": pa.Column(float, pa.Check.ge(0)),
        "high": pa.Column(float, pa.Check.ge(0)),
    },
    checks=[pa.Check(lambda frame: frame["low"] <= frame["high"]),
            pa.Check(lambda frame: frame["high"] <= frame["parameter"].map(LIMITS) * 1.5)],
)  # fmt: skip


def interval(text: str, ladder: list[float] | None) -> tuple[float, float] | None:
    """A cell as (low, high); None where it can't be read."""
    if found := BETWEEN.match(text):
        return float(found[1]), float(found[2])
    if found := UNDER.match(text):
        return 0.0, float(found[1])
    try:
        value = float(text)
    except ValueError:
        return None
    if ladder and value in ladder:
        at = ladder.index(value)
        low = 0.0 if at == 0 else (ladder[at - 1] + value) / 2
        return low, (value + ladder[at + 1]) / 2 if at + 1 < len(ladder) else value * 1.5
    return value - 0.05, value + 0.05


def load(folder: Path, db: Path) -> int:
    """Every visit sheet into SQLite; the readings kept."""
    db.unlink(missing_ok=True)
    tanks = set(pd.read_csv(folder / "tanks.csv")["tank"])
    kits = pd.read_csv(folder / "kits.csv")
    ladders = {row.parameter: [float(s) for s in row.steps.split("|")] for row in kits.itertuples()}
    sheets = [pd.read_csv(path, dtype=str, keep_default_na=False).assign(file=path.name, line=lambda f: f.index + 2)
              for path in sorted((folder / "visits").glob("*.csv"))]  # fmt: skip
    rows = pd.concat(sheets, ignore_index=True)
    rows["date"] = pd.to_datetime(rows["date"], format="%Y-%m-%d", errors="coerce")
    rows = rows[rows["date"].notna() & rows["tank"].isin(tanks)]
    rows = rows.drop_duplicates(["date", "tank", "taken", *PARAMETERS])
    long = rows.melt(["file", "line", "date", "tank", "taken", "kit"], PARAMETERS, "parameter", "text")
    long = long[long["text"] != ""]
    cells = [interval(text, ladders.get(name)) for text, name in zip(long["text"], long["parameter"], strict=True)]
    long["low"] = [cell[0] if cell else None for cell in cells]
    long["high"] = [cell[1] if cell else None for cell in cells]
    long["low"] = long["low"].clip(lower=0)
    kept = READING.validate(long[long["low"].notna()], lazy=True)
    changes = rows.loc[rows["water_changed"] != "", ["file", "line", "date", "tank", "water_changed"]]
    with sqlite3.connect(db) as con:
        kept.to_sql("reading", con, index=False)
        changes.to_sql("water_change", con, index=False)
        rows[["file", "line", "date", "tank", "taken", "note"]].to_sql("visit", con, index=False)
        con.execute("create index of_tank on reading (tank, date)")
    return len(kept)
