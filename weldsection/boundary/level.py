"""A close look at the bare plate beside the beads: its surface, more finely.

Depths and heights count from the plate surface, so an error in it is an error
in all of them. The face's edge on the grid is good to a few hundredths of a
millimetre; the photo itself shows it better.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from weldsection.boundary.band import look_along
from weldsection.records import BeadTrace, Coupon, FloatArray, Photo
from weldsection.surface import corrected

CLEAR_MM = 0.4  # of plate beside a toe that may belong to the bead
REACH_MM = 4.0  # of bare plate on both sides of a bead that is looked at
SHORTEST_MM = 1.5  # a shorter stretch of plate shows no surface
END_MM = 0.8  # the plate's own ends are rounded
STEP_MM = 0.25  # of the line along which the photo is unrolled
UNSEEN = 0.3  # likelier outside the band than this, an edge is not counted
# an edge is off by much the same all along it: at the least by this, and by this
# share of the spread with which it is seen; seen on drawn photos
LEAST_U_MM, COMMON_SHARE = 0.008, 0.6


def with_closer_surface(
    photo: Photo, coupon: Coupon, traces: list[BeadTrace]
) -> Coupon:
    """Fit the plate surface again to the bare plate as seen on the photo itself."""
    stretches = _bare_stretches(coupon, traces)
    x, y, spread = _edge_points(photo, coupon, stretches)
    surface = corrected(coupon.surface, x, y)
    u = np.hypot(surface.knots_u_mm, max(LEAST_U_MM, COMMON_SHARE * spread))
    return replace(coupon, surface=replace(surface, knots_u_mm=u))


def _bare_stretches(
    coupon: Coupon, traces: list[BeadTrace]
) -> list[tuple[float, float]]:
    """From where to where along the plate there is no bead, near the beads."""
    toes = sorted((t.left_toe_xy_mm[0], t.right_toe_xy_mm[0]) for t in traces)
    lefts = [-np.inf, *(right for _, right in toes)]
    rights = [*(left for left, _ in toes), np.inf]
    stretches: list[tuple[float, float]] = []
    for left, right in zip(lefts, rights, strict=True):
        first = max(left + CLEAR_MM, END_MM)
        last = min(right - CLEAR_MM, coupon.length_mm - END_MM)
        if last - first > 2 * REACH_MM:
            near_left = (first, first + REACH_MM) if np.isfinite(left) else None
            near_right = (last - REACH_MM, last) if np.isfinite(right) else None
            stretches += [part for part in (near_left, near_right) if part]
        elif last - first > SHORTEST_MM:
            stretches.append((first, last))
    return stretches


def _edge_points(
    photo: Photo, coupon: Coupon, stretches: list[tuple[float, float]]
) -> tuple[FloatArray, FloatArray, float]:
    """Places of the plate's edge, x and y, and the spread with which it is seen."""
    if not stretches:
        return np.empty(0), np.empty(0), 0.0
    lines = []
    for first, last in stretches:
        x = np.arange(last, first, -STEP_MM)  # metal lies to the left of the way
        lines.append(np.column_stack([x, coupon.surface.y_at(x)]))
    points, spreads = [], []
    for crossing in look_along(photo, coupon, lines, "cap"):
        seen = crossing.beyond < UNSEEN
        middle = crossing.quantiles_mm(np.full(len(seen), 0.5))
        points.append(crossing.points_at(middle)[seen])
        spreads.append(crossing.spread_mm()[seen])
    x, y = np.vstack(points).T
    spread = np.concatenate(spreads)
    return x, y, float(np.median(spread)) if len(spread) else 0.0
