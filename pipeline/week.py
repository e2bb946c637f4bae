"""What everything downstream is handed: the round's settings, the assumptions in force, and the tables."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.wording import in_currency
from schemas import Tables, empty


@dataclass(frozen=True)
class Round:
    """round.toml, read. Unknown prices are absent, never 0."""

    name: str = ""
    date_order: str = "iso"  # one of words.DATE_ORDERS
    visit_every_days: int = 7
    gallon: str = ""  # imperial or US; blank: a bare "gal" is held
    overrides: dict[str, object] = field(default_factory=dict)  # [assumptions], as typed
    prices: dict[str, object] = field(default_factory=dict)  # [prices], as typed: see DEVELOPERS.md
    van: dict[str, float] = field(default_factory=dict)  # payload_kg, container_l
    dosing: dict[str, float] = field(default_factory=dict)  # conditioner_ml_per_l
    columns: dict[str, str] = field(default_factory=dict)  # [columns]: own header -> our column, blank: not used
    business: dict[str, str] = field(default_factory=dict)  # [business] name, phone, currency, insurance
    address: str = ""  # [dashboard] address, only where it is served to phones
    problems: tuple[str, ...] = ()  # what in round.toml could not be used, in words

    @property
    def signature(self) -> str:
        """Who we are, for a paper that goes to others; blank where [business] says nothing."""
        insured = f"insurance: {self.business['insurance']}" if self.business.get("insurance") else ""
        told = [self.business.get("name", ""), self.business.get("phone", ""), insured]
        return ", ".join(part for part in told if part)


@dataclass(frozen=True)
class Week:
    """A checked and calculated log folder as of a day: what review, advise, papers and pages read."""

    folder: Path
    round: Round
    assumed: Assumptions
    as_of: dt.date
    loaded_on: dt.date  # the day of loading: "future" means after it
    tables: Tables

    def __post_init__(self) -> None:
        in_currency(self.round.business.get("currency", ""))

    def table(self, name: str) -> pl.DataFrame:
        """A table, empty if the folder has none."""
        found = self.tables.get(name)
        return empty(name) if found is None else found

    def now(self, name: str) -> pl.DataFrame:
        """The rows of a derived table calculated for `as_of`."""
        return self.table(name).filter(pl.col("as_of") == self.as_of)
