"""How well a fitted shape is known at each setting.

A shape that breaks is averaged over all breaks the data allow, each weighted
by its likelihood, so that the doubt about where it breaks is part of the band
and the band has no step.
"""

from __future__ import annotations

import math

import numpy as np

from weldsection.study.curves import Curve, profile
from weldsection.study.fit import CurveFit, FloatArray
from weldsection.study.points import Means
from weldsection.study.spread import Spread

# breaks that are averaged over; more of them change nothing to be seen
MOST_BREAKS = 80


def u_of_average(
    means: Means, curve: Curve, fit: CurveFit, x: FloatArray, spread: Spread
) -> FloatArray:
    """Standard uncertainty of a shape at x; NaN where nothing is left to tell it by.

    Where beads scatter more at high values, the shape is less sure there.
    """
    where = np.asarray(x, np.float64)
    if fit.df <= 0:
        return np.full(where.shape, math.nan)
    breaks, weight = _likely_breaks(means, curve, fit)
    best = curve.at(where, fit.parameters)
    variance = np.zeros(where.shape)
    scatter = spread.factor(curve.at(means.x, fit.parameters))
    for at, share in zip(breaks, weight, strict=True):
        value, own = _given_break(means, curve, float(at), where, scatter)
        variance += share * (own * fit.rss / fit.df + (value - best) ** 2)
    return np.sqrt(variance)


def _likely_breaks(
    means: Means, curve: Curve, fit: CurveFit
) -> tuple[FloatArray, FloatArray]:
    """Breaks the data allow and their likelihood, which sums to one."""
    if not curve.breaks or fit.rss <= 0:
        return np.array([fit.parameters[-1]]), np.ones(1)
    seen = profile(means, curve)
    step = max(seen.breaks.size // MOST_BREAKS, 1)
    breaks, rss = seen.breaks[::step], seen.rss[::step]
    logs = -0.5 * (fit.df + curve.parameters) * np.log(rss / seen.rss.min())
    weight = np.exp(logs) * np.gradient(breaks)
    kept = weight > 1e-4 * weight.max()
    return breaks[kept], weight[kept] / weight[kept].sum()


def _given_break(
    means: Means, curve: Curve, at: float, x: FloatArray, scatter: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Value at x, and its variance in units of the residual variance."""
    q, r = np.linalg.qr(means.whitener @ curve.basis(means.x, at))
    basis = curve.basis(x, at)
    value = basis @ np.linalg.solve(r, q.T @ (means.whitener @ means.y))
    # share of each average in the value at x, in units of its own uncertainty
    shares = basis @ np.linalg.solve(r, q.T)
    if not np.all(scatter == 1):
        inverse = np.linalg.inv(means.whitener)
        shares = shares @ means.whitener @ (scatter[:, None] * inverse)
    return value, np.einsum("nm,nm->n", shares, shares)
