"""Our own simulator: tanks whose truth is known, kept and recorded the way people keep and record them.

The standard world is an ordinary round, kept and read as people do; every way in which it can be mis-specified is a
field of `World`.
Kits and their ladders are invented and irregular. Nothing here uses the engine under test.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# Invented ladders [mg/L NO3]: irregular on purpose.
LADDERS = (
    (0.0, 3.0, 11.0, 26.0, 47.0, 83.0, 150.0),
    (0.0, 4.0, 9.0, 17.0, 33.0, 58.0, 96.0, 160.0),
    (0.0, 6.0, 14.0, 29.0, 52.0, 88.0, 160.0),
)


@dataclass(frozen=True)
class World:
    """How tanks behave and how they are recorded. Shares are 0–1, rates mg/L NO3 per day."""

    gap_days: int = 7
    visits: int = 26
    warm_up: int = 20  # visits run before recording starts, so that a tank begins near its routine
    rise_median: float = 1.2
    rise_log_sd: float = 0.5
    still_share: float = 0.05  # tanks whose net rise is 0 or less
    drift_per_week: float = 0.02  # log sd of the rise's random walk
    change_low: float = 0.15
    change_high: float = 0.40
    change_share: float = 0.85  # of visits
    change_jitter: float = 0.0  # visit-to-visit spread of the routine, log sd
    missing: float = 0.07  # readings not taken
    reading_cv: tuple[float, float] = (0.15, 0.25)
    kit_sd: float = 0.12
    kit_visits: int = 18  # visits that a kit batch lasts on the round
    round_tanks: int = 40  # tanks on a round, who share kits
    fraction_bias_sd: float = 0.10  # of a tank's recorded fractions
    fraction_noise_sd: float = 0.05  # of a single recorded fraction
    tap_median: float = 8.0
    tap_log_sd: float = 0.6
    tap_error_sd: float = 0.15
    unlogged: float = 0.03  # visits with a change that nobody wrote down
    typos: float = 0.01  # readings written ten times too high or low
    after_as_before: float = 0.0  # readings taken after the change but logged as before
    step_at: int | None = None  # the rise steps up after this visit
    step_size: float = 0.0
    tap_measured: bool = True
    fractions_guessed: bool = False
    tap_season: tuple[float, float] | None = (
        None  # the supply swings between these over a year, at a phase of each tank
    )
    tap_test_weeks: int = 0  # weeks between tests of the tap; 0 is one test before all
    error_memory: float = 0.0  # first-order autocorrelation of a tank's reading errors
    second_reader: float = 0.0  # share of the visits read by a second person
    reader_sd: float = 0.0  # log-bias of the second person's readings
    routine_at: int | None = None  # from this visit on the changes are `routine_factor` times as large
    routine_factor: float = 1.0
    tap_jump: float = 1.0  # and the tap is so many times its level, tested anew on the day
    pause: tuple[int, int] = (0, 0)  # visits from … to before … at which nobody came
    net_zero: bool = False  # every reading is the kit's 0: the tank takes up all nitrate


@dataclass(frozen=True)
class Simulated:
    """Truth and record of many tanks; arrays [visits, tanks] or [tanks]."""

    world: World
    day: np.ndarray  # [visits] days from the first visit
    rise: np.ndarray  # true net rise in the interval that ends at the visit
    before: np.ndarray  # true level before the change
    after: np.ndarray  # true level after all changes of the visit
    fraction: np.ndarray  # recorded
    tap: np.ndarray  # [tanks] recorded (true where never measured is hidden by the caller)
    true_tap: np.ndarray  # [tanks] at the last visit
    tap_tests: list[tuple[int, np.ndarray]]  # day from the first visit, recorded value [tanks]
    reader: np.ndarray  # 1 where the second person read, arrays [visits, tanks]
    true_fraction: np.ndarray  # [tanks] true fraction a visit that the routine comes to in the long run
    true_change: np.ndarray  # true fraction of the logged changes
    value: np.ndarray  # what was written: a ladder step, ten times too much or little where a typo; nan where none
    low: np.ndarray  # its cell; 0 where none
    high: np.ndarray  # ∞ where open or none
    kit: np.ndarray  # number of the kit batch on the round
    ladder: np.ndarray  # [tanks] number of the ladder
    typo: np.ndarray
    ceiling: np.ndarray  # [tanks]

    @property
    def tanks(self) -> int:
        return self.low.shape[1]


def cells_of(ladder: tuple[float, ...], value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Cells of written values: of a step halfway to its neighbours; off the ladder, between them or above the top."""
    steps = np.array(ladder)
    edges = np.concatenate([[0.0], 0.5 * (steps[1:] + steps[:-1]), [np.inf]])
    at = np.clip(np.searchsorted(steps, value, side="right") - 1, 0, len(steps) - 1)
    on = np.isclose(steps[at], value)
    up = np.append(steps[1:], np.inf)
    return np.where(on, edges[at], steps[at]), np.where(on, edges[at + 1], up[at])


def simulate(world: World, tanks: int, seed: int) -> Simulated:
    """Run a world. The same seed gives the same tanks."""
    rng = np.random.default_rng(seed)
    w, total = world, world.warm_up + world.visits
    rise0 = w.rise_median * np.exp(w.rise_log_sd * rng.standard_normal(tanks))
    still = rng.random(tanks) < w.still_share
    rise0 = np.where(still, rng.uniform(-0.4, 0.0, tanks), rise0)
    drift = np.exp(np.cumsum(w.drift_per_week * np.sqrt(w.gap_days / 7) * rng.standard_normal((total, tanks)), axis=0))
    rise = rise0 * drift / drift[w.warm_up]
    if w.step_at is not None:
        rise[w.warm_up + w.step_at + 1 :] += w.step_size
    if w.net_zero:
        rise[:] = -1.0
    tap = w.tap_median * np.exp(w.tap_log_sd * rng.standard_normal(tanks))
    tap = np.clip(tap, 0.5, 25.0)
    routine = rng.uniform(w.change_low, w.change_high, tanks)
    bias = np.exp(w.fraction_bias_sd * rng.standard_normal(tanks))

    changed = rng.random((total, tanks)) < w.change_share
    wanted = routine * np.exp(w.change_jitter * rng.standard_normal((total, tanks)))
    later = np.arange(total)[:, None] >= (total if w.routine_at is None else w.warm_up + w.routine_at)
    away = (np.arange(total) >= w.warm_up + w.pause[0]) & (np.arange(total) < w.warm_up + w.pause[1])
    wanted = np.where(later, np.minimum(wanted * w.routine_factor, 0.8), wanted)
    recorded = np.round(wanted, 2) * changed * ~away[:, None]
    true = np.clip(recorded * bias * np.exp(w.fraction_noise_sd * rng.standard_normal((total, tanks))), 0, 0.95)
    hidden = (rng.random((total, tanks)) < w.unlogged) * rng.uniform(w.change_low, w.change_high, (total, tanks))

    taps = np.broadcast_to(tap, (total, tanks))
    if w.tap_season is not None:
        low_tap, high_tap = w.tap_season
        phase = rng.uniform(0, 2 * np.pi, tanks)
        swing = np.sin(2 * np.pi * np.arange(total)[:, None] * w.gap_days / 365.25 + phase)
        taps = low_tap + (high_tap - low_tap) * (1 + swing) / 2
    taps = np.where(later, np.minimum(taps * w.tap_jump, 45.0), taps)
    level = taps[0] + rise0 * w.gap_days
    before, after = np.empty((total, tanks)), np.empty((total, tanks))
    for j in range(total):
        level = np.maximum(level + rise[j] * w.gap_days, 0.0)
        before[j] = level
        level = (1 - true[j]) * level + true[j] * taps[j]
        after[j] = level
        # A change that nobody wrote down falls somewhere in the days after the visit.
        level = (1 - hidden[j]) * level + hidden[j] * taps[j]

    keep = slice(w.warm_up, None)
    swapped = rng.random((total, tanks)) < w.after_as_before
    seen = np.where(swapped, after, before)[keep]
    ladder = rng.integers(0, len(LADDERS), tanks)
    # A round has a kit of each ladder, shared by its tanks; each turns over at a visit of its own.
    batches = w.visits // w.kit_visits + 2
    box = np.arange(tanks) // w.round_tanks * len(LADDERS) + ladder
    turn = rng.integers(0, w.kit_visits, box.max() + 1)[box]
    kit = (np.arange(w.visits)[:, None] + turn) // w.kit_visits + batches * box
    batch_bias = np.exp(w.kit_sd * rng.standard_normal(batches * (box.max() + 1)))
    cv = rng.uniform(*w.reading_cv, tanks)
    noise = rng.standard_normal(seen.shape)
    for j in range(1, len(noise)):
        noise[j] = w.error_memory * noise[j - 1] + np.sqrt(1 - w.error_memory**2) * noise[j]
    second = np.zeros(seen.shape, bool)
    if w.second_reader:
        second = rng.random((len(seen), 1)) < np.full(seen.shape, w.second_reader)
    bias_of_reader = np.exp(w.reader_sd * second)
    shown = (seen + 2.0) * np.exp(cv * noise) * batch_bias[kit] * bias_of_reader - 2.0
    shown = np.maximum(shown, 0.0)

    low, high, value = np.zeros_like(seen), np.full_like(seen, np.inf), np.full_like(seen, np.nan)
    taken = (rng.random(seen.shape) >= w.missing) & ~away[keep][:, None]
    typo = taken & (rng.random(seen.shape) < w.typos)
    slip = np.where(rng.random(seen.shape) < 0.5, 10.0, 0.1)
    for number, steps in enumerate(LADDERS):
        mine = ladder == number
        edges = 0.5 * (np.array(steps[1:]) + np.array(steps[:-1]))
        matched = np.array(steps)[np.searchsorted(edges, shown[:, mine])]
        typo[:, mine] &= matched > 0
        written = np.where(typo[:, mine], matched * slip[:, mine], matched)
        value[:, mine] = written
        low[:, mine], high[:, mine] = cells_of(steps, written)
    value[~taken], low[~taken], high[~taken] = np.nan, 0.0, np.inf
    jump = (
        []
        if w.routine_at is None or w.tap_jump == 1.0
        else [w.routine_at * w.gap_days // 7 - 1, w.routine_at * w.gap_days // 7]
    )
    repeated = range(w.tap_test_weeks, w.visits * w.gap_days // 7, w.tap_test_weeks) if w.tap_test_weeks else ()
    weeks = [-1, *jump, *repeated]
    tests = [
        (
            7 * week,
            np.round(taps[w.warm_up + 7 * week // w.gap_days] * np.exp(w.tap_error_sd * rng.standard_normal(tanks)), 1),
        )
        for week in weeks
    ]
    return Simulated(
        world=w,
        day=np.arange(w.visits) * w.gap_days,
        rise=rise[keep],
        before=before[keep],
        after=after[keep],
        fraction=recorded[keep],
        tap=tests[0][1],
        true_tap=taps[-1],
        tap_tests=tests,
        reader=second.astype(int),
        true_fraction=routine * bias * w.change_share,
        true_change=true[keep],
        value=value,
        low=low,
        high=high,
        kit=kit,
        ladder=ladder,
        typo=typo,
        ceiling=rng.choice([30.0, 40.0, 50.0], tanks),
    )
