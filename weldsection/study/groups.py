"""Which settings cannot be told apart by more than a margin that matters.

Two settings are called alike only when that is shown: both one-sided tests
against the margin come out at 5 %. They are called different when zero lies
outside the 95 % interval. Everything else is undecided, and stays so however
small the difference seems.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np
from scipy.special import stdtr, stdtrit

from weldsection.study.fit import FloatArray
from weldsection.study.points import IntArray, Points
from weldsection.study.spread import Spread, bead_spread

ALPHA = 0.05
MOST_BEADS = 1000


class Relation(Enum):
    """What may be said of two settings."""

    ALIKE = "alike within the margin"
    DIFFERENT = "different"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Pair:
    """Two settings held against each other."""

    first: int
    second: int
    difference: float
    """Second less first."""
    u: float
    """Standard uncertainty of the difference, the shared scale cancelled."""
    p_alike: float
    """Chance of looking so alike if they were a whole margin apart."""
    p_different: float
    """Chance of looking so different if they were the same."""
    relation: Relation


@dataclass(frozen=True, slots=True)
class LevelMeans:
    """Average at each setting, with what is needed to compare two of them."""

    x: FloatArray
    y: FloatArray
    u_own: FloatArray
    """Uncertainty without the photo's scale, bead-to-bead scatter included."""
    scale_mm: FloatArray
    """``(levels, photos)``: what each photo's scale error does to each average."""
    beads: IntArray
    spread: Spread

    def u_difference(self, j: int, k: int) -> float:
        """Standard uncertainty of the difference of two averages."""
        shared = self.scale_mm[j] - self.scale_mm[k]
        return math.sqrt(self.u_own[j] ** 2 + self.u_own[k] ** 2 + shared @ shared)


@dataclass(frozen=True, slots=True)
class Groups:
    """Settings in order, and what may be said of each two of them."""

    margin: float
    means: LevelMeans
    pairs: tuple[Pair, ...]
    runs: tuple[tuple[int, ...], ...]
    """Longest runs of neighbouring settings that are alike, each with each."""

    @property
    def provable(self) -> float:
        """Smallest margin at which two typical settings could be shown alike.

        With even odds, if they were truly the same.
        """
        if not self.pairs or not self.means.spread.df:
            return math.nan
        u = float(np.median([pair.u for pair in self.pairs]))
        return u * (
            float(stdtrit(self.means.spread.df, 1 - ALPHA))
            + float(stdtrit(self.means.spread.df, 0.75))
        )

    @property
    def beads_needed(self) -> int:
        """Beads at each setting that show two equal ones alike, four times in five."""
        spread, count = self.means.spread.total, self.means.x.size
        for beads in range(2, MOST_BEADS):
            df = count * (beads - 1)
            reach = float(stdtrit(df, 1 - ALPHA)) + float(stdtrit(df, 0.9))
            if spread * math.sqrt(2 / beads) * reach <= self.margin:
                return beads
        return MOST_BEADS


def level_means(points: Points) -> LevelMeans:
    """Average the beads of each setting."""
    spread = bead_spread(points)
    plain = np.bincount(points.level, points.y) / np.bincount(points.level)
    factor = spread.factor(plain)[points.level]
    variance = points.u_own**2 + (spread.beads * factor) ** 2
    weight = 1 / np.maximum(variance, 1e-18)
    weight /= np.bincount(points.level, weight)[points.level]
    count = int(points.level.max()) + 1
    y: FloatArray = np.bincount(points.level, weight * points.y).astype(np.float64)
    # a reading's own uncertainty may be missing or too small; what was seen rules
    seen = np.maximum(variance, _seen(spread) * factor**2)
    u_own = np.sqrt(np.bincount(points.level, weight**2 * seen))
    scale = np.zeros((count, max(points.scale.photos, 1)))
    if points.scale.photos:
        share = weight[points.scale.point] * points.scale.relative_u
        where = (points.level[points.scale.point], points.scale.photo)
        np.add.at(scale, where, share * y[where[0]])
    return LevelMeans(
        points.level_x, y, u_own, scale, np.bincount(points.level), spread
    )


def _seen(spread: Spread) -> float:
    return 0.0 if math.isnan(spread.total) else spread.total**2


def groups(points: Points, margin: float) -> Groups:
    """Sort settings into what is alike, different and undecided.

    Parameters
    ----------
    margin
        Difference that matters, in the unit of the quantity.
    """
    means = level_means(points)
    count = means.x.size
    pairs = tuple(
        _pair(means, j, k, margin) for j in range(count) for k in range(j + 1, count)
    )
    alike = {(p.first, p.second) for p in pairs if p.relation is Relation.ALIKE}
    return Groups(margin, means, pairs, _runs(count, alike))


def _pair(means: LevelMeans, j: int, k: int, margin: float) -> Pair:
    difference = float(means.y[k] - means.y[j])
    u, df = means.u_difference(j, k), means.spread.df
    if df <= 0 or not u > 0:
        return Pair(j, k, difference, u, math.nan, math.nan, Relation.UNDECIDED)
    p_alike = float(stdtr(df, (abs(difference) - margin) / u))
    p_different = 2 * float(stdtr(df, -abs(difference) / u))
    relation = (
        Relation.ALIKE
        if p_alike < ALPHA
        else Relation.DIFFERENT
        if p_different < ALPHA
        else Relation.UNDECIDED
    )
    return Pair(j, k, difference, u, p_alike, p_different, relation)


def _runs(count: int, alike: set[tuple[int, int]]) -> tuple[tuple[int, ...], ...]:
    """Longest runs of neighbours of which each two are alike."""
    found: list[tuple[int, ...]] = []
    for start in range(count):
        end = start
        while end + 1 < count and all(
            (each, end + 1) in alike for each in range(start, end + 1)
        ):
            end += 1
        inside = found and found[-1][-1] >= end
        if end > start and not inside:
            found.append(tuple(range(start, end + 1)))
    return tuple(found)
