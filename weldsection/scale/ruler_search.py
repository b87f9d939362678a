"""Where ticks of a rule may stand: bands of parallel short strokes.

Every tick has its grey gradient along the rule. Pixels are sorted by the
direction of their gradient, summed in small cells, and the cells searched for
narrow bands that run in that same direction and have nothing alike beside them
on at least one side. Grain, cloth and squares have it on both sides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from weldsection.records import ByteArray, FloatArray, Photo
from weldsection.shrink import shrunk

# long side of the copy in which bands are searched and ticks first read, px:
# half-millimetre ticks of a rule over 200 mm are still 5 px apart
SEARCH_SIDE_PX = 2000
_CELL_PX = 8
_DIRECTIONS = 18
# gradients under so many medians of the picture are noise, within limits in grey
# levels over 2 px; those of so many times as much all count alike
_FAINT_MEDIANS, _FAINT, _PLAIN_SHARE = 2.5, (5.0, 9.0), 2.5
# a band is looked for over this many cells along and across the rule
_BAND_CELLS = (20, 3)
_BESIDE_CELLS = 9


@dataclass(frozen=True, slots=True)
class SearchCopy:
    """A reduced grey copy of the photo in which the rule is looked for."""

    grey: ByteArray
    reduction: float
    """Photo pixels for one pixel of the copy, at least 1."""

    def to_photo(self, points_xy: FloatArray) -> FloatArray:
        """Points of the copy as photo points."""
        return np.asarray((points_xy + 0.5) * self.reduction - 0.5, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Band:
    """A place in the search copy where ticks may stand."""

    centre_xy: FloatArray
    direction_rad: float
    """Of the rule, in the copy, 0 to π from the x axis towards y."""
    strength: float


def search_copy(photo: Photo, long_side_px: int = SEARCH_SIDE_PX) -> SearchCopy:
    """Reduce a photo to grey and to a long side that is quick to search."""
    rows, columns = photo.shape
    reduction = max(1.0, max(rows, columns) / long_side_px)
    bgr = photo.bgr
    if reduction > 1.0:
        size = (round(columns / reduction), round(rows / reduction))
        bgr = shrunk(bgr, size)
        reduction = columns / size[0]
    return SearchCopy(cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY), reduction)


def find_bands(
    copy: SearchCopy, count: int, coupon_xy_px: FloatArray | None = None
) -> list[Band]:
    """Give the likeliest bands of ticks, strongest first.

    Bands on the coupon, given by its corners in the photo, come last: saw marks
    look like ticks. Bands in the same direction wait for others: so do lines of
    print and strokes of grain.
    """
    if min(copy.grey.shape) < 10 * _CELL_PX:
        return []
    energy = _energy_by_direction(copy.grey)
    total = energy.sum(axis=0)
    found: list[tuple[float, float, FloatArray]] = []
    for turn in range(_DIRECTIONS):
        angle = math.pi * turn / _DIRECTIONS
        near = energy[[turn - 1, turn, (turn + 1) % _DIRECTIONS]].sum(axis=0)
        found += _bands_along(np.maximum(2 * near - total, 0.0), angle)
    bands = _in_turn(_strongest_apart(found, 3 * count))
    if coupon_xy_px is None:
        return bands[:count]
    outline = np.asarray(coupon_xy_px, dtype=np.float32)
    beside = [band for band in bands if not _lies_in(outline, copy, band)]
    upon = [band for band in bands if _lies_in(outline, copy, band)]
    return beside[:count] + upon[: count // 4]


def _in_turn(bands: list[Band]) -> list[Band]:
    """Sort bands so that no direction takes all the first places."""
    taken = [0] * 9
    keys = []
    for band in bands:
        group = int(band.direction_rad / math.pi * 9 + 0.5) % 9
        keys.append(band.strength * 0.85 ** taken[group])
        taken[group] += 1
    order = np.argsort(-np.array(keys), kind="stable")
    return [bands[index] for index in order]


def _lies_in(outline_xy_px: FloatArray, copy: SearchCopy, band: Band) -> bool:
    """Whether the middle of a band lies within an outline in the photo."""
    x, y = copy.to_photo(band.centre_xy)
    return bool(cv2.pointPolygonTest(outline_xy_px, (float(x), float(y)), False) > 0)


def _energy_by_direction(grey: ByteArray) -> FloatArray:
    """Sum clipped gradient in cells, apart by direction: ``(18, rows, columns)``."""
    gx, gy = cv2.spatialGradient(cv2.GaussianBlur(grey, (3, 3), 0))
    rows, columns = grey.shape[0] // _CELL_PX, grey.shape[1] // _CELL_PX
    gx = gx[: rows * _CELL_PX, : columns * _CELL_PX].astype(np.float32)
    gy = gy[: rows * _CELL_PX, : columns * _CELL_PX].astype(np.float32)
    # a Sobel kernel sums to 8 grey levels for each level over 2 px
    size = cv2.magnitude(gx, gy) / 4
    faint = float(np.clip(_FAINT_MEDIANS * np.median(size[::7, ::7]), *_FAINT))
    at = np.flatnonzero(size > faint)
    if not len(at):
        return np.zeros((_DIRECTIONS, rows, columns))
    gx, gy, size = gx.ravel()[at], gy.ravel()[at], size.ravel()[at]
    angle = cv2.phase(gx, gy).ravel()
    turn = np.rint(angle * (_DIRECTIONS / np.pi)).astype(np.int64) % _DIRECTIONS
    row, column = np.divmod(at, columns * _CELL_PX)
    cell = (turn * rows + row // _CELL_PX) * columns + column // _CELL_PX
    weight = np.minimum(size / (_PLAIN_SHARE * faint), 1.0)
    shape = (_DIRECTIONS, rows, columns)
    summed = np.bincount(cell, weight, minlength=math.prod(shape))
    return np.asarray(summed.reshape(shape), dtype=np.float64)


def _bands_along(
    energy: FloatArray, angle: float
) -> list[tuple[float, float, FloatArray]]:
    """Bands in one direction: (strength, angle, centre in pixels of the copy)."""
    rows, columns = energy.shape
    side = math.ceil(math.hypot(rows, columns))
    cosine, sine = math.cos(angle), math.sin(angle)
    turn = np.array([[cosine, sine, 0.0], [-sine, cosine, 0.0]])
    middle = np.array([(columns - 1) / 2, (rows - 1) / 2])
    turn[:, 2] = (side - 1) / 2 - turn[:, :2] @ middle
    level = cv2.warpAffine(energy.astype(np.float32), turn, (side, side))
    band = cv2.blur(level, _BAND_CELLS, borderType=cv2.BORDER_CONSTANT)
    above = np.roll(band, _BESIDE_CELLS, axis=0)
    below = np.roll(band, -_BESIDE_CELLS, axis=0)
    strength = band - np.minimum(above, below)
    peak = cv2.dilate(strength, np.ones((7, 15), np.uint8))
    # less than two flanks of plain strokes in eight cells: no ticks
    at = np.argwhere((strength == peak) & (strength > 0.25 * _CELL_PX))
    back = np.linalg.inv(turn[:, :2])
    found = []
    for row, column in at:
        cells = back @ (np.array([column, row]) - turn[:, 2])
        centre = (cells + 0.5) * _CELL_PX - 0.5
        found.append((float(strength[row, column]), angle, centre))
    return found


def _strongest_apart(
    found: list[tuple[float, float, FloatArray]], count: int
) -> list[Band]:
    """Take the strongest bands that do not repeat one already taken."""
    taken: list[Band] = []
    for strength, angle, centre in sorted(found, key=lambda f: -f[0]):
        if not any(_same_band(band, angle, centre) for band in taken):
            taken.append(Band(centre, angle, strength))
        if len(taken) == count:
            break
    return taken


def _same_band(band: Band, angle: float, centre: FloatArray) -> bool:
    """Whether a centre lies on a band already taken, in about its direction."""
    apart = abs((angle - band.direction_rad + math.pi / 2) % math.pi - math.pi / 2)
    if apart > math.radians(12):
        return False
    offset = centre - band.centre_xy
    normal = np.array([-math.sin(band.direction_rad), math.cos(band.direction_rad)])
    along = math.hypot(*offset)
    return abs(float(offset @ normal)) < 12 + 0.06 * along
