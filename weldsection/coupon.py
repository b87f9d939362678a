"""Cut the coupon out of the photo: face grid, outline, plate surface, quality."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from weldsection.curves import robust_polynomial
from weldsection.flags import Flag
from weldsection.grid import GRID_MM, SIDE_MM, FaceGrid, lay_grid
from weldsection.quality import judge_quality
from weldsection.records import (
    BoolArray,
    Coupon,
    FaceOutline,
    FloatArray,
    Photo,
    Scale,
    project,
)
from weldsection.surface import fit_surface, last_rise, surface_points

MOST_ATTEMPTS = 3  # at laying the grid
MOST_CORRECTION_MM = 2.5  # of the surface: more is a wrong fit
EXTENSION_MM = 15.0  # by which the grid grows where the plate runs out of it
INSIDE_END_MM = 2.0  # plate is followed outwards from here
BRIDGED_MM = 12.0  # a stain, or plate that looks like the bench, is no end of it
STEEPEST_END = 0.25  # mm per mm: a saw cut is not more slanted than this


def lay_on_grid(
    photo: Photo,
    face: FaceOutline,
    scale: Scale,
    before: Coupon | None = None,
    *,
    whole: bool = True,
) -> Coupon:
    """
    Cut the coupon out of the photo on a grid of mm along its plate surface.

    x counts from the coupon's left end. The outline found on the reduced photo
    is corrected by what the finer grid shows, and the grid is laid again when
    it was far off.

    Raises
    ------
    CouponError
        When the size in mm is not one a coupon can have, or no plate surface
        can be fitted.
    """
    for _ in range(MOST_ATTEMPTS):
        grid = lay_grid(photo, face, scale, before, whole=whole)
        slants, surface = _end_lines(grid), surface_points(grid)
        better = _corrected(grid, surface, face, slants, photo)
        if _close_enough(grid, face, better):
            break
        face = better
    left, right = ends = (float(slants[0][-1]), float(slants[1][-1]))
    shift = np.eye(3)
    shift[0, 2] = left
    return Coupon(
        bgr=grid.bgr,
        zones=grid.zones,
        left_mm=-SIDE_MM - left,
        top_mm=grid.top_mm,
        grid_mm=GRID_MM,
        mm_to_px=grid.mm_to_px @ shift,
        surface=fit_surface(surface, ends, photo.origin.path.name),
        thickness_mm=_thickness_mm(grid, better),
        length_mm=right - left,
        face=better,
        quality=judge_quality(grid, surface, scale, better),
        flags=(Flag.COUPON_CUT_OFF,) if better.cut_by_picture[0] else (),
    )


def _thickness_mm(grid: FaceGrid, face: FaceOutline) -> float:
    """Mean thickness of the plate between the corners of its outline."""
    corners = project(np.linalg.inv(grid.mm_to_px), face.corners_xy_px)
    return float(np.mean(corners[2:, 1] - corners[1::-1, 1]))


def _end_lines(grid: FaceGrid) -> tuple[FloatArray, FloatArray]:
    """Where the plate begins and ends, as lines (mm per mm of depth, mm)."""
    first = grid.row_at(0.3)
    last = grid.row_at(min(0.85 * grid.thickness_mm, 8.0))
    band = grid.face_odds[first:last]
    if len(band) < 4:
        return np.array([0.0, 0.0]), np.array([0.0, grid.length_mm])
    solid = cv2.blur(band, (9, 1)) > 0
    first, last = _longest_stretch(solid)
    inside = min(round(INSIDE_END_MM / GRID_MM), (last - first) // 3)
    left = first + inside + 0.5 - _run(solid[:, first + inside :: -1])
    right = last - inside - 0.5 + _run(solid[:, last - inside :])
    depth = np.arange(len(band)) * GRID_MM + 0.3
    lines = []
    for columns in (left, right):
        x = -SIDE_MM + GRID_MM * columns.astype(np.float64)
        fit, _ = robust_polynomial(depth, x, 1, floor=GRID_MM)
        slanted = abs(fit[0]) < STEEPEST_END
        lines.append(fit if slanted else np.array([0.0, np.median(x)]))
    return lines[0], lines[1]


def _longest_stretch(solid: BoolArray) -> tuple[int, int]:
    """First and last column of the longest stretch of plate, gaps bridged."""
    gap = round(BRIDGED_MM / GRID_MM)
    plate = np.pad((solid.mean(axis=0) > 0.5).astype(np.uint8), gap)[None]
    bridge = np.ones((1, gap), np.uint8)
    closed = np.asarray(cv2.morphologyEx(plate, cv2.MORPH_CLOSE, bridge))[0, gap:-gap]
    steps = np.diff(np.concatenate([[0], closed.astype(np.int8), [0]]))
    starts, ends = np.flatnonzero(steps > 0), np.flatnonzero(steps < 0)
    if not len(starts):
        return 0, solid.shape[1] - 1
    longest = int(np.argmax(ends - starts))
    return int(starts[longest]), int(ends[longest]) - 1


def _run(solid: BoolArray) -> FloatArray:
    """How many columns each row stays solid, from its first column on."""
    outside = ~solid
    run = np.where(outside.any(axis=1), outside.argmax(axis=1), solid.shape[1])
    return np.asarray(run, dtype=np.float64)


def _corrected(
    grid: FaceGrid,
    surface: tuple[FloatArray, FloatArray],
    face: FaceOutline,
    slants: tuple[FloatArray, FloatArray],
    photo: Photo,
) -> FaceOutline:
    """Outline with the edges that the grid shows, in photo pixels."""
    x, y = surface
    if len(x) < 40:
        return face
    # few points near one another do not say how the plate bends elsewhere
    spread_out = np.ptp(np.quantile(x, [0.1, 0.9])) > 0.5 * grid.length_mm
    fit, kept = robust_polynomial(x, y, 2 if spread_out else 1, floor=0.02)
    left, right = (_pushed_out(grid, float(line[-1])) for line in slants)
    thickness, bottom = grid.thickness_mm, _bottom_points(grid)
    if bottom is not None:
        thickness = float(np.median(bottom[:, 1] - np.polyval(fit, bottom[:, 0])))
    high = np.polyval(fit, [left, right])
    if np.abs(high).max() > MOST_CORRECTION_MM:
        return face
    corners = np.array(
        [
            [left, high[0]],
            [right, high[1]],
            [right + slants[1][0] * thickness, high[1] + thickness],
            [left + slants[0][0] * thickness, high[0] + thickness],
        ]
    )
    px = project(grid.mm_to_px, corners)
    rows, columns = photo.shape
    cut = (px[:, 0] < 2) | (px[:, 0] > columns - 3) | (px[:, 1] > rows - 3)
    return replace(
        face,
        top_edge_xy_px=project(grid.mm_to_px, _thinned(x[kept], y[kept])),
        bottom_edge_xy_px=face.bottom_edge_xy_px
        if bottom is None
        else project(grid.mm_to_px, _thinned(bottom[:, 0], bottom[:, 1])),
        corners_xy_px=px,
        cut_by_picture=(bool(cut[[0, 3]].any()), bool(cut[[1, 2]].any())),
    )


def _thinned(x: FloatArray, y: FloatArray) -> FloatArray:
    """Every tenth point: neighbours on the grid say the same."""
    return np.column_stack([x, y])[::10]


def _pushed_out(grid: FaceGrid, end_mm: float) -> float:
    """Move an end out when the plate still goes on at the grid's border."""
    width = grid.zones.shape[2] * GRID_MM
    if end_mm < -SIDE_MM + 0.5:
        return end_mm - EXTENSION_MM
    if end_mm > -SIDE_MM + width - 0.5:
        return end_mm + EXTENSION_MM
    return end_mm


def _bottom_points(grid: FaceGrid) -> FloatArray | None:
    """Points along the back of the plate; None where the grid does not reach."""
    if grid.thickness_mm + 1.4 > grid.rows_y_mm[-1] + GRID_MM:
        return None
    face = grid.face_odds
    first = grid.row_at(max(0.6 * grid.thickness_mm, 1.0))
    part = face[first:][::-1]
    crossing = last_rise(part)
    x = grid.columns_x_mm
    y = grid.top_mm + GRID_MM * (first + part.shape[0] - 1 - crossing)
    inside = (x > 1.0) & (x < grid.length_mm - 1.0) & np.isfinite(crossing)
    if inside.sum() < 40:
        return None
    _, kept = robust_polynomial(x[inside], y[inside], 2, floor=0.03)
    return np.column_stack([x[inside][kept], y[inside][kept]])


def _close_enough(grid: FaceGrid, face: FaceOutline, better: FaceOutline) -> bool:
    """Whether the corners moved so little that the grid may stay."""
    moved = project(np.linalg.inv(grid.mm_to_px), better.corners_xy_px)
    was = project(np.linalg.inv(grid.mm_to_px), face.corners_xy_px)
    shift = np.abs(moved - was)
    return bool(shift[:, 0].max() < SIDE_MM - 1 and shift[:, 1].max() < 0.6)
