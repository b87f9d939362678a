"""What a bank card (ISO/IEC 7810 ID-1) looks like: proportions, corners, colours."""

from __future__ import annotations

import numpy as np

from weldsection.records import ByteArray, FloatArray
from weldsection.scale.ground import sides_by_colour
from weldsection.scale.plane import homographies_from
from weldsection.scale.profiles import sample
from weldsection.scale.tilt import Camera, project_all

# ISO/IEC 7810, size ID-1
LONG_MM, SHORT_MM = 85.60, 53.98
RADIUS_MM = 3.18  # within the standard's 2.88 to 3.48 mm
# sides that colours put so far off as a whole or in part, in mm, are in doubt (drawn
# cards read rightly: 98 % within)
_SIDE_OFF_MM = 0.55
_PART_OFF_MM = 0.8
# least share of the sides on which colours differ: drawn cards reach 0.75, what lay
# between lines of brick, bars and keys 0.3
_LEAST_TOLD = 0.5
# grey levels between card and ground: a card of nearly the bench's own colour
_LEAST_CONTRAST = 3.0
# and, for a side, beside the usual one of the four
_LEAST_SIDE = 0.15


def card_corners_mm() -> FloatArray:
    """Corners where the card's sides would meet without the rounding."""
    return np.array([[0, 0], [LONG_MM, 0], [LONG_MM, SHORT_MM], [0, SHORT_MM]])


def stands_out(bgr: ByteArray, to_mm: FloatArray) -> bool:
    """Whether inside and outside have other colours on most of the sides.

    Joints of a brick wall, bars of a code and keys of a keyboard are lines too, but
    what lies within four of them is what lies beyond.
    """
    off = sides_by_colour(bgr, np.linalg.inv(to_mm), card_corners_mm())
    return bool(np.isfinite(off).mean() >= _LEAST_TOLD)


def contradicted(bgr: ByteArray, to_mm: FloatArray) -> bool:
    """Whether colours put a side, or a part of one, clearly elsewhere than edges do.

    Lines of graph paper beside a side may be taken for it, and turn it.
    """
    off = np.abs(sides_by_colour(bgr, np.linalg.inv(to_mm), card_corners_mm()))
    told = np.isfinite(off).sum(axis=1) >= off.shape[1] / 2
    sides = np.nanmedian(off[told], axis=1)
    return bool((off > _PART_OFF_MM).any() or (sides > _SIDE_OFF_MM).any())


def off_view(corners_xy_px: FloatArray, camera: Camera) -> FloatArray:
    """How far quadrangles ``(Q, 4, 2)`` are from what a pinhole camera can see.

    The logarithm of the two sides' scales and the cosine between them, joined; the
    focal length may be off by a third where it is not known.
    """
    x, y = camera.axis_xy_px
    to_px = np.linalg.inv(homographies_from(corners_xy_px, card_corners_mm()))
    best = np.full(len(corners_xy_px), np.inf)
    known = camera.focal_relative_u < 0.1
    for stretch in (1.0,) if known else np.geomspace(0.75, 1.33, 9):
        f = camera.focal_px * stretch
        to_ray = np.array([[1 / f, 0, -x / f], [0, 1 / f, -y / f], [0, 0, 1.0]])
        ways = (to_ray @ to_px)[:, :, :2]
        size = np.linalg.norm(ways, axis=1)
        skew = (ways[..., 0] * ways[..., 1]).sum(axis=1) / size.prod(axis=1)
        best = np.minimum(best, np.hypot(np.log(size[:, 0] / size[:, 1]), skew))
    return best


def differs_from_ground(bgr: ByteArray, to_mm: FloatArray) -> bool:
    """Whether the colour changes across the sides: printed lines have one ground."""
    corners = card_corners_mm()
    along = np.linspace(0.1, 0.9, 80)[:, None]
    contrasts = []
    for k in range(4):
        start, end = corners[k], corners[(k + 1) % 4]
        line = start + along * (end - start)
        out = _unit(line.mean(axis=0) - corners.mean(axis=0))
        for part in np.split(line, 4):
            # a joint or a printed line may be a millimetre wide: look beyond it
            inner, *beyond = (
                np.median(_colours(bgr, to_mm, part + far_mm * out), axis=0)
                for far_mm in (-1.0, 1.0, 3.0)
            )
            contrasts.append(float(_apart(np.array(beyond), inner).min()))
    sides = np.median(np.reshape(contrasts, (4, 4)), axis=1)
    # a line of the ground with ground on both sides of it may pass for a side
    alike = sides.min() > _LEAST_SIDE * np.median(sides)
    # a picture may have the ground's colour here and there
    differ = sum(apart > _LEAST_CONTRAST for apart in contrasts)
    return bool(alike and differ >= 14)


def rounded_corners(bgr: ByteArray, to_mm: FloatArray) -> bool:
    """Whether the corners are cut by arcs of the standard's radius.

    Beyond the arc there is ground; close inside it there is card, unless it is worn.
    """
    turn = np.radians(np.linspace(25, 65, 24))
    cut, filled = 0, 0
    for corner, inward in zip(
        card_corners_mm(), np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]]), strict=True
    ):
        middle = corner + RADIUS_MM * inward
        out = -inward * np.column_stack([np.cos(turn), np.sin(turn)])
        # the tip of a square corner lies 1.3 mm beyond the arc
        deep, close, tip, ground = (
            _colours(bgr, to_mm, middle + (RADIUS_MM + far_mm) * out)
            for far_mm in (-1.6, -0.8, 0.55, 2.2)
        )
        own, beyond = np.median(deep, axis=0), np.median(ground, axis=0)
        # on speckled ground no two places need be alike, but all differ from the card
        usual = _spread(deep, own) + _LEAST_CONTRAST / 2
        cut += _nearer(tip, beyond, own) or _spread(tip, own) > 4 * usual
        # a printed frame has a margin of another colour around it, nor is it ground
        margin = 4 * (_spread(ground, beyond) + _LEAST_CONTRAST / 2)
        filled += (
            _nearer(close, own, beyond)
            or _spread(close, own) < usual
            or _spread(close, beyond) > margin
        )
    # one corner may be covered, and two be worn
    return cut >= 3 and filled >= 2


def _colours(bgr: ByteArray, to_mm: FloatArray, points_xy_mm: FloatArray) -> FloatArray:
    """Colours at points of the card's plane, ``(N, 3)``."""
    at = project_all(np.linalg.inv(to_mm)[None], points_xy_mm)[0]
    return np.asarray(sample(bgr, at[:, None])[:, 0], np.float64)


def _apart(colours: FloatArray, other: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.norm(colours - other, axis=-1), dtype=np.float64)


def _nearer(colours: FloatArray, to: FloatArray, than: FloatArray) -> bool:
    """Whether most colours lie nearer to one than to another that differs from it."""
    nearer = _apart(colours, to) < _apart(colours, than)
    return bool(_apart(to, than) > _LEAST_CONTRAST / 2 and np.mean(nearer) > 0.5)


def _spread(colours: FloatArray, about: FloatArray) -> float:
    """Usual distance of colours from one."""
    return float(np.median(_apart(colours, about)))


def _unit(way: FloatArray) -> FloatArray:
    return np.asarray(way / np.linalg.norm(way), dtype=np.float64)
