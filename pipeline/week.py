"""What everything downstream is handed: the round's settings, the assumptions in force, and the tables."""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.wording import in_currency
from schemas import Tables, empty

T = TypeVar("T")


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
        details = [self.business.get("name", ""), self.business.get("phone", ""), insured]
        return ", ".join(part for part in details if part)


@dataclass(frozen=True)
class Week:
    """A checked and calculated log folder as of a day: what review, advise, papers and pages read."""

    folder: Path
    round: Round
    assumed: Assumptions
    as_of: dt.date
    loaded_on: dt.date  # the day of loading: "future" means after it
    tables: Tables
    _kept: dict[Any, Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        in_currency(self.round.business.get("currency", ""))

    def table(self, name: str) -> pl.DataFrame:
        """A table, empty if the folder has none."""
        found = self.tables.get(name)
        return empty(name) if found is None else found

    def kept(self, key: object, make: Callable[[], T]) -> T:
        """What is made of this week, once for all who ask: pages ask for the same again and again. Not to be changed."""
        if key not in self._kept:
            self._kept[key] = make()
        found: T = self._kept[key]
        return found

    def now(self, name: str) -> pl.DataFrame:
        """The rows of a derived table calculated for `as_of`."""
        return self.kept(("now", name), lambda: self.table(name).filter(pl.col("as_of") == self.as_of))

    def placed(self) -> pl.DataFrame:
        """Which filter stands on which tank."""
        until = pl.col("to").is_null() | (pl.col("to") >= self.as_of)
        return self.table("placement").filter((pl.col("from") <= self.as_of) & until)

    def rows(self, name: str, tank: str) -> list[dict[str, Any]]:
        """The rows of one tank in a derived table, as of `as_of`."""
        return self.now(name).filter(pl.col("tank") == tank).to_dicts()

    def row(self, name: str, tank: str) -> dict[str, Any] | None:
        """The first of them, where there is any."""
        return next(iter(self.rows(name, tank)), None)

    def by_tank(self, name: str, **of: str) -> dict[str, dict[str, Any]]:
        """Tank -> its one row in a derived table, as of `as_of`; `of` picks one where a tank has several."""
        return {row["tank"]: row for row in self.now(name).filter(**of).iter_rows(named=True)}

    def of(self, name: str, tank: str) -> pl.DataFrame:
        """A table's rows of one tank, found without going through all the others each time."""
        frame = self.table(name)

        def places() -> dict[str, pl.Series]:  # not the parts themselves: two million readings would be held twice
            found = frame.select("tank").with_row_index("place").group_by("tank").agg("place")
            return dict(zip(found["tank"], found["place"], strict=True))

        return frame[self.kept(("places", name), places).get(tank, pl.Series(dtype=pl.UInt32))]
