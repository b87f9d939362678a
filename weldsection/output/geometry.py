"""The lines and dimensions of a measured section, in pixels of the photo.

They are the geometry that was measured; nothing is traced anew for drawing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from weldsection.records import (
    BeadResult,
    BoolArray,
    FloatArray,
    SectionResult,
    project,
)


@dataclass(frozen=True, slots=True)
class SectionLine:
    """One line to be drawn, in pixels of the upright photo."""

    role: str
    """A key of `PENS`."""
    xy_px: FloatArray


@dataclass(frozen=True, slots=True)
class Dimension:
    """One dimension of a bead, in pixels of the upright photo."""

    symbol: str
    start_xy_px: FloatArray
    end_xy_px: FloatArray


def section_lines(result: SectionResult) -> list[SectionLine]:
    """Give every line of a section in pixels of the upright photo."""
    surface_px = project(result.mm_to_px, surface_on_plate(result))
    lines = [SectionLine("plate surface", surface_px)]
    for bead in result.beads:
        lines += bead_lines(bead, result)
    return lines


def bead_lines(bead: BeadResult, result: SectionResult) -> list[SectionLine]:
    """Give the lines of one bead in pixels of the upright photo."""
    trace = bead.trace
    lines = [("weld face", trace.cap_xy_mm), ("HAZ edge", trace.haz_xy_mm)]
    for doubtful, run in _runs(trace.doubtful):
        role = "fusion line, doubtful" if doubtful else "fusion line"
        lines.append((role, trace.fusion_xy_mm[run]))
    return [
        SectionLine(role, project(result.mm_to_px, xy_mm))
        for role, xy_mm in lines
        if len(xy_mm) > 1
    ]


def dimensions(bead: BeadResult, result: SectionResult) -> list[Dimension]:
    """Give the lines along which penetration and reinforcement were measured."""
    found = []
    for symbol, line_xy_mm, sign in (
        ("P", bead.trace.fusion_xy_mm, 1.0),
        ("R", bead.trace.cap_xy_mm, -1.0),
    ):
        if len(line_xy_mm) == 0:
            continue
        foot, tip = _furthest_from_surface(line_xy_mm, result, sign)
        ends_px = project(result.mm_to_px, np.array([foot, tip]))
        found.append(Dimension(symbol, ends_px[0], ends_px[1]))
    return found


def surface_on_plate(result: SectionResult) -> FloatArray:
    """Give the plate surface between the ends of the coupon."""
    x_mm, y_mm = result.surface.knots_x_mm, result.surface.knots_y_mm
    length = result.length_mm if math.isfinite(result.length_mm) else math.inf
    on_plate = (x_mm >= 0) & (x_mm <= length)
    knots_xy_mm = np.column_stack([x_mm, y_mm])
    return knots_xy_mm[on_plate] if on_plate.sum() > 1 else knots_xy_mm


def _runs(doubtful: BoolArray) -> list[tuple[bool, slice]]:
    """Cut a line into stretches seen and bridged; neighbours share a point."""
    if len(doubtful) == 0:
        return []
    changes = (np.flatnonzero(np.diff(doubtful.astype(np.int8))) + 1).tolist()
    starts, ends = [0, *changes], [*changes, len(doubtful) - 1]
    return [
        (bool(doubtful[start]), slice(start, end + 1))
        for start, end in zip(starts, ends, strict=True)
    ]


def _furthest_from_surface(
    line_xy_mm: FloatArray, result: SectionResult, sign: float
) -> tuple[FloatArray, FloatArray]:
    """Give the foot on the plate surface and the point furthest from it."""
    x, y = line_xy_mm.T
    i = int(np.argmax(sign * (y - result.surface.y_at(x))))
    near = x[i] + np.array([-1.0, 1.0])
    slope = float(np.diff(result.surface.y_at(near))[0] / 2)
    normal = np.array([-slope, 1.0]) / math.hypot(slope, 1.0)
    gap = float(y[i] - result.surface.y_at(x[i])) / math.hypot(slope, 1.0)
    return line_xy_mm[i] - gap * normal, line_xy_mm[i]
