"""Lay the etched face on a grid of mm along its plate surface.

Everything after this works on the grid, whose size follows the coupon and not
the camera.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from weldsection.errors import CouponError
from weldsection.records import (
    BoolArray,
    ByteArray,
    Coupon,
    FaceOutline,
    FloatArray,
    Photo,
    Scale,
    project,
)
from weldsection.zones import FACE, Zone, ZoneArray, log_odds, strip_zones

GRID_MM = 0.05  # the networks were trained on this grid
ABOVE_MM = 13.0  # the highest reinforcement and some background
CLEAR_ABOVE_MM, LEAST_ABOVE_MM = 1.6, 3.2
BELOW_MM = 12.5  # the deepest fusion and HAZ worth following, or the thickness
CLEAR_BELOW_MM, CLEAR_END_MM = 2.5, 1.0  # of weld metal and HAZ, as first seen
CLEAR_TOP_MM = 0.4  # of background over the highest bead
SIDE_MM = 3.0
# Two grids are nearly the same when no corner and no step differ by more.
SAME_FRAME_MM, SAME_STEP = 1.0, 0.02
LARGEST_MM = 400.0  # longer coupons are refused: the scale must be wrong


@dataclass(frozen=True, slots=True)
class FaceGrid:
    """Pixels and zones of the face on a grid, and where the grid lies."""

    bgr: ByteArray
    zones: ZoneArray
    face_odds: FloatArray
    """``(rows, columns)`` log-odds of the face against everything else."""
    mm_to_px: FloatArray
    length_mm: float
    thickness_mm: float
    top_mm: float
    """y of the first row; the plate surface lies near y = 0."""

    @property
    def rows_y_mm(self) -> FloatArray:
        """Depth of every row."""
        return self.top_mm + GRID_MM * np.arange(self.zones.shape[1])

    @property
    def columns_x_mm(self) -> FloatArray:
        """Distance along the plate of every column."""
        return -SIDE_MM + GRID_MM * np.arange(self.zones.shape[2])

    def row_at(self, y_mm: float) -> int:
        """Nearest row of a depth."""
        return round((y_mm - self.top_mm) / GRID_MM)


def lay_grid(
    photo: Photo,
    face: FaceOutline,
    scale: Scale,
    before: Coupon | None = None,
    *,
    whole: bool = True,
    high: bool = False,
) -> FaceGrid:
    """
    Cut the face out of the photo on the grid and name its zones.

    Where the same face was laid on nearly the same grid `before`, its zones are
    carried over: to name them is the longest work of all, and a grid that is moved
    or stretched by a hair shows nothing new. For the same reason the grid ends below
    the deepest heat-affected zone, unless the `whole` plate is asked for, and above
    the highest bead, unless it is to be as `high` as it may.

    Raises
    ------
    CouponError
        When the size in mm is not one that a coupon can have.
    """
    aligned = _aligned_mm_to_px(face, scale)
    corners = project(np.linalg.inv(aligned), face.corners_xy_px)
    length = float(corners[1, 0] - corners[0, 0])
    thickness = float(np.mean(corners[2:, 1] - corners[:2, 1]))
    _check_size(photo, length, thickness)
    above = ABOVE_MM if high else _height_above(face, aligned)
    below = min(thickness + 1.5, BELOW_MM)
    if not whole:
        below = min(below, _depth_altered(face, aligned) + CLEAR_BELOW_MM)
    shape = (
        math.ceil((below + above) / GRID_MM),
        math.ceil((length + 2 * SIDE_MM) / GRID_MM),
    )
    grid_to_px = aligned @ _grid_to_mm(-SIDE_MM, -above)
    bgr = _rectify(photo, grid_to_px, shape)
    carried = None if before is None else _carried_over(before, grid_to_px, shape)
    zones = strip_zones(bgr) if carried is None else carried
    cut_below, cut_above = not whole and _reaches_below(zones), _reaches_above(zones)
    if cut_below or (cut_above and above < ABOVE_MM):
        whole, high = whole or cut_below, high or cut_above
        return lay_grid(photo, face, scale, before, whole=whole, high=high)
    face_odds = log_odds(zones, FACE)
    return FaceGrid(bgr, zones, face_odds, aligned, length, thickness, -above)


def _height_above(face: FaceOutline, mm_to_px: FloatArray) -> float:
    """How far the face reaches above the plate surface, with a margin."""
    mm = _points_mm(face.mask, face, mm_to_px)[::7]
    highest = -float(np.quantile(mm[:, 1], 0.001)) if len(mm) else ABOVE_MM
    return float(np.clip(highest + CLEAR_ABOVE_MM, LEAST_ABOVE_MM, ABOVE_MM))


def _depth_altered(face: FaceOutline, mm_to_px: FloatArray) -> float:
    """How deep weld metal and HAZ reach; beyond any plate if that is not known."""
    if face.altered is None or not face.altered.any():
        return math.inf
    return float(_points_mm(face.altered, face, mm_to_px)[:, 1].max())


def _reaches_above(zones: ZoneArray) -> bool:
    """Whether weld metal goes on to the upper end of the grid."""
    highest = zones[Zone.WELD, : round(CLEAR_TOP_MM / GRID_MM)] > math.log(0.5)
    return bool(highest.all(axis=0).sum() * GRID_MM > CLEAR_TOP_MM)


def _reaches_below(zones: ZoneArray) -> bool:
    """Whether weld metal or HAZ goes on to the lower end of the grid."""
    lowest = zones[:, -round(CLEAR_END_MM / GRID_MM) :]
    altered = np.maximum(lowest[Zone.HAZ], lowest[Zone.WELD]) > math.log(0.5)
    return bool(altered.any(axis=0).sum() * GRID_MM > CLEAR_END_MM)


def _points_mm(mask: BoolArray, face: FaceOutline, mm_to_px: FloatArray) -> FloatArray:
    """Points of a mask of the reduced photo in mm of the face."""
    rows, columns = np.nonzero(mask)
    view = np.column_stack([columns, rows]).astype(np.float64)
    px = view * face.reduction + (face.reduction - 1) / 2
    return project(np.linalg.inv(mm_to_px), px)


def _aligned_mm_to_px(face: FaceOutline, scale: Scale) -> FloatArray:
    """Homography from face mm, x along the plate surface from its left end."""
    top = scale.to_mm(face.top_edge_xy_px)
    corners = scale.to_mm(face.corners_xy_px)
    chord = corners[1] - corners[0]
    angle = math.atan2(chord[1], chord[0])
    c, s = math.cos(angle), math.sin(angle)
    across = np.array([[-s, c]])
    down = float((corners[2:].mean(axis=0) - corners[:2].mean(axis=0)) @ across[0])
    mirror = 1.0 if down > 0 else -1.0
    rotate = np.array([[c, s], [-s * mirror, c * mirror]])
    origin = np.array([rotate[0] @ corners[0], np.median(top @ rotate[1])])
    mm_to_aligned = np.eye(3)
    mm_to_aligned[:2, :2], mm_to_aligned[:2, 2] = rotate, -origin
    return np.asarray(np.linalg.inv(mm_to_aligned @ scale.homography))


def _check_size(photo: Photo, length_mm: float, thickness_mm: float) -> None:
    name = photo.origin.path.name
    if not (5 < length_mm < LARGEST_MM and 1 < thickness_mm < 150):
        raise CouponError(
            f"{name}: the coupon would be {length_mm:.0f} mm long and "
            f"{thickness_mm:.1f} mm thick, which no test coupon is; "
            "check the reference and its size."
        )


def _grid_to_mm(left_mm: float, top_mm: float) -> FloatArray:
    """Homography from column and row of a grid to mm."""
    return np.array([[GRID_MM, 0, left_mm], [0, GRID_MM, top_mm], [0, 0, 1]])


def _frame(shape: tuple[int, int]) -> FloatArray:
    """Give the corners of a grid as columns and rows."""
    rows, columns = shape
    return np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], float)


def _sides(corners: FloatArray) -> FloatArray:
    """Lengths of the four sides of a frame."""
    return np.asarray(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T))


def _carried_over(
    before: Coupon, grid_to_px: FloatArray, shape: tuple[int, int]
) -> ZoneArray | None:
    """Give the zones of an earlier grid on a new one; None if they lie far apart."""
    earlier_to_px = before.mm_to_px @ _grid_to_mm(before.left_mm, before.top_mm)
    to_earlier = np.linalg.inv(earlier_to_px) @ grid_to_px
    corners, earlier_shape = project(to_earlier, _frame(shape)), before.zones.shape[1:]
    if (
        np.abs(corners - _frame(earlier_shape)).max() * GRID_MM > SAME_FRAME_MM
        or np.abs(_sides(corners) / _sides(_frame(shape)) - 1).max() > SAME_STEP
    ):
        return None
    rows, columns = shape
    zones = np.empty((len(before.zones), rows, columns), np.float32)
    for zone, earlier in zip(zones, before.zones, strict=True):
        cv2.warpPerspective(
            earlier,
            to_earlier,
            (columns, rows),
            dst=zone,
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
    return zones


def _rectify(photo: Photo, grid_to_px: FloatArray, shape: tuple[int, int]) -> ByteArray:
    """Sample the photo on the grid, softened first where it is the finer one."""
    rows, columns = shape
    box = project(grid_to_px, _frame(shape))
    step = math.hypot(*(box[1] - box[0])) / columns
    low = np.maximum(np.floor(box.min(axis=0)) - 4, 0).astype(int)
    high = np.ceil(box.max(axis=0)).astype(int) + 5
    part = photo.bgr[low[1] : high[1], low[0] : high[0]]
    if part.size == 0:
        return np.zeros((*shape, 3), np.uint8)
    if step > 1.2:
        # the grid's own resolution: a Gaussian of half its step
        part = cv2.GaussianBlur(part, (0, 0), 0.45 * math.sqrt(step**2 - 1))
    shift = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1.0]])
    return np.asarray(
        cv2.warpPerspective(
            part,
            shift @ grid_to_px,
            (columns, rows),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        ),
        dtype=np.uint8,
    )
