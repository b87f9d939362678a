"""The edge of a rule in the search copy: the line on which its ticks begin."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from weldsection.records import ByteArray, FloatArray
from weldsection.scale.ruler_search import Band

# half lengths of the stretches over which the edge is refined and reach across
# it, px of the copy, and the angles tried, degrees: the band's direction is one
# of 18 and ticks seen at a tilt of 15° lean by up to 8°
ROUGHLY = ((160, 100, 14.0, 1.0),)
FINELY = ((300, 24, 2.0, 0.2), (900, 24, 0.6, 0.06))
_BLOCKS = 20


@dataclass(frozen=True, slots=True)
class Edge:
    """A straight line in the copy on which ticks begin."""

    origin_xy: FloatArray
    along: FloatArray
    across: FloatArray
    """Unit vector from the edge into the rule."""

    def points(self, u: FloatArray, v: FloatArray) -> FloatArray:
        """Points of the copy at distances along and across: ``(..., 2)``."""
        return np.asarray(
            self.origin_xy
            + np.asarray(u)[..., None] * self.along
            + np.asarray(v)[..., None] * self.across,
            dtype=np.float64,
        )


def robust_line(u: FloatArray, v: FloatArray) -> tuple[FloatArray, float]:
    """Straight line v(u) with outliers left out, and the scatter about it."""
    line = np.array([0.0, float(np.median(v))])
    spread = 0.0
    for _ in range(8):
        residual = v - np.polyval(line, u)
        spread = max(1.4826 * float(np.median(np.abs(residual))), 0.3)
        weight = np.clip(1 - (residual / (4.685 * spread)) ** 2, 0, None) ** 2
        line = np.polyfit(u, v, 1, w=np.sqrt(weight) + 1e-6)
    return np.asarray(line, dtype=np.float64), spread


def edge_along(edge: Edge, slope: float, start: float) -> Edge:
    """The edge moved to the line v = start + slope u."""
    norm = math.hypot(1.0, slope)
    along = (edge.along + slope * edge.across) / norm
    across = (edge.across - slope * edge.along) / norm
    return Edge(edge.origin_xy + start * edge.across, along, across)


def band_edge(band: Band) -> Edge:
    """The middle line of a band as a first guess of the edge."""
    along = np.array([math.cos(band.direction_rad), math.sin(band.direction_rad)])
    return Edge(band.centre_xy, along, np.array([-along[1], along[0]]))


def refined(
    grey: ByteArray, edge: Edge, steps: tuple[tuple[int, int, float, float], ...]
) -> Edge:
    """Move and turn the edge until the ticks begin most sharply on it."""
    for half, reach_v, widest_deg, step_deg in steps:
        stroke = _stroke_energy(grey, edge, half, reach_v)
        edge = _sharpest_edge(edge, stroke, half, (widest_deg, step_deg))
    return edge


def cut_strip(
    grey: ByteArray, edge: Edge, u_range: tuple[int, int], v_range: tuple[int, int]
) -> FloatArray:
    """Strip of the copy along an edge: rows are v, columns u, 1 px steps."""
    corner = edge.origin_xy + u_range[0] * edge.along + v_range[0] * edge.across
    strip = cv2.warpAffine(
        grey,
        np.column_stack([edge.along, edge.across, corner]),
        (u_range[1] - u_range[0] + 1, v_range[1] - v_range[0] + 1),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(strip, dtype=np.float64)


def _stroke_energy(grey: ByteArray, edge: Edge, half: int, reach_v: int) -> FloatArray:
    """Clipped gradient along the edge less that across it, in blocks: ``(v, 20)``.

    Grain and print have as much of the one as of the other, ticks do not.
    """
    strip = cut_strip(grey, edge, (-half, half + 1), (-reach_v - 1, reach_v + 1))
    along = np.clip(np.abs(strip[1:-1, 2:] - strip[1:-1, :-2]) - 6.0, 0.0, 40.0)
    across = np.clip(np.abs(strip[2:, 1:-1] - strip[:-2, 1:-1]) - 6.0, 0.0, 40.0)
    strokes = (along - across).reshape(along.shape[0], _BLOCKS, -1)
    return np.asarray(np.maximum(strokes.mean(axis=2), 0.0))


def _sharpest_edge(
    edge: Edge, stroke: FloatArray, half: int, turns_deg: tuple[float, float]
) -> Edge:
    """Move and turn the edge to the line where strokes begin most sharply."""
    widest, step = turns_deg
    slopes = np.tan(np.radians(np.arange(-widest, widest + step / 2, step)))
    reach_v = stroke.shape[0] // 2
    u = (np.arange(_BLOCKS) + 0.5) * (2 * half / _BLOCKS) - half
    v = np.arange(-reach_v, reach_v + 1)
    rows = np.rint(v[None, :, None] + slopes[:, None, None] * u).astype(int) + reach_v
    inside = (rows >= 0) & (rows < stroke.shape[0])
    rows = np.clip(rows, 0, stroke.shape[0] - 1)
    summed = np.where(inside, stroke[rows, np.arange(_BLOCKS)], 0.0).sum(axis=2)
    total = np.cumsum(np.pad(summed, ((0, 0), (1, 0))), axis=1)
    reach = 4
    rise = total[:, 2 * reach :] - 2 * total[:, reach:-reach] + total[:, : -2 * reach]
    which, at = np.unravel_index(int(np.argmax(np.abs(rise))), rise.shape)
    # rows at .. at + 3 lie outside, at + 4 .. at + 7 inside
    v0 = float(v[at + reach]) - 0.5
    along = edge.along + slopes[which] * edge.across
    along = along / math.hypot(*along)
    across = edge.across - slopes[which] * edge.along
    side = 1.0 if rise[which, at] > 0 else -1.0
    return Edge(
        edge.origin_xy + v0 * edge.across, along, side * across / math.hypot(*across)
    )


def u_range_of(grey: ByteArray, edge: Edge) -> tuple[int, int]:
    """The stretch of the edge's line that lies in the picture."""
    rows, columns = grey.shape
    low, high = -math.inf, math.inf
    for at, step, end in zip(
        edge.origin_xy, edge.along, (columns - 1, rows - 1), strict=True
    ):
        if abs(step) > 1e-9:
            ends = sorted(((0 - at) / step, (end - at) / step))
            low, high = max(low, ends[0]), min(high, ends[1])
    return math.ceil(low), math.floor(high)
