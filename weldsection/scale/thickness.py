"""The plate's own thickness, measured with a caliper, as the scale."""

from __future__ import annotations

import math

import numpy as np

from weldsection.errors import ScaleError
from weldsection.flags import Flag
from weldsection.records import (
    FaceOutline,
    FloatArray,
    Photo,
    ScaleReference,
    ScaleSource,
)
from weldsection.scale.edges import CouponEdges
from weldsection.scale.ends import seen_edges
from weldsection.scale.request import ReferenceRequest
from weldsection.scale.tilt import (
    Camera,
    coupon_evidence,
    project_all,
    solve_pose,
)

# a caliper in a workshop, on a sawn plate: ± 0.05 mm (common practice, no source)
_CALIPER_U_MM = 0.05
# sizes plate is sold in, mm (EN 10029 and EN 10051 tables run over these)
_NOMINAL_MM = (3, 4, 5, 6, 8, 10, 12, 15, 16, 18, 20, 25, 30, 35, 40)
# EN 10029:1991 Table 1, class A: up to thickness -> (lower, upper) deviation, mm
_CLASS_A_MM = (
    (5.0, (-0.4, 0.8)),
    (8.0, (-0.4, 1.1)),
    (15.0, (-0.5, 1.2)),
    (25.0, (-0.6, 1.3)),
    (40.1, (-0.8, 1.4)),
)


def find_thickness(
    photo: Photo, face: FaceOutline, request: ReferenceRequest
) -> ScaleReference:
    """Scale from the distance of the plate's top and bottom edge.

    The edges' own convergence and squareness give the tilt as far as they can.
    """
    edges = seen_edges(photo, face)
    gap_px = _gap_px(edges)
    if gap_px < 8:
        raise ScaleError(
            f"The plate is only {gap_px:.0f} px thick in the photo, too little for "
            "a scale; move closer or pass another --reference."
        )
    centre = edges.centre_xy_px
    camera = Camera.of(photo.shape, photo.origin.focal_length_px)
    pose = solve_pose(
        camera,
        sized=lambda h: sized_by_gap(h, edges, request.length_mm),
        evidence=(coupon_evidence(edges),),
    ).balanced(centre)
    tilt = pose.source("tilt", centre)
    caliper_u_mm = thickness_u_mm(request)
    nominal = is_nominal(request)
    flags = (Flag.NOMINAL_THICKNESS,) * nominal
    return ScaleReference(
        kind="thickness",
        homography=pose.homography,
        centre_xy_px=centre,
        sources=(
            ScaleSource.constant("caliper", caliper_u_mm / request.length_mm),
            ScaleSource.constant("graduation", edges.gap_u_px / gap_px),
            tilt,
        ),
        outline_xy_px=np.vstack([edges.top_xy_px, edges.bottom_xy_px[::-1]]),
        finding=(
            f"The plate's thickness of {request.length_mm:g} mm "
            f"({'nominal' if nominal else 'measured'}) spans {gap_px:.0f} px."
        ),
        shows_tilt=False,
        flags=flags,
    )


def is_nominal(request: ReferenceRequest) -> bool:
    """Whether a thickness looks like an ordered one and not like a measured one."""
    return request.typed_coarse and request.length_mm in _NOMINAL_MM


def thickness_u_mm(request: ReferenceRequest) -> float:
    """Standard uncertainty of the plate's thickness.

    A nominal one may be off by EN 10029's class A deviations, taken as equally
    likely between their limits and about the nominal size.
    """
    if not is_nominal(request):
        return _CALIPER_U_MM
    low, high = next(
        (limits for top, limits in _CLASS_A_MM if request.length_mm < top),
        _CLASS_A_MM[-1][1],
    )
    # mean square of a rectangle from low to high about zero
    return math.sqrt((low**2 + low * high + high**2) / 3)


def _gap_px(edges: CouponEdges) -> float:
    return float(_gaps(np.eye(3)[None], edges)[0])


def _gaps(homographies: FloatArray, edges: CouponEdges) -> FloatArray:
    """Distance of the middles of top and bottom, square to them: ``(D,)``."""
    points = np.vstack([edges.top_xy_px, edges.bottom_xy_px])
    top_left, top_right, bottom_left, bottom_right = project_all(
        homographies, points
    ).transpose(1, 0, 2)
    along = (top_right - top_left) + (bottom_right - bottom_left)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    down = (bottom_left + bottom_right - top_left - top_right) / 2
    gap = down[:, 1] * along[:, 0] - down[:, 0] * along[:, 1]
    return np.asarray(np.abs(gap), dtype=np.float64)


def sized_by_gap(
    homographies: FloatArray, edges: CouponEdges, thickness_mm: float
) -> FloatArray:
    """Homographies ``(D, 3, 3)`` grown so that the edges lie so far apart."""
    grow = thickness_mm / _gaps(homographies, edges)
    sized = homographies.copy()
    sized[:, :2] *= grow[:, None, None]
    return sized
