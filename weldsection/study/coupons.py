"""Whether whole coupons lie off the common trend.

Beads of one plate share the plate, the day and the photo. Where plates differ
by more than their beads scatter, beads of several plates are no repeats of
each other, and the sentence that says so is worth more than a narrow interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc

from weldsection.study.trend import Trend

ALPHA = 0.01


@dataclass(frozen=True, slots=True)
class CouponShift:
    """The coupon that lies farthest off the common trend."""

    coupon: str
    off: float
    """How far above the trend its beads lie on average."""
    p: float
    """Chance of such differences between coupons if there were none."""


def coupon_shift(trend: Trend, coupons: Sequence[str]) -> CouponShift | None:
    """Find out whether coupons differ; None where it is not shown.

    Parameters
    ----------
    coupons
        Coupon of each bead, in the order of the trend's points. The scale
        error of a coupon's photo is one of the things that shift it.
    """
    names, index = np.unique(list(coupons), return_inverse=True)
    left = trend.points.y - trend.at(trend.points.x)
    count = np.bincount(index)
    df = left.size - names.size - trend.chosen.curve.parameters
    if names.size < 2 or count.min() < 2 or df < 2:
        return None
    means = np.bincount(index, left) / count
    within = float(np.sum((left - means[index]) ** 2)) / df
    between = float(np.sum(count * means**2)) / (names.size - 1)
    if not within > 0:
        return None
    p = float(fdtrc(names.size - 1, df, between / within))
    worst = int(np.argmax(np.abs(means)))
    if p >= ALPHA:
        return None
    return CouponShift(str(names[worst]), float(means[worst]), p)
