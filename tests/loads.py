"""What a load calculates, without its warehouse: for tests of what is calculated, not of how it is stored."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from pipeline import derive
from pipeline.assumptions import Assumptions, with_overrides
from pipeline.intake.check import check
from pipeline.intake.files import find_files, read_round
from pipeline.intake.sheets import read_sheets
from pipeline.parts import Run
from pipeline.progress import silent
from pipeline.week import Round, Week
from schemas import Tables, conform
from schemas.tables import TABLES

Checked = tuple[Tables, Round, Assumptions]


def checked(folder: Path, today: dt.date) -> Checked:
    """A folder as the intake checks it: its tables, its round.toml, its assumptions."""
    round_ = read_round(folder)
    assumed, _ = with_overrides(round_.overrides)
    sheets = read_sheets(folder, find_files(folder), most_columns=assumed["columns_limit"], own=round_.columns)
    tables = check(sheets, round_, assumed, today)
    return {name: conform(name, frame) for name, frame in tables.items()}, round_, assumed


def derived(found: Checked, today: dt.date, known: Tables | None = None, run: Run = map) -> Tables:
    """What is calculated of it as of a day, as it would be stored; what is known of a tank with the same records is not
    calculated again."""
    tables, round_, assumed = found
    records = derive.looked_back(tables, today, assumed)
    made = derive.derived(records, today, assumed, round_, silent, known, run)
    return {name: conform(name, frame) if name in TABLES else frame for name, frame in made.items()}


def week_of(folder: Path, today: dt.date) -> Week:
    """The round as of a day, as `weekly.open_week` gives it."""
    found = checked(folder, today)
    return Week(folder, found[1], found[2], today, today, {**found[0], **derived(found, today)})
