"""Look for a rectangle of known proportions in a reduced copy of the photo."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from weldsection.records import BoolArray, ByteArray, FloatArray
from weldsection.scale.profiles import FloatImage, reduced, sample, to_photo_px
from weldsection.scale.rounds import colour_slopes

_LINES = 44
_ANGLE_BINS = 180
# along a side, the share of points where an edge must be seen to be considered
_LEAST_SIDE = 0.45
_LEAST_MEAN = 0.7
_SAMPLES = 48
_KEPT = 7  # rectangles looked at more closely


@dataclass(frozen=True, slots=True)
class Look:
    """How a photo is made smaller before lines are looked for."""

    long_side_px: int
    grain_px: int = 0
    """Texture up to half as wide is taken out, an odd number; 0 leaves it."""


@dataclass(frozen=True, slots=True)
class Quad:
    """Four corners around in photo px, and how much of its sides is seen."""

    corners_xy_px: FloatArray
    """``(4, 2)``; first side is a long one, inside on the right hand."""
    seen_share: float


def find_quads(
    bgr: ByteArray,
    proportion: float,
    lengths_px: tuple[float, float],
    look: Look,
    possible: Callable[[FloatArray], BoolArray],
) -> tuple[Quad, ...]:
    """Find rectangles seen at moderate tilt, the clearest first.

    Parameters
    ----------
    proportion
        Long side over short side.
    lengths_px
        Smallest and largest long side considered, in photo px.
    look
        How the photo is reduced and smoothed.
    possible
        Which of some corners ``(Q, 4, 2)`` in photo px a camera can see that way.
    """
    small, factor = reduced(bgr, look.long_side_px)
    if look.grain_px:
        small = np.asarray(cv2.medianBlur(small, look.grain_px))
    small = np.asarray(cv2.GaussianBlur(small, (0, 0), 0.8))
    slope_x, slope_y = colour_slopes(small)
    lines = _strong_lines(slope_x, slope_y)
    corners = _rectangles(lines, small.shape[:2], proportion)
    sides = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
    long = (sides[:, 0] + sides[:, 2]) / 2
    likely = (long > lengths_px[0] / factor) & (long < lengths_px[1] / factor)
    corners = corners[likely]
    corners = corners[possible(to_photo_px(corners, factor))]
    if not len(corners):
        return ()
    return _best(corners, _side_shares(slope_x, slope_y, corners), factor)


def _strong_lines(slope_x: FloatImage, slope_y: FloatImage) -> FloatArray:
    """Lines ``x cos a + y sin a = d`` that many edge points lie on: ``(L, 2)``."""
    strength = np.hypot(slope_x, slope_y)
    local = cv2.blur(strength, (41, 41))
    edge = (strength > 1.3 * local) & (strength > 1.2)
    rows, columns = np.nonzero(edge)
    angle = np.arctan2(slope_y[rows, columns], slope_x[rows, columns]) % np.pi
    # every point counts about alike: long faint sides matter as bright ones do
    worth = np.minimum(strength[rows, columns] / local[rows, columns], 4.0)
    diagonal = math.hypot(*strength.shape)
    votes = np.zeros((_ANGLE_BINS, int(diagonal) + 2), np.float32)
    for shift in (-1, 0, 1):
        a_bin = (
            np.round(angle / np.pi * _ANGLE_BINS).astype(int) + shift
        ) % _ANGLE_BINS
        a = a_bin * np.pi / _ANGLE_BINS
        d = columns * np.cos(a) + rows * np.sin(a)
        flat = a_bin * votes.shape[1] + np.round((d + diagonal) / 2).astype(int)
        votes += np.bincount(flat, worth, votes.size).reshape(votes.shape)
    smooth = np.asarray(cv2.GaussianBlur(votes, (0, 0), 0.8), np.float32)
    return _peaks(smooth, diagonal)


def _peaks(votes: FloatImage, diagonal: float) -> FloatArray:
    lines = []
    for _ in range(_LINES):
        row, column = np.unravel_index(int(np.argmax(votes)), votes.shape)
        if votes[row, column] < 25:
            break
        lines.append((row * np.pi / _ANGLE_BINS, 2.0 * column - diagonal))
        for turn in range(row - 3, row + 4):
            span = slice(max(column - 4, 0), column + 5)
            if 0 <= turn < _ANGLE_BINS:
                votes[turn, span] = 0
            else:
                mirrored = votes.shape[1] - 1 - column
                span = slice(max(mirrored - 4, 0), mirrored + 5)
                votes[turn % _ANGLE_BINS, span] = 0
    return np.array(lines, dtype=np.float64).reshape(-1, 2)


def _rectangles(
    lines: FloatArray, shape: tuple[int, ...], proportion: float
) -> FloatArray:
    """Corners ``(Q, 4, 2)`` of all quadrangles that may be the rectangle."""
    pairs = _parallel_pairs(lines)
    if len(pairs) < 2:
        return np.zeros((0, 4, 2))
    first, second = (i.ravel() for i in np.meshgrid(*[np.arange(len(pairs))] * 2))
    turn = _mean_angle(lines, pairs[first]) - _mean_angle(lines, pairs[second])
    # sides as photographed meet within 25° of square
    square = np.abs(np.abs((turn + np.pi / 2) % np.pi - np.pi / 2)) > math.radians(65)
    a, b = pairs[first[square]], pairs[second[square]]
    corners = np.stack(
        [
            _crossing(lines[a[:, 0]], lines[b[:, 0]]),
            _crossing(lines[a[:, 0]], lines[b[:, 1]]),
            _crossing(lines[a[:, 1]], lines[b[:, 1]]),
            _crossing(lines[a[:, 1]], lines[b[:, 0]]),
        ],
        axis=1,
    )
    return _plausible(corners, shape, proportion)


def _plausible(
    corners: FloatArray, shape: tuple[int, ...], proportion: float
) -> FloatArray:
    rows, columns = shape[:2]
    inside = (
        (corners > -0.02 * columns) & (corners < np.array([columns, rows]) * 1.02)
    ).all(axis=(1, 2))
    sides = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
    long, short = (sides[:, 0] + sides[:, 2]) / 2, (sides[:, 1] + sides[:, 3]) / 2
    ratio = long / np.maximum(short, 1.0) / proportion
    even = np.maximum(
        np.abs(np.log(np.maximum(sides[:, 0], 1) / np.maximum(sides[:, 2], 1))),
        np.abs(np.log(np.maximum(sides[:, 1], 1) / np.maximum(sides[:, 3], 1))),
    )
    likely = inside & (short > 25) & (ratio > 0.78) & (ratio < 1.28) & (even < 0.35)
    return np.asarray(corners[likely], dtype=np.float64)


def _parallel_pairs(lines: FloatArray) -> npt.NDArray[np.intp]:
    i, j = np.triu_indices(len(lines), 1)
    turn = np.abs((lines[i, 0] - lines[j, 0] + np.pi / 2) % np.pi - np.pi / 2)
    near = turn < math.radians(16)
    return np.stack([i[near], j[near]], axis=1)


def _mean_angle(lines: FloatArray, pairs: npt.NDArray[np.intp]) -> FloatArray:
    doubled = np.exp(2j * lines[pairs, 0]).sum(axis=1)
    return np.asarray(np.angle(doubled) / 2, dtype=np.float64)


def _crossing(first: FloatArray, second: FloatArray) -> FloatArray:
    """Where lines (angle, distance) meet, ``(N, 2)``."""
    (a, d), (b, e) = first.T, second.T
    sine = np.sin(b - a)
    sine = np.where(np.abs(sine) < 1e-6, 1e-6, sine)
    x = (d * np.sin(b) - e * np.sin(a)) / sine
    y = (e * np.cos(a) - d * np.cos(b)) / sine
    return np.column_stack([x, y])


# ------------------------------------------------------------------- support


def _side_shares(
    slope_x: FloatImage, slope_y: FloatImage, corners: FloatArray
) -> FloatArray:
    """Share of each side along which an edge runs as the side does: ``(Q, 4)``."""
    strength = np.hypot(slope_x, slope_y)
    level = np.maximum(1.3 * cv2.blur(strength, (41, 41)), 1.2)
    field = np.dstack([slope_x, slope_y, level]).astype(np.float32)
    ends = np.roll(corners, -1, axis=1)
    # the rounded corners take 4 % of the long and 6 % of the short side
    along = np.linspace(0.07, 0.93, _SAMPLES)
    run = ends - corners
    normal = np.stack([run[..., 1], -run[..., 0]], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    points = corners[:, :, None] + along[None, None, :, None] * run[:, :, None]
    seen = np.zeros(points.shape[:3], bool)
    for shift in (-2.0, -1.0, 0.0, 1.0, 2.0):
        where = points + shift * normal[:, :, None]
        here = sample(field, where.reshape(len(points), -1, 2)).reshape(*seen.shape, 3)
        across = np.abs(np.einsum("qsnc,qsc->qsn", here[..., :2], normal))
        size = np.linalg.norm(here[..., :2], axis=-1)
        # the edge runs within 18° of the side
        seen |= (across > here[..., 2]) & (across > 0.95 * size)
    return np.asarray(seen.mean(axis=2), dtype=np.float64)


def _best(corners: FloatArray, shares: FloatArray, factor: float) -> tuple[Quad, ...]:
    mean = shares.mean(axis=1)
    good = (shares.min(axis=1) > _LEAST_SIDE) & (mean > _LEAST_MEAN)
    ranked = np.flatnonzero(good)[np.argsort(-mean[good])]
    kept: list[Quad] = []
    for index in ranked:
        photo_corners = to_photo_px(corners[index], factor)
        if not any(_same(photo_corners, quad, 12 * factor) for quad in kept):
            kept.append(Quad(_clockwise(photo_corners), float(mean[index])))
        if len(kept) == _KEPT:
            break
    return tuple(kept)


def _same(corners_xy_px: FloatArray, quad: Quad, near_px: float) -> bool:
    """Whether corners are those of a rectangle kept, and not of a frame around it."""
    apart = corners_xy_px.mean(axis=0) - quad.corners_xy_px.mean(axis=0)
    larger = _area(corners_xy_px) / _area(quad.corners_xy_px)
    return bool(np.abs(apart).max() < near_px and 0.96 < larger < 1.04)


def _area(corners_xy: FloatArray) -> float:
    ahead = np.roll(corners_xy, -1, axis=0)
    cross = corners_xy[:, 0] * ahead[:, 1] - corners_xy[:, 1] * ahead[:, 0]
    return abs(float(cross.sum())) / 2


def _clockwise(corners_xy: FloatArray) -> FloatArray:
    """Order so that the inside is on the right hand of each side, long one first."""
    ahead = np.roll(corners_xy, -1, axis=0)
    area = float(
        (corners_xy[:, 0] * ahead[:, 1] - corners_xy[:, 1] * ahead[:, 0]).sum()
    )
    return corners_xy if area > 0 else corners_xy[[1, 0, 3, 2]]
