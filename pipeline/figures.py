"""Every constant of the reckoning: read from figures.toml, overridden by a log folder, never hard-coded.

A figure is a number with a unit and a basis (published, common practice or house figure).
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

FIGURES_FILE = Path(__file__).with_name("figures.toml")
BASES = ("published", "common practice, no source", "house figure")


@dataclass(frozen=True)
class Figure:
    """One constant.

    `low` and `high` are its stated uncertainty where one is stated, and `spread` the basis of that; `built_in` is the
    value of figures.toml when a log folder has overridden it, else None.
    """

    name: str
    value: float
    unit: str
    basis: str
    what: str
    group: str
    low: float | None = None
    high: float | None = None
    built_in: float | None = None
    spread: str = ""


class FigureError(ValueError):
    """A figure that cannot be used; the message says what was found, expected and what to do."""


class Figures(Mapping[str, float]):
    """The figures in force: `figures["litres_per_kg"]` is a number, `figures.figure(name)` its record."""

    def __init__(self, figures: Mapping[str, Figure]) -> None:
        self._figures = dict(figures)

    def __getitem__(self, name: str) -> float:
        return self._figures[name].value

    def __iter__(self) -> Iterator[str]:
        return iter(self._figures)

    def __len__(self) -> int:
        return len(self._figures)

    def figure(self, name: str) -> Figure:
        return self._figures[name]

    def records(self) -> list[Figure]:
        return list(self._figures.values())

    def with_values(self, **values: float) -> Figures:
        """The same figures with some values replaced, for overrides and for what-if."""
        changed = dict(self._figures)
        for name, value in values.items():
            old = changed[name]
            changed[name] = replace(
                old, value=float(value), built_in=old.value if old.built_in is None else old.built_in
            )
        return Figures(changed)


def _figure(group: str, name: str, entry: Mapping[str, object]) -> Figure:
    basis = str(entry["basis"])
    if not basis.startswith(BASES):
        raise FigureError(f"figures.toml: {name} has basis “{basis}”; expected one starting with {BASES}.")
    low, high, value = entry.get("low"), entry.get("high"), entry["value"]
    spread = str(entry.get("spread", ""))
    if (low is not None or high is not None) and not spread.startswith(BASES):
        raise FigureError(f"figures.toml: {name} states a range with spread “{spread}”; expected one of {BASES}.")
    for number in (low, high, value):
        if number is not None and (isinstance(number, bool) or not isinstance(number, int | float)):
            raise FigureError(f"figures.toml: {name} has “{number}”; expected a number.")
    return Figure(
        name=name,
        value=float(value),  # type: ignore[arg-type]
        unit=str(entry["unit"]),
        basis=basis,
        what=str(entry["what"]),
        group=group,
        low=None if low is None else float(low),  # type: ignore[arg-type]
        high=None if high is None else float(high),  # type: ignore[arg-type]
        spread=spread,
    )


@lru_cache(maxsize=1)
def built_in() -> Figures:
    """The figures of figures.toml, without any override."""
    with FIGURES_FILE.open("rb") as handle:
        groups = tomllib.load(handle)
    figures: dict[str, Figure] = {}
    for group, entries in groups.items():
        for name, entry in entries.items():
            if name in figures:
                raise FigureError(f"figures.toml: {name} stands twice; a figure has one name.")
            figures[name] = _figure(group, name, entry)
    return Figures(figures)


def with_overrides(overrides: Mapping[str, object], source: str = "round.toml") -> tuple[Figures, list[str]]:
    """The built-in figures with a folder's overrides, and one sentence for each override not used."""
    figures, problems, used = built_in(), [], {}
    for name, value in overrides.items():
        if name not in figures:
            problems.append(
                f"{source} [figures]: “{name}” is not a figure; `tankround figures` lists the names. Not used."
            )
        elif isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e12:
            problems.append(
                f"{source} [figures]: {name} is “{value}”; expected a plain number"
                f" in {figures.figure(name).unit or 'no unit'}. The built-in {figures[name]:g} is used."
            )
        elif value < 0 and figures[name] >= 0:
            problems.append(
                f"{source} [figures]: {name} is {value:g}; expected 0 or more. The built-in {figures[name]:g} is used."
            )
        else:
            used[name] = float(value)
    return figures.with_values(**used), problems
