"""The face nearer to the camera than the reference, or further away."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from weldsection.errors import UsageError
from weldsection.flags import Flag
from weldsection.records import (
    FaceOutline,
    FloatArray,
    Options,
    Photo,
    ScaleReference,
    ScaleSource,
)
from weldsection.scale.edges import CouponEdges
from weldsection.scale.request import BESIDE
from weldsection.scale.tilt import Camera, project_all

# "level with the face" by eye to ± 1 mm, and to ± 0.5 mm where a height was told;
# any height between is as likely (common practice, no source)
BY_EYE_MM = 1.0
_LEVEL_U_MM = BY_EYE_MM / math.sqrt(3)
_TOLD_U_MM = 0.5 / math.sqrt(3)
# a usual sawn slice, to tell what lying lower on the bench would do
_SLICE_MM = 10.0
# a plate's edges, seen through a reference's plane, converge by less than this
# while the face lies in that plane
_CONVERGE_RAD = math.radians(0.5)
# a reference that the coupon lies on is lower than the face by the coupon's
# depth, not known: a standard uncertainty that covers a sawn slice
_UNDERNEATH_U_MM = 10.0


def at_face(
    reference: ScaleReference,
    photo: Photo,
    face: FaceOutline,
    options: Options,
    edges: CouponEdges | None,
) -> ScaleReference:
    """Carry a reference's scale from its own plane to that of the face.

    A plane nearer by dz than one at distance Z is seen larger by Z / (Z - dz).
    """
    if reference.kind not in BESIDE:
        return reference
    distance_mm, distance_u_mm = camera_distance(reference, photo, options)
    height_mm = options.face_height_mm or 0.0
    if height_mm > 0.5 * distance_mm:
        raise UsageError(
            f"--face-height {height_mm:g} is too much for a camera {distance_mm:.0f} "
            "mm away; give the height of the face above the reference in mm."
        )
    told = options.face_height_mm is not None
    beneath = not told and _covered_share(reference, face) > 0.02
    level_u_mm = _TOLD_U_MM if told else _LEVEL_U_MM
    height_u_mm = _UNDERNEATH_U_MM if beneath else level_u_mm
    remaining = distance_mm - height_mm
    # d ln(scale) = -dh / (Z - h) + h dZ / (Z (Z - h))
    plane_u = math.hypot(
        height_u_mm / remaining, height_mm * distance_u_mm / (distance_mm * remaining)
    )
    shrink = remaining / distance_mm
    skewed = edges is not None and _askew(reference, edges)
    return replace(
        reference,
        homography=np.diag([shrink, shrink, 1.0]) @ reference.homography,
        sources=(*reference.sources, ScaleSource.constant("plane", plane_u)),
        flags=reference.flags
        + (Flag.FACE_NOT_IN_REFERENCE_PLANE,) * (beneath or skewed),
    )


def height_sentence(reference: ScaleReference, photo: Photo, options: Options) -> str:
    """What was taken for the height of the face; empty for what lies in it."""
    if reference.kind not in BESIDE:
        return ""
    if options.face_height_mm is not None:
        return (
            f"{options.face_height_mm:g} mm from the {reference.kind} towards the "
            "camera, as told."
        )
    distance_mm, _ = camera_distance(reference, photo, options)
    percent = 100 * _SLICE_MM / max(distance_mm - _SLICE_MM, _SLICE_MM)
    return (
        f"taken to be level with the {reference.kind} to ± {BY_EYE_MM:g} mm; "
        f"{_SLICE_MM:g} mm nearer to the camera, {distance_mm:.0f} mm away, would "
        f"make lengths {percent:.1f} % too large and no photo shows it. "
        "Say so with --face-height MM (0 when level)."
    )


def camera_distance(
    reference: ScaleReference, photo: Photo, options: Options
) -> tuple[float, float]:
    """Distance from camera to reference and its standard uncertainty, in mm."""
    if options.camera_distance_mm is not None:
        # read with a tape beside the phone: ± 2 % (common practice, no source)
        return options.camera_distance_mm, 0.02 * options.camera_distance_mm
    camera = Camera.of(photo.shape, photo.origin.focal_length_px)
    scale = reference.mm_per_px_at(camera.axis_xy_px)
    if not 0 < scale < 1e3:
        scale = reference.mm_per_px_at(reference.centre_xy_px)
    distance_mm = camera.focal_px * scale
    return distance_mm, camera.focal_relative_u * distance_mm


def _covered_share(reference: ScaleReference, face: FaceOutline) -> float:
    """Share of the face that lies over the reference's outline."""
    import cv2  # noqa: PLC0415 - only needed with an outline that is an area

    hull = cv2.convexHull(reference.outline_xy_px.astype(np.float32))
    corners = face.corners_xy_px.astype(np.float32)
    if len(hull) < 3:
        return 0.0
    shared, _ = cv2.intersectConvexConvex(hull, cv2.convexHull(corners))
    return float(shared) / max(float(cv2.contourArea(corners)), 1.0)


def _askew(reference: ScaleReference, edges: CouponEdges) -> bool:
    """Whether the plate's edges are not parallel in the reference's plane."""
    if not reference.shows_tilt:
        return False
    lines = np.vstack([edges.top_xy_px, edges.bottom_xy_px])
    run = _runs(reference.homography, lines)
    turn = math.remainder(
        math.atan2(run[0, 1], run[0, 0]) - math.atan2(run[1, 1], run[1, 0]), math.pi
    )
    return abs(turn) > _CONVERGE_RAD + 4 * _turn_u(reference, edges)


def _runs(homography: FloatArray, lines: FloatArray) -> FloatArray:
    ends = project_all(homography[None], lines)[0]
    return np.asarray(ends[[1, 3]] - ends[[0, 2]], dtype=np.float64)


def _turn_u(reference: ScaleReference, edges: CouponEdges) -> float:
    """Uncertainty of the angle between the edges as seen in the plane, in rad."""
    slopes = sum(float(np.trace(s.covariance[1:, 1:])) for s in reference.sources)
    gap = np.linalg.norm(edges.bottom_xy_px - edges.top_xy_px, axis=1).mean()
    # a wrong slope of the scale turns the far edge against the near one
    return math.hypot(edges.parallel_u_rad, math.sqrt(slopes) * float(gap))
