"""How much beads of one setting scatter beyond what reading them explains."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from weldsection.study import curves
from weldsection.study.points import Points, averaged


@dataclass(frozen=True, slots=True)
class Spread:
    """Scatter of one quantity from bead to bead."""

    total: float
    """Standard deviation of single beads about their setting, as seen."""
    beads: float
    """What is left of it when the reading uncertainty is taken out."""
    df: int
    """Degrees of freedom it rests on."""
    from_repeats: bool
    """True when repeats of one setting gave it; False when only the scatter
    about the trend could, which holds as far as the trend does."""


def bead_spread(points: Points) -> Spread:
    """Estimate the scatter from bead to bead.

    From repeats of one setting where there are enough (4 degrees of freedom),
    else from the scatter about the best simple shape.
    """
    repeats = points.x.size - (int(points.level.max(initial=0)) + 1)
    if repeats >= 4:
        ss, df = _within_levels(points), repeats
    else:
        ss, df = _about_trend(points)
    if df <= 0:
        return Spread(math.nan, 0.0, 0, False)
    total = ss / df
    own = float(np.mean(points.u_own**2))
    return Spread(math.sqrt(total), math.sqrt(max(total - own, 0.0)), df, repeats >= 4)


def _within_levels(points: Points) -> float:
    mean = np.bincount(points.level, points.y) / np.bincount(points.level)
    return float(np.sum((points.y - mean[points.level]) ** 2))


def _about_trend(points: Points) -> tuple[float, int]:
    """Residual sum of the best shape with equal weights."""
    plain = Points.of(points.x, points.y, 1.0)
    means = averaged(plain, 0.0)
    shapes = [curves.LINE]
    if means.x.size >= 4:
        shapes += [curves.LINE_THEN_FLAT, curves.QUADRATIC_THEN_FLAT]
    fits = [(curves.fit(means, shape), shape) for shape in shapes]
    best = min(fits, key=lambda each: _variance(each[0].rss, each[0].df))
    return best[0].rss, best[0].df


def _variance(rss: float, df: int) -> float:
    return rss / df if df > 0 else math.inf
