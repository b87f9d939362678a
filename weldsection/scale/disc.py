"""Anything round of known diameter, such as a coin or a washer, as the scale."""

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
from weldsection.scale.edges import coupon_edges
from weldsection.scale.ellipse import EllipseFit
from weldsection.scale.request import ReferenceRequest
from weldsection.scale.rim import read_rim
from weldsection.scale.rounds import RoundThing, find_rounds
from weldsection.scale.tilt import (
    TILT_MATTERS,
    Camera,
    Pose,
    Residuals,
    coupon_evidence,
    project_all,
    solve_pose,
)

# coins are struck to about ± 0.05 mm and wear (common practice, no source)
_DIAMETER_U_MM = 0.04
# a bevelled rim and its gleam shift an edge as a whole (measured on drawn discs)
_EDGE_SYSTEMATIC_PX = 0.3
# how far a struck coin or turned washer is out of round (common practice)
_ROUNDNESS = 0.0007
# smallest share of the rim on which the edge must be seen
_LEAST_RIM = 0.6


# an outline whose n-th harmonic swings by more than this share of the radius
# is no circle: a flower rim swings by 1 %, a rounded heptagon by 0.6 %
_OUT_OF_ROUND = 0.0035


def find_disc(
    photo: Photo, face: FaceOutline, request: ReferenceRequest
) -> ScaleReference:
    """Scale and tilt from the outline of a disc."""
    found = find_rounds(photo, face, request.length_mm)
    rim = read_rim(photo.bgr, _only_one(found, request).ellipse)
    _check_round(rim, request)
    disc = rim.ellipse
    centre = disc.centre_xy_px
    pose = _pose(photo, face, rim, request.length_mm)
    tilt = pose.source("tilt", centre)
    radius_px = math.sqrt(math.prod(disc.semi_axes_px))
    radius_u_px = math.hypot(math.sqrt(rim.covariance[2, 2]), _EDGE_SYSTEMATIC_PX)
    at_face = tilt.relative_u_at(face.centre_xy_px - centre)
    return ScaleReference(
        kind="disc",
        homography=pose.homography,
        centre_xy_px=centre,
        sources=(
            ScaleSource.constant("graduation", radius_u_px / radius_px),
            ScaleSource.constant(
                "reference tolerance", _DIAMETER_U_MM / request.length_mm
            ),
            tilt,
        ),
        outline_xy_px=disc.points_xy_px(72),
        finding=(
            f"A disc of {request.length_mm:g} mm spans {2 * radius_px:.0f} px, seen "
            f"on {100 * seen_share(rim):.0f} % of its rim."
        ),
        shows_tilt=True,
        flags=(Flag.TILT_UNKNOWN,) * (at_face > TILT_MATTERS),
    )


def _only_one(found: tuple[RoundThing, ...], request: ReferenceRequest) -> RoundThing:
    if not found:
        raise ScaleError(
            f"No disc of {request.length_mm:g} mm was found; show it whole on an even "
            "background or pass another --reference."
        )
    best = found[0]
    for other in found[1:]:
        if abs(math.log(other.radius_px / best.radius_px)) > 0.03:
            raise ScaleError(
                "Two round things of different size are in the photo; leave only the "
                f"one of {request.length_mm:g} mm in it."
            )
    return best


def seen_share(rim: EllipseFit) -> float:
    """Share of the rim where the edge lies on the ellipse."""
    near = np.abs(rim.residual_px) < max(1.0, 4 * rim.spread_px)
    return float(np.mean(near))


def _check_round(rim: EllipseFit, request: ReferenceRequest) -> None:
    radius = rim.ellipse.mean_px
    if seen_share(rim) < _LEAST_RIM or rim.spread_px > max(0.012 * radius, 1.5):
        raise ScaleError(
            f"The disc of {request.length_mm:g} mm is not seen clearly all around; "
            "lay it on an even background, clear of everything else."
        )
    swing, noise = _harmonics(rim)
    order = int(np.argmax(swing))
    if swing[order] > max(_OUT_OF_ROUND * radius, 0.6, 5 * noise):
        raise ScaleError(
            f"The disc is not round: its rim swings {order + 3} times by "
            f"{100 * swing[order] / radius:.1f} % of its radius; take a round one."
        )


def _harmonics(rim: EllipseFit) -> tuple[FloatArray, float]:
    """Amplitudes of the rim's harmonics 3 to 12, and their usual size, in px."""
    reach = 0.03 * rim.ellipse.mean_px
    residual = np.clip(np.nan_to_num(rim.residual_px), -reach, reach)
    wave = 2 * np.abs(np.fft.rfft(residual)) / len(residual)
    return wave[3:13], float(np.median(wave[3:25]))


# ---------------------------------------------------------------------- tilt


def _pose(photo: Photo, face: FaceOutline, rim: EllipseFit, diameter_mm: float) -> Pose:
    """The tilt under which the ellipse is a circle, helped by the coupon.

    An ellipse alone leaves two answers, tilted to one side or to the other.
    """
    disc = rim.ellipse
    long, short = disc.semi_axes_px
    slope = math.tan(math.acos(min(short / long, 1.0)))
    across = disc.long_axis_rad + math.pi / 2
    a, b = slope * math.cos(across), slope * math.sin(across)
    points = disc.points_xy_px(72)
    return solve_pose(
        Camera.of(photo.shape, photo.origin.focal_length_px),
        sized=lambda h: _sized(h, points, diameter_mm),
        evidence=(
            _round_evidence(rim, points),
            coupon_evidence(coupon_edges(face)),
        ),
        starts=((a, b), (-a, -b)),
    ).balanced(disc.centre_xy_px)


def _round_evidence(rim: EllipseFit, points_xy_px: FloatArray) -> Residuals:
    """What the ellipse says: in the plane of the face it is a circle."""
    reading = math.sqrt((rim.covariance[3, 3] + rim.covariance[4, 4]) / 2)
    edge = _EDGE_SYSTEMATIC_PX / 2  # an edge may shift more on one side
    u = math.hypot(
        reading / rim.ellipse.mean_px, edge / rim.ellipse.mean_px, _ROUNDNESS
    )

    def residuals(homographies: FloatArray) -> FloatArray:
        mapped = project_all(homographies, points_xy_px)
        radius, direction = _polar(mapped)
        relative = radius / radius.mean(axis=1, keepdims=True)
        weight = 2 / len(points_xy_px) / u
        return np.stack(
            [
                (relative * np.cos(2 * direction)).sum(axis=1) * weight,
                (relative * np.sin(2 * direction)).sum(axis=1) * weight,
            ],
            axis=1,
        )

    return residuals


def _polar(points_xy: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Radius and direction about the middle of each ring ``(D, N, 2)``."""
    local = points_xy - points_xy.mean(axis=1, keepdims=True)
    return np.hypot(local[..., 0], local[..., 1]), np.arctan2(
        local[..., 1], local[..., 0]
    )


def _sized(
    homographies: FloatArray, points_xy_px: FloatArray, diameter_mm: float
) -> FloatArray:
    """Give the ring the area of the disc."""
    ring = project_all(homographies, points_xy_px)
    following = np.roll(ring, -1, axis=1)
    area = 0.5 * np.abs(
        (ring[..., 0] * following[..., 1] - ring[..., 1] * following[..., 0]).sum(
            axis=1
        )
    )
    # a regular polygon of N corners on the circle is smaller than the disc
    count = len(points_xy_px)
    expected = count / 8 * math.sin(2 * math.pi / count) * diameter_mm**2
    sized = homographies.copy()
    sized[:, :2] *= np.sqrt(expected / area)[:, None, None]
    return sized
