"""How nitrate at each visit depends on the start, the net rise, the changes and the tap: the balance as numbers.

Between events dN/dt = g; at a change of fraction f with new water at `tap`, N ← (1 − f)·N + f·tap. Everything is laid
out [visits, tanks], so that a step in time is one operation on all tanks; short windows are padded with rows in which
nothing happens (no days, no change, no reading).
"""

from dataclasses import dataclass, fields, replace
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from pipeline.calc.cells import Array

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Columns:
    """Arrays whose last axis is one of tanks, windows or requests."""

    def chosen(self, which: slice | IntArray | BoolArray) -> Self:
        """The same of some of them."""

        def of(value: Any) -> Any:
            return value.chosen(which) if isinstance(value, Columns) else value[..., which]

        values = {field.name: getattr(self, field.name) for field in fields(self)}
        own = {n: of(v) for n, v in values.items() if isinstance(v, Columns | np.ndarray)}
        return replace(self, **own)


@dataclass(frozen=True)
class Windows(Columns):
    """What was recorded in each window, rows in time order. Every array is [visits, tanks].

    The reading of a row is taken before the row's change, or after it where `after`. A row without a reading has
    low 0 and high ∞, whose chance is 1 whatever the level: it says nothing.
    """

    days: Array  # [days] since the row before; 0 in the first row and in padding
    fraction: Array  # of the water changed, 0–1; 0 where none
    inflow: Array  # [mg/L NO3] fraction times the nitrate of the new water, plus what a top-up adds
    low: Array  # [mg/L NO3] of the reading's cell
    high: Array  # [mg/L NO3]; ∞ where open
    after: BoolArray  # the reading was taken after the change
    kit: IntArray  # number of the kit batch within the window, from 0; −1 where no reading
    reader: IntArray  # number of the person, from 0; −1 for who reads most in the window, or where not recorded
    cv: Array  # error of each reading on the log scale

    @property
    def reading(self) -> BoolArray:
        """Rows with a reading."""
        return (self.low > 0) | np.isfinite(self.high)

    @property
    def factors(self) -> int:
        """Log-biases that the readings may have: one a kit batch, and one a reader but the first."""
        return int(self.kit.max(initial=0)) + 1 + int(self.reader.max(initial=-1)) + 1

    def of_factor(self, count: int) -> Array:
        """The readings of each of `count` factors as ones, [factors, visits, tanks]: kits first, readers last."""
        kits = count - int(self.reader.max(initial=-1)) - 1
        return np.array([self.kit == k if k < kits else self.reader == k - kits for k in range(count)], float)


@dataclass(frozen=True)
class State(Columns):
    """Level as N = a·N0 + b·g + c·e^τ + s·δ, with the slopes of a, b, c by φ (log-bias of fractions). Arrays [tanks].

    s are the days of a stepped-up rise δ that the level still holds; it only means something after the step.
    """

    a: Array
    b: Array
    c: Array
    da: Array
    db: Array
    dc: Array
    s: Array

    def wait(self, days: Array | float) -> Self:
        """After some days without a change."""
        return replace(self, b=self.b + days, s=self.s + days)

    def change(self, fraction: Array, inflow: Array) -> Self:
        """After a change; the true fraction is f·e^−φ, to first order about φ = 0.

        A top-up is a change of fraction 0 with an inflow: it dilutes nothing.
        """
        kept = 1.0 - fraction
        return replace(
            self,
            a=kept * self.a,
            b=kept * self.b,
            c=kept * self.c + inflow,
            da=kept * self.da + fraction * self.a,
            db=kept * self.db + fraction * self.b,
            dc=kept * self.dc + fraction * self.c - np.where(fraction > 0, inflow, 0.0),
            s=kept * self.s,
        )


@dataclass(frozen=True)
class Design(Columns):
    """The state at every reading, arrays [visits, tanks], and after the last row [tanks]."""

    a: Array
    b: Array
    c: Array
    da: Array
    db: Array
    dc: Array
    end: State


def design(windows: Windows) -> Design:
    """The balance run through each window with the recorded fractions.

    Shapes: [visits, tanks] in, six of the same out. With one tap value throughout, c = tap·(1 − a) as in the textbook
    form; kept apart it also allows RO water, a tap that changes and top-ups.
    """
    rows, tanks = windows.days.shape
    out = np.empty((6, rows, tanks))
    # The state as one array, so that a row takes few operations: a, b, c, da, db, dc, s.
    state = np.zeros((7, tanks))
    state[0] = 1.0
    kept, lost = 1.0 - windows.fraction, np.where(windows.fraction > 0, windows.inflow, 0.0)
    any_after = [bool(row.any()) for row in windows.after]
    for j in range(rows):
        if j:
            state[1::5] += windows.days[j]
        changed = kept[j] * state
        changed[3:6] += windows.fraction[j] * state[:3]
        changed[2] += windows.inflow[j]
        changed[5] -= lost[j]
        out[:, j] = np.where(windows.after[j], changed[:6], state[:6]) if any_after[j] else state[:6]
        state = changed
    a, b, c, da, db, dc = out
    return Design(a, b, c, da, db, dc, State(*state))


def held(windows: Windows, before: Array, at_change: Array, phi: Array | float = 0.0) -> tuple[Array, Array]:
    """What a tank still holds of what came in: at each reading, arrays [..., visits, tanks], and after the last row.

    `before` came since the row before, `at_change` with the row's change, both in the unit of the level and of the shape
    of the first result. φ [tanks] is the log-bias of fractions.
    """
    out, now = np.empty_like(before), np.zeros(before[..., 0, :].shape)
    kept = 1.0 - windows.fraction * np.exp(-phi)
    for j in range(before.shape[-2]):
        seen = now + before[..., j, :]
        now = seen * kept[j] + at_change[..., j, :]
        out[..., j, :] = np.where(windows.after[j], now, seen)
    return out, now


def step_days(windows: Windows, phi: Array, start: IntArray) -> tuple[Array, Array]:
    """Days of stepped-up rise that are still `held`, the design of a step: [steps, visits, tanks] and [steps, tanks].

    `start` [steps, tanks] is the row after which each step begins; the count of rows stands for none.
    """
    later = start[:, None] < np.arange(len(windows.days))[:, None]
    return held(windows, later * windows.days, np.zeros(later.shape), phi)


def sawtooth(windows: Windows, start: IntArray) -> State:
    """The state before (at even places) and after each row's change, [2·visits, tanks]; a step begins after row `start`."""
    moments = []
    for after in (False, True):
        seen = replace(windows, after=np.full(windows.after.shape, after))
        plan, (steps, _) = design(seen), step_days(seen, np.zeros(len(start)), start[None])
        moments.append([plan.a, plan.b, plan.c, plan.da, plan.db, plan.dc, steps[0]])
    return State(*(np.stack(both, axis=1).reshape(-1, len(start)) for both in zip(*moments, strict=True)))
