"""The fitting core: weighted least squares for any curve, by scipy."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from weldsection.errors import DataError

FloatArray = npt.NDArray[np.float64]
Model = Callable[[FloatArray, FloatArray], FloatArray]
"""``model(x, parameters) -> y``"""


@dataclass(frozen=True, slots=True)
class CurveFit:
    """Parameters of a curve and how well they are known."""

    parameters: FloatArray
    covariance: FloatArray
    """Scaled by the residual variance; NaN where the data do not fix them."""
    rss: float
    """Weighted residual sum of squares."""
    df: int

    @property
    def u(self) -> FloatArray:
        """Standard uncertainties of the parameters."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def residual_sd(self) -> float:
        """Residual standard deviation, in units of the weights."""
        return math.sqrt(self.rss / self.df) if self.df > 0 else math.nan


@dataclass(frozen=True, slots=True)
class Weights:
    """How the data are weighted, where they do not all count alike."""

    whitener: FloatArray
    """``(N, N)`` matrix that makes residuals independent with unit variance."""
    further_rss: float = 0.0
    """Scatter of repeats that no curve can take away, where data are means."""
    further_df: int = 0


def fit_curve(
    model: Model,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    start: npt.ArrayLike,
    *,
    weights: Weights | None = None,
    trust_start: bool = False,
) -> CurveFit:
    """Fit a curve by least squares.

    Parameters
    ----------
    model
        ``model(x, parameters)`` gives y.
    x, y
        ``(N,)`` data.
    start
        First guess of the parameters.
    weights
        None for equal weights.
    trust_start
        Whether the guess is near the best fit, so that no other is tried.

    Raises
    ------
    DataError
        If there are fewer data than parameters, or no curve can be fitted.

    Examples
    --------
    >>> fit = fit_curve(lambda x, p: p[0] * x, [1, 2, 3], [2, 4, 6], [1.0])
    >>> round(float(fit.parameters[0]), 6)
    2.0
    """
    x_, y_ = np.asarray(x, np.float64), np.asarray(y, np.float64)
    first = np.asarray(start, np.float64)
    if y_.size < first.size:
        raise DataError(
            f"{y_.size} values are too few to fit a curve of {first.size} parameters."
        )

    def residuals(parameters: FloatArray) -> FloatArray:
        with np.errstate(over="ignore", invalid="ignore"):
            raw = y_ - model(x_, parameters)
        white = raw if weights is None else weights.whitener @ raw
        return np.nan_to_num(white, nan=1e150, posinf=1e150, neginf=-1e150)

    factors = np.ones((1, first.size)) if trust_start else _factors(first.size)
    found, jacobian = _least_squares(residuals, first * factors)
    leftover = residuals(found)
    rss, df = float(leftover @ leftover), y_.size - first.size
    if weights is not None:
        rss, df = rss + weights.further_rss, df + weights.further_df
    return CurveFit(found, covariance_of(jacobian, rss, df), rss, df)


def _least_squares(
    residuals: Callable[[FloatArray], FloatArray], starts: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Try each start and polish the best fit.

    A far guess can lead a fit astray (BoxBOD from its first NIST start does),
    so a fit is taken only when no other start finds a smaller sum.
    """
    tries = [_descend(residuals, start) for start in starts]
    best = min(tries, key=lambda each: each[0])
    cost, parameters, jacobian = _descend(residuals, best[1])
    return (parameters, jacobian) if cost <= best[0] else best[1:]


def _descend(
    residuals: Callable[[FloatArray], FloatArray], start: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Levenberg-Marquardt in units of the start, so that steps suit each parameter."""
    from scipy.optimize import least_squares  # noqa: PLC0415 - slow to load
    # and the straight-edged shapes of a comparison do not need it

    unit = np.where(start == 0, 1.0, np.abs(start))
    with np.errstate(all="ignore"):
        found = least_squares(
            lambda q: residuals(q * unit),
            start / unit,
            method="lm",
            jac="3-point",
            x_scale="jac",
            ftol=1e-15,
            xtol=1e-15,
            gtol=1e-15,
            max_nfev=4000,
        )
    return float(found.cost), found.x * unit, found.jac / unit


def _factors(count: int) -> FloatArray:
    """Factors on a guess: as it is, and each parameter far off in turn."""
    ones = np.ones((1, count))
    each = np.vstack([ones + np.eye(count) * (f - 1) for f in (10.0, 100.0, 0.1)])
    return np.vstack([ones, each])


def covariance_of(jacobian: FloatArray, rss: float, df: int) -> FloatArray:
    """Covariance of parameters from the weighted slopes at the best fit."""
    size = jacobian.shape[1]
    if df <= 0:
        return np.full((size, size), math.nan)
    _, singular, vt = np.linalg.svd(jacobian, full_matrices=False)
    if singular[-1] <= np.finfo(float).eps * max(jacobian.shape) * singular[0]:
        return np.full((size, size), math.nan)
    inverse = (vt.T / singular**2) @ vt
    return np.asarray(inverse * rss / df, dtype=np.float64)
