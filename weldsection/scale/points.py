"""Two points in the photo and their distance, as the scale."""

from __future__ import annotations

import math

import numpy as np

from weldsection.errors import ScaleError, UsageError
from weldsection.records import (
    FaceOutline,
    FloatArray,
    Photo,
    ScaleReference,
    ScaleSource,
)
from weldsection.scale.ends import seen_edges
from weldsection.scale.request import ReferenceRequest
from weldsection.scale.tilt import (
    Camera,
    Residuals,
    coupon_evidence,
    project_all,
    solve_pose,
)

# where a person clicks on a mark: about ± 1.5 px (common practice, no source)
_CLICK_U_PX = 1.5
# distance of two marks read with a caliper or a rule, standard uncertainty
_DISTANCE_U_MM = 0.1


def find_points(
    photo: Photo, face: FaceOutline, request: ReferenceRequest
) -> ScaleReference:
    """Scale from the distance of two points in the plane of the face."""
    points = np.array(request.points_xy_px, dtype=np.float64)
    _check_inside(points, photo.shape, request)
    centre = np.asarray(points.mean(axis=0), dtype=np.float64)
    pose = solve_pose(
        Camera.of(photo.shape, photo.origin.focal_length_px),
        sized=lambda h: sized_by_points(h, points, request.length_mm),
        evidence=_evidence(photo, face),
    ).balanced(centre)
    tilt = pose.source("tilt", centre)
    distance_px = math.hypot(*(points[1] - points[0]))
    click_u = math.sqrt(2) * _CLICK_U_PX / distance_px
    return ScaleReference(
        kind="points",
        homography=pose.homography,
        centre_xy_px=centre,
        sources=(
            ScaleSource.constant("caliper", _DISTANCE_U_MM / request.length_mm),
            ScaleSource.constant("graduation", click_u),
            tilt,
        ),
        outline_xy_px=points,
        finding=(
            f"The two points lie {distance_px:.0f} px and {request.length_mm:g} mm "
            "apart."
        ),
        shows_tilt=False,
    )


def _evidence(photo: Photo, face: FaceOutline) -> tuple[Residuals, ...]:
    """What the plate's edges show of the tilt: nothing where they are not seen."""
    try:
        return (coupon_evidence(seen_edges(photo, face)),)
    except ScaleError:
        return ()


def _check_inside(
    points: FloatArray, shape: tuple[int, int], request: ReferenceRequest
) -> None:
    rows, columns = shape
    outside = (points < -0.5) | (points > np.array([columns, rows]) - 0.5)
    if outside.any():
        raise UsageError(
            f"--reference {request.text!r} names a point outside the upright photo "
            f"of {columns} × {rows} px; give x and y inside it."
        )


def sized_by_points(
    homographies: FloatArray, points: FloatArray, distance_mm: float
) -> FloatArray:
    """Homographies ``(D, 3, 3)`` grown so that two points lie so far apart."""
    ends = project_all(homographies, points)
    found = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    sized = homographies.copy()
    sized[:, :2] *= (distance_mm / found)[:, None, None]
    return sized
