"""Bodies of media through time: what each works for the full cycle on any day after a change. A body is media of one
history; its kilograms may change in steps, its maturity and recovery go on by the calendar."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from pipeline.assumptions import Assumptions
from pipeline.calc import factors
from pipeline.calc.cells import Array
from pipeline.calc.disturbance import DAYS_A_WEEK


@dataclass(frozen=True)
class Blow:
    """A disturbance that a body has not slept off: weeks since, lowest factor, weeks to recover, share reached."""

    weeks_since: float
    lowest: float
    recovery_weeks: float
    share: float


@dataclass(frozen=True)
class Body:
    """Some media of one history. `steps` are (day, kg × quality × place in force from that day); the first is day 0.

    age_weeks is that of day 0: None is ripe, under 0 goes in later.
    """

    steps: tuple[tuple[int, float], ...]
    age_weeks: float | None = None
    blows: tuple[Blow, ...] = ()

    @property
    def mature_kg(self) -> float:
        """What it works when ripe and recovered, after its last step."""
        return self.steps[-1][1]


def curve(bodies: Iterable[Body], days: Array, assumed: Assumptions) -> Array:
    """Effective kilograms of some bodies on each of some days after day 0 (clogging and warmth apart)."""
    total = np.zeros(len(days))
    weeks = days / DAYS_A_WEEK
    for body in bodies:
        at = np.searchsorted([day for day, _ in body.steps], days, side="right") - 1
        worked = np.array([kg for _, kg in body.steps])[np.maximum(at, 0)]
        if body.age_weeks is not None:
            worked = worked * factors.maturity(body.age_weeks + weeks, assumed)
        if body.blows:
            felt = [
                factors.disturbance(blow.weeks_since + weeks, blow.lowest, blow.recovery_weeks, blow.share, assumed)
                for blow in body.blows
            ]
            worked = worked * np.minimum.reduce(felt)
        total += worked
    return total


def mature(bodies: Iterable[Body]) -> float:
    """Effective kilograms of some bodies when all is ripe and recovered."""
    return sum(body.mature_kg for body in bodies)


def horizon_days(assumed: Assumptions) -> int:
    """Days until the last third that goes in later is ripe."""
    steps = round(1 / assumed["media_share_at_once"]) - 1
    weeks = max(
        steps * assumed["better_step_weeks"] + assumed["maturity_full_weeks"],
        *(assumed[f"disturb_{name}_weeks"] for name in ("tank_rinse", "tap_rinse", "medication", "stopped")),
    )
    return int(np.ceil(weeks * DAYS_A_WEEK)) + 1
