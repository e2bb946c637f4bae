"""Reference statistics of trends and charts, rows G2–G9 and G12–G16; each names its source.

Where an interval or a p is not calculated by us, scipy's is held to the printed one: so the data were typed right.
"""

import numpy as np
import pytest

from tests.reference_statistics import cusum, ewma, ewma_half_width, mann_kendall, theil_sen_slope


def test_g2_sen_1968() -> None:
    """Example in Sen 1968, J. Am. Stat. Assoc. 63:1379–1389, as it stands in scipy's own tests."""
    from scipy.stats import theilslopes

    x, y = np.array([1, 2, 3, 4, 10, 12, 18.0]), np.array([9, 15, 19, 20, 45, 55, 78.0])
    slope = theil_sen_slope(x, y)
    assert slope == pytest.approx(4.0, abs=1e-12)
    assert np.median(y) - slope * np.median(x) == pytest.approx(4.0, abs=1e-12)
    assert np.median(y - slope * x) == pytest.approx(6.0, abs=1e-12)
    found = theilslopes(y, x, 0.93)
    assert found.slope == pytest.approx(slope, abs=1e-12)
    assert (found.low_slope, found.high_slope) == pytest.approx((3.71, 4.38), abs=0.005)


def test_g3_statpsych() -> None:
    """Example in the manual of the R package statpsych; intercept −2.0 computed."""
    from scipy.stats import theilslopes

    y = np.array([21, 4, 9, 12, 35, 18, 10, 22, 24, 1, 6, 8, 13, 16, 19.0])
    x = np.array([67, 28, 30, 28, 52, 40, 25, 37, 44, 10, 14, 20, 28, 40, 51.0])
    slope = theil_sen_slope(x, y)
    assert slope == pytest.approx(0.5, abs=1e-12)
    assert np.median(y) - slope * np.median(x) == pytest.approx(-2.0, abs=1e-12)
    found = theilslopes(y, x, 0.95)
    assert found.slope == pytest.approx(slope, abs=1e-12)
    assert (found.low_slope, found.high_slope) == pytest.approx((0.3243243, 0.75), abs=1e-6)


def test_g4_one_outlier() -> None:
    """Computed with scipy; recalled as Helsel & Hirsch, section 10.1 (from memory, attribution unsure)."""
    from scipy.stats import kendalltau

    x, y = np.arange(1.0, 8.0), np.array([1, 2, 3, 4, 5, 16, 7.0])
    slope = theil_sen_slope(x, y)
    assert slope == pytest.approx(1.0, abs=1e-12)
    assert np.median(y) - slope * np.median(x) == pytest.approx(0.0, abs=1e-9)
    pairs = len(y) * (len(y) - 1) / 2
    assert mann_kendall(y)[0][0] / pairs == pytest.approx(0.90476, abs=5e-6)  # τ, nothing tied
    found = kendalltau(x, y, method="exact")
    assert (found.statistic, found.pvalue) == pytest.approx((0.90476, 0.0027778), abs=1e-5)


@pytest.mark.parametrize(
    ("series", "s", "variance", "z", "p", "slope", "intercept"),
    [
        ([5.2, 6.1, 5.8, 7.4, 8.0, 7.7, 9.1, 10.2], 24, 196 / 3, 2.8455120410, 0.0044340083, 2 / 3, 5.2166667),
        ([4, 4, 13, 13, 13, 22, 22, 22, 47, 47], 37, 347 / 3, 3.3473289278, 0.00081594331, 4.5, -2.75),
        ([47, 47, 22, 22, 13, 22, 13, 13, 4, 4, 4, 4], -51, 587 / 3, -3.5744693796, 0.00035093888, -3.0, 29.5),
        ([7, 7, 7, 7, 7, 7], 0, 0, 0, 1, 0, 7),
    ],
    ids=["G5", "G6", "G7", "G8"],
)
def test_mann_kendall(
    series: list[float], s: int, variance: float, z: float, p: float, slope: float, intercept: float
) -> None:
    """Computed with pymannkendall 1.4.3 and with cor.test of R 4.2.2, which agree; nothing varies: p is 1, not nan."""
    import pymannkendall
    from scipy.stats import norm

    y, steps = np.array(series, float), np.arange(len(series), dtype=float)
    got = [float(x[0]) for x in mann_kendall(y)]
    assert got == pytest.approx([s, variance, z], abs=1e-8)
    assert 2 * norm.sf(abs(got[2])) == pytest.approx(p, abs=1e-8)
    assert theil_sen_slope(steps, y) == pytest.approx(slope, abs=1e-8)
    assert np.median(y) - theil_sen_slope(steps, y) * np.median(steps) == pytest.approx(intercept, abs=1e-7)
    theirs = pymannkendall.original_test(series)
    assert (theirs.s, theirs.var_s, theirs.z, theirs.slope) == pytest.approx((s, variance, z, slope), abs=1e-8)


def test_g9_the_nile() -> None:
    """Computed with pymannkendall 1.4.3; the flow of the Nile, 1871–1970, R's data set by way of statsmodels."""
    from scipy.stats import norm
    from statsmodels.datasets import nile

    y = nile.load_pandas().data["volume"].to_numpy(float)
    s, _, z = (float(x[0]) for x in mann_kendall(y))
    assert (s, z) == pytest.approx((-1387, -4.1280665228), abs=1e-8)
    assert 2 * norm.sf(abs(z)) == pytest.approx(3.658263e-05, rel=1e-6)
    slope = theil_sen_slope(np.arange(100.0), y)
    assert slope == pytest.approx(-2.6, abs=1e-9)
    assert np.median(y) - slope * 49.5 == pytest.approx(1022.2, abs=1e-9)


def test_mann_kendall_leaves_gaps_out() -> None:
    whole = mann_kendall(np.array([4, 13, 22, 22, 47.0]))
    gaps = mann_kendall(np.array([4, np.nan, 13, 22, np.nan, 22, 47.0]))
    assert [x[0] for x in gaps] == pytest.approx([x[0] for x in whole])


EWMA_DATA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
EWMA_DATA += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_g12_g13_ewma() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4, as public test suites quote it; G13, the growing limits, computed."""
    expected = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
    expected += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]
    got = ewma(np.array(EWMA_DATA), 50, 0.3)
    assert got == pytest.approx(expected, abs=0.0051)
    half = float(ewma_half_width(2.0539, 0.3, 3.0))
    assert (50 + half, 50 - half) == pytest.approx((52.5884, 47.4115), abs=1.2e-4)
    assert (abs(got - 50) < half).all()  # no signal
    exact = ewma_half_width(2.0539, 0.3, 3.0, np.array([1, 2, 3, 4, 5, 6, 20]))
    assert exact == pytest.approx([1.84851, 2.25639, 2.43141, 2.51272, 2.55161, 2.57046, 2.58843], abs=1e-5)


def test_g14_cusum() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.3, as public test suites quote it."""
    x = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600]
    x += [324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]
    high, low = cusum(np.array(x), 325, 0.3175)
    expected = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
    assert high == pytest.approx(expected, abs=0.0051)
    falls = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31] + [0] * 9
    assert low == pytest.approx(falls, abs=0.0051)
    assert int(np.argmax((high > 4.1959) | (low > 4.1959))) + 1 == 14


def test_g15_head_start() -> None:
    """Lucas & Crosier 1982, Technometrics 24:199-205, as printed in a Six Sigma text, table 24.1."""
    x = np.array([0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6])
    plain, ahead = cusum(x, 0, 0.5)[0], cusum(x, 0, 0.5, head_start=2.5)[0]
    assert plain == pytest.approx([0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0], abs=1e-9)
    assert ahead == pytest.approx([2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5], abs=1e-9)
    assert (int(np.argmax(plain > 5)) + 1, int(np.argmax(ahead > 5)) + 1) == (7, 3)


def test_g16_montgomery_runger() -> None:
    """Montgomery & Runger, Applied Statistics and Probability for Engineers, table 16-8; computed alike."""
    x = [102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1]
    x += [101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0]
    high, low = cusum(np.array(x), 99, 1)
    assert high == pytest.approx([2, 0, 0, 0, 2, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1], abs=1e-9)
    assert low == pytest.approx([0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1, 2.3, 0, 0, 0.8, 0], abs=1e-9)
    assert max(high.max(), low.max()) < 10  # no signal
