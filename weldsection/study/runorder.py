"""Whether the order of welding can be told from the setting.

A ladder welded from cold to hot on a warming plate cannot tell current from
preheat. Where order and setting go together the effect is not estimated but
named; where they do not, the drift from bead to bead is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr

from weldsection.study.fit import FloatArray
from weldsection.study.trend import Trend

# Beyond this correlation the uncertainty of either effect is doubled or worse
# (variance inflation 1/(1 - r²) = 3.6); of random orders of seven settings
# fewer than 2 % come so close.
TOO_CLOSE = 0.85


@dataclass(frozen=True, slots=True)
class OrderCheck:
    """How order and setting go together over the beads."""

    correlation: float
    """Of the two, linear or by rank, the larger in size; NaN if it cannot be."""
    beads: int

    @property
    def confounded(self) -> bool:
        """Whether warming of the plate and setting cannot be separated."""
        return abs(self.correlation) >= TOO_CLOSE


@dataclass(frozen=True, slots=True)
class Drift:
    """Change of a quantity from one bead welded to the next, setting apart."""

    per_bead: float
    u: float
    p: float


def order_check(setting: FloatArray, run_order: FloatArray) -> OrderCheck:
    """Hold the order of welding against the setting.

    Examples
    --------
    >>> order_check(np.array([1.0, 2, 3, 4]), np.array([1.0, 2, 3, 4])).confounded
    True
    """
    known = np.isfinite(setting) & np.isfinite(run_order)
    x, order = setting[known], run_order[known]
    if x.size < 3 or np.ptp(x) == 0 or np.ptp(order) == 0:
        return OrderCheck(math.nan, int(x.size))
    both = (_correlation(x, order), _correlation(_ranks(x), _ranks(order)))
    return OrderCheck(max(both, key=abs), int(x.size))


def drift(trend: Trend, run_order: FloatArray) -> Drift | None:
    """Estimate the drift with the order of welding, the trend kept free.

    None where too few beads have an order.

    Parameters
    ----------
    run_order
        ``(beads,)`` in the order of the trend's points; NaN where unknown.
    """
    points, known = trend.points, np.isfinite(run_order)
    curve = trend.chosen.curve
    df = int(known.sum()) - curve.parameters - 1
    if df < 2:
        return None
    x = points.x[known]
    where = float(trend.parameters[-1]) if curve.breaks else 0.0
    basis = [curve.basis(x, where), run_order[known, None] - run_order[known].mean()]
    if curve.breaks:
        step = 1e-4 * float(np.ptp(points.x))
        ahead, behind = trend.parameters.copy(), trend.parameters.copy()
        ahead[-1], behind[-1] = where + step, where - step
        basis.insert(1, (curve.at(x, ahead) - curve.at(x, behind))[:, None] / step)
    variance = points.u_own[known] ** 2 + trend.spread.beads**2
    weight = 1 / np.sqrt(np.maximum(variance, 1e-18))
    design = np.hstack(basis) * weight[:, None]
    sizes = np.linalg.norm(design, axis=0)
    # columns all but parallel: order and setting cannot be told apart after all
    if np.any(sizes == 0) or np.linalg.cond(design / sizes) > 1e6:
        return None
    found, *_ = np.linalg.lstsq(design, points.y[known] * weight, rcond=None)
    left = points.y[known] * weight - design @ found
    inverse = np.linalg.inv(design.T @ design)
    u = math.sqrt(float(inverse[-1, -1]) * float(left @ left) / df)
    p = 2 * float(stdtr(df, -abs(found[-1]) / u)) if u > 0 else math.nan
    return Drift(float(found[-1]), u, p)


def _correlation(a: FloatArray, b: FloatArray) -> float:
    return float(np.corrcoef(a, b)[0, 1])


def _ranks(values: FloatArray) -> FloatArray:
    """Ranks, ties sharing their average."""
    _, index, count = np.unique(values, return_inverse=True, return_counts=True)
    upper = np.cumsum(count)
    return np.asarray((upper - (count - 1) / 2)[index], dtype=np.float64)
