"""The coupon's sawn ends, read in the photo itself.

The outline's corners are found at its reduced resolution, and rust, a burr or a
stain may draw one aside: of 44 ends in drawn photos eight were turned by 2 to 3° so
and three by 8 to 14°. A line read all along the end does not turn so.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from weldsection.records import ByteArray, FaceOutline, FloatArray, Photo
from weldsection.scale.edges import CouponEdges, coupon_edges
from weldsection.scale.sides import Reading, Side, read_side

# share of an end left out at each corner: corners are broken or rounded
_CORNER = 0.12
# how far off the outline's end may be, as a share of the thickness
_REACH = 0.15
_LEAST_REACH_PX = 6.0
# share of the end on which its edge must be seen
_LEAST_SEEN = 0.6
# a burr or the wall below the end draws the whole line aside by less than this from
# corner to corner (measured on drawn coupons)
_TURN_PX = 0.7


def seen_edges(photo: Photo, face: FaceOutline) -> CouponEdges:
    """The plate's edges, with its ends as the photo shows them.

    An end that the photo does not show clearly stays as the outline has it.

    Raises
    ------
    ScaleError
        If the plate's top and bottom edges are not both visible.
    """
    edges = coupon_edges(face)
    (left, left_u), (right, right_u) = (
        _read_end(photo.bgr, line, u_rad) if seen else (line, u_rad)
        for line, u_rad, seen in zip(
            # the inside on the right hand: up the left end, down the right one
            (edges.left_xy_px[::-1], edges.right_xy_px),
            edges.end_u_rad,
            edges.ends_seen,
            strict=True,
        )
    )
    return replace(
        edges, left_xy_px=left[::-1], right_xy_px=right, end_u_rad=(left_u, right_u)
    )


def _read_end(
    bgr: ByteArray, expected_xy_px: FloatArray, u_rad: float
) -> tuple[FloatArray, float]:
    """An end's line and the standard uncertainty of its direction."""
    length_px = float(np.linalg.norm(expected_xy_px[1] - expected_xy_px[0]))
    reach_px = max(_REACH * length_px, _LEAST_REACH_PX)
    how = Reading(
        points=int(np.clip(length_px / 2, 24, 120)),
        leave_out=_CORNER,
        reach_px=reach_px,
        gate_px=max(1.5, 0.006 * length_px),
    )
    side = read_side(bgr, expected_xy_px, how, search=True)
    read_u = math.hypot(_turn_u_px(side), _TURN_PX) / max(length_px, 1.0)
    moved = float(np.abs(side.ends_xy_px - expected_xy_px).max())
    if side.seen_share < _LEAST_SEEN or read_u > u_rad or moved > 1.5 * reach_px:
        return expected_xy_px, u_rad
    return side.ends_xy_px, read_u


def _turn_u_px(side: Side) -> float:
    """How far one end of the line may be off against the other."""
    apart = np.array([-1.0, 1.0])
    return math.sqrt(float(apart @ side.end_covariance @ apart))
