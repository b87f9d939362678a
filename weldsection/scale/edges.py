"""The coupon's own straight edges, as far as they help to find scale and tilt."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from weldsection.errors import ScaleError
from weldsection.records import FaceOutline, FloatArray

# Tukey's biweight at 4.685 robust widths keeps 95 % of least squares' efficiency
_TUKEY = 4.685
# how well an edge is located whatever the scatter of its points: a slightly
# rounded, burred or blurred edge moves as a whole (measured on drawn coupons)
_EDGE_SYSTEMATIC_PX = 0.5
# how well a corner is located, in px of the reduced copy in which the outline is found
# (median on drawn coupons, beside the ends read at full resolution)
_CORNER_REDUCED_PX = 0.5


@dataclass(frozen=True, slots=True)
class CouponEdges:
    """Straight lines through the plate's edges in the photo, bow taken out.

    Lines are ``(2, 2)``: two points on it in px, its ends.
    """

    top_xy_px: FloatArray
    bottom_xy_px: FloatArray
    left_xy_px: FloatArray
    right_xy_px: FloatArray
    gap_u_px: float
    """Standard uncertainty of the distance of top and bottom at mid-length."""
    parallel_u_rad: float
    """Standard uncertainty of the angle between top and bottom."""
    end_u_rad: tuple[float, float]
    """Standard uncertainty of the direction of each end, as seen in the photo."""
    ends_seen: tuple[bool, bool]

    @property
    def centre_xy_px(self) -> FloatArray:
        """Middle of the four line ends on top and bottom."""
        both = np.vstack([self.top_xy_px, self.bottom_xy_px])
        return np.asarray(both.mean(axis=0), dtype=np.float64)


def coupon_edges(face: FaceOutline) -> CouponEdges:
    """Fit the plate's edges: top and bottom share one bow, outliers are left out."""
    corners = face.corners_xy_px
    along = (corners[1] - corners[0]) + (corners[2] - corners[3])
    along = along / max(math.hypot(*along), 1e-9)
    across = np.array([-along[1], along[0]])
    turn = np.column_stack([along, across])
    origin = face.centre_xy_px
    top, bottom = (
        (np.asarray(p, dtype=np.float64) - origin) @ turn
        for p in (face.top_edge_xy_px, face.bottom_edge_xy_px)
    )
    if min(len(top), len(bottom)) < 4:
        raise ScaleError(
            "The plate's top and bottom edges are not both visible; "
            "show the whole face or pass another --reference."
        )
    half = max(float(np.ptp(np.vstack([top, bottom])[:, 0])) / 2, 1.0)
    line, covariance = _two_parallel_curves(top, bottom, half)
    ends = np.array([-half, half])
    gap_u, slope_u = _gap_uncertainty(covariance)
    corner_u_px = max(_CORNER_REDUCED_PX * face.reduction, 1.0)
    return CouponEdges(
        top_xy_px=_line_px(line[0], line[1] / half, ends, turn) + origin,
        bottom_xy_px=_line_px(line[2], line[3] / half, ends, turn) + origin,
        left_xy_px=corners[[0, 3]],
        right_xy_px=corners[[1, 2]],
        gap_u_px=math.hypot(gap_u, _EDGE_SYSTEMATIC_PX * math.sqrt(2)),
        parallel_u_rad=math.hypot(slope_u, _EDGE_SYSTEMATIC_PX) / half,
        end_u_rad=(corner_u_px * math.sqrt(2) / max(face.thickness_px, 1.0),) * 2,
        ends_seen=(not face.cut_by_picture[0], not face.cut_by_picture[1]),
    )


def _two_parallel_curves(
    top: FloatArray, bottom: FloatArray, half: float
) -> tuple[FloatArray, FloatArray]:
    """Fit (height, slope) of top and of bottom with one bow; slopes per `half`."""
    t, b = top[:, 0] / half, bottom[:, 0] / half
    zero_t, zero_b = np.zeros_like(t), np.zeros_like(b)
    upper = np.column_stack([np.ones_like(t), t, zero_t, zero_t, t**2])
    lower = np.column_stack([zero_b, zero_b, np.ones_like(b), b, b**2])
    design = np.vstack([upper, lower])
    height = np.concatenate([top[:, 1], bottom[:, 1]])
    weight = np.ones_like(height)
    coefficients = np.zeros(5)
    spread = 1.0
    for _ in range(12):
        scaled = design * weight[:, None]
        # the small ridge keeps the bow finite when all points lie together
        normal = scaled.T @ design + np.diag([1e-9] * 4 + [1e-6])
        coefficients = np.linalg.solve(normal, scaled.T @ height)
        residual = height - design @ coefficients
        # 1.4826 turns a median absolute deviation into a standard deviation
        spread = max(1.4826 * float(np.median(np.abs(residual))), 0.1)
        weight = np.clip(1 - (residual / (_TUKEY * spread)) ** 2, 0, None) ** 2
    # neighbouring edge points share their error: count one in ten as its own
    covariance = 10 * spread**2 * np.linalg.inv(normal)
    return coefficients, covariance


def _gap_uncertainty(covariance: FloatArray) -> tuple[float, float]:
    """Uncertainty of the gap at mid-length and of its growth to one end, px."""
    gap = np.array([-1.0, 0.0, 1.0, 0.0, 0.0])
    growth = np.array([0.0, -1.0, 0.0, 1.0, 0.0])
    return (
        math.sqrt(float(gap @ covariance @ gap)),
        math.sqrt(float(growth @ covariance @ growth)),
    )


def _line_px(
    height: float, slope: float, ends: FloatArray, turn: FloatArray
) -> FloatArray:
    local = np.column_stack([ends, height + slope * ends])
    return np.asarray(local @ turn.T, dtype=np.float64)
