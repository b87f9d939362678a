"""Which of several edges beside an expected outline is the outline itself.

A coin's rim or a card's side shows several edges: bevel, gleam, print, the
outline and the shadow beyond it. Every sharp edge on every profile across the
expected outline is a candidate; the outline is the outermost smooth curve that
enough profiles agree on.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from weldsection.records import ByteArray, FloatArray
from weldsection.scale.profiles import FloatImage, gaussian_slope, linear_light, sample

_PEAKS = 5  # candidate edges on one profile
_TRIALS = 2400  # with a third of the edges right, five of them make ten hits
# a curve further out wins if it is supported this well beside the best one
_OUTER_SUPPORT = 0.6
# how far out other curves are looked for, in tolerances: a coin's raised rim is up to
# a tenth of its radius wide, a printed frame may be no part of a card's side
_STEPS_OUT = np.arange(3, 28)
_STEPS_OUT_OF_SIDES = 11
# slope in grey levels per px below which lies the noise of a photo
_FAINTEST = 1.0
_STEP_PX = 0.25  # between the samples of a profile in the last reading


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
    known_sd_px: tuple[float, ...] = ()
    """For the last columns of the design: how far their numbers may be from 0."""

    averaged: int = 5
    """Neighbouring profiles averaged against texture, an odd number."""
    step_px: float = 0.0
    """Where not 0, an edge counts in full only if the colours differ so far to both
    sides: a printed line is no edge of a card."""

    @property
    def free(self) -> int:
        """How many numbers of a shape are not known beforehand."""
        return int(self.design.shape[1]) - len(self.known_sd_px)

    def moved_xy_px(self, offset_px: FloatArray) -> FloatArray:
        """Points moved along the normals, ``(N, 2)``."""
        return np.asarray(self.at_xy_px + offset_px[:, None] * self.normal_xy)


@dataclass(frozen=True, slots=True)
class _Edges:
    """Candidate edges on each profile and how steep they are."""

    offset_px: FloatArray
    """``(N, peaks)``, NaN where a profile has fewer."""
    weight: FloatArray
    """``(N, peaks)`` between 0 and 1: how sure it is that there is an edge."""
    tolerance_px: float


def agreed_offsets(bgr: ByteArray, outline: Outline, reach_px: float) -> FloatArray:
    """Offsets ``(N,)`` of the outermost curve that enough profiles agree on."""
    edges = _candidates(bgr, outline, reach_px)
    trials = _trial_shapes(edges, outline)
    if not len(trials):
        return np.zeros(len(outline.at_xy_px))
    rough = _support(trials, edges, outline.design, 2 * edges.tolerance_px)
    promising = _best_of_each_size(trials, rough, edges.tolerance_px)
    shapes = np.array([_pulled_in(s, edges, outline) for s in promising])
    support = _support(shapes, edges, outline.design, edges.tolerance_px)
    best = shapes[int(np.argmax(support))]
    chosen = _outermost(bgr, outline, edges, best)
    return np.asarray(outline.design @ chosen, dtype=np.float64)


def other_offsets(
    bgr: ByteArray, outline: Outline, reach_px: float, least: float
) -> tuple[FloatArray, ...]:
    """Offsets ``(N,)`` of curves further in and out that compete with the outline.

    At most one of each, the best supported; `least` is the smallest support beside
    that of the outline itself.
    """
    edges = _candidates(bgr, outline, reach_px)
    starts = np.arange(-reach_px, reach_px, edges.tolerance_px)
    ahead = np.eye(outline.design.shape[1])[0]
    shapes = np.array([_pulled_in(d * ahead, edges, outline) for d in starts])
    support = _support(shapes, edges, outline.design, edges.tolerance_px)
    offset = shapes @ outline.design.T
    near = np.abs(offset).max(axis=1) < 2 * edges.tolerance_px
    own = float(support[near].max(initial=0.0))
    found = []
    for beyond in (
        offset.max(axis=1) < -edges.tolerance_px,
        offset.min(axis=1) > edges.tolerance_px,
    ):
        rival = beyond & ~near & (support > least * own)
        if rival.any():
            found.append(offset[int(np.argmax(np.where(rival, support, 0.0)))])
    return tuple(found)


def _outermost(
    bgr: ByteArray, outline: Outline, edges: _Edges, best: FloatArray
) -> FloatArray:
    """Step from the best supported shape to others that lie wholly outside it.

    A bevel lies wholly inside the rim. A curve that crosses the best one or
    touches it follows another edge on one side only, such as a shadow or the
    wall of a thick coin, and is no better for lying further out.
    """
    design, apart_px = outline.design, 2 * edges.tolerance_px
    step = np.zeros(len(best))
    step[0] = edges.tolerance_px
    least = _OUTER_SUPPORT * _support(best[None], edges, design, edges.tolerance_px)[0]
    steps = _STEPS_OUT if outline.closed else _STEPS_OUT[:_STEPS_OUT_OF_SIDES]
    chosen = best
    while True:
        further = np.array(
            [_pulled_in(chosen + k * step, edges, outline) for k in steps]
        )
        support = _support(further, edges, design, edges.tolerance_px)
        gap = (further - chosen) @ design.T
        beyond = (support >= least) & (gap.min(axis=1) > apart_px)
        order = np.flatnonzero(beyond)[np.argsort(-support[beyond])]
        outer = next(
            (k for k in order if _bordered(bgr, outline, chosen, further[k])), -1
        )
        if outer < 0:
            return chosen
        chosen = further[outer]


def _bordered(
    bgr: ByteArray, outline: Outline, inner: FloatArray, outer: FloatArray
) -> bool:
    """Whether what lies between two curves differs from the ground beyond both.

    Between a bevel and the rim there is metal; between the rim and a line of the
    ground's texture there is ground.
    """
    near, far = outline.design @ inner, outline.design @ outer
    width = np.maximum(far - near, 2.0)
    inside, strip, ground = (
        sample(bgr, outline.moved_xy_px(offset)[:, None])[:, 0].astype(np.float64)
        for offset in (near - width, (near + far) / 2, far + width)
    )
    to_ground = np.median(np.linalg.norm(strip - ground, axis=1))
    to_inside = np.median(np.linalg.norm(strip - inside, axis=1))
    return bool(to_ground > 0.5 * to_inside)


def nearest_edges(bgr: ByteArray, outline: Outline, gate_px: float) -> FloatArray:
    """Offset ``(N,)`` of the edge nearest to the outline; NaN where too faint."""
    # wide enough that a blurred edge does not fill it
    half_px = max(2 * gate_px, 8.0)
    grey, offsets = _slope_across(bgr, outline, half_px, _STEP_PX, light=False)
    seen = _nearest_peak(grey, offsets, gate_px)
    blur_px = _width_px(grey, seen)
    if 3 * blur_px > half_px:
        half_px = min(3 * blur_px, 4 * half_px)
        grey, offsets = _slope_across(bgr, outline, half_px, _STEP_PX, light=False)
        seen = _nearest_peak(grey, offsets, max(gate_px, 0.5 * blur_px))
    light, _ = _slope_across(bgr, outline, half_px, _STEP_PX, light=True)
    faint = (seen < 0) | (
        grey[np.arange(len(grey)), seen]
        < np.maximum(1.15 * _background(grey), _FAINTEST)
    )
    # in light a bright thing's blurred edge lies up to 0.8 widths further in
    best = _uphill(light, seen, max(0.5 * gate_px, 1.0, 0.8 * blur_px))
    before, top, after = (light[np.arange(len(light)), best + k] for k in (-1, 0, 1))
    bend = np.minimum(before - 2 * top + after, -1e-9)
    part = np.clip(0.5 * (before - after) / bend, -1, 1)
    return np.asarray(
        np.where(faint, np.nan, offsets[best] + _STEP_PX * part), dtype=np.float64
    )


def edge_width_px(bgr: ByteArray, outline: Outline, gate_px: float) -> float:
    """Usual standard width of the edges nearest to the outline, as they are read."""
    half_px = max(4 * gate_px, 16.0)
    grey, offsets = _slope_across(bgr, outline, half_px, _STEP_PX, light=False)
    return _width_px(grey, _nearest_peak(grey, offsets, gate_px))


def _nearest_peak(
    slope: FloatImage, offsets: FloatArray, gate_px: float
) -> npt.NDArray[np.intp]:
    """Index of the peak that is high and near on each profile; -1 where none is.

    Only peaks count: the flank of a bevel close by is no edge.
    """
    padded = np.pad(slope, ((0, 0), (1, 1)))
    peak = (slope >= padded[:, :-2]) & (slope > padded[:, 2:])
    worth = np.where(peak, slope * np.exp(-0.5 * (offsets / gate_px) ** 2), 0.0)
    worth[:, np.abs(offsets) > 3 * gate_px] = 0.0
    index = np.argmax(worth, axis=1)
    return np.where(worth.max(axis=1) > 0, index, -1)


def _width_px(slope: FloatImage, seen: npt.NDArray[np.intp]) -> float:
    """Usual standard width of the edges seen, from how their peaks are bent."""
    reach = 2
    rows = np.flatnonzero((seen >= reach) & (seen < slope.shape[1] - reach))
    if not len(rows):
        return 0.0
    at = seen[rows]
    top = slope[rows, at]
    bend = slope[rows, at - reach] - 2 * top + slope[rows, at + reach]
    # a Gaussian's peak of height h is bent by -h / width²
    square = top / np.maximum(-bend, 1e-6) * (reach * _STEP_PX) ** 2
    return float(np.sqrt(np.median(square)))


def _uphill(
    slope: FloatImage, start: npt.NDArray[np.intp], limit_px: float
) -> npt.NDArray[np.intp]:
    """Index of the top reached from `start` by going up no further than a limit."""
    count = slope.shape[1]
    rows = np.arange(len(slope))
    at = np.clip(start, 1, count - 2)
    for _ in range(round(limit_px / _STEP_PX)):
        ahead = slope[rows, at + 1] > slope[rows, at]
        behind = slope[rows, at - 1] > np.maximum(slope[rows, at], slope[rows, at + 1])
        at = np.clip(
            at + ahead - 2 * (behind & ahead) - (behind & ~ahead), 1, count - 2
        )
    return at


def _candidates(bgr: ByteArray, outline: Outline, half_px: float) -> _Edges:
    step = max(half_px / 48, 0.5)
    slope, offsets = _slope_across(bgr, outline, half_px, step, light=False)
    padded = np.pad(slope, ((0, 0), (1, 1)))
    peak = (slope >= padded[:, :-2]) & (slope > padded[:, 2:])
    floor = np.maximum(2.0 * _background(slope), _FAINTEST)[:, None]
    height = np.where(peak & (slope > floor), slope / floor, 0.0)
    order = np.argsort(-height, axis=1)[:, :_PEAKS]
    tall = np.take_along_axis(height, order, axis=1)
    offset = np.where(tall > 0, offsets[order], np.nan)
    # an edge five times as steep as the background's texture is certain
    weight = np.sqrt(np.clip(tall / 5, 0, 1))
    if outline.step_px:
        stays = _stays(bgr, outline, half_px, step) / np.maximum(slope, 1e-6)
        # across a blurred step the colours differ by some three times its slope
        weight *= np.clip(np.take_along_axis(stays, order, axis=1) / 3, 0.2, 1)
    return _Edges(offset, weight, max(1.5 * step, 0.036 * half_px))


def _stays(bgr: ByteArray, outline: Outline, half_px: float, step: float) -> FloatImage:
    """How far the mean colours to both sides of each place differ, ``(N, offsets)``."""
    offsets = np.arange(-half_px, half_px + step / 2, step)
    profiles = _profiles(bgr, outline, offsets)
    reach = max(round(outline.step_px / step), 1)
    kernel = np.concatenate([-np.ones(reach), [0.0], np.ones(reach)])[None] / reach
    apart = [cv2.filter2D(profiles[..., c], -1, kernel) for c in range(3)]
    return np.asarray(np.sqrt(np.sum(np.square(apart), axis=0)), dtype=np.float32)


def _background(slope: FloatImage) -> FloatArray:
    """Texture beyond the outline: usual slope in the outer third, ``(N,)``."""
    outer = slope[:, -(slope.shape[1] // 3) :]
    own = np.median(outer, axis=1)
    # a profile may end on something else: not more than twice the usual
    return np.asarray(np.minimum(own, 2 * np.median(own)), dtype=np.float64)


def _slope_across(
    bgr: ByteArray, outline: Outline, half_px: float, step: float, *, light: bool
) -> tuple[FloatImage, FloatArray]:
    """Steepness on profiles, ``(N, offsets)`` per px.

    Of grey levels, in which noise is even from dark to bright, or of `light`,
    in which a blurred edge stays where it is.
    """
    offsets = np.arange(-half_px, half_px + step / 2, step)
    mean = _profiles(bgr, outline, offsets, light=light)
    sigma = max(1.0 / step, 0.8)
    channels = [gaussian_slope(mean[..., c], sigma) / step for c in range(3)]
    steep = np.sqrt(np.sum(np.square(channels), axis=0))
    return np.asarray(steep, dtype=np.float32), offsets


def _profiles(
    bgr: ByteArray, outline: Outline, offsets: FloatArray, *, light: bool = False
) -> FloatImage:
    """Colours along the normals, neighbouring profiles averaged."""
    where = (
        outline.at_xy_px[:, None] + offsets[None, :, None] * outline.normal_xy[:, None]
    )
    colours = sample(bgr, where)
    if light:
        colours = linear_light(colours)
    side = outline.averaged // 2
    if outline.closed:
        padded = np.concatenate([colours[-side:], colours, colours[:side]])
    else:
        padded = np.pad(colours, ((side, side), (0, 0), (0, 0)), mode="edge")
    count = len(colours)
    mean = np.mean([padded[k : k + count] for k in range(outline.averaged)], axis=0)
    return np.asarray(mean, dtype=np.float32)


def _trial_shapes(edges: _Edges, outline: Outline) -> FloatArray:
    """Shapes through as many candidate edges as they have numbers: ``(T, K)``."""
    chance = np.random.default_rng(7)
    count, free = len(outline.at_xy_px), outline.free
    known = chance.normal(0, 1, (_TRIALS, len(outline.known_sd_px)))
    known *= np.array(outline.known_sd_px)
    sector = count // free
    rows = chance.integers(0, sector, (_TRIALS, free)) + sector * np.arange(free)
    if outline.closed:
        rows = (rows + chance.integers(0, count, (_TRIALS, 1))) % count
    found = np.isfinite(edges.offset_px).sum(axis=1)
    peaks = (chance.random((_TRIALS, free)) * found[rows]).astype(int)
    design = outline.design[rows]
    whole = (found[rows] > 0).all(axis=1)
    whole &= np.abs(np.linalg.det(design[..., :free])) > 1e-2
    design, known = design[whole], known[whole]
    offset = edges.offset_px[rows, peaks][whole]
    offset = offset - np.einsum("tnk,tk->tn", design[..., free:], known)
    solved = np.linalg.solve(design[..., :free], offset[..., None])[..., 0]
    return np.asarray(np.concatenate([solved, known], axis=1), dtype=np.float64)


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
    kept = order[np.concatenate([first, second])]
    return np.asarray(shapes[kept], dtype=np.float64)


def _pulled_in(shape: FloatArray, edges: _Edges, outline: Outline) -> FloatArray:
    """Refit a shape to the edges that lie on it."""
    design = outline.design
    ridge = np.full(design.shape[1], 1e-6)
    # an edge scatters by about half the tolerance
    known = np.maximum(np.array(outline.known_sd_px), 1e-3)
    ridge[outline.free :] = (edges.tolerance_px / 2 / known) ** 2
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
        normal = weighted.T @ design[on] + np.diag(ridge)
        pull = weighted.T @ off[on] - ridge * shape
        shape = shape + np.linalg.solve(normal, pull)
    return shape
