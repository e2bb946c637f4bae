"""A log folder as polars frames, for whoever wants to look further: `import tankround; r = tankround.open("logs")`."""

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.weekly import open_week
from schemas import conform
from schemas.columns import describe
from schemas.tables import DERIVED_TABLES, TABLES

# Frame -> the table of the warehouse it is.
FRAMES = {
    "sites": "site", "tanks": "tank", "feeding": "feeding", "filters": "filter", "placements": "placement",
    "fills": "fill", "media": "medium", "kits": "kit", "tap": "tap", "visits": "visit", "readings": "reading",
    "water_changes": "water_change", "services": "service", "events": "event", "promises": "promise", "held": "held",
    "remarks": "remark", "ratings": "capacity", "rates": "nitrate_fit", "outlook": "nitrate_outlook",
    "alarms": "step_alarm", "water": "water", "due": "due", "findings": "finding", "causes": "finding_cause",
    "review": "review",
}  # fmt: skip


@dataclass(frozen=True)
class Frames:
    """A round as of a day. Its attributes are polars frames (see FRAMES); rates are mg/L NO3 per day, unknown is null.

    `columns("readings")` says what each column of a frame is.
    """

    week: Week

    def __getattr__(self, name: str) -> pl.DataFrame:
        if name not in FRAMES:
            raise AttributeError(f"no frame “{name}”; there are {', '.join(sorted(FRAMES))}")
        return self.table(FRAMES[name])

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *FRAMES]

    def table(self, name: str) -> pl.DataFrame:
        """A table by its name in the warehouse; of what is calculated, the rows of the day."""
        if name not in TABLES:
            raise Problem(f"“{name}” is not a table; expected one of {', '.join(TABLES)}.")
        found = self.week.table(name)
        dated = name in DERIVED_TABLES and "as_of" in found.columns
        return conform(name, found.filter(pl.col("as_of") == self.week.as_of) if dated else found)

    def columns(self, name: str) -> pl.DataFrame:
        """Title, unit, description and allowed words of the columns of a frame or table."""
        model = TABLES.get(FRAMES.get(name, name))
        if model is None:
            raise Problem(f"“{name}” is not a frame; expected one of {', '.join(sorted(FRAMES))}.")
        notes = describe(model).values()
        rows = [(note.name, note.title, note.unit, note.description, list(note.words)) for note in notes]
        text = dict.fromkeys(("column", "title", "unit", "description"), pl.String)
        return pl.DataFrame(rows, schema={**text, "words": pl.List(pl.String)}, orient="row")


def open(folder: str | Path, as_of: dt.date | str | None = None) -> Frames:
    """The checked and calculated round of a log folder, as of a day (today); loaded first where it has changed."""
    day = dt.date.fromisoformat(as_of) if isinstance(as_of, str) else as_of
    return Frames(open_week(Path(folder), as_of=day))
