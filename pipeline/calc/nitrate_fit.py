"""The net nitrate rise of many tanks at once: a batched Newton fit of interval readings with nuisance factors.

Parameters of each tank, in order: N0 [mg/L], g [mg/L per day], φ (log-bias of recorded fractions), τ (log-error of the
tap), then one log-bias k a kit batch and one a reader after the first, and last the size of a step where one is fitted.
DEVELOPERS.md, “Nitrate”, tells the model and how it is measured.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.calc.cells import Array, Assumed, CellScores, cell_scores
from pipeline.calc.nitrate_design import Columns, Design, Windows, design

N0, RISE, FRACTION, TAP, KIT = 0, 1, 2, 3, 4  # places of the parameters; kits follow from KIT on
CHUNK = 192  # tanks best fitted at once: their arrays stay in a core's cache
WIDE = 4  # first Newton steps, in which the cells are widened
_NOTHING = 1e-12


@dataclass(frozen=True)
class Priors(Columns):
    """Means and precisions, arrays [parameters, tanks]."""

    mean: Array
    precision: Array


def priors(assumed: Assumed, guessed: Array, tap_age: Array, factors: int, steps: int = 0) -> Priors:
    """Priors of each tank. `guessed` (Boolean) and `tap_age` [days], arrays [tanks], widen φ and τ.

    guessed: half or more of the window's fractions are guesses; tap_age: how far the changes lie from the tap tests
    that they are calculated with, nan where the tap was never tested; factors: log-biases of kits and readers.
    """
    tanks = len(guessed)
    mean = np.zeros((KIT + factors + steps, tanks))
    sd = np.full_like(mean, assumed["prior_kit_sd"])
    mean[N0], mean[RISE] = assumed["prior_n0_mean"], assumed["prior_rise_mean"]
    sd[N0], sd[RISE] = assumed["prior_n0_sd"], assumed["prior_rise_sd"]
    sd[FRACTION] = np.where(guessed, assumed["prior_fraction_guess_sd"], assumed["prior_fraction_sd"])
    fresh, never = assumed["prior_tap_sd"], assumed["prior_tap_unknown_sd"]
    aged = fresh + (assumed["prior_tap_aged_sd"] - fresh) * tap_age / assumed["tap_fresh_days"]
    sd[TAP] = np.nan_to_num(np.minimum(aged, never), nan=never)
    if steps:
        sd[KIT + factors :] = assumed["prior_rise_sd"]
    return Priors(mean, 1.0 / sd**2)


@dataclass(frozen=True)
class Fit:
    """The fit of each tank.

    theta [parameters, tanks]; covariance [parameters, parameters, tanks]; the rest [visits, tanks]: the weight of each
    reading, its score and information about the log level, and the slope of the log level by the level (`lift`, with
    the clamp at zero in it) that turn the fit into a step alarm.
    """

    theta: Array
    covariance: Array
    weight: Array
    score: Array
    information: Array
    lift: Array
    jacobian: Array  # [parameters, visits, tanks] of the log level
    objective: Array  # [tanks] log posterior, constants left out
    design: Design


def corrected_least_squares(windows: Windows, plan: Design) -> tuple[Array, Array]:
    """N0 and g of each tank by ordinary least squares on cell middles, changes and tap allowed for. [tanks] each.

    A reading off the top counts as its low end. nan where the readings cannot carry a line.
    """
    seen = windows.reading
    high = np.where(np.isfinite(windows.high), windows.high, windows.low)
    middle = np.where(seen, 0.5 * (windows.low + high) - plan.c, 0.0)
    a, b = np.where(seen, plan.a, 0.0), np.where(seen, plan.b, 0.0)
    aa, ab, bb = (a * a).sum(0), (a * b).sum(0), (b * b).sum(0)
    ay, by = (a * middle).sum(0), (b * middle).sum(0)
    determinant = aa * bb - ab * ab
    with np.errstate(divide="ignore", invalid="ignore"):
        determinant = np.where(determinant > 1e-9 * np.maximum(aa * bb, 1e-9), determinant, np.nan)
        return (bb * ay - ab * by) / determinant, (aa * by - ab * ay) / determinant


@dataclass(frozen=True)
class _Problem(Columns):
    """A batch of tanks: what stays the same from one Newton step to the next. Arrays [visits, tanks]."""

    assumed: Assumed
    prior: Priors
    plan: Design
    log_low: Array
    log_high: Array
    cv: Array
    of_factor: Array  # [factors, visits, tanks]
    step_days: Array | None

    @property
    def limit(self) -> Array:
        """The longest step of each parameter, [parameters, 1]."""
        limit = np.full((len(self.prior.mean), 1), self.assumed["newton_step_other"])
        limit[N0], limit[RISE] = self.assumed["newton_step_n0"], self.assumed["newton_step_rise"]
        if self.step_days is not None:
            limit[-1] = self.assumed["newton_step_rise"]
        return limit

    def start(self, windows: Windows) -> Array:
        n0, rise = corrected_least_squares(windows, self.plan)
        theta = np.zeros_like(self.prior.mean)
        usable = np.isfinite(n0) & np.isfinite(rise)
        f = self.assumed
        theta[N0] = np.where(usable, np.clip(n0, f["start_n0_low"], f["start_n0_high"]), f["start_n0"])
        theta[RISE] = np.where(usable, np.clip(rise, f["start_rise_low"], f["start_rise_high"]), f["start_rise"])
        return theta

    def level(self, theta: Array) -> tuple[Array, Array]:
        """The level at each row, held at 0 from below, and its slopes [4 or 5, visits, tanks] with the clamp in."""
        plan, phi, tap = self.plan, theta[FRACTION], np.exp(theta[TAP])
        steps = self.step_days is not None
        slopes = np.empty((4 + steps, *plan.a.shape))
        np.add(plan.a, phi * plan.da, out=slopes[N0])
        np.add(plan.b, phi * plan.db, out=slopes[RISE])
        np.add(plan.c, phi * plan.dc, out=slopes[TAP])
        slopes[TAP] *= tap
        level = theta[N0] * slopes[N0] + theta[RISE] * slopes[RISE]
        level += slopes[TAP]
        slopes[FRACTION] = theta[N0] * plan.da + theta[RISE] * plan.db + tap * plan.dc
        if self.step_days is not None:
            slopes[-1] = self.step_days
            level += theta[-1] * self.step_days
        below = level < 0
        if below.any():
            level[below] = 0.0
            slopes *= np.where(below, self.assumed["clamp_slope"], 1.0)
        return level, slopes

    def evaluate(self, theta: Array, widen: float) -> tuple[Array, Array, CellScores]:
        """How the log level moves with the level and with each parameter, and the scores of the readings."""
        assumed, offset = self.assumed, self.assumed["log_offset"]
        level, slopes = self.level(theta)
        bias = np.zeros_like(level)
        for k, mine in enumerate(self.of_factor):
            bias += theta[KIT + k] * mine
        seen = level * np.exp(bias)
        lift = np.exp(bias) / (seen + offset)
        gross = assumed["robust_share"], assumed["robust_density"]
        cells = cell_scores(self.log_low, self.log_high, np.log(seen + offset), self.cv * widen, *gross)
        jacobian = np.empty((len(theta), *level.shape))
        np.multiply(slopes[:4], lift, out=jacobian[:4])
        for k, mine in enumerate(self.of_factor):
            np.multiply(level * lift, mine, out=jacobian[KIT + k])
        if self.step_days is not None:
            np.multiply(slopes[4], lift, out=jacobian[-1])
        return np.where(level > 0, lift, assumed["clamp_slope"] * lift), jacobian, cells

    def curvature(self, jacobian: Array, information: Array) -> Array:
        """H = JᵀIJ + prior precision, [parameters, parameters, tanks]."""
        size = len(jacobian)
        h = np.empty((size, size, jacobian.shape[2]))
        for p in range(size):
            informed = jacobian[p] * information
            for q in range(p + 1):
                h[p, q] = h[q, p] = np.einsum("mt,mt->t", informed, jacobian[q])
            h[p, p] += self.prior.precision[p]
        return h

    def step(self, theta: Array, widen: float) -> Array:
        """One Newton step, shortened so that no parameter leaps."""
        _, jacobian, cells = self.evaluate(theta, widen)
        gradient = np.einsum("pmt,mt->pt", jacobian, cells.score) - self.prior.precision * (theta - self.prior.mean)
        move = solve(cholesky(self.curvature(jacobian, cells.information)), gradient)
        # A step of nothing is not to be shortened.
        move *= np.minimum(1.0, 1.0 / np.maximum((np.abs(move) / self.limit).max(axis=0), _NOTHING))
        return move


def cholesky(h: Array) -> list[list[Array]]:
    """Lower factor of positive definite matrices [size, size, tanks], as rows of arrays [tanks]."""
    size = len(h)
    lower: list[list[Array]] = []
    for p in range(size):
        row: list[Array] = []
        for q in range(p + 1):
            value = h[p, q].copy()
            for r in range(q):
                value -= row[r] * (row[r] if q == p else lower[q][r])
            row.append(np.sqrt(value) if q == p else value / lower[q][q])
        lower.append(row)
    return lower


def solve(lower: list[list[Array]], right: Array) -> Array:
    """x with h·x = right, for h given by its lower factor (`cholesky`) and right sides [size, …, tanks]."""
    size = len(lower)
    x: list[Array] = []
    for p in range(size):
        value = right[p].copy()
        for r in range(p):
            value -= lower[p][r] * x[r]
        x.append(value / lower[p][p])
    for p in reversed(range(size)):
        for r in range(p + 1, size):
            x[p] = x[p] - lower[r][p] * x[r]
        x[p] = x[p] / lower[p][p]
    return np.array(x)


def inverse(h: Array) -> Array:
    """Inverse of positive definite matrices [size, size, tanks]."""
    return solve(cholesky(h), np.eye(len(h))[..., None] * np.ones(h.shape[2]))


def fit(
    windows: Windows, prior: Priors, assumed: Assumed, step_days: Array | None = None, start: Array | None = None
) -> Fit:
    """Fit every tank of a batch (arrays [visits, tanks]); about 10,000 tanks of 26 readings a second on one core, best
    CHUNK of them at once.

    `step_days` [visits, tanks], where given, is the design of a step in the rise; its size is the last parameter.
    `start` [parameters, tanks] is that of another fit, which needs few steps; else it begins at least squares.
    Read the interval of g as rise ± interval_z·√covariance[RISE, RISE].
    """
    offset, factors = assumed["log_offset"], len(prior.mean) - KIT - (step_days is not None)
    problem = _Problem(
        assumed,
        prior,
        plan=design(windows),
        log_low=np.where(windows.low > 0, np.log(windows.low + offset), -np.inf),
        log_high=np.log(windows.high + offset),
        cv=windows.cv,
        of_factor=windows.of_factor(factors),
        step_days=step_days,
    )
    last, early = int(assumed["newton_steps"]), int(assumed["newton_steps_all"])
    # From another fit the way is short and the cells need no widening.
    if start is None:
        theta, moved = _newton(problem, problem.start(windows), range(early))
    else:
        theta, moved = _newton(problem, start, range(WIDE, WIDE + 2))
    # Few tanks need more steps; the others are done.
    left = np.flatnonzero(moved > assumed["newton_settled"])
    if len(left):
        theta[:, left], _ = _newton(problem.chosen(left), theta[:, left], range(early, last))
    lift, jacobian, cells = problem.evaluate(theta, 1.0)
    return Fit(
        theta=theta,
        covariance=inverse(problem.curvature(jacobian, cells.information)),
        weight=cells.weight,
        score=cells.score,
        information=cells.information,
        lift=lift,
        jacobian=jacobian,
        objective=np.where(windows.reading, cells.log_chance, 0.0).sum(axis=0)
        - 0.5 * (prior.precision * (theta - prior.mean) ** 2).sum(axis=0),
        design=problem.plan,
    )


def _newton(problem: _Problem, theta: Array, iterations: range) -> tuple[Array, Array]:
    """Newton steps from theta; the new theta, and the last step of each tank as a share of the longest allowed."""
    assumed = problem.assumed
    moved = np.zeros(theta.shape[1])
    for iteration in iterations:
        # A wide cell error first: it leads past the flat places that a gross error makes.
        widen = assumed["newton_widen_first"] if iteration < 2 else assumed["newton_widen_second"]
        move = problem.step(theta, 1.0 if iteration >= WIDE else widen)
        theta = theta + move
        np.maximum(theta[N0], assumed["n0_floor"], out=theta[N0])
        moved = (np.abs(move) / problem.limit).max(axis=0)
    return theta, moved
