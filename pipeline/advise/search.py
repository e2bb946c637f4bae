"""Which changes together bring a tank within its rating: every set that is enough and has nothing to spare.

A set that holds a sufficient smaller one only costs more, so the cheapest plan is always among these. Checked against
brute force in the tests.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations

from pipeline.advise.evaluate import Effects
from pipeline.advise.options import Change


def compatible(made: Sequence[Change]) -> bool:
    """Whether changes go together: of one group only one is made, and a filter comes only once."""
    groups = [change.group for change in made if change.group]
    return len(groups) == len(set(groups))


def sufficient(effects: Effects, most: int) -> Iterator[tuple[Change, ...]]:
    """Every set of up to `most` changes that reaches the rating and has nothing to spare.

    Nothing to spare: no smaller part of it reaches, nor does it with a milder change (a smaller feed cut) in place of
    a stronger one.
    """
    changes = effects.changes
    number = {change.key: i for i, change in enumerate(changes)}
    holds = [
        frozenset({i, *(number[key] for key in change.milder if key in number)}) for i, change in enumerate(changes)
    ]
    enough: list[frozenset[int]] = []
    for size in range(1, min(most, len(changes)) + 1):
        for indices in combinations(range(len(changes)), size):
            covered: frozenset[int] = frozenset().union(*(holds[i] for i in indices))
            if any(smaller <= covered for smaller in enough):
                continue
            made = tuple(changes[i] for i in indices)
            if compatible(made) and effects.reaches(made):
                enough.append(frozenset(indices))
                yield made
