"""Plain words for what the review found: rules, causes, jobs and plans as a manager reads them (plain_text.toml)."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.sentences import table

TEXTS: Mapping[str, Any] = table(__file__, "plain_text.toml")


@dataclass(frozen=True)
class Suggestion:
    """A step we suggest, and what it costs in words."""

    text: str
    cost: str


@dataclass(frozen=True)
class Plain:
    """What a manager reads for one finding."""

    found: str
    why: str = "Why"  # heading over the likely causes
    suggest: Sequence[Sequence[str]] = ()  # steps and their costs
    do: Sequence[str] = ()
    dont: Sequence[str] = ()
    plan: bool = False  # suggestions come from the tank's plan, where it has one
    state: str | None = None  # its own word for a tank that can't be judged


def state(class_: str, rule: str = "") -> str:
    """Good, Being watched, Needs work or Not checked lately; a class nobody knows is not called good.

    A tank that can't be judged though it was visited (a reading on hold, no filter on record) is no tank that was
    not checked: its rule has a state of its own.
    """
    known: Mapping[str, str] = TEXTS["state"]
    own = of_finding(rule, class_).state if class_ == "can't say" else None
    return own or known.get(class_, known["can't say"])


def of_finding(rule: str, class_: str) -> Plain:
    """The words for a rule in a class; a rule without words of its own gets those of its class."""
    rules, by_class = TEXTS["rule"], TEXTS["class"]
    return Plain(**rules.get(rule, by_class.get(class_, by_class["can't say"])))


def cause(name: str) -> str | None:
    """A likely cause in plain words; None for one nobody knows."""
    found: str | None = TEXTS["cause"].get(name)
    return found


def received(kind: str | None) -> str:
    """The label of the line on which the place signs."""
    lines: Mapping[str, str] = TEXTS["received"]
    return lines.get((kind or "").strip().lower(), lines["other"])
