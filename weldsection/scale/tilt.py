"""How the camera was held: tilt of the face's plane from what the photo shows.

A pinhole camera looks at a plane with normal (a, b, 1) in the camera's frame.
References that do not show the tilt themselves are helped by the coupon: its
top and bottom edges are parallel and its ends are sawn roughly square to them.
What that leaves open is filled by how people hold a camera.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from weldsection.records import FloatArray, ScaleSource
from weldsection.scale.edges import CouponEdges

# tangent of the camera's tilt in each of two directions, standard deviation:
# 6° each keeps nineteen tilts of twenty below 15° and two of three below 9°
# (common practice, no source)
_TILT_SD = math.tan(math.radians(6.0))
# a saw cut is square to within about 2.5° (44 ends drawn by another program, read in
# their photos: root mean square 2.4°, one in twenty off by more than 4°)
_SAW_SD_RAD = math.radians(2.5)
# degrees of freedom of the tails: an end may be broken off or misread
_END_TAIL = 4
# wedge of rolled plate over a coupon's length (common practice, no source)
_WEDGE_SD_RAD = math.radians(0.04)
# without EXIF: a phone's main camera is at 0.75 of the long side; zoomed or cropped
# to a coupon it reaches 2 (read off data sheets, common practice)
_FOCAL_PER_LONG_SIDE = 1.1
_FOCAL_SD = 0.3
_FOCAL_SD_EXIF = 0.03
_DRAWS = 1000
_TRIED = 6000
# degrees of freedom of the spread that tilts are tried with: long tails are needed
# where those of the answer are not known
_TAIL = 4
# tangent of the steepest view that is tried, and of focal length e times off
_STEEPEST = 1.2

Residuals = Callable[[FloatArray], FloatArray]
"""Whitened residuals of what a reference shows, for a homography."""


@dataclass(frozen=True, slots=True)
class Camera:
    """Where the camera's axis meets the photo, and its focal length, in px."""

    axis_xy_px: FloatArray
    focal_px: float
    focal_relative_u: float

    @classmethod
    def of(cls, shape: tuple[int, int], focal_px: float | None) -> Camera:
        """Take the focal length from EXIF, or what phones usually have."""
        rows, columns = shape
        axis = np.array([(columns - 1) / 2, (rows - 1) / 2])
        if focal_px is not None:
            return cls(axis, focal_px, _FOCAL_SD_EXIF)
        return cls(axis, _FOCAL_PER_LONG_SIDE * max(rows, columns), _FOCAL_SD)


@dataclass(frozen=True, slots=True)
class Pose:
    """The most likely view of a plane, and equally likely other ones."""

    homography: FloatArray
    """``(3, 3)`` px to mm at the most likely tilt."""
    draws: FloatArray
    """``(D, 3, 3)`` homographies drawn from all that is known."""
    tilt_deg: float

    def balanced(self, centre_xy_px: FloatArray) -> Pose:
        """Scale the most likely view so that the draws scatter about it evenly."""
        errors = log_scale_field(self.draws, centre_xy_px)[:, 0]
        own = log_scale_field(self.homography[None], centre_xy_px)[0, 0]
        grow = np.diag([1.0, 1.0, math.exp(own - float(errors.mean()))])
        return Pose(grow @ self.homography, self.draws, self.tilt_deg)

    def source(self, name: str, centre_xy_px: FloatArray) -> ScaleSource:
        """Scatter of the draws about the most likely view, as a source of doubt."""
        errors = log_scale_field(self.draws, centre_xy_px)
        errors = errors - log_scale_field(self.homography[None], centre_xy_px)
        return ScaleSource(name, errors.T @ errors / len(errors))


def plane_homographies(tilts: FloatArray, camera: Camera) -> FloatArray:
    """Homographies px to plane for rows (a, b, ln of focal over expected focal).

    Lengths are in camera distances along the axis: the caller sets the scale.
    """
    a, b, stretch = tilts[:, 0], tilts[:, 1], np.exp(tilts[:, 2])
    one, zero = np.ones_like(a), np.zeros_like(a)
    normal = np.stack([a, b, one], axis=1)
    first = np.stack([one, zero, -a], axis=1) / np.hypot(one, a)[:, None]
    second = np.cross(normal, first)
    second /= np.linalg.norm(second, axis=1, keepdims=True)
    focal = camera.focal_px * stretch
    x, y = camera.axis_xy_px
    to_ray = np.zeros((len(a), 3, 3))
    to_ray[:, 0, 0] = to_ray[:, 1, 1] = 1 / focal
    to_ray[:, 0, 2], to_ray[:, 1, 2], to_ray[:, 2, 2] = -x / focal, -y / focal, 1
    plane = np.stack([first, second, normal], axis=1)
    return np.asarray(plane @ to_ray, dtype=np.float64)


def solve_pose(
    camera: Camera,
    *,
    sized: Callable[[FloatArray], FloatArray],
    evidence: tuple[Residuals, ...],
    starts: tuple[tuple[float, float], ...] = ((0.0, 0.0),),
) -> Pose:
    """Find the tilt that explains the evidence and how far it may be off.

    Parameters
    ----------
    sized
        Gives each homography of ``(D, 3, 3)`` the scale that makes the known
        length right.
    evidence
        Each turns ``(D, 3, 3)`` sized homographies into ``(D, R)`` residuals.
    starts
        Tilts (a, b) to begin from, where more than one answer is possible.
    """
    prior_sd = np.array([_TILT_SD, _TILT_SD, camera.focal_relative_u])

    def homographies(tilts: FloatArray) -> FloatArray:
        return sized(plane_homographies(tilts, camera))

    def residuals(tilts: FloatArray) -> FloatArray:
        h = homographies(tilts)
        return np.hstack([tilts / prior_sd, *(part(h) for part in evidence)])

    modes = [_descend(residuals, np.array([*start, 0.0])) for start in starts]
    best = min(modes, key=lambda mode: mode.badness)
    a, b = best.at[:2]
    return Pose(
        homography=homographies(best.at[None])[0],
        draws=homographies(_drawn(modes, residuals)),
        tilt_deg=math.degrees(math.atan(math.hypot(a, b))),
    )


@dataclass(frozen=True, slots=True)
class _Mode:
    at: FloatArray
    covariance: FloatArray
    badness: float

    def spread_out(self, count: int, rng: np.random.Generator) -> FloatArray:
        """Draw points about the mode, with longer tails than a normal spread."""
        normal = rng.standard_normal((count, 3))
        longer = np.sqrt(_TAIL / rng.chisquare(_TAIL, count))[:, None]
        return np.asarray(self.at + longer * normal @ self._root.T, dtype=np.float64)

    def density(self, points: FloatArray) -> FloatArray:
        """How densely `spread_out` fills the neighbourhood of points."""
        away = np.linalg.solve(self._root, (points - self.at).T)
        close = (1 + (away**2).sum(axis=0) / _TAIL) ** (-(_TAIL + 3) / 2)
        return np.asarray(close / np.prod(np.diag(self._root)), dtype=np.float64)

    @property
    def _root(self) -> FloatArray:
        return np.asarray(np.linalg.cholesky(self.covariance))


def _drawn(modes: list[_Mode], residuals: Residuals) -> FloatArray:
    """Tilts drawn as often as they are likely, by importance resampling.

    What edges show of a tilt is no normal distribution: far-off ends count less,
    and more than one tilt may be possible (Smith and Gelfand 1992).
    """
    # fixed seed: the same photo must give the same numbers
    rng = np.random.default_rng(20)
    each = math.ceil(_TRIED / len(modes))
    tried = np.vstack([mode.spread_out(each, rng) for mode in modes])
    tried = tried[np.abs(tried).max(axis=1) < _STEEPEST]
    badness = (residuals(tried) ** 2).sum(axis=1)
    density = np.sum([mode.density(tried) for mode in modes], axis=0)
    weight = np.exp((badness.min() - badness) / 2) / density
    share = np.cumsum(weight) / weight.sum()
    picks = (np.arange(_DRAWS) + 0.5) / _DRAWS
    return np.asarray(tried[np.searchsorted(share, picks)], dtype=np.float64)


def _descend(residuals: Residuals, start: FloatArray) -> _Mode:
    """Damped Gauss-Newton over three parameters, with numeric derivatives."""
    step = 1e-5
    at, damping = start, 1e-3
    value = residuals(at[None])[0]
    for _ in range(30):
        moved = residuals(at + step * np.eye(3))
        jacobian = (moved - value).T / step
        normal = jacobian.T @ jacobian
        change = np.linalg.solve(
            normal + damping * np.diag(np.diag(normal)), -jacobian.T @ value
        )
        trial = np.clip(at + change, -_STEEPEST, _STEEPEST)
        trial_value = residuals(trial[None])[0]
        if trial_value @ trial_value < value @ value:
            gain = value @ value - trial_value @ trial_value
            at, value, damping = trial, trial_value, damping / 5
            if gain < 1e-6:
                break
        else:
            damping *= 8
            if damping > 1e6:
                break
    return _Mode(at, np.linalg.inv(normal), float(value @ value))


def tilt_of(homography: FloatArray, camera: Camera) -> tuple[float, float]:
    """Tilt (a, b) of the plane of a homography px to mm, as the camera sees it."""
    x, y = camera.axis_xy_px
    f = camera.focal_px
    to_px = np.array([[f, 0.0, x], [0.0, f, y], [0.0, 0.0, 1.0]])
    along, down, _ = (np.linalg.inv(to_px) @ np.linalg.inv(homography)).T
    normal = np.cross(along, down)
    return float(normal[0] / normal[2]), float(normal[1] / normal[2])


def coupon_evidence(edges: CouponEdges) -> Residuals:
    """What the coupon's edges say: parallel long edges, ends square to them."""
    lines = np.stack(
        [edges.top_xy_px, edges.bottom_xy_px, edges.left_xy_px, edges.right_xy_px]
    )
    parallel_u = math.hypot(edges.parallel_u_rad, _WEDGE_SD_RAD)
    end_u = np.hypot(edges.end_u_rad, _SAW_SD_RAD)
    seen = np.array(edges.ends_seen, dtype=np.float64)

    def residuals(homographies: FloatArray) -> FloatArray:
        ends = project_all(homographies, lines.reshape(-1, 2)).reshape(-1, 4, 2, 2)
        run = ends[:, :, 1] - ends[:, :, 0]
        angle = np.arctan2(run[..., 1], run[..., 0])
        middle = (angle[:, 0] + angle[:, 1]) / 2
        parallel = _wrapped(angle[:, 0] - angle[:, 1]) / parallel_u
        off = _off_square(angle[:, 2:] - middle[:, None]) / end_u
        return np.column_stack([parallel, seen * less_if_far(off, _END_TAIL)])

    return residuals


def less_if_far(residuals: FloatArray, freedom: int) -> FloatArray:
    """Whitened residuals of which far-off ones count less, as in Student's t.

    Examples
    --------
    >>> less_if_far(np.array([0.1, 10.0]), 4).round(1)
    array([0.1, 4. ])
    """
    doubt = (freedom + 1) * np.log1p(residuals**2 / freedom)
    return np.asarray(np.sign(residuals) * np.sqrt(doubt), dtype=np.float64)


def project_all(homographies: FloatArray, points_xy: FloatArray) -> FloatArray:
    """Send points ``(N, 2)`` through ``(D, 3, 3)`` homographies: ``(D, N, 2)``."""
    mapped = (
        points_xy @ homographies[:, :, :2].transpose(0, 2, 1)
        + homographies[:, None, :, 2]
    )
    return np.asarray(mapped[..., :2] / mapped[..., 2:], dtype=np.float64)


def log_scale_field(homographies: FloatArray, point_xy_px: FloatArray) -> FloatArray:
    """Logarithm of mm per px at a point and its slopes per px: ``(D, 3)``."""
    ray = np.array([point_xy_px[0], point_xy_px[1], 1.0])
    w = homographies[:, 2] @ ray
    # ln √(det / w³) and its derivative with respect to x and y
    value = 0.5 * np.log(np.abs(np.linalg.det(homographies) / w**3))
    slopes = -1.5 * homographies[:, 2, :2] / w[:, None]
    return np.column_stack([value, slopes])


def shapes_at(homographies: FloatArray, point_xy_px: FloatArray) -> FloatArray:
    """Shape of a small circle of the plane in the photo: ``(D, 2)``.

    The circle's image is an ellipse of half axes m (1 ± hypot(q, s)), the long
    one in direction ½ atan2(s, q); rows are (q, s).
    """
    steps = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]) + point_xy_px
    mapped = project_all(homographies, steps)
    to_px = np.linalg.inv((mapped[:, 1:] - mapped[:, :1]).transpose(0, 2, 1))
    # the symmetric root of J Jᵀ has the ellipse's axes
    square = to_px @ to_px.transpose(0, 2, 1)
    root = np.sqrt(np.linalg.det(square))
    mean = np.sqrt(square[:, 0, 0] + square[:, 1, 1] + 2 * root) / 2
    # A = (M + √det M · 1) / √(tr M + 2 √det M), and its traceless part
    q = (square[:, 0, 0] - square[:, 1, 1]) / (4 * mean**2)
    s = square[:, 0, 1] / (2 * mean**2)
    return np.column_stack([q, s])


def _wrapped(angle: FloatArray) -> FloatArray:
    return np.asarray((angle + np.pi) % (2 * np.pi) - np.pi, dtype=np.float64)


def _off_square(angle: FloatArray) -> FloatArray:
    return np.asarray((angle % np.pi) - np.pi / 2, dtype=np.float64)
