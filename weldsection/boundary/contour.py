"""Follow the weld face and find the toes on it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import contourpy
import cv2
import numpy as np

from weldsection.records import BeadSite, Coupon, FloatArray
from weldsection.zones import FACE, Zone, log_odds

MARGIN_MM = 2.5  # of bare plate followed on both sides of a bead
INSIDE_MM = (0.1, 0.2, 0.3)  # depth below the face where its zone is read
DEEPEST_MM = 1.5  # of undercut that the contour may follow
LOGISTIC_SD = math.pi / math.sqrt(3)  # of a standard logistic variable


@dataclass(frozen=True, slots=True)
class Contour:
    """The upper outline of the face about one bead, left to right."""

    xy_mm: FloatArray
    """``(N, 2)`` in mm of the face."""
    u_mm: float
    """Position uncertainty across the outline."""
    left_index: float
    """Where along the points the left toe lies, not rounded."""
    right_index: float
    left_u_mm: float
    right_u_mm: float

    def point(self, index: float) -> FloatArray:
        """Point at an index that need not be whole."""
        whole = int(np.clip(math.floor(index), 0, len(self.xy_mm) - 2))
        share = index - whole
        xy = (1 - share) * self.xy_mm[whole] + share * self.xy_mm[whole + 1]
        return np.asarray(xy)

    @property
    def cap_xy_mm(self) -> FloatArray:
        """The weld face from toe to toe."""
        first, last = math.ceil(self.left_index), math.floor(self.right_index)
        inner = self.xy_mm[first : last + 1]
        ends = self.point(self.left_index), self.point(self.right_index)
        return np.vstack([ends[0], inner, ends[1]])


def follow_contour(coupon: Coupon, site: BeadSite) -> Contour | None:
    """Follow the weld face of a bead; None where the outline is broken."""
    face = log_odds(coupon.zones.astype(np.float32), FACE)
    window = _window(coupon, site)
    line = _upper_outline(coupon, face, window)
    if line is None or len(line) < 20:
        return None
    line = _even_spacing(line, 0.04)
    weld = _inside_odds(coupon, line)
    toes = _toes(line, weld, site)
    if toes is None:
        return None
    (left, right), (left_u, right_u) = toes
    return Contour(line, _edge_u_mm(coupon, face, line), left, right, left_u, right_u)


def _window(coupon: Coupon, site: BeadSite) -> tuple[slice, slice]:
    columns = coupon.column_of([site.left_mm - MARGIN_MM, site.right_mm + MARGIN_MM])
    surface = coupon.surface.y_at([site.left_mm, site.right_mm])
    lowest = int(coupon.row_of(surface.max() + DEEPEST_MM))
    first = max(int(columns[0]), 0)
    last = min(int(columns[1]) + 1, coupon.zones.shape[2])
    return slice(0, min(lowest, coupon.zones.shape[1])), slice(first, last)


def _upper_outline(
    coupon: Coupon, face: FloatArray, window: tuple[slice, slice]
) -> FloatArray | None:
    """Trace the level line of the face that spans the window, in mm."""
    part = face[window]
    lines = contourpy.contour_generator(z=part).lines(0.0)
    lines = [line for line in lines if np.ptp(line[:, 0]) > 0.6 * part.shape[1]]
    if not lines:
        return None
    longest = max(lines, key=lambda line: float(np.ptp(line[:, 0])))
    longest = longest[::-1] if longest[0, 0] > longest[-1, 0] else longest
    column = longest[:, 0] + window[1].start
    xy = np.column_stack([column, longest[:, 1]]) * coupon.grid_mm
    return np.asarray(xy + [coupon.left_mm, coupon.top_mm])


def _even_spacing(line: FloatArray, step_mm: float) -> FloatArray:
    """Points at an even spacing along a line, slightly smoothed."""
    length = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    keep = np.concatenate([[True], np.diff(length) > 1e-9])
    at = np.arange(0, length[-1], step_mm)
    even = np.column_stack([np.interp(at, length[keep], line[keep, k]) for k in (0, 1)])
    smooth = cv2.GaussianBlur(even[None], (0, 0), 1.5, borderType=cv2.BORDER_REPLICATE)[
        0
    ]
    smooth[[0, -1]] = even[[0, -1]]
    return np.asarray(smooth)


def _normals(line: FloatArray) -> FloatArray:
    """Unit normals pointing into the metal."""
    tangent = np.gradient(line, axis=0)
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    return np.column_stack([-tangent[:, 1], tangent[:, 0]])


def _inside_odds(coupon: Coupon, line: FloatArray) -> FloatArray:
    """Log-odds of weld metal just below each point of the outline."""
    weld = log_odds(coupon.zones.astype(np.float32), (Zone.WELD,))
    normal = _normals(line)
    total = np.zeros(len(line))
    for depth in INSIDE_MM:
        x, y = (line + depth * normal).T
        total += cv2.remap(
            weld,
            coupon.column_of(x).astype(np.float32)[None],
            coupon.row_of(y).astype(np.float32)[None],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )[0]
    return np.asarray(cv2.GaussianBlur(total[None] / len(INSIDE_MM), (0, 0), 2.0)[0])


def _toes(
    line: FloatArray, weld: FloatArray, site: BeadSite
) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Where weld metal begins and ends along the outline, and how surely."""
    near = (line[:, 0] > site.left_mm - 1.5) & (line[:, 0] < site.right_mm + 1.5)
    inside = np.flatnonzero(near & (weld > 0))
    if len(inside) < 10:
        return None
    middle = (site.left_mm + site.right_mm) / 2
    left_part = inside[line[inside, 0] < middle]
    right_part = inside[line[inside, 0] >= middle]
    if not len(left_part) or not len(right_part):
        return None
    left = _crossing(weld, int(left_part[0]), -1)
    right = _crossing(weld, int(right_part[-1]), +1)
    spacing = float(np.median(np.hypot(*np.diff(line, axis=0).T)))
    return (left, right), (
        _crossing_u(weld, left) * spacing,
        _crossing_u(weld, right) * spacing,
    )


def _crossing(weld: FloatArray, index: int, step: int) -> float:
    """Index, not rounded, where the odds fall to even beyond an index."""
    other = index + step
    if not 0 <= other < len(weld):
        return float(index)
    inside, outside = weld[index], weld[other]
    return index + step * float(inside / (inside - outside))


def _crossing_u(weld: FloatArray, index: float) -> float:
    """Spread of the toe's place along the outline, in points.

    If the odds are honest, the chance that the toe lies before a point is
    their logistic, whose spread follows from the slope of the log-odds.
    """
    first = int(np.clip(round(index) - 5, 0, len(weld) - 11))
    piece = weld[first : first + 11]
    slope = abs(float(np.polyfit(np.arange(len(piece)), piece, 1)[0]))
    return LOGISTIC_SD / max(slope, 0.05)


def _edge_u_mm(coupon: Coupon, face: FloatArray, line: FloatArray) -> float:
    """Spread of the outline across itself, from the slope of its log-odds."""
    normal = _normals(line)
    values = []
    for offset in (-0.05, 0.05):
        x, y = (line + offset * normal).T
        values.append(
            cv2.remap(
                face,
                coupon.column_of(x).astype(np.float32)[None],
                coupon.row_of(y).astype(np.float32)[None],
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )[0]
        )
    slope = np.median((values[1] - values[0]) / 0.1)
    return float(np.clip(LOGISTIC_SD / max(slope, 1.0), 0.005, 0.3))
