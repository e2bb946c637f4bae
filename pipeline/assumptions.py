"""Every constant of the calculation: read from assumptions.toml, overridden by a log folder, never hard-coded.

An assumption is a number with a unit and a basis (published, common practice or house figure).
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from pipeline.sentences import table
from pipeline.wording import listed, number

ASSUMPTIONS_FILE = Path(__file__).with_name("assumptions.toml")
BASES = ("published", "common practice, no source", "house figure")


@dataclass(frozen=True)
class Assumption:
    """One constant.

    `low` and `high` are its stated uncertainty where one is stated, and `spread` the basis of that; `built_in` is the
    value of assumptions.toml when a log folder has overridden it, else None. An override lies from `least` to `most`, is
    a whole number where things are `counted`, and is not above the assumption that `not_above` names.
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
    least: float = -math.inf
    most: float = math.inf
    counted: bool = False
    not_above: str = ""

    @property
    def expected(self) -> str:
        """What an override may be, in words."""
        whole = "a whole number from " if self.counted else ""
        return f"{whole}{number(self.least, 6)} to {number(self.most, 6)} {self.unit}".strip()


class Assumptions(Mapping[str, float]):
    """The assumptions in force: `assumed["litres_per_kg"]` is a number, `assumptions.assumption(name)` its record."""

    def __init__(self, assumed: Mapping[str, Assumption]) -> None:
        self._assumptions = dict(assumed)

    def __getitem__(self, name: str) -> float:
        return self._assumptions[name].value

    def __iter__(self) -> Iterator[str]:
        return iter(self._assumptions)

    def __len__(self) -> int:
        return len(self._assumptions)

    def assumption(self, name: str) -> Assumption:
        return self._assumptions[name]

    def records(self) -> list[Assumption]:
        return list(self._assumptions.values())

    def with_values(self, **values: float) -> Assumptions:
        """The same assumptions with some values replaced, for overrides and for what-if."""
        changed = dict(self._assumptions)
        for name, value in values.items():
            old = changed[name]
            changed[name] = replace(
                old, value=float(value), built_in=old.value if old.built_in is None else old.built_in
            )
        return Assumptions(changed)


def _assumption(group: str, name: str, entry: Mapping[str, Any], rules: Mapping[str, Any]) -> Assumption:
    """A record of assumptions.toml; that each is whole is a test's work."""
    value, unit = float(entry["value"]), entry["unit"]
    if entry["basis"].startswith("published"):
        allowed = sorted(value * times for times in rules["published"])
    else:
        allowed = rules["units"].get(unit, (value / 100, value * 100))  # a new unit: about its value
    least, most = map(float, entry.get("allowed", allowed))
    own = {key: text for key, text in entry.items() if key not in ("value", "allowed")}
    own |= {end: float(entry[end]) for end in ("low", "high") if end in entry}
    return Assumption(name, value, group=group, least=least, most=most, counted=unit in rules["counted"], **own)


@lru_cache(maxsize=1)
def built_in() -> Assumptions:
    """The assumptions of assumptions.toml, without any override."""
    groups = tomllib.loads(ASSUMPTIONS_FILE.read_text("utf-8"))
    rules = groups.pop("allowed")
    rows = [(group, name, entry) for group, entries in groups.items() for name, entry in entries.items()]
    return Assumptions({name: _assumption(group, name, entry, rules) for group, name, entry in rows})


def with_overrides(overrides: Mapping[str, object]) -> tuple[Assumptions, list[str]]:
    """The built-in assumptions with a folder's overrides, and one sentence for each override not used."""
    assumed, problems, used = built_in(), [], {}
    says = table(__file__, "problems.toml")
    for name, value in overrides.items():
        if name not in assumed:
            problems.append(says["no assumption"].format(name=name))
            continue
        own = assumed.assumption(name)
        given = value if isinstance(value, int | float) and not isinstance(value, bool) else math.nan
        if own.least <= given <= own.most and (not own.counted or given == int(given)):
            used[name] = float(given)
        else:
            problems.append(says["no value of it"].format(own=own, value=value))
    in_force = assumed.with_values(**used)
    while crossed := [own for own in in_force.records() if own.not_above and own.value > in_force[own.not_above]]:
        for own in crossed:
            other = in_force.assumption(own.not_above)
            dropped = [name for name in (own.name, other.name) if used.pop(name, None) is not None]
            if dropped:
                problems.append(says["crossed"].format(own=own, other=other, dropped=listed(dropped)))
        in_force = assumed.with_values(**used)
    return in_force, problems
