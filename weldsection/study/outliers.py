"""Beads that lie farther off the trend than luck explains."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr

from weldsection.study.trend import Trend

# chance, over all beads together, at which one is pointed out
ALPHA = 0.01


@dataclass(frozen=True, slots=True)
class Outlier:
    """One bead far off the trend of the others."""

    name: str
    off: float
    """How far above the trend it lies, in the unit of the quantity."""
    p: float
    """Chance of lying so far off, over all beads (Bonferroni)."""


def outliers(trend: Trend) -> tuple[Outlier, ...]:
    """Find beads that the others' trend does not explain.

    Each bead is held against the trend with itself left out (externally
    studentised residuals), the break of the trend kept where it is.
    """
    points, curve = trend.points, trend.chosen.curve
    count, used = points.x.size, curve.parameters
    if count - used - 1 < 3 or not trend.spread.total > 0:
        return ()
    at = float(trend.parameters[-1]) if curve.breaks else 0.0
    beads = trend.spread.beads * trend.spread.factor(trend.at(points.x))
    weight = 1 / np.hypot(points.u_own, np.maximum(beads, 1e-12))
    basis = curve.basis(points.x, at) * weight[:, None]
    q, _ = np.linalg.qr(basis)
    y = points.y * weight
    left = y - q @ (q.T @ y)
    free = np.maximum(1 - np.einsum("nk,nk->n", q, q), 1e-9)
    df = count - used - 1
    without = (float(left @ left) - left**2 / free) / df
    with np.errstate(divide="ignore", invalid="ignore"):
        t = left / np.sqrt(np.maximum(without, 1e-30) * free)
    p = np.minimum(2 * stdtr(df, -np.abs(t)) * count, 1.0)
    return tuple(
        Outlier(points.names[k], float(left[k] / weight[k]), float(p[k]))
        for k in np.flatnonzero(p < ALPHA)
    )
