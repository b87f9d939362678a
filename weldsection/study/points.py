"""One quantity of every bead against one setting, with honest weights.

A bead's value is off by its own reading error, by the scatter from bead to
bead that no reading can remove, and by the scale error of its photo. The
first two are each bead's own. The third is shared: it multiplies every value
read on that photo by one factor, so it cancels from everything that compares
beads of one photo. With a single photo it is left out of the arithmetic of
comparison altogether and comes back when a value in mm is stated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from weldsection.errors import DataError
from weldsection.study.fit import FloatArray, Weights

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

# beyond this many different settings, neighbours are pooled
MOST_SETTINGS = 200


@dataclass(frozen=True, slots=True)
class SharedScale:
    """Which photo's scale error each value carries, and how much of it."""

    point: IntArray
    photo: IntArray
    relative_u: FloatArray
    photos: int

    @classmethod
    def none(cls) -> SharedScale:
        """Values free of any scale error."""
        nothing = np.empty(0, np.int64)
        return cls(nothing, nothing, np.empty(0), 0)

    @classmethod
    def one_photo(cls, relative_u: npt.ArrayLike) -> SharedScale:
        """Values all read on one photo."""
        u = np.asarray(relative_u, np.float64)
        return cls(np.arange(u.size), np.zeros(u.size, np.int64), u, 1)

    def kept(self, keep: BoolArray) -> SharedScale:
        """Give the part that belongs to the values kept."""
        new_index = np.cumsum(keep) - 1
        mine = keep[self.point]
        return SharedScale(
            new_index[self.point[mine]],
            self.photo[mine],
            self.relative_u[mine],
            self.photos,
        )


@dataclass(frozen=True, slots=True)
class Points:
    """Beads as points: setting, value and what is known of its error."""

    x: FloatArray
    y: FloatArray
    u_own: FloatArray
    """Uncertainty of each reading without its photo's scale; 0 where unknown."""
    scale: SharedScale
    names: tuple[str, ...]
    doubtful: BoolArray
    """Beads that were remarked or flagged; drawn differently."""
    level: IntArray
    """Number of the setting each bead was meant to have, from low to high."""

    @classmethod
    def of(
        cls,
        x: npt.ArrayLike,
        y: npt.ArrayLike,
        u_own: npt.ArrayLike = 0.0,
        *,
        scale: SharedScale | None = None,
    ) -> Points:
        """Make points from plain arrays."""
        x_, y_ = np.asarray(x, np.float64), np.asarray(y, np.float64)
        if x_.shape != y_.shape or x_.ndim != 1:
            raise DataError("Settings and values must be two lists of one length.")
        if not (np.isfinite(x_).all() and np.isfinite(y_).all()):
            raise DataError("Settings and values must be numbers; leave out the rest.")
        return cls(
            x_,
            y_,
            np.broadcast_to(np.nan_to_num(np.asarray(u_own, float)), x_.shape).copy(),
            scale or SharedScale.none(),
            tuple(str(k) for k in range(1, x_.size + 1)),
            np.zeros(x_.size, bool),
            levels(x_),
        )

    def kept(self, keep: BoolArray) -> Points:
        """Give the points marked True."""
        return Points(
            self.x[keep],
            self.y[keep],
            self.u_own[keep],
            self.scale.kept(keep),
            tuple(n for n, k in zip(self.names, keep, strict=True) if k),
            self.doubtful[keep],
            np.unique(self.level[keep], return_inverse=True)[1].astype(np.int64),
        )

    @property
    def level_x(self) -> FloatArray:
        """The settings met, from low to high: average of the readings of each."""
        count = np.bincount(self.level)
        return np.asarray(np.bincount(self.level, self.x) / count, np.float64)

    @property
    def relative_scale_u(self) -> float:
        """Relative uncertainty that all values share, as of a typical value."""
        if not self.scale.photos:
            return 0.0
        rows = np.bincount(self.scale.point, self.scale.relative_u, self.x.size)
        return float(np.sqrt(np.mean(rows**2)))


@dataclass(frozen=True, slots=True)
class Means:
    """Values averaged at each setting, with the covariance of the averages."""

    x: FloatArray
    y: FloatArray
    whitener: FloatArray
    """``(m, m)``: makes the averages independent with unit variance."""
    beads: IntArray
    """How many beads stand behind each average."""
    pure_ss: float
    """Weighted scatter of beads about the average of their setting."""
    pure_df: int

    @property
    def count(self) -> int:
        """All beads together."""
        return int(self.beads.sum())

    @property
    def covariance(self) -> FloatArray:
        """``(m, m)`` covariance of the averages."""
        inverse = np.linalg.inv(self.whitener)
        return np.asarray(inverse @ inverse.T, dtype=np.float64)

    @property
    def weights(self) -> Weights:
        """The same for the fitting core."""
        return Weights(self.whitener, self.pure_ss, self.pure_df)


def levels(x: FloatArray) -> IntArray:
    """Number the settings from low to high, readings of one setting alike.

    Readings belong to one setting when they lie within 2.5 % of the whole
    range: 119 and 121 A on a ladder of 100 A.

    Examples
    --------
    >>> levels(np.array([160.0, 119.0, 121.0, 220.0])).tolist()
    [1, 0, 0, 2]
    """
    index = np.zeros(x.size, np.int64)
    step = 0.025 * float(np.ptp(x)) if x.size else 0.0
    start, level = -np.inf, -1
    for k in np.argsort(x, kind="stable"):
        if x[k] > start + step:
            start, level = x[k], level + 1
        index[k] = level
    return index


def averaged(points: Points, spread: float) -> Means:
    """Average the beads at each setting.

    Parameters
    ----------
    spread
        Standard deviation from bead to bead, to be added to each reading's own.
    """
    x, index = _settings(points.x)
    variance = points.u_own**2 + spread**2
    variance = np.where(variance > 0, variance, _floor(points.y))
    if points.scale.photos > 1:
        return _with_scales(points, x, index, variance)
    weight = 1 / variance
    total = np.bincount(index, weight)
    y = np.bincount(index, weight * points.y) / total
    left = points.y - y[index]
    return Means(
        x,
        y,
        np.diag(np.sqrt(total)),
        np.bincount(index),
        float(weight @ left**2),
        points.x.size - x.size,
    )


def _settings(x: FloatArray) -> tuple[FloatArray, IntArray]:
    """Different settings from low to high, and which one each bead has."""
    values, index = np.unique(x, return_inverse=True)
    if values.size <= MOST_SETTINGS:
        return values, index.astype(np.int64)
    edges = np.linspace(values[0], values[-1], MOST_SETTINGS + 1)[1:-1]
    cell = np.searchsorted(edges, x)
    _, index = np.unique(cell, return_inverse=True)
    return np.bincount(index, x) / np.bincount(index), index.astype(np.int64)


def _floor(y: FloatArray) -> float:
    """Variance of values that came without any uncertainty and do not scatter."""
    return float(max((1e-6 * np.abs(y).max(initial=0.0)) ** 2, 1e-24))


def _with_scales(
    points: Points, x: FloatArray, index: IntArray, variance: FloatArray
) -> Means:
    """Generalised least squares with one shared factor for each photo.

    The scale error multiplies the average of the setting, not the single
    reading, so that a low reading is not taken for a sure one.
    """
    from scipy import sparse  # noqa: PLC0415 - only where there are several photos
    from scipy.sparse.linalg import splu  # noqa: PLC0415

    scale = points.scale
    n = points.x.size
    weight = 1 / variance
    mean = np.bincount(index, weight * points.y) / np.bincount(index, weight)
    design = sparse.csc_matrix((np.ones(n), (np.arange(n), index)), (n, x.size))
    shared = sparse.csc_matrix(
        (scale.relative_u * mean[index][scale.point], (scale.point, scale.photo)),
        (n, scale.photos),
    )
    weighted = sparse.diags(weight) @ shared
    inner = splu((sparse.eye(scale.photos) + shared.T @ weighted).tocsc())

    def solve(v: FloatArray) -> FloatArray:
        """Inverse covariance of the beads times v (Woodbury)."""
        plain = weight * v
        return np.asarray(plain - weighted @ inner.solve(shared.T @ plain))

    cross = (design.T @ weighted).toarray()
    information = np.diag(np.bincount(index, weight)) - cross @ inner.solve(cross.T)
    lower = np.linalg.cholesky((information + information.T) / 2)
    right = design.T @ solve(points.y)
    y = np.linalg.solve(lower.T, np.linalg.solve(lower, right))
    left = points.y - y[index]
    return Means(
        x, y, lower.T, np.bincount(index), float(left @ solve(left)), n - x.size
    )
