"""The engine's cell likelihood against NIST's certified values and R's survreg, rows G1 and G17–G25.

Computed with survreg of R 4.2.2 (survival 3.5-3), where nothing else is said. The engine has a normal likelihood only,
on the scale of its choice: G24, a Weibull one, is there to be compared with.
"""

import numpy as np
import pytest

from tests.interval_regression import feasible_slopes, interval_regression

# Norris, NIST Statistical Reference Datasets, linear regression; x and y, 36 pairs.
NORRIS = np.array([
    (0.2, 0.1), (337.4, 338.8), (118.2, 118.1), (884.6, 888.0), (10.1, 9.2), (226.5, 228.1), (666.3, 668.5),
    (996.3, 998.5), (448.6, 449.1), (777.0, 778.9), (558.2, 559.2), (0.4, 0.3), (0.6, 0.1), (775.5, 778.1),
    (666.9, 668.8), (338.0, 339.3), (447.5, 448.9), (11.6, 10.8), (556.0, 557.7), (228.1, 228.3), (995.8, 998.0),
    (887.6, 888.8), (120.2, 119.6), (0.3, 0.3), (0.3, 0.6), (556.8, 557.6), (339.1, 339.3), (887.2, 888.0),
    (999.0, 998.5), (779.0, 778.9), (11.1, 10.2), (118.3, 117.6), (229.2, 228.9), (669.1, 668.4), (448.9, 449.2),
    (0.5, 0.2),
])  # fmt: skip

# Tobin 1958, Econometrica 26:24-36; the data of survival::tobin.
DURABLE = np.array([0, 0.7, 0, 0, 0, 0, 0, 3.7, 0, 3, 10.4, 0, 0, 0, 1.5, 0, 0, 3.5, 6.1, 0])
AGE = np.fromstring(
    "57.7 50.9 48.5 41.7 47.7 59.8 44.3 45.1 51.7 50.0 46.8 58.0 58.9 40.0 34.1 39.9 33.4 48.1 46.6 53.1", sep=" "
)
QUANT = np.array(
    [236, 283, 207, 220, 238, 216, 284, 221, 275, 269, 207, 249, 246, 277, 231, 219, 240, 266, 214, 251], float
)
TOBIN_LOW = np.where(DURABLE > 0, DURABLE, -np.inf)
ONE = np.ones(20)

# An invented kit series.
T = np.arange(0.0, 64.0, 7.0)
LOW = np.array([3, 3, 12, 12, 12, 21, 21, 21, 47, 47], float)
HIGH = np.array([12, 12, 21, 21, 21, 47, 47, 47, 77, 77], float)
LINE = np.stack([np.ones(10), T], axis=1)


def test_g1_norris_values_known_exactly() -> None:
    """Certified by NIST, as scipy's tests quote it; the residual spread from memory. Most likely: divided by n."""
    x, y = NORRIS.T
    got = interval_regression(np.stack([np.ones(36), x], axis=1), y, y)
    assert got.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert got.scale * np.sqrt(36 / 34) == pytest.approx(0.884796396144373, rel=1e-9)
    assert 36 * got.scale**2 == pytest.approx(26.6173985294224, rel=1e-9)
    assert 1 - got.scale**2 / np.var(y) == pytest.approx(0.999993745883712, rel=1e-12)
    # Errors by finite differences of the score: not to the last digit.
    assert got.errors[:2] * np.sqrt(36 / 34) == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-5)


def test_g17_tobin_age_and_quant() -> None:
    """Computed with survreg, left-censored at 0; data of Tobin 1958."""
    got = interval_regression(np.stack([ONE, AGE, QUANT], axis=1), TOBIN_LOW, DURABLE)
    assert got.coefficients == pytest.approx([15.1448663607, -0.1290592841, -0.0455416630], rel=1e-6)
    assert got.scale == pytest.approx(5.57253976, rel=1e-6)
    assert got.log_likelihood == pytest.approx(-28.9401332, rel=1e-6)
    assert got.errors == pytest.approx([16.0794532, 0.2185836, 0.0582541, 0.3103227], rel=1e-5)


def test_g18_tobin_age() -> None:
    """Computed with survreg; data of Tobin 1958."""
    got = interval_regression(np.stack([ONE, AGE], axis=1), TOBIN_LOW, DURABLE)
    assert got.coefficients == pytest.approx([5.4969032396, -0.1629854363], rel=1e-6)
    assert (got.scale, got.log_likelihood) == pytest.approx((5.8928004, -29.2309772), rel=1e-6)


def test_g19_tobin_alone_and_scipy() -> None:
    """Computed with survreg, and with scipy's fit of censored data."""
    from scipy.stats import CensoredData, norm

    got = interval_regression(ONE[:, None], TOBIN_LOW, DURABLE)
    assert (got.coefficients[0], got.scale, got.log_likelihood) == pytest.approx(
        (-2.2274394, 5.9452622, -29.4921995), rel=1e-6
    )
    censored = CensoredData(uncensored=DURABLE[DURABLE > 0], left=DURABLE[DURABLE == 0])
    assert norm.fit(censored) == pytest.approx((got.coefficients[0], got.scale), rel=1e-4)


def test_g20_bins_on_time() -> None:
    """Computed with survreg, type interval2; the bins are invented."""
    got = interval_regression(LINE, LOW, HIGH)
    assert got.coefficients == pytest.approx([2.63265738, 0.79055078], rel=1e-6)
    assert (got.scale, got.log_likelihood) == pytest.approx((3.47799873, -4.61708975), rel=1e-6)
    assert got.errors == pytest.approx([2.6490755, 0.08392016, 0.42527958], rel=1e-5)


def test_g21_open_ends() -> None:
    """Computed with survreg, type interval2: the first below the chart, the last off its top."""
    low = np.array([-np.inf, 3, 12, 12, 12, 21, 21, 47, 47, 77])
    high = np.array([3, 12, 21, 21, 21, 47, 47, 77, 77, np.inf])
    got = interval_regression(LINE, low, high)
    assert got.coefficients == pytest.approx([-8.66419428, 1.32124696], rel=1e-6)
    assert (got.scale, got.log_likelihood) == pytest.approx((6.69174911, -7.05023248), rel=1e-6)
    assert got.errors[:2] == pytest.approx([5.22678885, 0.15120108], rel=1e-5)


def test_g22_normal_and_scipy() -> None:
    """Computed with survreg, and with scipy's fit of censored data."""
    from scipy.stats import CensoredData, norm

    got = interval_regression(LINE[:, :1], LOW, HIGH)
    assert (got.coefficients[0], got.scale, got.log_likelihood) == pytest.approx(
        (27.5309351, 17.3726936, -15.9148746), rel=1e-6
    )
    found = norm.fit(CensoredData(interval=np.stack([LOW, HIGH], axis=1)))
    assert found == pytest.approx((got.coefficients[0], got.scale), rel=1e-5)


def test_g23_lognormal() -> None:
    """Computed with survreg, and with lifelines 0.30: a normal error on the log of the bins."""
    from lifelines import LogNormalFitter

    got = interval_regression(LINE[:, :1], np.log(LOW), np.log(HIGH))
    assert (got.coefficients[0], got.scale, got.log_likelihood) == pytest.approx(
        (3.0918554, 0.6923251, -14.5297198), rel=1e-6
    )
    other = LogNormalFitter().fit_interval_censoring(LOW, HIGH)
    assert (other.mu_, other.sigma_, other.log_likelihood_) == pytest.approx(
        (got.coefficients[0], got.scale, got.log_likelihood), rel=1e-4
    )


def test_g24_a_weibull_error_fits_the_bins_no_better() -> None:
    """Computed with survreg, Weibull: −14.6150174, under the log-likelihood of our normal error on the log scale."""
    from scipy.stats import weibull_min

    shape, scale = 1 / 0.6276803, np.exp(3.4316255)
    weibull = float(np.log(weibull_min.cdf(HIGH, shape, scale=scale) - weibull_min.cdf(LOW, shape, scale=scale)).sum())
    assert weibull == pytest.approx(-14.6150174, rel=1e-6)
    ours = interval_regression(LINE[:, :1], np.log(LOW), np.log(HIGH)).log_likelihood
    assert ours - weibull == pytest.approx(0.0852976, abs=1e-5)


def test_g25_a_line_through_every_interval_is_not_identified() -> None:
    """survreg runs out of iterations here and gives no coefficients; we say so and give the band of slopes."""
    got = interval_regression(LINE, np.log(LOW), np.log(HIGH))
    assert not got.identified
    assert got.says.startswith("not identified; slopes from ")
    band = feasible_slopes(T, np.log(LOW), np.log(HIGH))
    assert band is not None
    slope = sum(band) / 2
    room = np.log(HIGH) - slope * T, np.log(LOW) - slope * T
    assert room[1].max() < room[0].min()  # an intercept exists
    for outside in (band[0] - 0.01, band[1] + 0.01):
        assert (np.log(LOW) - outside * T).max() > (np.log(HIGH) - outside * T).min()


def test_no_line_no_band() -> None:
    assert feasible_slopes(T[:3], np.array([0.0, 50.0, 0.0]), np.array([1.0, 51.0, 1.0])) is None
