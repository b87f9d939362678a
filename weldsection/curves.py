"""Robust lines and curves through points, used wherever an edge is fitted."""

from __future__ import annotations

import math

import numpy as np

from weldsection.records import BoolArray, FloatArray

TUKEY = 4.685  # Tukey's biweight, 95 % efficient on normal residuals


def mad_sigma(values: FloatArray) -> float:
    """Give the standard deviation of the middle of the values, blind to outliers.

    Examples
    --------
    >>> round(mad_sigma(np.array([-1.0, 0.0, 1.0, 2.0, 90.0])), 2)
    1.48
    """
    return 1.4826 * _median(np.abs(values - _median(values)))


def _median(values: FloatArray) -> float:
    """Median as of numpy; on some thousand values sorting is several times faster."""
    ordered = np.sort(values, axis=None)
    if not len(ordered) or np.isnan(ordered[-1]):  # NaN is sorted to the end
        return math.nan
    lower, upper = ordered[(len(ordered) - 1) // 2], ordered[len(ordered) // 2]
    return float((lower + upper) / 2)


def robust_polynomial(
    x: FloatArray, y: FloatArray, degree: int, *, floor: float = 1e-6
) -> tuple[FloatArray, BoolArray]:
    """Fit a polynomial by reweighted least squares that outliers cannot pull.

    Parameters
    ----------
    x, y
        Points ``(N,)``, any unit.
    degree
        Degree of the polynomial; lowered when there are too few points.
    floor
        Residual scatter below which points are not told apart, unit of `y`.

    Returns
    -------
    coefficients
        Highest power first, for `numpy.polyval`.
    kept
        ``(N,)``: the points that agree with the curve.

    References
    ----------
    Beaton and Tukey, Technometrics 16 (1974) 147: the biweight.
    """
    degree = max(0, min(degree, len(x) - 2))
    centre, span = float(np.mean(x)), float(np.ptp(x)) or 1.0
    basis = np.vander((x - centre) / span, degree + 1)
    weights = np.ones(len(x))
    fit = _start(basis, y)
    for _ in range(12):
        residual = y - basis @ fit
        sigma = max(mad_sigma(residual), floor)
        u = residual / (TUKEY * sigma)
        weights = np.where(np.abs(u) < 1, (1 - u**2) ** 2, 0.0)
        root = np.sqrt(weights)[:, None]
        fit = np.linalg.lstsq(basis * root, y * root[:, 0], rcond=None)[0]
    return _shift(fit, centre, span), np.asarray(weights > 0.1)


def _start(basis: FloatArray, y: FloatArray) -> FloatArray:
    """Fit by least absolute residuals, so that the first outliers are seen."""
    fit = np.linalg.lstsq(basis, y, rcond=None)[0]
    for _ in range(8):
        residual = np.abs(y - basis @ fit)
        root = 1 / np.sqrt(np.maximum(residual, 0.05 * np.mean(residual) + 1e-9))
        fit = np.linalg.lstsq(basis * root[:, None], y * root, rcond=None)[0]
    return np.asarray(fit)


def _shift(fit: FloatArray, centre: float, span: float) -> FloatArray:
    """Rewrite a polynomial of (x - centre) / span as one of x."""
    inner = np.array([1 / span, -centre / span])
    shifted = np.zeros(1)
    for coefficient in fit:  # Horner's scheme
        shifted = np.convolve(shifted, inner)
        shifted[-1] += coefficient
    return np.asarray(shifted[-len(fit) :])


def evenly(line_xy: FloatArray, step: float) -> FloatArray:
    """Points at an even spacing along a line."""
    moves = np.hypot(*np.diff(line_xy, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(moves)])
    keep = np.concatenate([[True], moves > 1e-9])
    at = np.arange(0, along[-1], step)
    columns = [np.interp(at, along[keep], line_xy[keep, k]) for k in (0, 1)]
    return np.column_stack(columns)


def unit_normals(line_xy: FloatArray) -> FloatArray:
    """Unit normals of a line ``(N, 2)``, to the right of its run with y down.

    Examples
    --------
    >>> unit_normals(np.array([[0.0, 0.0], [1.0, 0.0], [2.0, 0.0]])).tolist()[1]
    [-0.0, 1.0]
    """
    tangent = np.gradient(line_xy, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    return np.column_stack([-tangent[:, 1], tangent[:, 0]])
