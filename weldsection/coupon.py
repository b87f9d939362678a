"""Lay the etched face on a mm grid and find its plate surface and quality.

Everything after this stage works on the grid, whose size follows the coupon
and not the camera.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from weldsection.curves import mad_sigma, robust_polynomial
from weldsection.errors import CouponError
from weldsection.flags import Flag
from weldsection.records import (
    BoolArray,
    ByteArray,
    Coupon,
    FaceOutline,
    FloatArray,
    Photo,
    PlateSurface,
    Quality,
    Scale,
    project,
)
from weldsection.zones import FACE, Zone, ZoneArray, log_odds, strip_zones

GRID_MM = 0.05  # the networks were trained on this grid
ABOVE_MM = 6.5  # the highest reinforcement and some background
BELOW_MM = 12.5  # the deepest fusion and HAZ worth following, or the thickness
SIDE_MM = 3.0
MOST_ATTEMPTS = 3  # at laying the grid
EXTENSION_MM = 15.0  # by which the grid grows where the plate runs out of it
INSIDE_END_MM = 2.0  # plate is followed outwards from here
STEEPEST_END = 0.25  # mm per mm: a saw cut is not more slanted than this
LARGEST_MM = 400.0  # longer coupons are refused: the scale must be wrong
BIN_MM = 0.5  # plate surface is averaged over this length before it is fitted
SURFACE_REACH_MM = 1.6  # the surface is looked for this far from the straight edge
WAVE_MM, WAVE_LENGTH_MM = 0.04, 14.0  # saw and rolling waviness that is followed


def lay_on_grid(photo: Photo, face: FaceOutline, scale: Scale) -> Coupon:
    """
    Cut the coupon out of the photo on a grid of mm along its plate surface.

    The outline found on the reduced photo is corrected by what the finer grid
    shows, and the grid is laid again when it was far off.

    Raises
    ------
    CouponError
        When the size in mm is not one a coupon can have, or no plate surface
        can be fitted.
    """
    for _ in range(MOST_ATTEMPTS):
        grid = _lay(photo, face, scale)
        ends = _ends(grid)
        better = _corrected(grid, face, ends, photo)
        if _close_enough(grid, face, better, scale):
            break
        face = better
    return _coupon(photo, grid, better, ends, scale)


@dataclass(frozen=True, slots=True)
class _Grid:
    """A first lay of the coupon: pixels, zones and where they lie."""

    bgr: ByteArray
    zones: ZoneArray
    mm_to_px: FloatArray
    length_mm: float
    thickness_mm: float


def _lay(photo: Photo, face: FaceOutline, scale: Scale) -> _Grid:
    aligned = _aligned_mm_to_px(face, scale)
    corners = project(np.linalg.inv(aligned), face.corners_xy_px)
    length = float(corners[1, 0] - corners[0, 0])
    thickness = float(np.mean(corners[2:, 1] - corners[:2, 1]))
    _check_size(photo, length, thickness)
    below = min(thickness + 1.5, BELOW_MM)
    shape = (
        math.ceil((below + ABOVE_MM) / GRID_MM),
        math.ceil((length + 2 * SIDE_MM) / GRID_MM),
    )
    bgr = _rectify(photo, aligned, (-SIDE_MM, -ABOVE_MM), shape)
    return _Grid(bgr, strip_zones(bgr), aligned, length, thickness)


def _coupon(
    photo: Photo,
    grid: _Grid,
    face: FaceOutline,
    ends: tuple[float, float],
    scale: Scale,
) -> Coupon:
    """Count x from the coupon's left end and fit its surface."""
    left, right = ends
    length = right - left
    shift = np.eye(3)
    shift[0, 2] = left
    return Coupon(
        bgr=grid.bgr,
        zones=grid.zones,
        left_mm=-SIDE_MM - left,
        top_mm=-ABOVE_MM,
        grid_mm=GRID_MM,
        mm_to_px=grid.mm_to_px @ shift,
        surface=_plate_surface(photo, grid.zones, -SIDE_MM - left, length),
        thickness_mm=_thickness_mm(grid, face),
        length_mm=length,
        face=face,
        quality=_quality(grid.bgr, grid.zones, grid.mm_to_px, scale, face),
        flags=(Flag.COUPON_CUT_OFF,) if face.cut_by_picture[0] else (),
    )


def _thickness_mm(grid: _Grid, face: FaceOutline) -> float:
    """Mean thickness of the plate between the corners of its outline."""
    corners = project(np.linalg.inv(grid.mm_to_px), face.corners_xy_px)
    return float(np.mean(corners[2:, 1] - corners[1::-1, 1]))


def _ends(grid: _Grid) -> tuple[float, float]:
    """Where the plate begins and ends along its surface, in mm of the grid."""
    first = round((ABOVE_MM + 0.3) / GRID_MM)
    last = round((ABOVE_MM + min(0.85 * grid.thickness_mm, 8.0)) / GRID_MM)
    band = log_odds(grid.zones, FACE)[first:last]
    if len(band) < 4:
        return 0.0, grid.length_mm
    solid = cv2.blur(band, (9, 1)) > 0
    start = round((SIDE_MM + INSIDE_END_MM) / GRID_MM)
    left = start + 0.5 - _run(solid[:, start::-1])
    right = solid.shape[1] - 1.5 - start + _run(solid[:, -1 - start :])
    depth = np.arange(len(band)) * GRID_MM + 0.3
    ends = []
    for columns in (left, right):
        x = -SIDE_MM + GRID_MM * columns.astype(np.float64)
        fit, _ = robust_polynomial(depth, x, 1, floor=GRID_MM)
        slanted = abs(fit[0]) < STEEPEST_END
        ends.append(float(np.polyval(fit, 0.0) if slanted else np.median(x)))
    return ends[0], ends[1]


def _run(solid: BoolArray) -> FloatArray:
    """How many columns each row stays solid, from its first column on."""
    outside = ~solid
    run = np.where(outside.any(axis=1), outside.argmax(axis=1), solid.shape[1])
    return np.asarray(run, dtype=np.float64)


def _corrected(
    grid: _Grid, face: FaceOutline, ends: tuple[float, float], photo: Photo
) -> FaceOutline:
    """Outline with the edges that the grid shows, in photo pixels."""
    x, y = _surface_points(grid.zones, -SIDE_MM)
    if len(x) < 40:
        return face
    fit, kept = robust_polynomial(x, y, 2, floor=0.02)
    left, right = (_pushed_out(grid, end) for end in ends)
    thickness, bottom = grid.thickness_mm, _bottom_points(grid)
    if bottom is not None:
        thickness = float(np.median(bottom[:, 1] - np.polyval(fit, bottom[:, 0])))
    high = np.polyval(fit, [left, right])
    corners = np.array(
        [
            [left, high[0]],
            [right, high[1]],
            [right, high[1] + thickness],
            [left, high[0] + thickness],
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


def _pushed_out(grid: _Grid, end_mm: float) -> float:
    """Move an end out when the plate still goes on at the grid's border."""
    width = grid.zones.shape[2] * GRID_MM
    if end_mm < -SIDE_MM + 0.5:
        return end_mm - EXTENSION_MM
    if end_mm > -SIDE_MM + width - 0.5:
        return end_mm + EXTENSION_MM
    return end_mm


def _bottom_points(grid: _Grid) -> FloatArray | None:
    """Points along the back of the plate; None where the grid does not reach."""
    if grid.thickness_mm + 1.4 > BELOW_MM:
        return None
    face = log_odds(grid.zones, FACE)
    first = round((ABOVE_MM + max(0.6 * grid.thickness_mm, 1.0)) / GRID_MM)
    part = face[first:][::-1]
    crossing = _last_rise(part)
    x = -SIDE_MM + GRID_MM * np.arange(face.shape[1])
    y = -ABOVE_MM + GRID_MM * (first + part.shape[0] - 1 - crossing)
    inside = (x > 1.0) & (x < grid.length_mm - 1.0) & np.isfinite(crossing)
    if inside.sum() < 40:
        return None
    _, kept = robust_polynomial(x[inside], y[inside], 2, floor=0.03)
    return np.column_stack([x[inside][kept], y[inside][kept]])


def _close_enough(
    grid: _Grid, face: FaceOutline, better: FaceOutline, scale: Scale
) -> bool:
    """Whether the corners moved so little that the grid may stay."""
    moved = project(np.linalg.inv(grid.mm_to_px), better.corners_xy_px)
    was = project(np.linalg.inv(grid.mm_to_px), face.corners_xy_px)
    shift = np.abs(moved - was)
    return bool(shift[:, 0].max() < SIDE_MM - 1 and shift[:, 1].max() < 0.6)


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


def _rectify(
    photo: Photo,
    mm_to_px: FloatArray,
    corner_mm: tuple[float, float],
    shape: tuple[int, int],
) -> ByteArray:
    """Sample the photo on the grid, softened first where it is the finer one."""
    grid_to_mm = np.array(
        [[GRID_MM, 0, corner_mm[0]], [0, GRID_MM, corner_mm[1]], [0, 0, 1]]
    )
    grid_to_px = mm_to_px @ grid_to_mm
    rows, columns = shape
    frame = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], float)
    box = project(grid_to_px, frame)
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


# ------------------------------------------------------------- plate surface


def _plate_surface(
    photo: Photo, zones: ZoneArray, left_mm: float, length_mm: float
) -> PlateSurface:
    """Fit the undisturbed plate and carry it across the beads."""
    x, y = _surface_points(zones, left_mm)
    inside = (x > 0.8) & (x < length_mm - 0.8)
    x, y = x[inside], y[inside]
    if len(x) < 40:
        raise CouponError(
            f"{photo.origin.path.name}: too little bare plate lies beside the beads "
            "to find the plate surface; show more of the coupon."
        )
    degree = 1 if length_mm < 25 else 2
    fit, kept = robust_polynomial(x, y, degree, floor=0.01)
    centres, heights, noise = _binned(x[kept], y[kept] - np.polyval(fit, x[kept]))
    knots = np.arange(-SIDE_MM, length_mm + SIDE_MM + 0.5, 0.5)
    wave, u = _smooth(centres, heights, noise, knots)
    return PlateSurface(knots, np.polyval(fit, knots) + wave, u)


def _surface_points(zones: ZoneArray, left_mm: float) -> tuple[FloatArray, FloatArray]:
    """Where bare plate begins in each column, in mm."""
    face = log_odds(zones, FACE)
    weld = log_odds(zones, (Zone.WELD,))
    rows = np.arange(zones.shape[1])
    y = -ABOVE_MM + GRID_MM * rows
    near = np.abs(y) < SURFACE_REACH_MM + 1.0
    deep = (y > 0.25) & (y < 1.2)
    high = (y < -0.3) & (y > -5.0)
    bead = (weld[near] > 0).any(axis=0)
    solid = (face[deep] > 0).mean(axis=0) > 0.7
    free = (face[high] > 0).mean(axis=0) < 0.03
    wide = cv2.dilate(bead.astype(np.uint8)[None], np.ones((1, 13), np.uint8))[0] > 0
    window = np.abs(y) < SURFACE_REACH_MM
    crossing = _last_rise(face[window])
    x = left_mm + GRID_MM * np.arange(zones.shape[2])
    use = solid & free & ~wide & np.isfinite(crossing)
    start = -ABOVE_MM + GRID_MM * int(np.argmax(window))
    return x[use], start + GRID_MM * crossing[use]


def _last_rise(field: FloatArray) -> FloatArray:
    """Row of the lowest upward zero crossing of each column; NaN without one."""
    outside = field <= 0
    reverse = outside[::-1]
    row = field.shape[0] - 1 - np.argmax(reverse, axis=0)
    columns = np.arange(field.shape[1])
    usable = outside.any(axis=0) & (row < field.shape[0] - 1)
    row = np.minimum(row, field.shape[0] - 2)
    above, below = field[row, columns], field[row + 1, columns]
    rise = np.where(below > above, below - above, 1)
    return np.where(usable, row - above / rise, np.nan)


def _binned(
    x: FloatArray, residual: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Medians over short bins and how well each is known, in mm."""
    edges = np.floor(x / BIN_MM).astype(int)
    scatter = max(mad_sigma(residual), 0.004)
    centres, heights, noise = [], [], []
    for edge in np.unique(edges):
        here = edges == edge
        if here.sum() < 4:
            continue
        centres.append((edge + 0.5) * BIN_MM)
        heights.append(np.median(residual[here]))
        # neighbouring grid columns see the same edge: count two as independent
        noise.append(scatter / math.sqrt(2))
    return np.array(centres), np.array(heights), np.array(noise)


def _smooth(
    x: FloatArray, height: FloatArray, noise: FloatArray, knots: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Gaussian-process smoothing of the waviness left after the polynomial.

    References
    ----------
    Rasmussen and Williams, Gaussian Processes for Machine Learning (2006),
    equations 2.25 and 2.26.
    """

    def kernel(a: FloatArray, b: FloatArray) -> FloatArray:
        distance = (a[:, None] - b[None, :]) / WAVE_LENGTH_MM
        return np.asarray(WAVE_MM**2 * np.exp(-0.5 * distance**2))

    # a constant and a slope are known only as well as the points give them
    prior = np.vstack([np.ones_like(x), (x - x.mean()) / 20]).T
    covariance = kernel(x, x) + np.diag(noise**2) + 0.05**2 * (prior @ prior.T)
    other = np.vstack([np.ones_like(knots), (knots - x.mean()) / 20]).T
    cross = kernel(knots, x) + 0.05**2 * (other @ prior.T)
    solved = np.linalg.solve(covariance, np.column_stack([height, cross.T]))
    mean = cross @ solved[:, 0]
    own = WAVE_MM**2 + 0.05**2 * (other**2).sum(axis=1)
    variance = own - np.einsum("ij,ji->i", cross, solved[:, 1:])
    return mean, np.sqrt(np.maximum(variance, 0.002**2))


# ------------------------------------------------------------ picture quality


def _quality(
    bgr: ByteArray,
    zones: ZoneArray,
    mm_to_px: FloatArray,
    scale: Scale,
    face: FaceOutline,
) -> Quality:
    """How sharp, bright and level the face was photographed."""
    inside = log_odds(zones, FACE) > 1
    px_per_mm = 1 / scale.mm_per_px_at(face.centre_xy_px)
    grey = cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)
    burnt = float((grey[inside] > 250).mean()) if inside.any() else 0.0
    blur = _edge_width_mm(grey, zones)
    tilt = _tilt_deg(mm_to_px, face) if _shows_tilt(scale) else math.nan
    contrast = _etch_contrast(grey, zones)
    return Quality(
        px_per_mm=px_per_mm,
        blur_mm=blur,
        overexposed_share=burnt,
        tilt_deg=tilt,
        etch_contrast=contrast,
        advice=_advice(px_per_mm, blur, burnt, tilt, contrast),
    )


def _shows_tilt(scale: Scale) -> bool:
    return any(reference.shows_tilt for reference in scale.references)


def _tilt_deg(mm_to_px: FloatArray, face: FaceOutline) -> float:
    """Tilt from the ratio of the local scales in the steepest directions.

    For a plane seen at an angle, the smaller local scale over the larger is
    close to the cosine of that angle (reference-values H.3).
    """
    centre = project(np.linalg.inv(mm_to_px), face.centre_xy_px[None])[0]
    steps = centre + np.array([[0, 0], [0.5, 0], [0, 0.5]])
    px = project(mm_to_px, steps)
    jacobian = (px[1:] - px[0]).T / 0.5
    values = np.linalg.svd(jacobian, compute_uv=False)
    return math.degrees(math.acos(min(1.0, float(values[1] / values[0]))))


def _edge_width_mm(grey: ByteArray, zones: ZoneArray) -> float:
    """Standard width of the plate's upper edge in the picture."""
    x, y = _surface_points(zones, -SIDE_MM)
    if len(x) < 20:
        return math.nan
    columns = ((x + SIDE_MM) / GRID_MM).round().astype(int)
    rows = ((y + ABOVE_MM) / GRID_MM).round().astype(int)
    across = np.arange(-14, 15)
    inside = (rows > 14) & (rows < grey.shape[0] - 15)
    profile = grey[rows[inside, None] + across, columns[inside, None]].astype(float)
    slope = np.abs(np.gradient(np.median(profile, axis=0)))
    slope = np.maximum(slope - np.median(slope), 0)
    if slope.sum() <= 0:
        return math.nan
    centre = (slope @ across) / slope.sum()
    return GRID_MM * math.sqrt(float(slope @ (across - centre) ** 2 / slope.sum()))


def _etch_contrast(grey: ByteArray, zones: ZoneArray) -> float:
    """Difference of grey between plate and HAZ over the plate's own scatter."""
    smooth = cv2.GaussianBlur(grey, (0, 0), 4).astype(np.float64)
    best = zones.argmax(axis=0)
    certain = zones.max(axis=0) > math.log(0.9)
    base: BoolArray = np.asarray(certain & (best == Zone.BASE))
    haz: BoolArray = np.asarray(certain & (best == Zone.HAZ))
    if base.sum() < 200 or haz.sum() < 200:
        return math.nan
    difference = abs(float(np.median(smooth[base]) - np.median(smooth[haz])))
    return difference / max(mad_sigma(smooth[base]), 0.5)


def _advice(
    px_per_mm: float, blur_mm: float, burnt: float, tilt_deg: float, contrast: float
) -> str:
    """One sentence for the fault that costs most."""
    if burnt > 0.03:
        return "Turn the coupon away from the lamp: part of the face is burnt out."
    if px_per_mm < 10:
        return "Move the camera closer: the face has few pixels for each mm."
    if blur_mm > 0.3:
        return "Focus on the etched face: its edge is soft."
    if tilt_deg > 12:
        return "Hold the camera square to the face: it was tilted."
    if contrast < 1:
        return "Etch again: plate and heat-affected zone look nearly alike."
    return ""
