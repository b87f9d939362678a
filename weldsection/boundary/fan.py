"""Rays fanned across a bead, on which the boundaries are looked for.

The fan's apex stands above the bead, so rays meet a shallow fusion line nearly
square and still cross the walls of a deep one. Distances along a ray count
from the plate surface.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from weldsection.records import Coupon, FloatArray

APEX_SHARE = 0.7  # height of the apex above the surface, in half widths
RAY_SPACING_MM = 0.1
MOST_RAYS = 180
STEP_MM = 0.1


@dataclass(frozen=True, slots=True)
class Fan:
    """Rays in coordinates levelled to the plate surface (y = 0 on it)."""

    start_x_mm: FloatArray
    """``(rays,)`` where each ray meets the plate surface."""
    direction: FloatArray
    """``(rays, 2)`` unit vectors pointing down into the plate."""
    steps: int

    @property
    def spacing_mm(self) -> float:
        """Distance of neighbouring rays on the plate surface."""
        return float(self.start_x_mm[1] - self.start_x_mm[0])

    def points_at(self, distance_mm: FloatArray) -> FloatArray:
        """Levelled points at a distance along each ray, ``(..., rays, 2)``."""
        distance = np.asarray(distance_mm)[..., None]
        start = np.column_stack([self.start_x_mm, np.zeros_like(self.start_x_mm)])
        return np.asarray(start + distance * self.direction)


def lay_fan(left_mm: float, right_mm: float, depth_mm: float) -> Fan:
    """Fan rays over the span between two toes, long enough for a depth."""
    width = right_mm - left_mm
    count = int(np.clip(round(width / RAY_SPACING_MM), 24, MOST_RAYS)) + 1
    x = np.linspace(left_mm, right_mm, count)
    apex = np.array([(left_mm + right_mm) / 2, -APEX_SHARE * width / 2])
    direction = np.column_stack([x - apex[0], np.full(count, -apex[1])])
    direction /= np.hypot(direction[:, 0], direction[:, 1])[:, None]
    steps = int(np.ceil(depth_mm / direction[:, 1].min() / STEP_MM)) + 1
    return Fan(x, direction, min(steps, 320))


def middle_points(fan: Fan) -> FloatArray:
    """Levelled middles of all steps of all rays, ``(steps, rays, 2)``."""
    distance = (np.arange(fan.steps) + 0.5) * STEP_MM
    return fan.points_at(np.broadcast_to(distance[:, None], (fan.steps, 1)))


def sample(
    coupon: Coupon, fan: Fan, fields: Sequence[FloatArray]
) -> tuple[FloatArray, ...]:
    """Sample grid fields along every ray, ``(rays, steps)`` each.

    Step k stands for the stretch from k to k + 1 steps along the ray.
    """
    points = middle_points(fan)
    x, level_y = points[..., 0].T, points[..., 1].T
    y = level_y + coupon.surface.y_at(x)
    columns = coupon.column_of(x).astype(np.float32)
    rows = coupon.row_of(y).astype(np.float32)

    def along_rays(field: FloatArray) -> FloatArray:
        return np.asarray(
            cv2.remap(
                np.asarray(field, dtype=np.float32),
                columns,
                rows,
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            ),
            dtype=np.float64,
        )

    return tuple(along_rays(field) for field in fields)
