"""Where a thing's colours give way to the ground's.

A coin's raised rim, its letters and its bevel are round edges too, and on mottled
ground they stand out more than the outline; lines of graph paper run along a card's
side. But such edges have the same colours on both sides, and the outline has the
thing's on one and the ground's on the other.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from weldsection.records import BoolArray, ByteArray, FloatArray, project
from weldsection.scale.ellipse import Ellipse
from weldsection.scale.profiles import sample

_RAYS = 180
# how far from the middle colours are looked at, in radii of the ellipse
_SHARES = np.arange(0.70, 1.5, 0.01)
_SURELY_THING = 0.93
_SURELY_GROUND = 1.2
_TRIED_ABOUT, _TRIED_REACH = 1.045, 0.145
# tables of colours: steps of 8 levels, and the share of a colour never seen
_STEPS = 32
_NEVER_SEEN = 2e-4
# one pixel tells no more than e² to 1
_MOST_SAID = 2.0
# colours of thing and ground that differ by less than this (of 4) tell nothing
_TOLD_APART = 2.0
# a straight side: how far from it colours are looked at, in mm, what is surely beyond
# it, and where it may be
_SIDE_MM = np.arange(-3.0, 3.01, 0.08)
_SURELY_BESIDE_MM = 0.7
_SIDE_TRIED_MM = 1.5
# it is looked at in so many parts of so many places, corners left out
_PARTS, _PLACES = 6, 20
_CORNER = 0.08

Colours = npt.NDArray[np.intp]


def reach_by_colour(bgr: ByteArray, seen: Ellipse) -> float:
    """Radius at which the thing's colours give way to the ground's, over `seen`'s.

    NaN where the two have the same colours, and for an ellipse that is none. To a
    hundredth; a shadow or a wall, whose colours are neither's, may lie on either side.
    """
    if not np.isfinite(seen.as_array()).all():
        return float("nan")
    centre = seen.centre_xy_px
    points = centre + _SHARES[:, None, None] * (seen.points_xy_px(_RAYS) - centre)
    colours, inside = _colours_at(bgr, points)
    within, beyond = _SHARES < _SURELY_THING, _SHARES > _SURELY_GROUND
    thing = _table(colours[inside & within[:, None]])
    ground = _table(colours[inside & beyond[:, None]])
    says = np.where(inside, _says(colours, thing, ground), 0.0)
    mean = says.sum(axis=1) / np.maximum(inside.sum(axis=1), 1)
    tried = np.abs(_SHARES - _TRIED_ABOUT) < _TRIED_REACH
    return _gives_way(mean, _SHARES, within, beyond, tried)


def sides_by_colour(
    bgr: ByteArray, to_px: FloatArray, corners_xy_mm: FloatArray
) -> FloatArray:
    """How far out the colours put the sides of a flat thing, in mm.

    Parameters
    ----------
    to_px
        ``(3, 3)``, mm of its plane to photo px.
    corners_xy_mm
        ``(4, 2)`` clockwise as seen.

    Returns
    -------
    ``(4, parts)``: each side in parts along it; NaN where thing and ground have the
    same colours.
    """
    return np.array(
        [
            _side_by_colour(bgr, to_px, corners_xy_mm[k], corners_xy_mm[(k + 1) % 4])
            for k in range(4)
        ]
    )


def _side_by_colour(
    bgr: ByteArray, to_px: FloatArray, start_mm: FloatArray, end_mm: FloatArray
) -> list[float]:
    """Offsets of the parts of one side."""
    run = end_mm - start_mm
    out = np.array([run[1], -run[0]]) / np.linalg.norm(run)
    along = np.linspace(_CORNER, 1 - _CORNER, _PARTS * _PLACES)
    at = (start_mm + along[:, None] * run)[:, None] + _SIDE_MM[None, :, None] * out
    points = project(to_px, at.reshape(-1, 2)).reshape(at.shape)
    colours, _ = _colours_at(bgr, points)
    within, beyond = _SIDE_MM < -_SURELY_BESIDE_MM, _SIDE_MM > _SURELY_BESIDE_MM
    tried = np.abs(_SIDE_MM) < _SIDE_TRIED_MM
    found = []
    for part in range(_PARTS):
        own = slice(part * _PLACES, (part + 1) * _PLACES)
        # its neighbours know the colours too
        near = slice(max(own.start - _PLACES, 0), own.stop + _PLACES)
        thing = _table(colours[near][:, within].reshape(-1, 3))
        ground = _table(colours[near][:, beyond].reshape(-1, 3))
        mean = _says(colours[own], thing, ground).mean(axis=0)
        found.append(_gives_way(mean, _SIDE_MM, within, beyond, tried))
    return found


def _gives_way(
    says: FloatArray,
    where: FloatArray,
    within: BoolArray,
    beyond: BoolArray,
    tried: BoolArray,
) -> float:
    """Place up to which the colours speak for the thing; NaN where they are alike."""
    high, low = float(says[within].mean()), float(says[beyond].mean())
    if high - low < _TOLD_APART:
        return float("nan")
    total = np.cumsum(says[tried] - (high + low) / 2)
    return float(where[tried][np.argmax(total)] + (where[1] - where[0]) / 2)


def _says(colours: Colours, thing: FloatArray, ground: FloatArray) -> FloatArray:
    """How much more likely the thing has those colours than the ground, in logs."""
    odds = np.log((thing + _NEVER_SEEN) / (ground + _NEVER_SEEN))
    says = odds[tuple(np.moveaxis(colours, -1, 0))]
    return np.asarray(np.clip(says, -_MOST_SAID, _MOST_SAID), dtype=np.float64)


def _colours_at(bgr: ByteArray, points_xy_px: FloatArray) -> tuple[Colours, BoolArray]:
    """Colour steps ``(…, 3)`` at points ``(N, M, 2)``; which of them are in the photo.

    Steps of brightness, red against blue, and green against both.
    """
    limit = np.array([bgr.shape[1] - 1, bgr.shape[0] - 1])
    inside = ((points_xy_px >= 0) & (points_xy_px <= limit)).all(axis=2)
    flat = points_xy_px.reshape(-1, 2)
    low = np.clip(np.floor(flat.min(axis=0)) - 4, 0, limit).astype(int)
    high = np.clip(np.ceil(flat.max(axis=0)) + 5, 1, limit + 1).astype(int)
    part = bgr[low[1] : high[1], low[0] : high[0]]
    even = np.asarray(cv2.GaussianBlur(part, (0, 0), 1.2))
    # the root makes noise even from dark to bright
    levels = np.sqrt(sample(even, points_xy_px - low) * 255.0)
    blue, green, red = np.moveaxis(levels, -1, 0)
    grey = (blue + green + red) / 3
    warm, leafy = 1.5 * (red - blue) + 128, 1.5 * (green - (blue + red) / 2) + 128
    steps = np.stack([grey, warm, leafy], axis=-1) / (256 // _STEPS)
    return np.clip(steps.astype(np.intp), 0, _STEPS - 1), np.asarray(inside)


def _table(colours: Colours) -> FloatArray:
    """Share of each colour step, neighbours counted in, ``(steps, steps, steps)``."""
    flat = np.ravel_multi_index(tuple(colours.T), (_STEPS,) * 3)
    table = np.bincount(flat, minlength=_STEPS**3).astype(np.float64)
    table = table.reshape((_STEPS,) * 3)
    for axis in range(3):
        near = np.roll(table, 1, axis) + np.roll(table, -1, axis)
        table = (2 * table + near) / 4
    return np.asarray(table / max(table.sum(), 1.0), dtype=np.float64)
