"""From numbered ticks to the plane of the rule, perspective and tilt included.

Ticks of a rule are evenly spaced, parallel, and square to its edge. How their
spacing changes along the rule, how they converge and the angle at which they
stand on the edge show how the camera was held; what they leave open is filled
by how people hold a camera.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import cv2
import numpy as np

from weldsection.records import ByteArray, FloatArray, ScaleSource
from weldsection.scale.ruler_search import SearchCopy
from weldsection.scale.ruler_ticks import TickRow
from weldsection.scale.tilt import Camera, log_scale_field, plane_homographies

# depths at which each tick is read, as shares of its length
_DEPTHS = (0.2, 0.4, 0.6, 0.8)
# samples across a tick, over ± this share of the step
_ACROSS, _REACH = 33, 0.4
# no tick is located better than this, px, for all that averaging promises
_FLOOR_PX = 0.04
# tangent of the camera's tilt in each of two directions: 6° each keeps nineteen
# tilts of twenty below 15°
_TILT_SD = math.tan(math.radians(6.0))
# class II rule, EU Directive 2014/32/EU: ± (0.3 + 0.2) mm up to 1 m; taken as a
# uniform stretch of the commonest shop rule, 300 mm
TOLERANCE_RELATIVE_U = 0.5 / 300 / math.sqrt(3)
# radial distortion left in a phone's picture: shift of a corner of the picture
# as a share of its distance from the middle (common practice, no source)
_LENS_SD = 0.004


@dataclass(frozen=True, slots=True)
class Marks:
    """Points on the ticks of one edge, read in the photo itself."""

    xy_px: FloatArray
    position_mm: FloatArray
    """Place of each point's tick along the rule, from any zero."""
    base_xy_px: FloatArray
    """``(2, 2)``: two points of the line on which the ticks begin."""
    base_u_rad: float
    tick: FloatArray = field(default_factory=lambda: np.zeros(0))
    """Number of each point's tick."""


@dataclass(frozen=True, slots=True)
class RulePose:
    """The plane of the rule as the camera sees it."""

    homography: FloatArray
    centre_xy_px: FloatArray
    sources: tuple[ScaleSource, ...]
    tilt_deg: float
    tilt_u_deg: float
    scatter_px: float
    scatter_steps: float


def read_marks(
    photo_grey: ByteArray, copy: SearchCopy, row: TickRow, step_mm: float
) -> Marks:
    """Locate the ticks of an edge in the full photo, at several depths each."""
    numbers = np.arange(row.lattice.numbers[0], row.lattice.numbers[-1] + 1)
    seen = np.isfinite(row.lengths_steps)
    numbers = numbers[seen]
    pitch = row.lattice.pitch_at(numbers)
    base = row.base_v[seen]
    length = np.clip(row.lengths_steps[seen], 0.5, 12.0) * pitch
    depth = np.median(base) + length[:, None] * np.array(_DEPTHS)
    k = np.broadcast_to(numbers[:, None], depth.shape).ravel()
    centre = copy.to_photo(row.tick_xy(k, depth.ravel()))
    reach = (np.broadcast_to(pitch[:, None], depth.shape) * _REACH).ravel()
    thick = (np.broadcast_to(length[:, None], depth.shape) * 0.16).ravel()
    shift, good = _tick_centres(
        photo_grey,
        centre,
        (row.edge.along, row.edge.across),
        (reach * copy.reduction, thick * copy.reduction),
        row.polarity,
    )
    points = centre + shift[:, None] * row.edge.along
    line, u_rad = _base_line(copy, row)
    return Marks(points[good], k[good] * step_mm, line, u_rad, k[good])


def _tick_centres(
    grey: ByteArray,
    centre_xy: FloatArray,
    axes: tuple[FloatArray, FloatArray],
    reach_px: tuple[FloatArray, FloatArray],
    polarity: int,
) -> tuple[FloatArray, FloatArray]:
    """Offset along the rule of the darkest stroke near each point."""
    along, across = axes
    steps = np.linspace(-1, 1, _ACROSS)
    layers = np.array([-0.4, 0.0, 0.4])
    grid = (
        centre_xy[:, None, None, :]
        + (reach_px[0][:, None] * steps)[:, None, :, None] * along
        + (reach_px[1][:, None] * layers)[:, :, None, None] * across
    ).astype(np.float32)
    flat = grid.reshape(len(centre_xy), -1, 2)
    values = cv2.remap(
        grey, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    profile = values.reshape(grid.shape[:3]).astype(np.float64).mean(axis=1)
    profile = -polarity * profile
    ends = np.sort(profile, axis=1)[:, : _ACROSS // 2]
    dark = profile - np.median(ends, axis=1)[:, None]
    peak = dark.max(axis=1)
    dark = np.clip(dark - 0.35 * peak[:, None], 0.0, None)
    total = dark.sum(axis=1)
    safe = np.maximum(total, 1e-9)
    shift = (dark @ steps) / safe
    spread = np.sqrt(np.maximum((dark @ steps**2) / safe - shift**2, 0.0))
    plain = np.median(peak)
    good = (peak > 0.4 * plain) & (np.abs(shift) < 0.5) & (spread < 0.45)
    inside = (centre_xy > 1).all(axis=1) & (
        centre_xy < np.array(grey.shape[::-1]) - 2
    ).all(axis=1)
    return shift * reach_px[0], good & inside


def _base_line(copy: SearchCopy, row: TickRow) -> tuple[FloatArray, float]:
    """Straight line through the beginnings of the ticks, in the photo."""
    seen = np.isfinite(row.base_v)
    numbers = np.arange(row.lattice.numbers[0], row.lattice.numbers[-1] + 1)[seen]
    u, v = row.lattice.at(numbers), row.base_v[seen]
    weight = np.ones_like(u)
    span = max(float(np.ptp(u)), 1.0)
    line = np.zeros(2)
    for _ in range(6):
        line = np.polyfit(u, v, 1, w=np.sqrt(weight) + 1e-6)
        residual = v - np.polyval(line, u)
        spread = max(1.4826 * float(np.median(np.abs(residual))), 0.3)
        weight = np.clip(1 - (residual / (4.685 * spread)) ** 2, 0, None) ** 2
    ends = np.array([u.min(), u.max()])
    points = copy.to_photo(row.edge.points(ends, np.polyval(line, ends)))
    # beginnings of neighbouring ticks share their error: one in four counts
    effective = max(float(weight.sum()) / 4, 1.0)
    return points, spread * math.sqrt(12 / effective) / span


def solve_rule(rows: list[Marks], camera: Camera, step_mm: float) -> RulePose:
    """Find the plane that makes all ticks even, parallel and square.

    Parameters
    ----------
    rows
        Marks of one edge, or of both edges of the same rule.
    camera
        Axis and focal length of the camera.
    step_mm
        Step of the first edge's graduation, to express scatter in.
    """
    problem = _Problem(rows, camera)
    at, scatter_px = problem.solve()
    homography = problem.homographies(at[None])[0]
    centre = problem.centre_xy_px
    covariance = problem.covariance(at)
    field_of = problem.field_jacobian(at, centre)
    sources = (
        problem.graduation(at, centre),
        ScaleSource.constant("reference tolerance", TOLERANCE_RELATIVE_U),
        ScaleSource("tilt", field_of @ covariance @ field_of.T),
        problem.lens(at, centre),
    )
    slope = math.hypot(at[0], at[1])
    tilt_u = math.sqrt(max(covariance[0, 0], covariance[1, 1]))
    return RulePose(
        homography=homography,
        centre_xy_px=centre,
        sources=sources,
        tilt_deg=math.degrees(math.atan(slope)),
        tilt_u_deg=math.degrees(tilt_u),
        scatter_px=scatter_px,
        scatter_steps=scatter_px * problem.mm_per_px / step_mm,
    )


class _Problem:
    """Least squares over (a, b, ln focal); scale and place solved within."""

    def __init__(self, rows: list[Marks], camera: Camera) -> None:
        self.camera = camera
        self.rows = rows
        self.xy = np.vstack([row.xy_px for row in rows])
        self.mm = np.concatenate([row.position_mm for row in rows])
        self.row_of = np.repeat(np.arange(len(rows)), [len(r.xy_px) for r in rows])
        self.tick_of = np.concatenate([r.tick for r in rows]) + 1e5 * self.row_of
        self.weight = np.ones(len(self.xy))
        self.sd_px = 0.2
        self.centre_xy_px = self.xy.mean(axis=0)
        self.prior = np.array([_TILT_SD, _TILT_SD, camera.focal_relative_u])
        self.mm_per_px = self._rough_scale()

    def _rough_scale(self) -> float:
        first = self.rows[0]
        low, high = np.argmin(first.position_mm), np.argmax(first.position_mm)
        run = math.dist(first.xy_px[low], first.xy_px[high])
        return float(np.ptp(first.position_mm)) / max(run, 1e-9)

    def homographies(self, at: FloatArray, bend: float = 0.0) -> FloatArray:
        """Photo px to mm for rows (a, b, ln focal)."""
        return self._placed(at, bend)[0]

    def _placed(self, at: FloatArray, bend: float) -> tuple[FloatArray, FloatArray]:
        """Homographies and residuals in px, each ``(D, …)``."""
        flat = plane_homographies(at, self.camera)
        xy = self._straightened(self.xy, bend)
        local = _through(flat, xy)
        design = np.zeros((*local.shape[:2], 2 + len(self.rows)))
        design[..., :2] = local
        design[..., np.arange(len(self.xy)), 2 + self.row_of] = 1.0
        weighted = design * self.weight[:, None]
        normal = weighted.transpose(0, 2, 1) @ design
        solved = np.linalg.solve(normal, (weighted.transpose(0, 2, 1) @ self.mm)[..., None])
        solved = solved[..., 0]
        residual = (design @ solved[..., None])[..., 0] - self.mm
        similar = np.zeros((len(at), 3, 3))
        similar[:, 0, :2] = solved[:, :2]
        similar[:, 1, 0], similar[:, 1, 1] = -solved[:, 1], solved[:, 0]
        similar[:, 0, 2], similar[:, 2, 2] = solved[:, 2], 1.0
        return similar @ flat, residual / self.mm_per_px

    def _straightened(self, xy: FloatArray, bend: float) -> FloatArray:
        """Points moved radially by a share `bend` at half the long side."""
        if bend == 0.0:
            return xy
        offset = xy - self.camera.axis_xy_px
        half = math.hypot(*self.camera.axis_xy_px)
        radius = (offset**2).sum(axis=1) / half**2
        return self.camera.axis_xy_px + offset * (1 + bend * radius[:, None])

    def residuals(self, at: FloatArray, bend: float = 0.0) -> FloatArray:
        """Whitened residuals for rows of parameters: prior, ticks, squareness."""
        homographies, px = self._placed(at, bend)
        parts = [at / self.prior, px * np.sqrt(self.weight) / self.sd_px]
        for row in self.rows:
            ends = _through(homographies, self._straightened(row.base_xy_px, bend))
            run = ends[:, 1] - ends[:, 0]
            angle = np.arctan2(run[:, 1], run[:, 0])
            angle = (angle + np.pi / 2) % np.pi - np.pi / 2
            parts.append(angle[:, None] / math.hypot(row.base_u_rad, 5e-4))
        return np.hstack(parts)

    def jacobian(self, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Residuals and their derivative with respect to the parameters."""
        step = 1e-5
        moved = self.residuals(np.vstack([at, at + step * np.eye(3)]))
        return moved[0], (moved[1:] - moved[0]).T / step

    def solve(self) -> tuple[FloatArray, float]:
        """Give the likeliest parameters and the scatter of the ticks in px."""
        at = np.zeros(3)
        for _ in range(4):
            at = self._descend(at)
            residual = self._placed(at[None], 0.0)[1][0]
            scatter = 1.4826 * float(np.median(np.abs(residual)))
            cut = 4.685 * max(scatter, _FLOOR_PX)
            self.weight = np.clip(1 - (residual / cut) ** 2, 1e-9, None) ** 2
            self.sd_px = self._effective_sd(residual)
        return at, scatter

    def _effective_sd(self, residual: FloatArray) -> float:
        """Scatter for one point that honours what points of a tick share."""
        _, which, counts = np.unique(
            self.tick_of, return_inverse=True, return_counts=True
        )
        weight = np.bincount(which, self.weight)
        means = np.bincount(which, residual * self.weight) / np.maximum(weight, 1e-9)
        good = weight > 0.3
        between = 1.4826 * float(np.median(np.abs(means[good])))
        within = 1.4826 * float(np.median(np.abs(residual)))
        return max(within, between * math.sqrt(float(counts.mean())), 2 * _FLOOR_PX)

    def _descend(self, at: FloatArray) -> FloatArray:
        damping = 1e-3
        value, slope = self.jacobian(at)
        for _ in range(25):
            normal = slope.T @ slope
            step = np.linalg.solve(
                normal + damping * np.diag(np.diag(normal)), -slope.T @ value
            )
            trial = np.clip(at + step, -1.0, 1.0)
            new_value, new_slope = self.jacobian(trial)
            gain = value @ value - new_value @ new_value
            if gain > 0:
                at, value, slope, damping = trial, new_value, new_slope, damping / 5
                if gain < 1e-6:
                    break
            else:
                damping *= 8
                if damping > 1e6:
                    break
        return at

    def covariance(self, at: FloatArray) -> FloatArray:
        """Covariance of the parameters."""
        _, slope = self.jacobian(at)
        return np.asarray(np.linalg.inv(slope.T @ slope), dtype=np.float64)

    def field_jacobian(self, at: FloatArray, centre: FloatArray) -> FloatArray:
        """Derivative of (e0, ex, ey) with respect to the parameters."""
        step = 1e-5
        moved = np.vstack([at, at + step * np.eye(3)])
        values = log_scale_field(self.homographies(moved), centre)
        return np.asarray((values[1:] - values[0]).T / step, dtype=np.float64)

    def graduation(self, at: FloatArray, centre: FloatArray) -> ScaleSource:
        """Doubt of the scale from locating ticks, at a given tilt."""
        homography = self.homographies(at[None])[0]
        x_mm = _through(homography[None], self.xy)[0, :, 0]
        spread = 0.0
        for index in range(len(self.rows)):
            own = self.row_of == index
            weight = self.weight[own]
            mean = np.average(x_mm[own], weights=weight)
            spread += float(weight @ (x_mm[own] - mean) ** 2)
        relative = self.sd_px * self.mm_per_px / math.sqrt(max(spread, 1e-12))
        del centre
        return ScaleSource.constant("graduation", relative)

    def lens(self, at: FloatArray, centre: FloatArray) -> ScaleSource:
        """Doubt of the scale from radial distortion nobody corrected."""
        step = 1e-4
        value, slope = self.jacobian(at)
        bent = self.residuals(at[None], step)[0]
        change = -np.linalg.solve(slope.T @ slope, slope.T @ (bent - value))
        points = centre + np.array([[0.0, 0.0], [50.0, 0.0], [0.0, 50.0]])
        before = self._local(at, points, 0.0)
        after = self._local(at + change, points, step)
        effect = (after - before) / step
        effect = np.array([effect[0], *(effect[1:] - effect[0]) / 50.0])
        return ScaleSource("lens", np.outer(effect, effect) * _LENS_SD**2)

    def _local(self, at: FloatArray, points: FloatArray, bend: float) -> FloatArray:
        """Logarithm of mm per photo px at points, distortion included."""
        homography = self.homographies(at[None], bend)
        moved = self._straightened(points, bend)
        values = np.array([log_scale_field(homography, p)[0, 0] for p in moved])
        half = math.hypot(*self.camera.axis_xy_px)
        radius = ((points - self.camera.axis_xy_px) ** 2).sum(axis=1) / half**2
        # a radial share grows lengths by 1 + b r² across and 1 + 3 b r² along
        return np.asarray(values + 2 * bend * radius, dtype=np.float64)


def _through(homographies: FloatArray, xy: FloatArray) -> FloatArray:
    """Send points ``(N, 2)`` through ``(D, 3, 3)``: ``(D, N, 2)``."""
    mapped = xy @ homographies[:, :, :2].transpose(0, 2, 1)
    mapped = mapped + homographies[:, None, :, 2]
    return np.asarray(mapped[..., :2] / mapped[..., 2:], dtype=np.float64)
