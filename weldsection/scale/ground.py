"""How far out a round thing reaches, as its colours and the ground's tell.

A coin's raised rim, its letters and its bevel are round edges too, and on mottled
ground they stand out more than the outline. But they have a coin's colours on both
sides, and the outline has the ground's on one.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from weldsection.records import ByteArray, FloatArray
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


def reach_by_colour(bgr: ByteArray, seen: Ellipse) -> float:
    """Radius at which the thing's colours give way to the ground's, over `seen`'s.

    NaN where the two have the same colours. To a hundredth; a shadow or a wall, whose
    colours are neither's, may lie on either side.
    """
    colours, inside = _rings(bgr, seen)
    thing = _table(colours[inside & (_SHARES < _SURELY_THING)[:, None]])
    ground = _table(colours[inside & (_SHARES > _SURELY_GROUND)[:, None]])
    says = np.log((thing + _NEVER_SEEN) / (ground + _NEVER_SEEN))[tuple(colours.T)].T
    says = np.where(inside, np.clip(says, -_MOST_SAID, _MOST_SAID), 0.0)
    mean = says.sum(axis=1) / np.maximum(inside.sum(axis=1), 1)
    within = mean[_SHARES < _SURELY_THING].mean()
    beyond = mean[_SHARES > _SURELY_GROUND].mean()
    if within - beyond < _TOLD_APART:
        return float("nan")
    tried = np.abs(_SHARES - _TRIED_ABOUT) < _TRIED_REACH
    # all that lies within the edge speaks for the thing
    total = np.cumsum(mean[tried] - (within + beyond) / 2)
    return float(_SHARES[tried][np.argmax(total)] + np.diff(_SHARES)[0] / 2)


def _rings(
    bgr: ByteArray, seen: Ellipse
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.bool_]]:
    """Colour steps on rings about the middle, and which of them are in the photo."""
    centre = seen.centre_xy_px
    away = seen.points_xy_px(_RAYS) - centre
    points = centre + _SHARES[:, None, None] * away
    limit = np.array([bgr.shape[1] - 1, bgr.shape[0] - 1])
    inside = ((points >= 0) & (points <= limit)).all(axis=2)
    low = np.clip(np.floor(points.min(axis=(0, 1))) - 4, 0, limit).astype(int)
    high = np.clip(np.ceil(points.max(axis=(0, 1))) + 5, 0, limit + 1).astype(int)
    part = bgr[low[1] : high[1], low[0] : high[0]]
    even = np.asarray(cv2.GaussianBlur(part, (0, 0), 1.2))
    # the root makes noise even from dark to bright
    blue, green, red = np.moveaxis(np.sqrt(sample(even, points - low) * 255.0), -1, 0)
    grey = (blue + green + red) / 3
    warm, leafy = 1.5 * (red - blue) + 128, 1.5 * (green - (blue + red) / 2) + 128
    steps = np.stack([grey, warm, leafy], axis=-1) / (256 // _STEPS)
    return np.clip(steps.astype(np.intp), 0, _STEPS - 1), np.asarray(inside)


def _table(colours: npt.NDArray[np.intp]) -> FloatArray:
    """Share of each colour step, neighbours counted in, ``(steps, steps, steps)``."""
    flat = np.ravel_multi_index(tuple(colours.T), (_STEPS,) * 3)
    table = np.bincount(flat, minlength=_STEPS**3).astype(np.float64)
    table = table.reshape((_STEPS,) * 3)
    for axis in range(3):
        near = np.roll(table, 1, axis) + np.roll(table, -1, axis)
        table = (2 * table + near) / 4
    return np.asarray(table / max(table.sum(), 1.0), dtype=np.float64)
