"""The step alarm: finds steps, seldom cries wolf, keeps quiet afterwards, and its score is worth what it says."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.assumptions import built_in
from pipeline.calc.balance_rows import build_rows
from pipeline.calc.balance_windows import Batch, batches, spans_of_weeks
from pipeline.calc.nitrate_design import step_days
from pipeline.calc.nitrate_fit import FRACTION, fit
from pipeline.calc.nitrate_rates import fit_with_step
from pipeline.calc.nitrate_steps import Scanned, alarms, efficient_scores, scan, scan_visits
from tests.simulate import Simulated, World, simulate
from tests.simulated_round import tables_of, tank_names

FIGURES = built_in()
QUIET = round(7 * FIGURES["alarm_quiet_weeks"])


def scanned_of(sim: Simulated) -> tuple[Scanned, int]:
    rows = build_rows(tables_of(sim), tank_names(sim), FIGURES)
    return scan_visits(rows, rows.tank, rows.day, sim.world.gap_days, FIGURES), int(rows.day.min())


def raised_days(sim: Simulated) -> list[list[int]]:
    """Days since the first visit on which each tank's alarm was raised, as a review of every visit day sees it."""
    scanned, first = scanned_of(sim)
    found: list[list[int]] = [[] for _ in range(sim.tanks)]
    for elapsed in sim.day:
        as_of = np.full(sim.tanks, first + int(elapsed))
        at = alarms(scanned, np.arange(sim.tanks), as_of, FIGURES).at
        for tank in np.flatnonzero((at >= 0) & (scanned.day[np.maximum(at, 0)] == as_of)):
            found[tank].append(int(elapsed))
    return found


def test_false_alarms_are_rare_and_far_apart() -> None:
    sim = simulate(World(visits=62), 150, 71)
    found = raised_days(sim)
    years = (62 - 18 + 1) * 7 / 365.25
    assert 0.1 < sum(map(len, found)) / sim.tanks / years < 0.45
    for days in found:
        assert (np.diff(days) >= QUIET).all()
        assert all(d >= 17 * 7 for d in days)  # not before the eighteenth visit


@pytest.mark.parametrize(
    ("world", "median", "share"),
    [
        (World(visits=58, step_at=40, step_size=1.5), 6, 0.80),
        (World(visits=58, step_at=40, step_size=0.7), 13, 0.48),
        (World(visits=32, gap_days=14, step_at=20, step_size=1.5), 10, 0.55),
    ],
    ids=["weekly 1.5", "weekly 0.7", "fortnightly 1.5"],
)
def test_steps_are_found(world: World, median: float, share: float) -> None:
    sim = simulate(world, 300, 72)
    at = int(sim.day[world.step_at or 0])
    delays = [min((d - at for d in days if d > at), default=7 * 99) / 7 for days in raised_days(sim)]
    assert np.median(delays) <= median
    assert np.mean(np.array(delays) <= 12) >= share


def test_a_falling_rise_raises_nothing() -> None:
    sim = simulate(World(visits=52, rise_median=3.0, step_at=40, step_size=-1.5), 120, 73)
    at = int(sim.day[40])
    assert np.mean([any(d > at for d in days) for days in raised_days(sim)]) < 0.12


def one_batch(sim: Simulated, steps: int = 0) -> Batch:
    rows = build_rows(tables_of(sim), tank_names(sim), FIGURES)
    every = np.arange(sim.tanks)
    wanted = spans_of_weeks(rows, every, np.full(sim.tanks, rows.day.max()), np.full(sim.tanks, 52.0))
    (part,) = list(batches(rows, wanted, FIGURES, steps))
    return part


def test_score_foretells_the_fit_with_the_step() -> None:
    """u/v is the step that fitting it finds, √v⁻¹ its error, z²/2 the gain of the objective: to first order."""
    from scipy.stats import spearmanr

    sim = simulate(World(visits=30, step_at=21, step_size=0.6, typos=0.0, unlogged=0.0), 150, 74)
    part, ahead = one_batch(sim), one_batch(sim, steps=1)
    null = fit(part.windows, part.priors, FIGURES)
    begins = part.row[-1] - 8
    start = np.full((1, 150), len(part.row) - 9)
    slope, _ = step_days(part.windows, null.theta[FRACTION], start)
    u, v = efficient_scores(slope * null.lift, null)
    free = fit_with_step(ahead, begins, np.full(150, 50.0), FIGURES)
    close = np.abs(u[0] / np.sqrt(v[0])) < 1.5
    assert close.sum() > 60
    one_step, fitted = (u / v)[0, close], free.theta[-1, close]
    assert spearmanr(one_step, fitted).statistic > 0.97
    assert np.median(fitted / one_step) == pytest.approx(1.0, abs=0.1)
    assert np.median((1 / np.sqrt(v[0])) / np.sqrt(free.covariance[-1, -1])) == pytest.approx(1.0, abs=0.15)
    gain = (free.objective - null.objective)[close]
    assert spearmanr(gain, (u[0] ** 2 / v[0] / 2)[close]).statistic > 0.95


def test_scan_points_at_the_step() -> None:
    sim = simulate(World(visits=40, step_at=31, step_size=3.0), 150, 75)
    part = one_batch(sim)
    found = scan(
        part.windows, fit(part.windows, part.priors, FIGURES), part.visit, np.full(150, 2), np.full(150, 14), FIGURES
    )
    strong = found.z > 4
    assert strong.mean() > 0.5
    assert np.median(np.abs(found.visits_ago[strong] - 8)) <= 1
    assert (len(part.row) - 1 - found.row == found.visits_ago)[strong].all()  # one row a visit here


def test_a_short_window_is_not_scanned_beyond_its_start() -> None:
    sim = simulate(World(visits=4), 20, 76)
    part = one_batch(sim)
    done = fit(part.windows, part.priors, FIGURES)
    beyond = scan(part.windows, done, part.visit, np.full(20, 6), np.full(20, 14), FIGURES)
    assert np.isneginf(beyond.z).all()
    assert (beyond.row == -1).all()


def always_over(since_ago: int) -> Scanned:
    """A tank whose every visit of forty weeks is over the threshold, with a step so many days before it."""
    days = np.arange(0, 7 * 40, 7)
    count = len(days)
    return Scanned(
        tank=np.zeros(count, np.int64),
        day=days,
        z=np.full(count, 3.0),
        size=np.ones(count),
        row=np.arange(count),
        since=days - since_ago,
        over=np.ones(count, bool),
    )


def raised_by(scanned: Scanned, as_of: int) -> int:
    at = alarms(scanned, np.array([0]), np.array([as_of]), FIGURES).at[0]
    return -1 if at < 0 else int(scanned.day[at])


def test_quiet_after_an_alarm_then_again() -> None:
    """Always over: raised at the first, silent for twelve weeks, raised anew; in force for the twelve weeks."""
    scanned = always_over(21)
    assert [raised_by(scanned, d) for d in (-1, 0, 83, 84, 167, 168)] == [-1, 0, 0, 84, 84, 168]
    once = replace(scanned, over=scanned.day == 70)
    assert [raised_by(once, d) >= 0 for d in (69, 70 + QUIET - 1, 70 + QUIET)] == [False, True, False]


def test_a_step_that_was_told_is_not_told_again() -> None:
    """After the quiet the scan still finds the old step: no new alarm."""
    scanned = replace(always_over(0), since=np.full(40, -14))
    assert [raised_by(scanned, d) for d in (0, 83, 84, 200)] == [0, 0, -1, -1]


def test_nothing_to_scan() -> None:
    rows = build_rows({}, ["T1"], FIGURES)
    scanned = scan_visits(rows, np.zeros(1, np.int64), np.array([5]), 7, FIGURES)
    found = alarms(scanned, np.array([0]), np.array([5]), FIGURES)
    assert (found.at.tolist(), found.latest.tolist()) == ([-1], [-1])


@pytest.mark.parametrize("step", [0.0, 1.0], ids=["healthy", "stepped"])
def test_what_is_scanned_for_some_days_gives_the_alarms_of_a_whole_scan(step: float) -> None:
    """Of quiet tanks far fewer visits are scanned than there are."""
    sim = simulate(World(visits=90, step_at=40, step_size=step), 40, 72)
    rows = build_rows(tables_of(sim), tank_names(sim), FIGURES)
    whole, first = scanned_of(sim)
    tank = np.tile(np.arange(sim.tanks), 3)
    for last in (20, 45, 60, 75, 89):
        as_of = np.repeat(first + 7 * last - np.array([28, 7, 0]), sim.tanks)
        few = scan_visits(rows, tank, as_of, sim.world.gap_days, FIGURES)
        one, other = alarms(few, tank, as_of, FIGURES), alarms(whole, tank, as_of, FIGURES)
        for name in ("at", "latest"):
            mine, theirs = getattr(one, name), getattr(other, name)
            assert ((mine >= 0) == (theirs >= 0)).all()
            for column in ("day", "z", "size", "since", "row"):
                values, expected = getattr(few, column)[mine[mine >= 0]], getattr(whole, column)[theirs[theirs >= 0]]
                np.testing.assert_allclose(values, expected, rtol=1e-6)
    assert np.isin(whole.day[whole.over], few.day).any() or not step
    assert len(few.day) < 0.6 * len(whole.day)
