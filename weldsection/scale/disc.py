"""Anything round of known diameter, such as a coin or a washer, as the scale."""

from __future__ import annotations

import math

import numpy as np

from weldsection.errors import ScaleError
from weldsection.flags import Flag
from weldsection.records import (
    ByteArray,
    FaceOutline,
    FloatArray,
    Photo,
    ScaleReference,
    ScaleSource,
)
from weldsection.scale.edges import CouponEdges
from weldsection.scale.ellipse import Ellipse, EllipseFit, Foreshortening
from weldsection.scale.ends import seen_edges
from weldsection.scale.ground import reach_by_colour
from weldsection.scale.request import ReferenceRequest
from weldsection.scale.rim import (
    COLOUR_TELLS,
    FIRST_SWING,
    read_rim,
    rim_width_px,
    swings,
)
from weldsection.scale.rounds import RoundThing, find_rounds
from weldsection.scale.tilt import (
    Camera,
    Pose,
    Residuals,
    coupon_evidence,
    less_if_far,
    project_all,
    shapes_at,
    solve_pose,
    tilt_of,
)

# coins are struck to about ± 0.05 mm and wear (common practice, no source)
_DIAMETER_U_MM = 0.04
# a bevelled rim and its gleam shift an edge as a whole (measured on drawn discs)
_EDGE_SYSTEMATIC_PX = 0.3
# and, of the radius, where a rim's bevel is taken for its edge
_BEVEL = 0.003
# coins and washers are bevelled or rounded over about this width at the rim; where
# the two edges of that band run into one, either may be read (common practice)
_BAND_MM = 0.3
# two edges run into one when they are nearer than so many of their standard widths
_APART = 2.4
# how far off the size then is, of the band (root mean square, drawn discs): mostly
# the right edge is read, and now and then the other
_OF_BAND = 0.4
# bevel, gleam and wall pull the outline out of round: by this much, and by this many
# times what leaving out sectors of it shows (measured on 137 drawn discs)
_ROUNDNESS = 0.0005
_ROUNDNESS_PX = 0.11
_ROUNDNESS_OF_SCATTER = 1.1
# degrees of freedom of the tails: one outline in twenty is out by 2.8 times as much
_ROUNDNESS_TAIL = 4
# thickness of coins and washers, whose wall shows beyond the rim, mm
_WALL_MM = 1.8
# an outline that takes a third of the wall for the rim is larger by this share of
# the wall's width over the diameter
_WALL_TAKEN = 0.14
# a second round thing at least this clear beside the first makes it unclear
# which is meant
_RIVAL = 0.65
# clarity of round things below which there is none: craters, folds and clouds reach
# 0.3, drawn coins stand mostly from 1 on
_CLEAR = 0.28
# coupons are some 80 mm long, two of three within a factor of two: a printed letter
# beside a coin is round too, and would make the coupon much longer
_COUPON_MM = 80.0
_COUPON_SD = 0.7
# smallest disc across: a coin of 16 mm at 5 px per mm
_LEAST_PX = 80.0
# smallest share of the rim on which the edge must be seen
_LEAST_RIM = 0.6


# an outline whose n-th harmonic swings by more than this share of the radius
# is no circle: a flower rim swings by 1 %, a rounded heptagon by 0.6 %
_OUT_OF_ROUND = 0.0035
# scatter of the rim about its ellipse, as a share of the radius, of coins with a
# waved or cornered rim (measured on drawn ones: from 0.0042)
_STRAYS = 0.0038
# a soft shadow's edge that was read for the rim is some 5 % larger, and the rim's own
# this many times as clean (on a drawn photo: 20 times)
_WITHIN_SHADOW = 0.95
_AS_CLEAN = 5.0


def find_disc(
    photo: Photo, face: FaceOutline, request: ReferenceRequest
) -> ScaleReference:
    """Scale and tilt from the outline of a disc."""
    rounds = find_rounds(photo, face, request.length_mm)
    found = _only_one(rounds, request, face.length_px)
    edges = seen_edges(photo, face)
    shape, wall_px = _expected(photo, edges, found.ellipse, request.length_mm)
    rim = _rim(photo.bgr, found.ellipse, shape, wall_px)
    _check_round(photo.bgr, rim, request)
    disc = rim.ellipse
    centre = disc.centre_xy_px
    band_px = _unresolved_px(photo.bgr, disc, request.length_mm)
    pose = _pose(photo, edges, rim, request.length_mm)
    tilt = pose.source("tilt", centre)
    radius_px = math.sqrt(math.prod(disc.semi_axes_px))
    reading_u = (
        math.hypot(math.sqrt(rim.covariance[2, 2]), _EDGE_SYSTEMATIC_PX, band_px)
        / radius_px
    )
    wall_mm = float(np.linalg.norm(_wall_mm(photo, pose.homography, centre)))
    wall_u = _WALL_TAKEN * wall_mm / request.length_mm
    return ScaleReference(
        kind="disc",
        homography=pose.homography,
        centre_xy_px=centre,
        sources=(
            ScaleSource.constant("graduation", math.hypot(reading_u, wall_u, _BEVEL)),
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
        flags=(Flag.SCALE_UNSURE,) * (found.ringed or _contradicted(photo.bgr, disc)),
    )


def _contradicted(bgr: ByteArray, disc: Ellipse) -> bool:
    """Whether colours put the outline elsewhere than its edges do, or see none."""
    return not abs(reach_by_colour(bgr, disc) - 1) <= COLOUR_TELLS


def _unresolved_px(bgr: ByteArray, disc: Ellipse, diameter_mm: float) -> float:
    """Doubt about which edge of the rim's band was read, in px of the radius.

    Of a sharp and large picture none; where the band is too narrow to be told apart,
    either edge may have been read, and the other is as likely the rim.
    """
    band_px = _BAND_MM * 2 * disc.mean_px / diameter_mm
    told_px = _APART * rim_width_px(bgr, disc)
    unresolved = 1 / (1 + (band_px / max(told_px, 1e-6)) ** 4)
    return _OF_BAND * band_px * unresolved


def _wall_mm(photo: Photo, homography: FloatArray, at_xy_px: FloatArray) -> FloatArray:
    """Where and how wide a coin's wall shows beside its upper face, in mm."""
    camera = Camera.of(photo.shape, photo.origin.focal_length_px)
    # straight below the camera none shows: there the plane's normal meets the eye
    below = camera.axis_xy_px + camera.focal_px * np.array(tilt_of(homography, camera))
    # things deeper by dz lie nearer to that point by dz / Z of their distance
    return _WALL_MM * (below - at_xy_px) / camera.focal_px


def _only_one(
    found: tuple[RoundThing, ...], request: ReferenceRequest, face_px: float
) -> RoundThing:
    found = tuple(thing for thing in found if thing.clarity > _CLEAR)
    if not found:
        raise ScaleError(
            f"No disc of {request.length_mm:g} mm was found; show it whole on an even "
            "background or pass another --reference."
        )
    discs = tuple(thing for thing in found if not thing.hole)
    if not discs:
        raise ScaleError(
            f"Only the hole of a ring is seen clearly, not its rim of "
            f"{request.length_mm:g} mm; show the ring whole on an even background."
        )
    likely = {
        thing: thing.clarity * _usual(face_px * request.length_mm / 2 / thing.radius_px)
        for thing in discs
    }
    best, *others = sorted(discs, key=lambda thing: -likely[thing])
    for other in others:
        alike = likely[other] > _RIVAL * likely[best]
        if alike and abs(math.log(other.radius_px / best.radius_px)) > 0.03:
            raise ScaleError(
                "Two round things of different size are in the photo; leave only the "
                f"one of {request.length_mm:g} mm in it."
            )
    return best


def _usual(coupon_mm: float) -> float:
    """How usual a coupon of that length is, beside the most usual one."""
    return math.exp(-0.5 * (math.log(coupon_mm / _COUPON_MM) / _COUPON_SD) ** 2)


def seen_share(rim: EllipseFit) -> float:
    """Share of the rim, where it can be trusted, that lies on the ellipse."""
    near = np.abs(rim.residual_px) < max(1.0, 4 * rim.spread_px)
    return float(rim.trust @ near / rim.trust.sum())


def _rim(
    bgr: ByteArray, seen: Ellipse, shape: Foreshortening, wall_xy_px: FloatArray
) -> EllipseFit:
    """The rim: the edge that was seen, or a cleaner one within a soft shadow's."""
    rim = read_rim(bgr, seen, shape, wall_xy_px)
    if not _strays(rim):
        return rim
    try:
        inner = read_rim(bgr, rim.ellipse.scaled(_WITHIN_SHADOW), shape, wall_xy_px)
    except ScaleError:
        return rim
    clean = _AS_CLEAN * inner.spread_px < rim.spread_px
    return inner if clean and not _contradicted(bgr, inner.ellipse) else rim


def _strays(rim: EllipseFit) -> bool:
    """Whether the rim strays from its ellipse by too much for a circle."""
    return rim.spread_px > max(_STRAYS * rim.ellipse.mean_px, 0.7)


def _check_round(bgr: ByteArray, rim: EllipseFit, request: ReferenceRequest) -> None:
    radius = rim.ellipse.mean_px
    if 2 * radius < _LEAST_PX:
        raise ScaleError(
            f"The disc of {request.length_mm:g} mm spans only {2 * radius:.0f} px, too "
            "little for a scale; move closer or pass another --reference."
        )
    if _strays(rim):
        raise ScaleError(
            "The disc is not round or hard to see: its rim strays by "
            f"{100 * rim.spread_px / radius:.1f} % of its radius; take a round one on "
            "an even background."
        )
    if seen_share(rim) < _LEAST_RIM:
        raise ScaleError(
            f"The disc of {request.length_mm:g} mm is not seen clearly all around; "
            "lay it on an even background, clear of everything else."
        )
    swing = swings(bgr, rim.ellipse)
    order = int(np.argmax(swing))
    if swing[order] > max(_OUT_OF_ROUND * radius, 0.6):
        raise ScaleError(
            f"The disc is not round: its rim swings {order + FIRST_SWING} times by "
            f"{100 * swing[order] / radius:.1f} % of its radius; take a round one."
        )


# ---------------------------------------------------------------------- tilt


def _expected(
    photo: Photo, edges: CouponEdges, disc: Ellipse, diameter_mm: float
) -> tuple[Foreshortening, FloatArray]:
    """Shape of a circle there, and its wall in px, as the coupon's edges tell."""
    pose = solve_pose(
        Camera.of(photo.shape, photo.origin.focal_length_px),
        sized=lambda h: h,
        evidence=(coupon_evidence(edges),),
    )
    q, s = shapes_at(pose.draws, disc.centre_xy_px).T
    spread = math.hypot(float(q.std()), float(s.std())) / math.sqrt(2)
    # the shape goes with the square of the tilt: its tail is longer than its spread
    sd = 1.6 * spread + 0.001
    shape = Foreshortening(float(q.mean()), float(s.mean()), sd)
    wall_mm = _wall_mm(photo, pose.homography, disc.centre_xy_px)
    return shape, wall_mm * 2 * disc.mean_px / diameter_mm


def _pose(
    photo: Photo, edges: CouponEdges, rim: EllipseFit, diameter_mm: float
) -> Pose:
    """The tilt under which the ellipse is a circle, helped by the coupon."""
    points = rim.ellipse.points_xy_px(72)
    camera = Camera.of(photo.shape, photo.origin.focal_length_px)
    return solve_pose(
        camera,
        sized=lambda h: _sized(h, points, diameter_mm),
        evidence=(
            _round_evidence(rim, points),
            coupon_evidence(edges),
        ),
        starts=(*((a, b) for a, b in two_tilts(rim.ellipse, camera)), (0.0, 0.0)),
    ).balanced(rim.ellipse.centre_xy_px)


def two_tilts(disc: Ellipse, camera: Camera) -> FloatArray:
    """Tilts (a, b) of the two planes on which an ellipse is a circle, ``(2, 2)``.

    The rays through the ellipse are a cone; it is cut in circles by two families of
    planes, one on each side of its own axis.
    """
    to_axis = camera.axis_xy_px - disc.centre_xy_px
    side = np.linalg.solve(
        disc.matrix, np.column_stack([camera.focal_px * np.eye(2), to_axis])
    )
    cone = side.T @ side - np.diag([0.0, 0.0, 1.0])
    (low, middle, high), ways = np.linalg.eigh(cone)
    across = math.sqrt((high - middle) / (high - low)) * ways[:, 2]
    along = math.sqrt((middle - low) / (high - low)) * ways[:, 0]
    normals = np.array([along + across, along - across])
    return np.asarray(normals[:, :2] / normals[:, 2:], dtype=np.float64)


def _round_evidence(rim: EllipseFit, points_xy_px: FloatArray) -> Residuals:
    """What the ellipse says: in the plane of the face it is a circle."""
    scatter_px = math.sqrt((rim.covariance[3, 3] + rim.covariance[4, 4]) / 2)
    u_px = math.hypot(_ROUNDNESS_PX, _ROUNDNESS_OF_SCATTER * scatter_px)
    u = math.hypot(u_px / rim.ellipse.mean_px, _ROUNDNESS)

    def residuals(homographies: FloatArray) -> FloatArray:
        ring = project_all(homographies, points_xy_px)
        ring = ring - ring.mean(axis=1, keepdims=True)
        x, y = ring[..., 0], ring[..., 1]
        # second moments of an ellipse with half axes m (1 ± e) give 2 e
        size = 2 * (x * x + y * y).sum(axis=1) * u
        off = np.stack([(x * x - y * y).sum(axis=1), 2 * (x * y).sum(axis=1)], axis=1)
        return less_if_far(off / size[:, None], _ROUNDNESS_TAIL)

    return residuals


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
