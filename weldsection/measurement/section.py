"""One section of a bead in coordinates levelled to the plate surface.

Everything here is plain geometry: lines in, lengths and areas out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from weldsection.records import FloatArray

CHORD_MM = 0.5  # of the toe angle: convention of this project


@dataclass(frozen=True, slots=True)
class Section:
    """One bead's lines levelled to the plate surface: y = 0 on it, down positive."""

    cap: FloatArray
    fusion: FloatArray
    left_toe: FloatArray
    right_toe: FloatArray


@dataclass(frozen=True, slots=True)
class Shape:
    """The lengths and areas of one section."""

    penetration_mm: float
    width_mm: float
    reinforcement_mm: float
    penetration_area_mm2: float
    reinforcement_area_mm2: float

    @property
    def dilution_pct(self) -> float:
        """Share of melted plate in the weld metal, in percent."""
        return dilution_pct(self.penetration_area_mm2, self.reinforcement_area_mm2)


@dataclass(frozen=True, slots=True)
class Draws:
    """The same of many equally likely sections, ``(draws,)`` each."""

    penetration_mm: FloatArray
    width_mm: FloatArray
    reinforcement_mm: FloatArray
    penetration_area_mm2: FloatArray
    reinforcement_area_mm2: FloatArray
    dilution_pct: FloatArray


def dilution_pct(penetration_area: float, reinforcement_area: float) -> float:
    """
    Share of melted plate in the weld metal, in percent.

    Examples
    --------
    >>> round(dilution_pct(1.5, 0.6), 4)  # reference-values D.1
    71.4286
    """
    total = penetration_area + reinforcement_area
    return 100 * penetration_area / total if total > 0 else math.nan


def area_beyond_surface(line: FloatArray, *, below: bool) -> FloatArray:
    """
    Area between a line and the plate surface y = 0, on one side of it.

    Parameters
    ----------
    line
        ``(..., N, 2)`` levelled points from left to right, y down.
    below
        Whether the area below the surface is wanted, or the one above it.

    Returns
    -------
    FloatArray
        ``(...)``: by the trapezoidal rule on the clipped line; overhangs count
        once.

    Examples
    --------
    >>> triangle = np.array([[0.0, 0.0], [2.0, 3.0], [4.0, 0.0]])
    >>> float(area_beyond_surface(triangle, below=True))
    6.0
    """
    x = line[..., 0]
    depth = line[..., 1] if below else -line[..., 1]
    first, last = depth[..., :-1], depth[..., 1:]
    inside = (np.maximum(first, 0) + np.maximum(last, 0)) / 2
    # a stretch that crosses the surface counts the triangle on the wanted side
    crossing = first * last < 0
    apart = np.where(crossing, np.abs(last - first), 1.0)
    triangle = np.maximum(first, last) ** 2 / (2 * apart)
    area = np.where(crossing, triangle, inside)
    return np.asarray(np.sum(np.diff(x) * area, axis=-1))


def shape_of(section: Section) -> Shape:
    """Lengths and areas of a levelled section."""
    areas = metal_areas(section.cap, section.fusion)
    return Shape(
        penetration_mm=max(float(section.fusion[:, 1].max()), 0.0),
        width_mm=float(section.right_toe[0] - section.left_toe[0]),
        reinforcement_mm=max(float(-section.cap[:, 1].min()), 0.0),
        penetration_area_mm2=float(areas[0]),
        reinforcement_area_mm2=float(areas[1]),
    )


def metal_areas(cap: FloatArray, fusion: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weld metal below and above the surface; an undercut is no metal."""
    undercut = area_beyond_surface(cap, below=True)
    fused = area_beyond_surface(fusion, below=True)
    above = area_beyond_surface(cap, below=False)
    return np.maximum(fused - undercut, 0.0), above


def toe_angle_deg(face: FloatArray, *, right: bool) -> float:
    """
    Angle at a toe, through the air, in the sense of ISO 5817 no. 505.

    Parameters
    ----------
    face
        ``(N, 2)`` levelled weld face from left to right toe, y down.
    right
        Whether the right toe is wanted.

    Returns
    -------
    float
        Degrees between the bare plate surface and the chord from the toe to
        the point 0.5 mm along the face; 180 is flat. NaN for a shorter face.

    Examples
    --------
    >>> steep = np.array([[0.0, 0.0], [0.0, -2.0], [4.0, -2.0], [8.0, 0.0]])
    >>> toe_angle_deg(steep, right=False)
    90.0
    """
    line = face[::-1] if right else face
    length = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    if length[-1] < 2 * CHORD_MM:
        return math.nan
    end = np.array([np.interp(CHORD_MM, length, line[:, k]) for k in (0, 1)])
    across = (line[0, 0] - end[0]) if right else (end[0] - line[0, 0])
    return 180 - math.degrees(math.atan2(-(end[1] - line[0, 1]), across))
