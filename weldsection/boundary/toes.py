"""A close look at every toe: where weld metal ends on the plate surface."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from weldsection.boundary.closeup import chances, sample_photo
from weldsection.networks import run_network
from weldsection.records import BeadTrace, ByteArray, Coupon, FloatArray, Photo

# the network `toe` was trained on patches of this size, see sample_images
ROWS, COLUMNS, STEP_MM = 96, 128, 0.04
MIDDLE = (64, 40)
"""Column and row of a patch on which the first look's toe lies."""


@dataclass(frozen=True, slots=True)
class Toe:
    """Where a toe lies along the plate surface, and how surely."""

    x_mm: float
    u_mm: float


def look_at_toes(
    photo: Photo, coupon: Coupon, traces: list[BeadTrace]
) -> list[tuple[Toe, Toe]]:
    """Left and right toe of every bead, from a close look at each."""
    ends = [
        (trace.right_toe_xy_mm if right else trace.left_toe_xy_mm, right)
        for trace in traces
        for right in (False, True)
    ]
    patches = np.stack([_patch(photo, coupon, toe, right) for toe, right in ends])
    chance = chances(run_network("toe", patches)[:, 0], (1, 2))
    toes = [
        _toe(coupon, toe, right, along)
        for (toe, right), along in zip(ends, chance.sum(axis=1), strict=True)
    ]
    return list(zip(toes[::2], toes[1::2], strict=True))


def _patch(
    photo: Photo, coupon: Coupon, toe_xy_mm: FloatArray, right: bool
) -> ByteArray:
    """The neighbourhood of a toe along the plate surface, the bead to its right."""
    along = _along_surface(coupon, toe_xy_mm[0])
    down = np.array([-along[1], along[0]])
    columns = STEP_MM * (np.arange(COLUMNS) - MIDDLE[0]) * (-1 if right else 1)
    rows = STEP_MM * (np.arange(ROWS) - MIDDLE[1])
    on_surface = np.array([toe_xy_mm[0], coupon.surface.y_at(toe_xy_mm[0])])
    points = on_surface + columns[None, :, None] * along + rows[:, None, None] * down
    return sample_photo(photo, coupon.mm_to_px, points)


def _along_surface(coupon: Coupon, x_mm: float) -> FloatArray:
    """Unit vector along the plate surface at x."""
    ends = coupon.surface.y_at([x_mm - 2.0, x_mm + 2.0])
    slope = float(ends[1] - ends[0]) / 4.0
    return np.array([1.0, slope]) / math.hypot(1.0, slope)


def _toe(
    coupon: Coupon, first_xy_mm: FloatArray, right: bool, chance: FloatArray
) -> Toe:
    """Median of the toe's place along the surface, and its spread."""
    edges = np.concatenate([[0.0], np.cumsum(chance)])
    median = float(np.interp(0.5, edges, np.arange(COLUMNS + 1) - 0.5))
    away = np.arange(COLUMNS) - median
    spread = math.sqrt(float(chance @ away**2))
    offset = STEP_MM * (median - MIDDLE[0]) * (-1 if right else 1)
    along = _along_surface(coupon, first_xy_mm[0])
    return Toe(float(first_xy_mm[0] + offset * along[0]), STEP_MM * spread)
