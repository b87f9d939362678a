"""An ellipse in the photo, and its robust fit to edge points."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from weldsection.records import FloatArray

_LEAST_POINTS = 5  # an ellipse has five parameters
_TUKEY = 4.685  # Tukey's biweight: 95 % of the efficiency of least squares


@dataclass(frozen=True, slots=True)
class Ellipse:
    """The image of a unit circle under c + A u with symmetric A.

    ``A = [[mean + q, s], [s, mean - q]]``: `mean` is the mean of the half axes,
    ``hypot(q, s)`` half their difference. No angle jumps where it is a circle.
    """

    x_px: float
    y_px: float
    mean_px: float
    q_px: float = 0.0
    s_px: float = 0.0

    @property
    def centre_xy_px(self) -> FloatArray:
        """Centre, ``(2,)``."""
        return np.array([self.x_px, self.y_px])

    @property
    def semi_axes_px(self) -> tuple[float, float]:
        """Long and short half axis.

        Examples
        --------
        >>> Ellipse(0.0, 0.0, 10.0, q_px=2.0).semi_axes_px
        (12.0, 8.0)
        """
        half = math.hypot(self.q_px, self.s_px)
        return self.mean_px + half, self.mean_px - half

    @property
    def long_axis_rad(self) -> float:
        """Direction of the long half axis, x towards y."""
        return 0.5 * math.atan2(self.s_px, self.q_px)

    @property
    def matrix(self) -> FloatArray:
        """A, ``(2, 2)``."""
        m, q, s = self.mean_px, self.q_px, self.s_px
        return np.array([[m + q, s], [s, m - q]])

    def points_xy_px(self, count: int) -> FloatArray:
        """Points around it, ``(count, 2)``."""
        return self.centre_xy_px + _units(count) @ self.matrix

    def normals_xy(self, count: int) -> FloatArray:
        """Outward unit normals at `points_xy_px`."""
        normal = _units(count) @ np.linalg.inv(self.matrix)
        return np.asarray(
            normal / np.linalg.norm(normal, axis=1, keepdims=True), dtype=np.float64
        )

    def distance_px(self, points_xy_px: FloatArray) -> FloatArray:
        """Distance of points outside (+) or inside (-) to first order."""
        inverse = np.linalg.inv(self.matrix)
        local = (points_xy_px - self.centre_xy_px) @ inverse
        size = np.maximum(np.sqrt((local**2).sum(axis=1)), 1e-9)
        slope = np.sqrt(((local @ inverse) ** 2).sum(axis=1)) / size
        return np.asarray((size - 1) / np.maximum(slope, 1e-12), dtype=np.float64)

    def scaled(self, factor: float) -> Ellipse:
        """The same shape about the same middle, so many times as large.

        Examples
        --------
        >>> Ellipse(5.0, 5.0, 10.0, q_px=2.0).scaled(1.5).semi_axes_px
        (18.0, 12.0)
        """
        m, q, s = factor * self.mean_px, factor * self.q_px, factor * self.s_px
        return Ellipse(self.x_px, self.y_px, m, q, s)

    def as_array(self) -> FloatArray:
        """The five parameters."""
        return np.array([self.x_px, self.y_px, self.mean_px, self.q_px, self.s_px])


@dataclass(frozen=True, slots=True)
class Foreshortening:
    """What is known beforehand of the shape of a circle in the photo."""

    q: float
    """Ellipse's q over its mean half axis."""
    s: float
    sd: float
    """Standard uncertainty of both."""


@dataclass(frozen=True, slots=True)
class EllipseFit:
    """A fitted ellipse and how well the points carry it."""

    ellipse: Ellipse
    covariance: FloatArray
    """``(5, 5)`` of x, y, mean, q, s, from the points alone."""
    residual_px: FloatArray
    spread_px: float
    """Robust standard deviation of the residuals that are trusted."""
    trust: FloatArray
    """``(N,)`` between 0 and 1 for each residual."""


def fit_ellipse(
    points_xy_px: FloatArray,
    start: Ellipse,
    *,
    rounds: int = 10,
    trust: FloatArray | None = None,
    shape: Foreshortening | None = None,
) -> EllipseFit:
    """Fit an ellipse to points in order around it, stray points left out.

    Parameters
    ----------
    points_xy_px
        ``(N, 2)``; NaN points count as not seen.
    rounds
        Limits the re-weighting.
    trust
        ``(N,)`` between 0 and 1 for each point.
    shape
        What is known of the shape; a few points then carry the fit.

    Returns
    -------
    EllipseFit
        All NaN where less points are seen than an ellipse has parameters.
    """
    seen = np.isfinite(points_xy_px).all(axis=1)
    points = points_xy_px[seen]
    all_trust = np.ones(len(points_xy_px)) if trust is None else trust
    if len(points) < _LEAST_POINTS:
        nowhere = np.full(len(points_xy_px), np.nan)
        nothing = Ellipse(*np.full(5, np.nan))
        return EllipseFit(
            nothing, np.full((5, 5), np.nan), nowhere, math.nan, all_trust
        )
    trusted = all_trust[seen]
    ellipse = start
    ridge: FloatArray = np.zeros((5, 5))
    pull: FloatArray = np.zeros(5)
    for _ in range(rounds):
        residual = ellipse.distance_px(points)
        told = np.abs(residual[trusted >= np.median(trusted)])
        spread = max(1.4826 * float(np.median(told)), 0.02)
        weight = np.clip(1 - (residual / (_TUKEY * spread)) ** 2, 0, None) ** 2
        weight = weight * trusted
        jacobian = _slopes(ellipse, points)
        scaled = jacobian * weight[:, None]
        if shape is not None:
            ridge, pull = _known_shape(ellipse, shape, spread)
        normal = scaled.T @ jacobian + 1e-9 * np.eye(5)
        change = np.linalg.solve(normal + ridge, pull - scaled.T @ residual)
        ellipse = Ellipse(*(ellipse.as_array() + change))
        if float(np.abs(change).max()) < 1e-3:
            break
    all_residuals = np.full(len(points_xy_px), np.nan)
    all_residuals[seen] = ellipse.distance_px(points)
    used = np.where(weight > 0, residual, 0.0)
    variance = spread**2 * shared_error(used)
    inverse = np.linalg.inv(normal)  # without what was known of the shape
    covariance = variance * inverse @ (scaled.T @ scaled) @ inverse
    return EllipseFit(ellipse, covariance, all_residuals, spread, all_trust)


def sector_scatter(
    points_xy_px: FloatArray,
    fit: EllipseFit,
    *,
    shape: Foreshortening | None = None,
    sectors: int = 9,
) -> FloatArray:
    """Covariance ``(5, 5)`` of an ellipse from leaving out one sector at a time.

    Where the points of some sectors lie on another edge, such as a bevel, this is
    wider than what the scatter of the points says.
    """
    sector = np.arange(len(points_xy_px)) * sectors // len(points_xy_px)
    without = []
    for left_out in range(sectors):
        trust = np.where(sector == left_out, 0.0, fit.trust)
        part = fit_ellipse(
            points_xy_px, fit.ellipse, trust=trust, shape=shape, rounds=4
        )
        without.append(part.ellipse.as_array())
    away = np.array(without) - np.mean(without, axis=0)
    # the delete-a-group jackknife
    return np.asarray((sectors - 1) / sectors * away.T @ away, dtype=np.float64)


def _known_shape(
    ellipse: Ellipse, shape: Foreshortening, spread_px: float
) -> tuple[FloatArray, FloatArray]:
    """Weight and pull of the known shape beside points of that scatter."""
    # fifty neighbouring points share what bevel and shadow do to them
    # and an edge scatters by 0.4 px at most: more means that the shape is wrong
    stiff = 50 * (min(spread_px, 0.4) / (shape.sd * ellipse.mean_px)) ** 2
    ridge = np.diag([0.0, 0.0, 0.0, stiff, stiff])
    mean = ellipse.mean_px
    away = [shape.q * mean - ellipse.q_px, shape.s * mean - ellipse.s_px]
    return ridge, stiff * np.array([0.0, 0.0, 0.0, *away])


def shared_error(residual: FloatArray) -> float:
    """How much longer the list of residuals is than its independent part.

    Sum of the autocorrelation up to where it first falls below a tenth.
    """
    centred = residual - residual.mean()
    power = float(centred @ centred)
    if power <= 0:
        return 1.0
    total = 1.0
    for lag in range(1, max(len(residual) // 6, 2)):
        correlation = float(centred[lag:] @ centred[:-lag]) / power
        if correlation < 0.1:
            break
        total += 2 * correlation
    return total


def _units(count: int) -> FloatArray:
    angle = 2 * np.pi * np.arange(count) / count
    return np.column_stack([np.cos(angle), np.sin(angle)])


def _slopes(ellipse: Ellipse, points_xy_px: FloatArray) -> FloatArray:
    """Derivatives of the distances with respect to the five parameters."""
    inverse = np.linalg.inv(ellipse.matrix)
    way = (points_xy_px - ellipse.centre_xy_px) @ inverse
    way /= np.maximum(np.sqrt((way**2).sum(axis=1, keepdims=True)), 1e-9)
    normal = way @ inverse
    normal /= np.sqrt((normal**2).sum(axis=1, keepdims=True))
    (ux, uy), (nx, ny) = way.T, normal.T
    columns = [nx, ny, nx * ux + ny * uy, nx * ux - ny * uy, nx * uy + ny * ux]
    return -np.column_stack(columns)
