"""How much beads of one setting scatter beyond what reading them explains."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from weldsection.study import curves
from weldsection.study.fit import FloatArray
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
    grows: bool = False
    """Whether deep beads scatter more than shallow ones, in proportion."""
    typical: float = 1.0
    """Value at which the scatter is as stated, where it grows."""

    def factor(self, value: FloatArray) -> FloatArray:
        """Scatter at a value over the scatter stated; never taken to be smaller.

        Few beads tell poorly whether scatter grows. Where it seems to, high
        values are taken to be less sure, but low ones not surer.
        """
        size = np.abs(np.asarray(value, np.float64))
        if not self.grows:
            return np.ones_like(size)
        return np.maximum(size / self.typical, 1.0)


def bead_spread(points: Points) -> Spread:
    """Estimate the scatter from bead to bead.

    From repeats of one setting where there are enough (4 degrees of freedom),
    else from the scatter about the best simple shape. Whether it is the same
    everywhere or grows with the value is for the beads to say (likelihood).
    """
    repeats = points.x.size - (int(points.level.max(initial=0)) + 1)
    if repeats >= 4:
        expected, df = _level_averages(points), repeats
    else:
        expected, df = _trend_values(points)
    if df <= 0:
        return Spread(math.nan, 0.0, 0, False)
    left = points.y - expected
    total = float(left @ left) / df
    own = float(np.mean(points.u_own**2))
    return Spread(
        math.sqrt(total),
        math.sqrt(max(total - own, 0.0)),
        df,
        repeats >= 4,
        _grows(left, expected),
        float(np.sqrt(np.mean(expected**2))),
    )


def _grows(left: FloatArray, expected: FloatArray) -> bool:
    """Whether scatter in proportion to the value is the likelier of the two."""
    if left.size < 6 or np.any(expected <= 0) or not np.any(left):
        return False
    if expected.max() < 1.3 * expected.min():  # too even a range to tell
        return False
    same = -0.5 * left.size * math.log(float(left @ left))
    relative = left / expected
    growing = -0.5 * left.size * math.log(float(relative @ relative))
    return growing - float(np.log(expected).sum()) > same


def _level_averages(points: Points) -> FloatArray:
    mean = np.bincount(points.level, points.y) / np.bincount(points.level)
    return np.asarray(mean[points.level], dtype=np.float64)


def _trend_values(points: Points) -> tuple[FloatArray, int]:
    """Values of the best shape with equal weights."""
    means = averaged(Points.of(points.x, points.y, 1.0), 0.0)
    shapes = [curves.LINE]
    if means.x.size >= 4:
        shapes += [curves.LINE_THEN_FLAT, curves.QUADRATIC_THEN_FLAT]
    fits = [(curves.fit(means, shape), shape) for shape in shapes]
    best, shape = min(fits, key=lambda each: _variance(each[0].rss, each[0].df))
    return shape.at(points.x, best.parameters), best.df


def _variance(rss: float, df: int) -> float:
    return rss / df if df > 0 else math.inf
