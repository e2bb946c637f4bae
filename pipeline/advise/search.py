"""Which changes together bring a tank within its rating: every set that is enough and has nothing to spare.

A set that holds a sufficient smaller one only costs more, so the cheapest plan is always among these. Checked against
brute force in the tests.
"""

from collections.abc import Iterator

from pipeline.advise.evaluate import Effects
from pipeline.advise.options import Change


def sufficient(effects: Effects, most: int) -> Iterator[tuple[Change, ...]]:
    """Every set of up to `most` changes that reaches the rating and has nothing to spare.

    Nothing to spare: no smaller part of it reaches, nor does it with a milder change (a smaller feed cut) in place of
    a stronger one. A set is a number whose bits are the changes in it.
    """
    changes = effects.changes
    number = {change.key: i for i, change in enumerate(changes)}
    covers = [
        (1 << i) | sum(1 << number[key] for key in change.milder if key in number) for i, change in enumerate(changes)
    ]
    clashes = [
        sum(1 << j for j, other in enumerate(changes) if change.group and other.group == change.group)
        for change in changes
    ]
    enough: list[int] = []
    # Sets that do not reach, each with what it covers and what it bars; only these are worth adding to. What covers
    # a sufficient set goes on covering it whatever is added, and what clashes goes on clashing.
    short: list[tuple[tuple[int, ...], int, int, int]] = [((), 0, 0, 0)]
    for _ in range(min(most, len(changes))):
        short_next = []
        for indices, made, covered, barred in short:
            for i in range(indices[-1] + 1 if indices else 0, len(changes)):
                if barred >> i & 1:
                    continue
                now, covering = made | 1 << i, covered | covers[i]
                for smaller in enough:  # a plain loop: this is asked a hundred thousand times
                    if smaller & covering == smaller:
                        break
                else:
                    if effects.reaches(now):
                        enough.append(now)
                        yield effects.made(now)
                    else:
                        short_next.append(((*indices, i), now, covering, barred | clashes[i]))
        short = short_next
