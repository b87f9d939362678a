"""Find the etched face in a photo, before any scale is known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from weldsection.curves import robust_polynomial
from weldsection.errors import CouponError
from weldsection.records import BoolArray, FaceOutline, FloatArray, Photo, project
from weldsection.shrink import shrunk
from weldsection.zones import FACE, Zone, ZoneArray, log_odds, view_zones

VIEW_PX = 640  # the long side that the network for whole photos was trained on
SMALLEST_SHARE = 0.002  # of the picture: less than this is no coupon
LEAST_WELD = 0.002  # weld metal that any face is granted, a share of it
STRAY_PX = 5.0  # of the reduced picture: farther points are no plate edge
SEARCH_PX = 2.5  # of the reduced picture, to each side of an edge
MOST_ASKEW = 0.5  # sine of the angle of a sawn end out of square: 30°, tilt included


def find_face(photo: Photo) -> FaceOutline:
    """
    Find the etched face of the coupon and the edges of its plate.

    Parameters
    ----------
    photo
        Upright photo, the weld face up.

    Returns
    -------
    FaceOutline
        In pixels of the photo. Beads are left out of the top edge.

    Raises
    ------
    CouponError
        When the photo shows no etched face with a plate surface above it.
    """
    reduction = max(photo.shape) / VIEW_PX
    size = (round(photo.shape[1] / reduction), round(photo.shape[0] / reduction))
    small = shrunk(photo.bgr, size)
    zones = view_zones(small)
    mask = _likeliest_face(zones, photo)
    level = _level_view(zones, mask)
    edges = _edges(level, photo)
    to_photo = _reduced_to_photo(reduction) @ level.level_to_view
    top, bottom = (
        _refine(photo, project(to_photo, edge), reduction)
        for edge in (edges.top, edges.bottom)
    )
    ends = [project(to_photo, edge) for edge in (edges.left, edges.right)]
    corners = _corners(top, bottom, ends)
    if (corners[1] - corners[0]) @ (ends[1].mean(axis=0) - ends[0].mean(axis=0)) <= 0:
        raise _no_face(photo, "the ends of the coupon cannot be told apart")
    return FaceOutline(
        mask=mask,
        reduction=reduction,
        top_edge_xy_px=top,
        bottom_edge_xy_px=bottom,
        corners_xy_px=corners,
        cut_by_picture=_cut(ends, photo, reduction),
        altered=mask & (log_odds(zones, (Zone.HAZ, Zone.WELD)) > 0),
    )


@dataclass(frozen=True, slots=True)
class _Level:
    """The zones turned so that the plate lies level."""

    face: FloatArray
    weld: FloatArray
    level_to_view: FloatArray


@dataclass(frozen=True, slots=True)
class _Edges:
    """Points along the four edges of the plate in the level view."""

    top: FloatArray
    bottom: FloatArray
    left: FloatArray
    right: FloatArray


def _no_face(photo: Photo, why: str) -> CouponError:
    return CouponError(
        f"{photo.origin.path.name}: {why}. Photograph the etched face square on, "
        "weld face up, filling most of the picture, on an even background."
    )


def _likeliest_face(zones: ZoneArray, photo: Photo) -> BoolArray:
    """
    Keep the connected face with both weld metal and plate, the holes in it closed.

    Benches can look like bare plate and the relief of a coin like weld metal, and
    be larger than the coupon; but what is not weld metal of a coupon nearly fills
    a rectangle.
    """
    raw = (log_odds(zones, FACE) > 0).astype(np.uint8)
    closed = cv2.morphologyEx(raw, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(closed, connectivity=4)
    area = stats[:, cv2.CC_STAT_AREA].astype(np.float64)
    area[0] = 0.0
    area[area < SMALLEST_SHARE * raw.size] = 0.0
    if count < 2 or not area.any():
        raise _no_face(photo, "no etched face was found")
    chance = np.exp(zones[Zone.WELD])
    seen = np.bincount(labels.ravel(), weights=chance.ravel(), minlength=count)
    # where there is none anywhere, the largest counts
    weld = seen + LEAST_WELD * area
    plate = closed.astype(np.bool_) & (zones.argmax(axis=0) != Zone.WELD)
    likeness = np.full(count, -1.0)
    for part in np.flatnonzero(area > 0):
        filled = _rectangle_filled(plate & (labels == part))
        likeness[part] = min(weld[part], area[part] - weld[part]) * filled**2
    return np.asarray(labels == int(np.argmax(likeness)))


def _rectangle_filled(mask: BoolArray) -> float:
    """Share of the smallest rectangle around a mask that the mask fills."""
    points = np.argwhere(mask)[:, ::-1].astype(np.float32)
    if len(points) < 3:
        return 0.0
    _, (width, height), _ = cv2.minAreaRect(points)
    return min(len(points) / ((width + 1) * (height + 1)), 1.0)


def _level_view(zones: ZoneArray, mask: BoolArray) -> _Level:
    """Turn the view so that the long side of the face lies level."""
    angle = _face_angle(mask)
    rows, columns = mask.shape
    size = math.ceil(math.hypot(rows, columns))
    turn = cv2.getRotationMatrix2D(((columns - 1) / 2, (rows - 1) / 2), angle, 1.0)
    turn[:, 2] += (size - columns) / 2, (size - rows) / 2
    inside = cv2.dilate(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    face = np.where(inside, log_odds(zones, FACE), -6.0).astype(np.float32)
    weld = log_odds(zones, (Zone.WELD,))

    def turned(field: FloatArray) -> FloatArray:
        return np.asarray(
            cv2.warpAffine(
                np.clip(field, -6, 6).astype(np.float32),
                turn,
                (size, size),
                flags=cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=-6.0,
            ),
            dtype=np.float64,
        )

    matrix = np.vstack([turn, [0, 0, 1]])
    return _Level(turned(face), turned(weld), np.linalg.inv(matrix))


def _face_angle(mask: BoolArray) -> float:
    """Angle of the face's long side in degrees, within a quarter turn."""
    points = np.column_stack(np.nonzero(mask)[::-1]).astype(np.float32)
    hull = cv2.convexHull(points)
    (_, _), (width, height), angle = cv2.minAreaRect(hull)
    if width < height:
        angle += 90
    return float((angle + 90) % 180 - 90)


def _first_crossings(field: FloatArray) -> FloatArray:
    """Row of the first upward zero crossing in each column; NaN without one."""
    positive = field > 0
    row = np.argmax(positive, axis=0)
    columns = np.arange(field.shape[1])
    below = field[row, columns]
    above = field[np.maximum(row - 1, 0), columns]
    crossing = row - below / np.where(below > above, below - above, 1)
    return np.where(positive.any(axis=0) & (row > 0), crossing, np.nan)


def _edges(level: _Level, photo: Photo) -> _Edges:
    """Points along the plate's edges, beads and outliers left out."""
    top_y = _first_crossings(level.face)
    size = level.face.shape[0]
    bottom_y = size - 1 - _first_crossings(level.face[::-1])
    x = np.arange(level.face.shape[1], dtype=np.float64)
    thick = bottom_y - top_y
    plain = np.isfinite(thick) & ~_under_bead(level.weld, top_y)
    if plain.sum() < 12:
        raise _no_face(photo, "too little bare plate surface was found")
    solid = np.isfinite(bottom_y)
    slope, _ = robust_polynomial(x[solid], bottom_y[solid], 1, floor=0.25)
    bottom = _agreeing(x[solid], bottom_y[solid], slope)
    top = _agreeing(x[plain], top_y[plain], slope)
    left, right = _side_edges(level, top, bottom)
    return _Edges(top, bottom, left, right)


def _under_bead(weld: FloatArray, top_y: FloatArray) -> BoolArray:
    """Mark the columns whose uppermost metal is weld metal, with a margin."""
    columns = np.arange(weld.shape[1])
    row = np.nan_to_num(top_y, nan=0.0).astype(int)
    reach = [weld[np.minimum(row + k, weld.shape[0] - 1), columns] for k in (1, 2, 3)]
    seen = (np.max(reach, axis=0) > 0).astype(np.uint8)
    return np.asarray(cv2.dilate(seen[None], np.ones((1, 5), np.uint8))[0] > 0)


def _agreeing(x: FloatArray, y: FloatArray, along: FloatArray) -> FloatArray:
    """Keep the points that lie on one gently bowed line about a direction."""
    level = y - np.polyval(along, x)
    near = np.abs(level - np.median(level)) < STRAY_PX
    _, kept = robust_polynomial(x[near], level[near], 2, floor=0.25)
    return np.column_stack([x[near][kept], y[near][kept]])


def _side_edges(
    level: _Level, top: FloatArray, bottom: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Points along the left and right end of the plate."""
    high, low = np.median(top[:, 1]), np.median(bottom[:, 1])
    first, last = math.ceil(high + 0.2 * (low - high)), int(low - 0.2 * (low - high))
    rows = np.arange(first, max(last, first + 2) + 1)
    band = level.face[rows].T
    left = _first_crossings(band)
    right = band.shape[0] - 1 - _first_crossings(band[::-1])
    y = rows.astype(np.float64)
    keep = np.isfinite(left) & np.isfinite(right)
    return (
        np.column_stack([left[keep], y[keep]]),
        np.column_stack([right[keep], y[keep]]),
    )


def _reduced_to_photo(reduction: float) -> FloatArray:
    """Map pixel centres of the reduced picture to those of the photo."""
    shift = (reduction - 1) / 2
    return np.array([[reduction, 0, shift], [0, reduction, shift], [0, 0, 1.0]])


def _refine(photo: Photo, points: FloatArray, reduction: float) -> FloatArray:
    """Move edge points to the steepest step of the full photo across the edge.

    The edge is straight over a short stretch, so profiles across it are
    averaged over stretches before the step is looked for.
    """
    direction = points[-1] - points[0]
    along = direction / np.hypot(*direction)
    normal = np.array([-along[1], along[0]])
    position = (points - points[0]) @ along
    fit, _ = robust_polynomial(position, (points - points[0]) @ normal, 2)
    reach = SEARCH_PX * reduction
    across = np.arange(-reach, reach + 0.25, 0.5)
    stretches = np.array_split(np.sort(position), max(4, min(24, len(position) // 4)))
    moved = []
    for stretch in stretches:
        s = np.linspace(stretch[0], stretch[-1], 32)
        base = points[0] + s[:, None] * along + np.polyval(fit, s)[:, None] * normal
        shift = _step(photo, base, normal, across)
        middle = (stretch[0] + stretch[-1]) / 2
        moved.append((middle, np.polyval(fit, middle) + shift))
    s, v = np.array(moved).T
    keep = np.isfinite(v)
    s, v = s[keep], v[keep]
    if len(s) >= 4:
        _, agree = robust_polynomial(s, v, 2, floor=0.3)
        s, v = s[agree], v[agree]
    else:
        s, v = position, np.polyval(fit, position)
    return np.asarray(points[0] + s[:, None] * along + v[:, None] * normal)


def _step(
    photo: Photo, base: FloatArray, normal: FloatArray, across: FloatArray
) -> float:
    """Offset of the steepest step of the mean profile; NaN when there is none."""
    sample = base[:, None, :] + across[None, :, None] * normal
    map_x, map_y = (sample[..., k].astype(np.float32) for k in (0, 1))
    profile = cv2.remap(
        photo.bgr, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float64)
    mean = profile.mean(axis=0)
    slope = np.abs(np.gradient(mean, axis=0)).sum(axis=1)
    slope = np.convolve(slope, [0.25, 0.5, 0.25], mode="same")[1:-1]
    near = np.exp(-0.5 * (across[1:-1] / (0.5 * across[-1])) ** 2)
    weighted = slope * near
    peak = int(np.argmax(weighted))
    if not 0 < peak < len(weighted) - 1 or weighted[peak] < 2 * np.median(weighted):
        return math.nan
    a, b, c = weighted[peak - 1 : peak + 2]
    return float(across[1 + peak] + 0.5 * 0.5 * (a - c) / (a - 2 * b + c))


def _line(points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A point on the line through points and its direction."""
    vx, vy, x, y = cv2.fitLine(
        points.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01
    ).ravel()
    return np.array([x, y]), np.array([vx, vy])


def _crossing(
    first: tuple[FloatArray, FloatArray], second: tuple[FloatArray, FloatArray]
) -> FloatArray:
    (p, d), (q, e) = first, second
    t = np.linalg.solve(np.column_stack([d, -e]), q - p)[0]
    return np.asarray(p + t * d)


def _corners(top: FloatArray, bottom: FloatArray, ends: list[FloatArray]) -> FloatArray:
    """Corners of the plate: top left, top right, bottom right, bottom left."""
    upper, lower = _line(top), _line(bottom)
    sides = [_side(end, upper[1]) for end in ends]
    return np.array(
        [
            _crossing(upper, sides[0]),
            _crossing(upper, sides[1]),
            _crossing(lower, sides[1]),
            _crossing(lower, sides[0]),
        ]
    )


def _side(end: FloatArray, along: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A point on a sawn end and its direction; square to the plate if none is seen."""
    if len(end) >= 4:
        point, direction = _line(end)
        if abs(float(direction @ along)) < MOST_ASKEW:
            return point, direction
    return np.median(end, axis=0), np.array([-along[1], along[0]])


def _cut(ends: list[FloatArray], photo: Photo, reduction: float) -> tuple[bool, bool]:
    """Whether an end of the coupon lies at the picture's own edge."""
    rows, columns = photo.shape
    margin = 1.5 * reduction

    def outside(points: FloatArray) -> bool:
        x, y = points.mean(axis=0)
        return bool(
            x < margin
            or y < margin
            or x > columns - 1 - margin
            or y > rows - 1 - margin
        )

    return outside(ends[0]), outside(ends[1])
