"""Robust lines and curves: as least squares without outliers, unmoved with them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import median_abs_deviation

from weldsection.curves import mad_sigma, robust_polynomial
from weldsection.records import FloatArray


def noisy(degree: int, count: int = 200, seed: int = 4) -> tuple[FloatArray, ...]:
    """Give x, y and the true polynomial, with normal noise of 0.05."""
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(5, 95, count))
    true = np.array([2e-3, -0.1, 4.0])[-(degree + 1) :]
    return x, np.polyval(true, x) + rng.normal(0, 0.05, count), true


@pytest.mark.parametrize("degree", [0, 1, 2])
def test_without_outliers_the_fit_is_nearly_that_of_least_squares(degree: int) -> None:
    """`numpy.polyfit`; the biweight is 95 % as good on normal noise."""
    x, y, _ = noisy(degree)
    fit, kept = robust_polynomial(x, y, degree)
    theirs = np.polyfit(x, y, degree)

    assert np.abs(np.polyval(fit, x) - np.polyval(theirs, x)).max() < 0.01
    assert kept.mean() > 0.97


@pytest.mark.parametrize("share", [0.1, 0.3])
@pytest.mark.parametrize("degree", [1, 2])
def test_outliers_to_one_side_do_not_pull(degree: int, share: float) -> None:
    """A third of the points far above move the curve by less than the noise."""
    x, y, true = noisy(degree)
    rng = np.random.default_rng(9)
    hit = rng.random(len(x)) < share
    y = y + hit * rng.uniform(1, 6, len(x))
    fit, kept = robust_polynomial(x, y, degree)

    assert np.abs(np.polyval(fit, x) - np.polyval(true, x)).max() < 0.05
    assert not kept[hit].any()
    assert kept[~hit].mean() > 0.9


def test_the_fit_is_that_of_another_biweight() -> None:
    """Ours is `RLM` with `TukeyBiweight` of statsmodels, which has its own code."""
    sm = pytest.importorskip("statsmodels.api", reason="statsmodels is not installed")
    x, y, _ = noisy(2)
    y[::7] += 3.0
    theirs = sm.RLM(y, np.vander(x, 3), M=sm.robust.norms.TukeyBiweight(4.685)).fit()
    fit, _ = robust_polynomial(x, y, 2)

    ours, other = np.polyval(fit, x), np.polyval(theirs.params, x)
    assert np.abs(ours - other).max() < 0.01


def test_points_on_a_curve_give_the_curve() -> None:
    """Without noise the coefficients come back, far from the origin too."""
    x = np.linspace(1000, 1100, 30)
    true = np.array([3e-4, -0.5, 12.0])
    fit, kept = robust_polynomial(x, np.polyval(true, x), 2)

    np.testing.assert_allclose(np.polyval(fit, x), np.polyval(true, x), atol=1e-6)
    assert kept.all()


@pytest.mark.parametrize(("count", "degree"), [(2, 0), (3, 1), (4, 2)])
def test_few_points_lower_the_degree(count: int, degree: int) -> None:
    """A curve of degree two is not put through three points."""
    x = np.arange(count, dtype=float)
    fit, _ = robust_polynomial(x, np.ones(count), 2)

    assert len(fit) == degree + 1


@pytest.mark.parametrize("count", [1, 2, 500, 501])
def test_the_spread_of_the_middle_is_that_of_scipy(count: int) -> None:
    """`scipy.stats.median_abs_deviation` scaled to the normal distribution."""
    values = np.random.default_rng(1).normal(3, 2, count)
    values[: count // 6] += 1e3

    theirs = median_abs_deviation(values, scale="normal")
    assert mad_sigma(values) == pytest.approx(theirs, rel=1e-4)


@pytest.mark.parametrize("values", [[], [1.0, np.nan, 2.0]])
def test_the_spread_of_nothing_and_of_the_unknown_is_unknown(
    values: list[float],
) -> None:
    """NaN is not taken for a number."""
    assert np.isnan(mad_sigma(np.array(values)))
