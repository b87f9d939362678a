"""From numbered ticks to the plane of the rule, perspective and tilt included.

Ticks of a rule are evenly spaced, parallel, and square to its edge. How their
spacing changes along the rule, how they converge and the angle at which they
stand on the edge show how the camera was held; what they leave open is filled
by how people hold a camera.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from weldsection.records import (
    FloatArray,
    ScaleSource,
    mm_per_px_at,
    project,
)
from weldsection.scale.ruler_marks import Marks
from weldsection.scale.tilt import Camera, plane_homographies

# no tick is located better than this, px, for all that averaging promises
_FLOOR_PX = 0.04
# tangent of the camera's tilt in each of two directions: 6° each keeps nineteen
# tilts of twenty below 15°
_TILT_SD = math.tan(math.radians(6.0))
# class II rule, EU Measuring Instruments Directive (seen in UK S.I. 2016/1153,
# Schedule 1I): ± (0.3 + 0.2) mm up to 1 m; taken as a uniform stretch of the
# commonest shop rule, 300 mm
TOLERANCE_RELATIVE_U = 0.5 / 300 / math.sqrt(3)
# radial distortion left in a phone's picture: shift of a corner of the picture
# as a share of its distance from the middle (common practice, no source)
_BEND_SD = 0.01
# ticks stand square to the edge of a rule within this, rad
_SQUARE_SD = 5e-4
# step of numeric derivatives
_STEP = 1e-6


@dataclass(frozen=True, slots=True)
class RulePose:
    """The plane of the rule as the camera sees it."""

    homography: FloatArray
    centre_xy_px: FloatArray
    sources: tuple[ScaleSource, ...]
    tilt_deg: float
    tilt_u_deg: float
    scatter_px: float
    """Scatter of single readings of ticks about the evenly spaced lines."""
    bend: float
    """Share by which the lens has moved the corners of the picture inwards."""


def solve_rule(rows: list[Marks], camera: Camera, matter_xy_px: FloatArray) -> RulePose:
    """Find the plane that makes all ticks even, parallel and square.

    Parameters
    ----------
    rows
        Marks of one edge, or of both edges of the same rule.
    camera
        Axis and focal length of the camera.
    matter_xy_px
        Points about which the scale will be asked for: where the lens bends the
        picture, the homography is the closest one in their middle half, and what
        it misses over the whole of them is doubt of the lens.
    """
    problem = _Problem(rows, camera)
    at, scatter_px = problem.solve()
    centre = problem.centre_xy_px
    covariance = problem.covariance(at)
    slope = problem.field_jacobian(at)
    whole = slope @ covariance @ slope.T
    # what is left when the lens is known is tilt and focal length
    flat = np.linalg.inv(np.linalg.inv(covariance)[:3, :3])
    tilt = slope[:, :3] @ flat @ slope[:, :3].T
    homography = problem.homography_at(at, matter_xy_px)
    lens = whole - tilt
    lens[0, 0] += problem.misfit(at, homography, matter_xy_px) ** 2
    return RulePose(
        homography=homography,
        centre_xy_px=centre,
        sources=(
            ScaleSource.constant("graduation", problem.relative_u()),
            ScaleSource.constant("reference tolerance", TOLERANCE_RELATIVE_U),
            ScaleSource("tilt", tilt),
            ScaleSource("lens", lens),
        ),
        tilt_deg=math.degrees(math.atan(math.hypot(at[0], at[1]))),
        tilt_u_deg=math.degrees(math.sqrt(max(covariance[0, 0], covariance[1, 1]))),
        scatter_px=scatter_px,
        bend=float(at[3]),
    )


class _Problem:
    """Least squares over (a, b, ln focal, bend); scale and place solved within.

    The plane's normal is (a, b, 1) in the camera's frame; bend is the share by
    which the lens has moved the corners of the picture inwards.
    """

    def __init__(self, rows: list[Marks], camera: Camera) -> None:
        self.camera = camera
        self.rows = rows
        self.xy = np.vstack([row.xy_px for row in rows])
        self.mm = np.concatenate([row.position_mm for row in rows])
        self.row_of = np.repeat(np.arange(len(rows)), [len(r.xy_px) for r in rows])
        self.tick_of = np.concatenate([r.tick for r in rows]) + 1e5 * self.row_of
        self.weight = np.ones(len(self.xy))
        # begin with trust in the ticks: a start that leans on what is usual can
        # take its own misfit for their scatter and stay there
        self.sd_px = 2 * _FLOOR_PX
        self.centre_xy_px = self.xy.mean(axis=0)
        self.prior = np.array([_TILT_SD, _TILT_SD, camera.focal_relative_u, _BEND_SD])
        self.mm_per_px = self._rough_scale()

    def _rough_scale(self) -> float:
        first = self.rows[0]
        low, high = np.argmin(first.position_mm), np.argmax(first.position_mm)
        run = math.dist(first.xy_px[low], first.xy_px[high])
        return float(np.ptp(first.position_mm)) / max(run, 1e-9)

    def straightened(self, xy: FloatArray, bend: float) -> FloatArray:
        """Points where a lens without distortion would have shown them."""
        offset = xy - self.camera.axis_xy_px
        radius = (offset**2).sum(axis=1) / (self.camera.axis_xy_px**2).sum()
        return np.asarray(
            self.camera.axis_xy_px + offset * (1 + bend * radius[:, None])
        )

    def placed(self, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Homography of the straightened photo to mm, and residuals in px."""
        flat = plane_homographies(at[None, :3], self.camera)[0]
        local = project(flat, self.straightened(self.xy, at[3]))
        design = np.zeros((len(local), 2 + len(self.rows)))
        design[:, :2] = local
        design[np.arange(len(local)), 2 + self.row_of] = 1.0
        weighted = design * self.weight[:, None]
        solved = np.linalg.solve(weighted.T @ design, weighted.T @ self.mm)
        p, q, shift = solved[:3]
        similar = np.array([[p, q, shift], [-q, p, 0.0], [0.0, 0.0, 1.0]])
        return similar @ flat, (design @ solved - self.mm) / self.mm_per_px

    def residuals(self, at: FloatArray) -> FloatArray:
        """Whitened residuals: what is usual, ticks, squareness to the edge."""
        homography, px = self.placed(at)
        angles = [
            _off_axis(project(homography, self.straightened(row.line_xy_px, at[3])))
            / math.hypot(row.line_u_rad, _SQUARE_SD)
            for row in self.rows
        ]
        ticks = px * np.sqrt(self.weight) / self.sd_px
        return np.concatenate([at / self.prior, ticks, angles])

    def jacobian(self, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Residuals and their derivative with respect to the parameters."""
        value = self.residuals(at)
        columns = [
            (self.residuals(at + step) - value) / _STEP
            for step in _STEP * np.eye(len(at))
        ]
        return value, np.column_stack(columns)

    def solve(self) -> tuple[FloatArray, float]:
        """Give the likeliest parameters and the scatter of the ticks in px."""
        at: FloatArray = np.zeros(4)
        for _ in range(4):
            at = self._descend(at)
            residual = self.placed(at)[1]
            scatter = 1.4826 * float(np.median(np.abs(residual)))
            cut = 4.685 * max(scatter, _FLOOR_PX)
            self.weight = np.clip(1 - (residual / cut) ** 2, 1e-4, None) ** 2
            self.sd_px = self._effective_sd(residual)
        return at, scatter

    def _effective_sd(self, residual: FloatArray) -> float:
        """Scatter for one point that honours what points of a tick share."""
        _, which, counts = np.unique(
            self.tick_of, return_inverse=True, return_counts=True
        )
        weight = np.bincount(which, self.weight)
        means = np.bincount(which, residual * self.weight) / weight
        between = 1.4826 * float(np.median(np.abs(means[weight > 0.3])))
        within = 1.4826 * float(np.median(np.abs(residual)))
        shared = between * math.sqrt(float(counts.mean()))
        return max(within, shared, 2 * _FLOOR_PX)

    def _descend(self, at: FloatArray) -> FloatArray:
        """Damped Gauss-Newton from a starting point."""
        damping = 1e-3
        value, slope = self.jacobian(at)
        for _ in range(20):
            normal = slope.T @ slope
            step = np.linalg.solve(
                normal + damping * np.diag(np.diag(normal)), -slope.T @ value
            )
            trial = np.clip(at + step, -0.8, 0.8)
            new_value = self.residuals(trial)
            gain = value @ value - new_value @ new_value
            if gain <= 0:
                damping *= 8
                if damping > 1e5:
                    break
                continue
            at, damping = trial, damping / 5
            value, slope = self.jacobian(at)
            if gain < 1e-5:
                break
        return at

    def covariance(self, at: FloatArray) -> FloatArray:
        """Covariance of the parameters."""
        _, slope = self.jacobian(at)
        return np.asarray(np.linalg.inv(slope.T @ slope), dtype=np.float64)

    def homography_at(self, at: FloatArray, matter_xy_px: FloatArray) -> FloatArray:
        """Homography of the photo as it is, closest where it matters."""
        points = _grid(matter_xy_px, share=0.5)
        target = project(self.placed(at)[0], self.straightened(points, at[3]))
        found, _ = cv2.findHomography(points, target, 0)
        return np.asarray(found, dtype=np.float64)

    def misfit(
        self, at: FloatArray, homography: FloatArray, matter_xy_px: FloatArray
    ) -> float:
        """By how much the bent picture's scale strays from the homography's."""
        strays = [
            math.log(mm_per_px_at(homography, point)) - self.log_scale(at, point)
            for point in _grid(matter_xy_px, share=1.0)
        ]
        return float(np.sqrt(np.mean(np.square(strays))))

    def field_jacobian(self, at: FloatArray) -> FloatArray:
        """Derivative of (e0, ex, ey) with respect to the parameters."""
        base = self._field(at)
        columns = [
            (self._field(at + step) - base) / _STEP for step in _STEP * np.eye(len(at))
        ]
        return np.column_stack(columns)

    def _field(self, at: FloatArray) -> FloatArray:
        """Logarithm of the scale at the centre and its slopes for each px."""
        reach = 0.05 * float(np.max(self.camera.axis_xy_px))
        points = self.centre_xy_px + reach * np.array([[0, 0], [1, 0], [0, 1]])
        here, right, below = (self.log_scale(at, point) for point in points)
        return np.array([here, (right - here) / reach, (below - here) / reach])

    def log_scale(self, at: FloatArray, point_xy_px: FloatArray) -> float:
        """Logarithm of mm per px of the photo as it is, lens included."""
        offset = point_xy_px - self.camera.axis_xy_px
        radius = float(offset @ offset) / float((self.camera.axis_xy_px**2).sum())
        moved = self.camera.axis_xy_px + offset * (1 + at[3] * radius)
        straight = math.log(mm_per_px_at(self.placed(at)[0], moved))
        # lengths grow by 1 + b r² around and by 1 + 3 b r² away from the axis
        growth = (1 + at[3] * radius) * (1 + 3 * at[3] * radius)
        return straight + 0.5 * math.log(growth)

    def relative_u(self) -> float:
        """Relative doubt of the scale from locating ticks, at a given tilt."""
        spread = 0.0
        for index in range(len(self.rows)):
            own = self.row_of == index
            weight, place = self.weight[own], self.mm[own]
            spread += float(weight @ (place - np.average(place, weights=weight)) ** 2)
        return self.sd_px * self.mm_per_px / math.sqrt(max(spread, 1e-12))


def _off_axis(ends_xy_mm: FloatArray) -> float:
    """Angle of a line to the x axis, either way round, in rad."""
    run = ends_xy_mm[1] - ends_xy_mm[0]
    angle = math.atan2(run[1], run[0])
    return (angle + math.pi / 2) % math.pi - math.pi / 2


def _grid(points_xy: FloatArray, *, share: float) -> FloatArray:
    """Points spread over the middle share of the box around some points."""
    low, high = points_xy.min(axis=0), points_xy.max(axis=0)
    steps = 0.5 + share * np.linspace(-0.5, 0.5, 5)
    x, y = (low + steps[:, None] * np.maximum(high - low, 10.0)).T
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
