"""Straight sides read to a fraction of a pixel, and where they meet."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from weldsection.records import ByteArray, FloatArray
from weldsection.scale.agreement import (
    Outline,
    agreed_offsets,
    nearest_edges,
    other_offsets,
)

_STEP_PX = 6.0  # printed lines are thinner
_STILL_PX = 1e-3  # a line that moves less than this is found


@dataclass(frozen=True, slots=True)
class Side:
    """A straight side: offsets of its ends from where it was expected."""

    ends_xy_px: FloatArray
    """``(2, 2)`` two points on the line."""
    end_covariance: FloatArray
    """``(2, 2)`` of the ends' offsets across the line, in px²."""
    seen_share: float
    bow_px: float
    """How far the ends lie outside of the middle."""
    bow_u_px: float


@dataclass(frozen=True, slots=True)
class Reading:
    """How a side is read."""

    points: int
    leave_out: float
    """Share of the side left out at each end, for rounded corners."""
    reach_px: float
    """How far the search goes to both sides."""
    gate_px: float
    """How far the last reading goes to both sides."""
    averaged: int = 5
    """Neighbouring profiles averaged against texture, an odd number."""


def read_side(
    bgr: ByteArray, expected_xy_px: FloatArray, how: Reading, *, search: bool = False
) -> Side:
    """Read the edge beside an expected straight side.

    Parameters
    ----------
    expected_xy_px
        ``(2, 2)``: its two ends, the inside on the right hand.
    search
        Look for the outermost edge that agrees first, within `how.reach_px`.
    """
    start, end = expected_xy_px
    outline = _straight(expected_xy_px, how)
    normal, t = outline.normal_xy[0], outline.design[:, 1]
    expected: FloatArray = np.zeros(how.points)
    if search:
        expected = agreed_offsets(bgr, outline, how.reach_px)
        outline = replace(outline, at_xy_px=outline.moved_xy_px(expected))
    offset = nearest_edges(bgr, outline, how.gate_px)
    line, covariance, share = _fit_line(outline.design, offset)
    bow, bow_u = _fit_bow(outline.design, offset, line)
    whole = expected + outline.design @ line
    slope = (whole[-1] - whole[0]) / (t[-1] - t[0])
    at_ends = whole.mean() + slope * np.array([-1.0, 1.0])
    ends = np.array([start, end]) + at_ends[:, None] * normal
    to_ends = np.array([[1.0, -1.0], [1.0, 1.0]])
    return Side(ends, to_ends @ covariance @ to_ends.T, share, bow, bow_u)


def rival_sides(
    bgr: ByteArray, side: Side, how: Reading, least: float
) -> tuple[Side, ...]:
    """Other lines beside a side that could be the side, read like it.

    `least` is how well an edge must be seen on them, beside how well on the side.
    """
    outline = _straight(side.ends_xy_px, how)
    t = outline.design[[0, -1], 1]
    found = []
    for offset in other_offsets(bgr, outline, how.reach_px, least):
        slope = (offset[-1] - offset[0]) / (t[1] - t[0])
        at_ends = offset.mean() + slope * np.array([-1.0, 1.0])
        ends = side.ends_xy_px + at_ends[:, None] * outline.normal_xy[0]
        found.append(read_side(bgr, ends, how))
    return tuple(found)


def _straight(ends_xy_px: FloatArray, how: Reading) -> Outline:
    start, end = ends_xy_px
    run = end - start
    normal = np.array([run[1], -run[0]]) / math.hypot(*run)
    along = np.linspace(how.leave_out, 1 - how.leave_out, how.points)
    return Outline(
        start + along[:, None] * run,
        np.tile(normal, (how.points, 1)),
        np.column_stack([np.ones(how.points), 2 * along - 1]),
        closed=False,
        averaged=how.averaged,
        step_px=_STEP_PX,
    )


def _fit_line(
    design: FloatArray, offset: FloatArray
) -> tuple[FloatArray, FloatArray, float]:
    """Robust line through offsets: (mean, slope), covariance, share on it."""
    seen = np.isfinite(offset)
    if seen.sum() < 12:
        return np.zeros(2), np.eye(2), 0.0
    d, o = design[seen], offset[seen]
    line = np.array([np.median(o), 0.0])
    for _ in range(8):
        residual = o - d @ line
        spread = max(1.4826 * float(np.median(np.abs(residual))), 0.03)
        # Tukey's biweight: 95 % of the efficiency of least squares
        weight = np.clip(1 - (residual / (4.685 * spread)) ** 2, 0, None) ** 2
        normal = (d * weight[:, None]).T @ d + 1e-9 * np.eye(2)
        before = line
        line = np.linalg.solve(normal, (d * weight[:, None]).T @ o)
        if np.abs(line - before).max() < _STILL_PX:
            break
    share = float((np.abs(residual) < max(3 * spread, 0.7)).sum()) / len(offset)
    # neighbouring profiles overlap: count one in fifteen as independent
    return line, 15 * spread**2 * np.linalg.inv(normal), share


def _fit_bow(
    design: FloatArray, offset: FloatArray, line: FloatArray
) -> tuple[float, float]:
    """Bend of a side beside its straight line, and its standard uncertainty."""
    residual = offset - design @ line
    near = np.isfinite(residual)
    if near.sum() < 12:
        return 0.0, math.inf
    spread = max(1.4826 * float(np.median(np.abs(residual[near]))), 0.03)
    near &= np.abs(residual) < 4 * spread
    t = design[near, 1]
    curve = t**2 - float(np.mean(t**2))
    power = float(curve @ curve)
    # neighbouring profiles overlap: count one in fifteen as independent
    return float(residual[near] @ curve) / power, spread * math.sqrt(15 / power)


def meeting_points(ends_xy: FloatArray) -> FloatArray:
    """Corners where each side meets the one before: ``(…, 4, 2)``.

    `ends_xy` holds two points on each of the four sides, ``(…, 4, 2, 2)``.
    """
    ones = np.ones((*ends_xy.shape[:-1], 1))
    points = np.concatenate([ends_xy, ones], axis=-1)
    lines = np.cross(points[..., 0, :], points[..., 1, :])
    corners = np.cross(np.roll(lines, 1, axis=-2), lines)
    return np.asarray(corners[..., :2] / corners[..., 2:], dtype=np.float64)
