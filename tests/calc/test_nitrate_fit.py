"""The fit: recovers simulated truth, agrees with scipy, treats each tank by itself, widens where it must."""

from dataclasses import fields, replace

import numpy as np
import pytest

from pipeline.assumptions import built_in
from pipeline.calc.balance_windows import NUMBER, gate
from pipeline.calc.nitrate_design import Windows
from pipeline.calc.nitrate_fit import FRACTION, RISE, TAP, Fit, cholesky, fit, inverse, priors, solve
from tests.reference_fit import SlowTank
from tests.simulate import Simulated, World, simulate

FIGURES = built_in()


def windows_of(sim: Simulated) -> Windows:
    """The windows of a simulated world, whole; kits numbered within each tank."""
    days = np.full(sim.low.shape, float(sim.world.gap_days))
    days[0] = 0.0
    tap = sim.tap if sim.world.tap_measured else np.full(sim.tanks, FIGURES["tap_unknown_mg_l"])
    return Windows(
        days=days,
        fraction=sim.fraction,
        inflow=sim.fraction * tap,
        low=sim.low,
        high=sim.high,
        after=np.zeros(sim.low.shape, bool),
        kit=np.where(np.isnan(sim.value), -1, sim.kit - sim.kit.min(axis=0)),
        reader=np.full(sim.low.shape, -1),
        cv=np.full(sim.low.shape, FIGURES["reading_cv"]),
    )


def fit_world(sim: Simulated, guessed: bool = False, no_tap: bool = False) -> tuple[Fit, np.ndarray, np.ndarray]:
    """The fit, the tanks that carry a number, and the error of the rise."""
    windows = windows_of(sim)
    tanks, kits = sim.tanks, int(windows.kit.max()) + 1
    found = fit(
        windows, priors(FIGURES, np.full(tanks, guessed), np.full(tanks, np.nan if no_tap else 0.0), kits), FIGURES
    )
    number = gate(windows, FIGURES) == NUMBER
    return found, number, found.theta[RISE] - sim.rise[1:].mean(axis=0)


def padded_in_front(windows: Windows, rows: int) -> Windows:
    """The same windows behind rows in which nothing happens."""
    blank = {"low": 0.0, "high": np.inf, "kit": -1, "reader": -1, "cv": FIGURES["reading_cv"]}
    parts = {f.name: getattr(windows, f.name) for f in fields(windows)}
    shape = (rows, windows.days.shape[1])
    return Windows(
        **{name: np.concatenate([np.full(shape, blank.get(name, 0), part.dtype), part]) for name, part in parts.items()}
    )


def half_width(found: Fit) -> np.ndarray:
    return FIGURES["interval_z"] * np.sqrt(found.covariance[RISE, RISE])


@pytest.mark.parametrize(
    ("world", "rmse", "gated"),
    [
        (World(visits=9), 0.47, 0.88),
        (World(visits=26), 0.29, 0.90),
        (World(visits=14, gap_days=14), 0.29, 0.68),
    ],
    ids=["8 weeks", "26 weeks", "26 weeks fortnightly"],
)
def test_recovers_the_standard_world(world: World, rmse: float, gated: float) -> None:
    found, number, error = fit_world(simulate(world, 1500, 41))
    inside = (np.abs(error) <= half_width(found))[number]
    assert number.mean() > gated
    assert np.sqrt(np.mean(error[number] ** 2)) < rmse
    assert abs(error[number].mean()) < 0.08
    assert 0.86 < inside.mean() < 0.955


@pytest.mark.parametrize(
    ("changed", "guessed", "no_tap", "bias"),
    [
        ({"unlogged": 0.10}, False, False, 0.25),
        ({"after_as_before": 0.15}, False, False, 0.25),
        ({"fraction_bias_sd": 0.35, "fraction_noise_sd": 0.15}, True, False, 0.15),
        ({"tap_measured": False}, False, True, 0.12),
        ({"rise_median": 3.5}, False, False, 0.40),
    ],
    ids=["unlogged", "after as before", "guessed", "no tap", "heavy"],
)
def test_misspecified_worlds_stay_bounded(changed: dict, guessed: bool, no_tap: bool, bias: float) -> None:
    """They pull the rise down or widen it (known limits), but neither runs away."""
    found, number, error = fit_world(simulate(replace(World(visits=26), **changed), 800, 43), guessed, no_tap)
    assert abs(error[number].mean()) < bias
    assert (np.abs(error) <= half_width(found))[number].mean() > 0.72
    assert np.isfinite(found.theta).all()
    assert np.isfinite(found.covariance).all()


def test_guesses_and_an_unmeasured_tap_widen_the_interval() -> None:
    sim = simulate(World(visits=26), 200, 44)
    plain, guessed, no_tap = (half_width(fit_world(sim, *flags)[0]) for flags in ((), (True, False), (False, True)))
    assert np.median(guessed / plain) > 1.3
    assert np.median(no_tap / plain) > 1.05


def test_agrees_with_scipys_optimum() -> None:
    sim = simulate(World(visits=20), 20, 45)
    found, number, _ = fit_world(sim)
    windows = windows_of(sim)
    slow = [
        SlowTank(windows, t, FIGURES, guessed=False, tap_sd=FIGURES["prior_tap_sd"]).optimum()[RISE]
        for t in np.flatnonzero(number)
    ]
    assert np.mean(np.abs(found.theta[RISE, number] - slow) <= 0.02) >= 0.98


def test_objective_is_the_slow_one() -> None:
    sim = simulate(World(visits=15), 8, 46)
    windows, (found, _, _) = windows_of(sim), fit_world(sim)
    slow = [
        SlowTank(windows, t, FIGURES, guessed=False, tap_sd=FIGURES["prior_tap_sd"]).cost(found.theta[:, t])
        for t in range(8)
    ]
    assert found.objective == pytest.approx(-np.array(slow), abs=1e-8)


def test_a_tank_is_fitted_by_itself() -> None:
    """Alone, in a large batch, or behind padding: the same numbers."""
    sim = simulate(World(visits=16), 400, 47)
    whole, _, _ = fit_world(sim)
    windows = windows_of(sim)
    kits = int(windows.kit.max()) + 1
    for tank in (0, 191, 192, 399):
        alone = windows.chosen(slice(tank, tank + 1))
        padded = padded_in_front(alone, 3)
        for one in (alone, padded):
            no = np.zeros(1, bool)
            got = fit(one, priors(FIGURES, no, np.zeros(1), kits), FIGURES)
            assert got.theta[:, 0] == pytest.approx(whole.theta[:, tank], abs=1e-9)
            assert got.covariance[..., 0] == pytest.approx(whole.covariance[..., tank], abs=1e-9)


def test_one_wild_reading_moves_little_and_is_suspect() -> None:
    sim = simulate(World(visits=26, typos=0.0, unlogged=0.0), 300, 48)
    before, number, _ = fit_world(sim)
    low, high = sim.low.copy(), sim.high.copy()
    low[12], high[12] = 0.0, 1.5
    wild = number & (sim.before[12] > 25) & ~np.isnan(sim.value[12])
    after, _, _ = fit_world(replace(sim, low=low, high=high))
    assert wild.sum() > 100
    assert (after.weight[12, wild] < FIGURES["suspect_weight"]).mean() > 0.97
    assert np.median(np.abs(after.theta[RISE] - before.theta[RISE])[wild]) < 0.05


def test_all_zero_and_all_off_the_top_stay_finite() -> None:
    sim = simulate(World(visits=12), 20, 49)
    for low, high in ((0.0, 1.5), (111.0, np.inf)):
        shape = sim.low.shape
        found, number, _ = fit_world(replace(sim, low=np.full(shape, low), high=np.full(shape, high)))
        assert not number.any()
        assert np.isfinite(found.theta).all()
        assert np.isfinite(found.covariance).all()


def test_nothing_read_gives_the_prior() -> None:
    sim = simulate(World(visits=6), 5, 50)
    shape = sim.low.shape
    found, _, _ = fit_world(replace(sim, low=np.zeros(shape), high=np.full(shape, np.inf)))
    assert found.theta[RISE] == pytest.approx(np.full(5, FIGURES["prior_rise_mean"]), abs=1e-6)
    assert found.covariance[RISE, RISE] == pytest.approx(np.full(5, FIGURES["prior_rise_sd"] ** 2))
    assert found.theta[[FRACTION, TAP]] == pytest.approx(np.zeros((2, 5)), abs=1e-9)


def test_batched_algebra_is_numpys() -> None:
    rng = np.random.default_rng(1)
    root = rng.standard_normal((6, 6, 50))
    h = np.einsum("pkt,qkt->pqt", root, root) + 0.5 * np.eye(6)[:, :, None]
    right = rng.standard_normal((6, 50))
    stacked = np.moveaxis(h, 2, 0)
    solved = solve(cholesky(h), right).T
    assert solved == pytest.approx(np.linalg.solve(stacked, right.T[..., None])[..., 0], abs=1e-9)
    assert np.moveaxis(inverse(h), 2, 0) == pytest.approx(np.linalg.inv(stacked), abs=1e-9)
    lower = cholesky(h)
    assert lower[3][1] == pytest.approx(np.linalg.cholesky(stacked)[:, 3, 1])
