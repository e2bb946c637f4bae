"""The chance that a reading falls in its cell, with its slope and curvature: the likelihood of every kit reading.

A reading is an interval (low, high) of the scale it is modelled on. Seen from a location x with spread `scale`, its
chance is Φ((high − x)/scale) − Φ((low − x)/scale); −∞ and ∞ stand for open ends. numpy only: no scipy at run time.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Assumed = Mapping[str, float]  # the assumptions in force, by name

FAR = 40.0  # beyond this many standard deviations φ and the tail of Φ are 0 in float64
_SPLIT = 3.75  # where the published map of [0, ∞) to [−1, 1] puts its middle
_DEGREE = 18
_INV_SQRT_2PI = 1.0 / math.sqrt(2.0 * math.pi)
_INV_SQRT_2 = 1.0 / math.sqrt(2.0)
_TINY = 1e-300


def array(value: ArrayLike) -> Array:
    return np.asarray(value, dtype=float)


def _scaled_erfc(x: float) -> float:
    """exp(x²)·erfc(x) of one x ≥ 0, slowly: the library's erfc, and beyond 5 its continued fraction."""
    if x < 5.0:
        return math.exp(x * x) * math.erfc(x)
    tail = 0.0
    for k in range(80, 0, -1):
        tail = 0.5 * k / (x + tail)
    return 1.0 / (math.sqrt(math.pi) * (x + tail))


@lru_cache(maxsize=1)
def _coefficients() -> tuple[float, ...]:
    """Coefficients in y = (x − 3.75)/(x + 3.75) of (1 + 2x)·exp(x²)·erfc(x), highest power first."""

    nodes = np.polynomial.chebyshev.chebpts1(_DEGREE + 1)
    x = [_SPLIT * (1 + y) / (1 - y) for y in nodes.tolist()]
    values = np.array([(1 + 2 * v) * _scaled_erfc(v) for v in x])
    series = np.polynomial.chebyshev.chebfit(nodes, values, _DEGREE)
    return tuple(float(c) for c in np.polynomial.chebyshev.cheb2poly(series)[::-1])


def upper_tail(distance: Array, gauss: Array) -> Array:
    """1 − Φ(distance) for distance ≥ 0, given gauss = exp(−distance²/2).

    Chebyshev approximation in the variable of Shepherd & Laframboise (1981), Mathematics of Computation 36:249-253;
    relative error under 1e-12 (tests/calc/test_cells.py). In place, on few temporaries: it is most of the fit's time.
    """
    x = distance * _INV_SQRT_2
    y = (x - _SPLIT) / (x + _SPLIT)
    coefficients = _coefficients()
    tail = np.full_like(y, coefficients[0])
    for c in coefficients[1:]:
        tail *= y
        tail += c
    x *= 4.0
    x += 2.0
    tail *= gauss
    tail /= x
    return tail


def normal_cdf(z: Array) -> Array:
    """Φ(z), any shape; −∞ and ∞ allowed."""
    z = np.clip(np.asarray(z, dtype=float), -FAR, FAR)
    tail = upper_tail(np.abs(z), np.exp(-0.5 * z * z))
    return np.where(z > 0, 1.0 - tail, tail)


@dataclass(frozen=True)
class CellTerms:
    """Of every reading: the chance of its cell and what its logarithm's derivatives are made of."""

    chance: Array  # P
    slope: Array  # φ(z_low) − φ(z_high): dP/dx · scale
    bend: Array  # z_low·φ(z_low) − z_high·φ(z_high): d²P/dx² · scale², sign turned


def cell_terms(z_low: Array, z_high: Array) -> CellTerms:
    """Chance of the cell between two standard scores (same shape, z_low < z_high; open ends ±∞).

    The difference is taken in whichever tail both ends lie, so that it stays exact far out.
    """
    z = np.array((z_low, z_high))
    np.clip(z, -FAR, FAR, out=z)
    gauss = np.square(z)
    gauss *= -0.5
    np.exp(gauss, out=gauss)
    tail = upper_tail(np.abs(z), gauss)
    apart = tail[0] - tail[1]
    chance = np.where(z[0] > 0, apart, np.where(z[1] < 0, -apart, 1.0 - tail[0] - tail[1]))
    gauss *= _INV_SQRT_2PI
    slope = gauss[0] - gauss[1]
    gauss *= z
    return CellTerms(chance, slope, gauss[0] - gauss[1])


@dataclass(frozen=True)
class CellScores:
    """Likelihood of each reading, its logarithm's derivative by the location, and its information about it."""

    likelihood: Array
    score: Array
    information: Array
    weight: Array  # chance that the reading is not a gross error; 1 with the robust part off

    @property
    def log_chance(self) -> Array:
        return np.asarray(np.log(self.likelihood))


def cell_scores(
    low: Array, high: Array, location: Array, scale: float | Array, gross_share: float = 0.0, gross_chance: float = 0.0
) -> CellScores:
    """Likelihood of readings that lie between low and high [scale of the location; ±∞ where open].

    With a gross share s the likelihood is (1 − s)·P + s·gross_chance: one wild reading then costs a bounded amount.
    The information is the observed one, held between 0 and 1/scale² so that a Newton step is always uphill.
    """
    terms = cell_terms((low - location) / scale, (high - location) / scale)
    chance = np.maximum(terms.chance, _TINY)
    likelihood = (1.0 - gross_share) * chance
    weight = likelihood.copy()
    likelihood += gross_share * gross_chance
    weight /= likelihood
    chance *= scale
    ratio = terms.slope / chance
    chance *= scale
    information = ratio * ratio
    information -= terms.bend / chance
    np.clip(information, 0.0, 1.0 / np.square(scale), out=information)
    information *= weight
    ratio *= weight
    return CellScores(likelihood, ratio, information, weight)
