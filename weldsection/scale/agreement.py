"""Which of several edges beside an expected outline is the outline itself.

A coin's rim or a card's side shows several edges: bevel, gleam, print, the
outline and the shadow beyond it. Every sharp edge on every profile across the
expected outline is a candidate; the outline is the outermost smooth curve that
enough profiles agree on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from weldsection.records import ByteArray, FloatArray
from weldsection.scale.profiles import FloatImage, gaussian_slope, linear_light, sample

_PEAKS = 5  # candidate edges on one profile
_TRIALS = 2400  # with a third of the edges right, five of them make ten hits
# a curve further out wins if it is supported this well beside the best one
_OUTER_SUPPORT = 0.7
# profiles averaged along the outline, against texture
_AVERAGED = 5


@dataclass(frozen=True, slots=True)
class Outline:
    """An expected outline: points, outward normals and how it may be off.

    The true outline lies at ``design @ shape`` along the normals.
    """

    at_xy_px: FloatArray
    """``(N, 2)`` in order along the outline."""
    normal_xy: FloatArray
    """``(N, 2)`` unit vectors pointing outwards."""
    design: FloatArray
    """``(N, K)``."""
    closed: bool

    def moved_xy_px(self, offset_px: FloatArray) -> FloatArray:
        """Points moved along the normals, ``(N, 2)``."""
        return np.asarray(self.at_xy_px + offset_px[:, None] * self.normal_xy)


@dataclass(frozen=True, slots=True)
class _Edges:
    """Candidate edges on each profile and how steep they are."""

    offset_px: FloatArray
    """``(N, peaks)``, NaN where a profile has fewer."""
    weight: FloatArray
    """``(N, peaks)`` between 0 and 1, beside the profile's steepest."""
    tolerance_px: float


def agreed_offsets(bgr: ByteArray, outline: Outline, reach_px: float) -> FloatArray:
    """Offsets ``(N,)`` of the outermost curve that enough profiles agree on."""
    edges = _candidates(bgr, outline, reach_px)
    trials = _trial_shapes(edges, outline)
    if not len(trials):
        return np.zeros(len(outline.at_xy_px))
    rough = _support(trials, edges, outline.design, 2 * edges.tolerance_px)
    promising = _best_of_each_size(trials, rough, edges.tolerance_px)
    shapes = np.array([_pulled_in(s, edges, outline.design) for s in promising])
    support = _support(shapes, edges, outline.design, edges.tolerance_px)
    good = support >= _OUTER_SUPPORT * support.max()
    # an edge within two steps is the same one: take the better supported
    outer = good & (shapes[:, 0] >= shapes[good, 0].max() - 2 * edges.tolerance_px)
    choice = shapes[int(np.argmax(np.where(outer, support, -1.0)))]
    return np.asarray(outline.design @ choice, dtype=np.float64)


def nearest_edges(bgr: ByteArray, outline: Outline, gate_px: float) -> FloatArray:
    """Offset ``(N,)`` of the edge nearest to the outline; NaN where too faint."""
    step = 0.25
    slope, offsets = _slope_across(bgr, outline, 2 * gate_px, step)
    likely = slope * np.exp(-0.5 * (offsets / gate_px) ** 2)
    best = np.clip(np.argmax(likely, axis=1), 1, slope.shape[1] - 2)
    rows = np.arange(len(slope))
    before, top, after = (slope[rows, best + k] for k in (-1, 0, 1))
    bend = np.minimum(before - 2 * top + after, -1e-9)
    offset = offsets[best] + step * np.clip(0.5 * (before - after) / bend, -1, 1)
    faint = top < 1.5 * np.median(slope)
    return np.asarray(np.where(faint, np.nan, offset), dtype=np.float64)


def _candidates(bgr: ByteArray, outline: Outline, half_px: float) -> _Edges:
    step = max(half_px / 48, 0.5)
    slope, offsets = _slope_across(bgr, outline, half_px, step)
    padded = np.pad(slope, ((0, 0), (1, 1)))
    peak = (slope >= padded[:, :-2]) & (slope > padded[:, 2:])
    # 0.004 of full light per px: below it lies the noise of a dim photo
    floor = np.maximum(2.0 * np.median(slope, axis=1, keepdims=True), 0.004)
    height = np.where(peak & (slope > floor), slope, 0.0)
    order = np.argsort(-height, axis=1)[:, :_PEAKS]
    tall = np.take_along_axis(height, order, axis=1)
    offset = np.where(tall > 0, offsets[order], np.nan)
    weight = np.sqrt(tall / np.maximum(tall[:, :1], 1e-9))
    return _Edges(offset, weight, max(1.5 * step, 0.036 * half_px))


def _slope_across(
    bgr: ByteArray, outline: Outline, half_px: float, step: float
) -> tuple[FloatImage, FloatArray]:
    """Steepness of the light on profiles, ``(N, offsets)`` per px."""
    offsets = np.arange(-half_px, half_px + step / 2, step)
    where = (
        outline.at_xy_px[:, None] + offsets[None, :, None] * outline.normal_xy[:, None]
    )
    light = linear_light(sample(bgr, where))
    side = _AVERAGED // 2
    if outline.closed:
        padded = np.concatenate([light[-side:], light, light[:side]])
    else:
        padded = np.pad(light, ((side, side), (0, 0), (0, 0)), mode="edge")
    count = len(light)
    mean = sum(padded[k : k + count] for k in range(_AVERAGED)) / _AVERAGED
    sigma = max(1.0 / step, 0.8)
    channels = [gaussian_slope(mean[..., c], sigma) / step for c in range(3)]
    return np.sqrt(np.sum(np.square(channels), axis=0)), offsets


def _trial_shapes(edges: _Edges, outline: Outline) -> FloatArray:
    """Shapes through as many candidate edges as they have numbers: ``(T, K)``."""
    chance = np.random.default_rng(7)
    count, order = outline.design.shape
    sector = count // order
    rows = chance.integers(0, sector, (_TRIALS, order)) + sector * np.arange(order)
    if outline.closed:
        rows = (rows + chance.integers(0, count, (_TRIALS, 1))) % count
    found = np.isfinite(edges.offset_px).sum(axis=1)
    peaks = (chance.random((_TRIALS, order)) * found[rows]).astype(int)
    design = outline.design[rows]
    whole = (found[rows] > 0).all(axis=1) & (np.abs(np.linalg.det(design)) > 1e-2)
    offset = edges.offset_px[rows, peaks][whole]
    return np.linalg.solve(design[whole], offset[..., None])[..., 0]


def _support(
    shapes: FloatArray, edges: _Edges, design: FloatArray, tolerance_px: float
) -> FloatArray:
    """Share of the profiles, by weight, that have an edge on each shape."""
    some = slice(None, None, 3)
    expected = shapes @ design[some].T
    best = np.zeros_like(expected)
    for k in range(_PEAKS):
        away = np.abs(expected - edges.offset_px[some, k])
        near = edges.weight[some, k] * (1 - np.minimum(away / tolerance_px, 1))
        best = np.fmax(best, near)
    return np.asarray(best.mean(axis=1), dtype=np.float64)


def _best_of_each_size(
    shapes: FloatArray, support: FloatArray, step_px: float
) -> FloatArray:
    """The two best supported shapes for each step of the mean offset."""
    size = np.round(shapes[:, 0] / step_px).astype(int)
    order = np.lexsort((-support, size))
    first = np.flatnonzero(np.diff(size[order], prepend=size[order][0] - 1))
    second = np.minimum(first + 1, len(order) - 1)
    return shapes[order[np.concatenate([first, second])]]


def _pulled_in(shape: FloatArray, edges: _Edges, design: FloatArray) -> FloatArray:
    """Refit a shape to the edges that lie on it."""
    for widen in (2.5, 1.5, 1.0):
        away = edges.offset_px - (design @ shape)[:, None]
        away = np.where(np.isnan(away), np.inf, away)
        nearest = np.argmin(np.abs(away), axis=1)[:, None]
        off = np.take_along_axis(away, nearest, axis=1)[:, 0]
        worth = np.take_along_axis(edges.weight, nearest, axis=1)[:, 0]
        on = np.abs(off) < widen * edges.tolerance_px
        if on.sum() < 4 * design.shape[1]:
            return shape
        weighted = design[on] * worth[on][:, None]
        normal = weighted.T @ design[on] + 1e-6 * np.eye(design.shape[1])
        shape = shape + np.linalg.solve(normal, weighted.T @ off[on])
    return shape
