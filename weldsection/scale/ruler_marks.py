"""The ticks of a rule located in the photo itself, to a fraction of a pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from weldsection.records import ByteArray, FloatArray
from weldsection.scale.ruler_edge import robust_line
from weldsection.scale.ruler_search import SearchCopy
from weldsection.scale.ruler_ticks import TickRow, short_tips

# depths at which each tick is read, as shares of its length
_DEPTHS = (0.2, 0.4, 0.6, 0.8)
# samples across a tick, over ± this share of the step
_ACROSS, _REACH = 33, 0.4


@dataclass(frozen=True, slots=True)
class Marks:
    """Points on the ticks of one edge, read in the photo itself."""

    xy_px: FloatArray
    position_mm: FloatArray
    """Place of each point's tick along the rule, from any zero."""
    line_xy_px: FloatArray
    """``(2, 2)``: two points of a line along the rule."""
    line_u_rad: float
    tick: FloatArray
    """Number of each point's tick."""

    def scaled(self, step_mm: float) -> Marks:
        """The same marks with a step of so many mm, negative to count back."""
        return replace(self, position_mm=self.tick * step_mm)


def read_marks(photo_grey: ByteArray, copy: SearchCopy, row: TickRow) -> Marks:
    """Locate the ticks of an edge in the full photo, at several depths each.

    Positions are in steps of the graduation until `Marks.scaled`.
    """
    seen = np.isfinite(row.base_v)
    numbers = row.numbers[seen]
    pitch = row.lattice.pitch_at(numbers)[:, None]
    length = np.maximum(row.tip_v[seen, None] - row.base_v[seen, None], 0.5 * pitch)
    depth = np.median(row.base_v[seen]) + length * np.array(_DEPTHS)
    k = np.broadcast_to(numbers[:, None], depth.shape).ravel()
    centre = copy.to_photo(row.tick_xy(k, depth.ravel()))
    reach = np.broadcast_to(pitch * _REACH, depth.shape).ravel()
    thick = np.broadcast_to(length * 0.16, depth.shape).ravel()
    shift, good = _tick_centres(
        photo_grey,
        centre,
        (row.edge.along, row.edge.across),
        (reach * copy.reduction, thick * copy.reduction),
        row.polarity,
    )
    points = centre + shift[:, None] * row.edge.along
    line, u_rad = _rule_line(copy, row)
    return Marks(points[good], k[good], line, u_rad, k[good])


def _tick_centres(
    grey: ByteArray,
    centre_xy: FloatArray,
    axes: tuple[FloatArray, FloatArray],
    reach_px: tuple[FloatArray, FloatArray],
    polarity: int,
) -> tuple[FloatArray, FloatArray]:
    """Offset along the rule of the darkest stroke near each point."""
    along, across = axes
    steps = np.linspace(-1, 1, _ACROSS)
    layers = np.array([-0.4, 0.0, 0.4])
    grid = (
        centre_xy[:, None, None, :]
        + (reach_px[0][:, None] * steps)[:, None, :, None] * along
        + (reach_px[1][:, None] * layers)[:, :, None, None] * across
    ).astype(np.float32)
    flat = grid.reshape(len(centre_xy), -1, 2)
    values = cv2.remap(
        grey,
        flat[..., 0],
        flat[..., 1],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    profile = values.reshape(grid.shape[:3]).astype(np.float64).mean(axis=1)
    profile = -polarity * profile
    ends = np.sort(profile, axis=1)[:, : _ACROSS // 2]
    dark = profile - np.median(ends, axis=1)[:, None]
    peak = dark.max(axis=1)
    dark = np.clip(dark - 0.35 * peak[:, None], 0.0, None)
    total = dark.sum(axis=1)
    safe = np.maximum(total, 1e-9)
    shift = (dark @ steps) / safe
    spread = np.sqrt(np.maximum((dark @ steps**2) / safe - shift**2, 0.0))
    plain = np.median(peak)
    good = (peak > 0.4 * plain) & (np.abs(shift) < 0.5) & (spread < 0.45)
    inside = (centre_xy > 1).all(axis=1) & (
        centre_xy < np.array(grey.shape[::-1]) - 2
    ).all(axis=1)
    return shift * reach_px[0], good & inside


def _rule_line(copy: SearchCopy, row: TickRow) -> tuple[FloatArray, float]:
    """Straight line along the rule in the photo, and its doubt in rad."""
    u, v = short_tips(row)
    line, spread = robust_line(u, v)
    ends = row.lattice.u_px[[0, -1]]
    points = copy.to_photo(row.edge.points(ends, np.polyval(line, ends)))
    # ends of neighbouring ticks share their error: one in four counts
    effective = max(len(u) / 4, 1.0)
    return points, spread * math.sqrt(12 / effective) / max(float(np.ptp(u)), 1.0)
