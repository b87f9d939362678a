"""Look for round things in a reduced copy of the photo."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from weldsection.records import ByteArray, FaceOutline, FloatArray, Photo
from weldsection.scale.ellipse import Ellipse, fit_ellipse
from weldsection.scale.profiles import (
    FloatImage,
    reduced,
    sample,
    to_photo_px,
    to_reduced_px,
)

_LONG_SIDE_PX = 800
_LEAST_RADIUS_PX = 12.0  # in the reduced copy
_RADIUS_RATIO = 1.05  # from one voting radius to the next
_CANDIDATES = 8
# coupons are sawn from 15 to 400 mm long; other sizes are not considered
_COUPON_MM = (15.0, 400.0)
_RAYS = 120
# a hole shows the bench: its colour differs from that of the bench far around by
# less than this share of what the ring about it differs
_HOLE_SHARE = 0.4
# sizes tried about a centre: near what the voting found, and then out to the rim
# of a washer about its hole (up to 1 : 3.2 for washers for large holes)
_NEAR_RATIOS = 0.84 * 1.06 ** np.arange(12)
_WASHER_RATIOS = 1.6 * 1.06 ** np.arange(1, 13)
# short over long axis of a disc seen at up to 30°
_LEAST_AXES = 0.86
# the rim of a washer stands out less than its hole by no more than this factor
_WASHER_CONTRAST = 0.25
# and about the middle of a coin of two metals, from 0.6 to 0.85 of its diameter
_TWO_METALS_RATIOS = 1.14 * 1.06 ** np.arange(7)
# texture up to half as wide, in px of the reduced copy, is taken out at a second look
_GRAIN_PX = 9
# outlines whose radii differ by less than this share are compared by clarity
_ALIKE = 0.16
# tilts as outlines show them: those of cameras, widened by the place in the picture
_TILT_RAD = math.radians(12.0)
# share of the rim on which an edge must be seen for a round thing to count
_LEAST_RIM = 0.62
# and for an edge to be looked at further
_FAINT_RIM = 0.42
# and for a fainter edge around it, about the same middle, to cast doubt on it
_FAINT_AROUND = 0.6
_FAINT_CONTRAST = 2.0
# and for it to be the outline itself
_WHOLE_AROUND = 0.7


@dataclass(frozen=True, slots=True)
class RoundThing:
    """A round outline in photo px, and how clearly it stands out."""

    ellipse: Ellipse
    seen_share: float
    contrast: float
    """Median slope across the rim over that of its surroundings."""
    hole: bool = False
    """Whether the bench shows inside it, as in the hole of a washer."""
    ringed: bool = False
    """Whether a fainter round edge lies around it, as the rim of a coin whose
    middle is of another metal."""

    @property
    def clarity(self) -> float:
        """How clearly it is a round thing: a whole rim counts most."""
        return self.seen_share**4 * math.log1p(self.contrast)

    @property
    def radius_px(self) -> float:
        """Geometric mean of the half axes."""
        a, b = self.ellipse.semi_axes_px
        return math.sqrt(a * b)


def find_rounds(
    photo: Photo, face: FaceOutline, diameter_mm: float
) -> tuple[RoundThing, ...]:
    """Find round things beside the coupon, the clearest first.

    Only sizes are considered that make a coupon of a likely length of the face.
    """
    small, factor = reduced(photo.bgr, _LONG_SIDE_PX)
    plain = np.asarray(cv2.GaussianBlur(small, (0, 0), 1.0))
    # speckled stone hides a rim that shows once its grain is taken out
    even = np.asarray(cv2.medianBlur(plain, _GRAIN_PX))
    face_mask = _face_in(face, small.shape[:2], factor)
    radii = _likely_radii(face, diameter_mm, small.shape[:2], factor)
    seen = _look(plain, even, face_mask, radii) or _look(even, even, face_mask, radii)
    seen.sort(key=lambda thing: -thing.clarity)
    return tuple(_enlarged(thing, factor) for thing in seen)


def _look(
    small: ByteArray,
    even: ByteArray,
    face_mask: npt.NDArray[np.bool_],
    radii: tuple[float, float],
) -> list[RoundThing]:
    """Round things in one copy of the photo; `even` is the one without grain."""
    slope_x, slope_y = colour_slopes(small)
    seen: list[RoundThing] = []
    for x, y, radius in _vote(slope_x, slope_y, face_mask, radii):
        start = Ellipse(x, y, radius)
        if any(_looked_at(start, thing) for thing in seen):
            continue
        thing = _outermost(small, even, start, face_mask)
        if thing is not None and not any(_same(thing, other) for other in seen):
            seen.append(thing)
    return seen


def _likely_radii(
    face: FaceOutline, diameter_mm: float, shape: tuple[int, ...], factor: float
) -> tuple[float, float]:
    """Smallest and largest radius in px of the reduced copy."""
    length = face.length_px / factor
    low, high = (diameter_mm / 2 * length / mm for mm in reversed(_COUPON_MM))
    return max(low, _LEAST_RADIUS_PX), min(high, 0.48 * min(shape))


def colour_slopes(bgr: ByteArray) -> tuple[FloatImage, FloatImage]:
    """Gradient of the colour channel that changes most at each pixel."""
    image = bgr.astype(np.float32)
    across = cv2.Sobel(image, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    down = cv2.Sobel(image, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    dx, dy = np.asarray(across, np.float32), np.asarray(down, np.float32)
    strongest = np.argmax(dx * dx + dy * dy, axis=2)[..., None]
    return (
        np.take_along_axis(dx, strongest, axis=2)[..., 0],
        np.take_along_axis(dy, strongest, axis=2)[..., 0],
    )


def _face_in(
    face: FaceOutline, shape: tuple[int, ...], factor: float
) -> npt.NDArray[np.bool_]:
    """The plate and, above it, as much again: beads are round too."""
    corners = to_reduced_px(face.corners_xy_px, factor)
    corners[:2] += 0.7 * (corners[:2] - corners[[3, 2]])
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(corners).astype(np.int32)], 1)
    return mask.astype(bool)


# -------------------------------------------------------------------- voting


def _vote(
    slope_x: FloatImage,
    slope_y: FloatImage,
    face_mask: npt.NDArray[np.bool_],
    radii: tuple[float, float],
) -> list[tuple[float, float, float]]:
    """Centres and radii for which most edge points lie on a circle about them."""
    strength = np.hypot(slope_x, slope_y)
    local = cv2.blur(strength, (31, 31))
    # an edge stands out from the texture around it and from the noise
    edge = (strength > 1.5 * local) & (strength > 1.5) & ~face_mask
    rows, columns = np.nonzero(_thin(edge, slope_x, slope_y, strength))
    way = np.stack([slope_x[rows, columns], slope_y[rows, columns]], axis=1)
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    found = []
    radius, largest = radii
    while radius < largest:
        found += _vote_radius(rows, columns, way, radius, strength.shape)
        radius *= _RADIUS_RATIO
    found.sort(reverse=True)
    kept: list[tuple[float, float, float]] = []
    for _, x, y, r in found:
        if all(
            math.hypot(x - u, y - v) > 0.25 * r or abs(r / w - 1) > 0.2
            for u, v, w in kept
        ):
            kept.append((x, y, r))
        if len(kept) == _CANDIDATES:
            break
    return kept


def _thin(
    edge: npt.NDArray[np.bool_],
    slope_x: FloatImage,
    slope_y: FloatImage,
    strength: FloatImage,
) -> npt.NDArray[np.bool_]:
    """Keep an edge pixel only where it is strongest across the edge."""
    flat = np.abs(slope_x) >= np.abs(slope_y)
    padded = np.pad(strength, 1)
    beside = np.maximum(padded[1:-1, :-2], padded[1:-1, 2:])
    above = np.maximum(padded[:-2, 1:-1], padded[2:, 1:-1])
    return np.asarray(edge & (strength >= np.where(flat, beside, above)))


def _vote_radius(
    rows: npt.NDArray[np.intp],
    columns: npt.NDArray[np.intp],
    way: FloatArray,
    radius: float,
    shape: tuple[int, ...],
) -> list[tuple[float, float, float, float]]:
    """The three best centres for one radius: (share of the rim, x, y, radius)."""
    cell = max(radius * 0.05, 1.0)
    height, width = int(shape[0] / cell) + 1, int(shape[1] / cell) + 1
    votes = np.zeros((height, width), np.float32)
    for sense in (-1.0, 1.0):
        x = (columns + sense * radius * way[:, 0]) / cell
        y = (rows + sense * radius * way[:, 1]) / cell
        inside = (x >= 0) & (y >= 0) & (x < width - 1) & (y < height - 1)
        flat = y[inside].astype(np.intp) * width + x[inside].astype(np.intp)
        votes += np.bincount(flat, minlength=height * width).reshape(height, width)
    votes = np.asarray(cv2.GaussianBlur(votes, (0, 0), 1.2), np.float32)
    best: list[tuple[float, float, float, float]] = []
    for _ in range(3):
        row, column = divmod(int(np.argmax(votes)), width)
        share = float(votes[row, column]) / (2 * math.pi * radius)
        best.append((share, (column + 0.5) * cell, (row + 0.5) * cell, radius))
        cv2.circle(votes, (column, row), 6, 0.0, -1)
    return best


# ---------------------------------------------------------------- refinement


def _outermost(
    small: ByteArray,
    even: ByteArray,
    start: Ellipse,
    face_mask: npt.NDArray[np.bool_],
) -> RoundThing | None:
    """The largest round edge about a centre that is seen on most of its rim."""
    things = _settled(small, start, face_mask, _NEAR_RATIOS)
    if not _whole(things):
        return None
    # the hole of a washer is as round as its rim, and often the clearer edge
    least = _WASHER_CONTRAST * max(thing.contrast for thing in _whole(things))
    rims = _settled(small, start, face_mask, _WASHER_RATIOS)
    things += [thing for thing in rims if thing.contrast > least]
    best = _clearest_near(max(_whole(things), key=_rank), things)
    # the middle of a coin of two metals is as round, and clearer on speckled ground
    things += _settled(even, best.ellipse, face_mask, _TWO_METALS_RATIOS)
    around = [thing for thing in things if _around(thing, best)]
    whole = [thing for thing in around if thing.seen_share >= _WHOLE_AROUND]
    if whole:
        best = max(whole, key=lambda thing: thing.radius_px)
        return replace(best, hole=False, ringed=False)
    return replace(best, ringed=bool(around), hole=_is_hole(small, best))


def _is_hole(small: ByteArray, thing: RoundThing) -> bool:
    """Whether the inside looks like what lies far around, and not like the ring."""
    radius = thing.radius_px

    def colours(low: float, high: float) -> FloatArray:
        circles = [
            thing.ellipse.centre_xy_px
            + share * (thing.ellipse.points_xy_px(_RAYS) - thing.ellipse.centre_xy_px)
            for share in np.linspace(low, high, 8)
        ]
        seen = np.concatenate(circles)
        limit = np.array([small.shape[1] - 1, small.shape[0] - 1])
        seen = seen[((seen >= 0) & (seen <= limit)).all(axis=1)]
        if len(seen) < _RAYS // 4:
            return np.full((1, 3), np.nan)
        return np.asarray(sample(small, seen), dtype=np.float64)

    beyond = colours(3.2, 4.2)
    far = np.median(beyond, axis=0)
    inside, ring = (np.median(colours(*r), axis=0) for r in ((0.2, 0.8), (1.15, 1.5)))
    contrast = float(np.linalg.norm(ring - inside))
    # on speckled ground its usual colour says little
    speckle = float(np.median(np.linalg.norm(beyond - far, axis=1)))
    return bool(
        radius > _LEAST_RADIUS_PX
        and np.linalg.norm(far - inside) < _HOLE_SHARE * contrast
        and np.linalg.norm(far - ring) > 0.5 * contrast
        and contrast > 2 * speckle
    )


def _settled(
    small: ByteArray,
    start: Ellipse,
    face_mask: npt.NDArray[np.bool_],
    ratios: FloatArray,
) -> list[RoundThing]:
    """Round edges found from circles of several sizes about one centre."""
    guesses = (
        Ellipse(start.x_px, start.y_px, start.mean_px * float(ratio))
        for ratio in ratios
    )
    found = (_settle(small, guess, face_mask) for guess in guesses)
    return [thing for thing in found if thing is not None]


def _clearest_near(best: RoundThing, things: list[RoundThing]) -> RoundThing:
    """Of outlines of about one size the clearest: a shadow's edge is larger."""
    alike = (
        thing
        for thing in _whole(things)
        if abs(math.log(thing.radius_px / best.radius_px)) < _ALIKE
    )
    return max(alike, key=lambda thing: thing.clarity * _held_so(thing))


def _held_so(thing: RoundThing) -> float:
    """How likely a camera is held at the tilt that the outline's axes show."""
    long, short = thing.ellipse.semi_axes_px
    return math.exp(-0.5 * (math.acos(min(short / long, 1.0)) / _TILT_RAD) ** 2)


def _whole(things: list[RoundThing]) -> list[RoundThing]:
    return [thing for thing in things if thing.seen_share >= _LEAST_RIM]


def _around(thing: RoundThing, inner: RoundThing) -> bool:
    """Whether one outline lies well outside another about the same middle."""
    apart = thing.ellipse.centre_xy_px - inner.ellipse.centre_xy_px
    return (
        thing.radius_px > 1.12 * inner.radius_px
        and math.hypot(*apart) < 0.05 * inner.radius_px
        and thing.seen_share > _FAINT_AROUND
        and thing.contrast > _FAINT_CONTRAST
    )


def _rank(thing: RoundThing) -> float:
    """Larger outlines win unless they are clearly less complete or fainter."""
    return float(thing.seen_share**2 * thing.contrast**0.25 * thing.radius_px**2)


def _settle(
    small: ByteArray, guess: Ellipse, face_mask: npt.NDArray[np.bool_]
) -> RoundThing | None:
    """Let an ellipse settle on the edge nearest to it."""
    ellipse = guess
    for gate in (0.10, 0.05, 0.03):
        half = max(gate * ellipse.mean_px, 2.0)
        slopes, offsets = _rim_slopes(small, ellipse, half)
        strongest = np.argmax(slopes, axis=1)
        points = ellipse.points_xy_px(_RAYS) + offsets[strongest][
            :, None
        ] * ellipse.normals_xy(_RAYS)
        fitted = fit_ellipse(points, ellipse, rounds=4).ellipse
        a, b = fitted.semi_axes_px
        if not (
            b > _LEAST_AXES * a and a < 1.6 * guess.mean_px and b > 0.5 * guess.mean_px
        ):
            return None
        ellipse = fitted
    return _judge(small, ellipse, face_mask)


def _rim_slopes(
    small: ByteArray, ellipse: Ellipse, half: float
) -> tuple[FloatImage, FloatArray]:
    """Strength of the colour change along normals: ``(rays, offsets)``."""
    offsets = np.arange(-half, half + 0.25, 0.5)
    where = (
        ellipse.points_xy_px(_RAYS)[:, None]
        + offsets[None, :, None] * ellipse.normals_xy(_RAYS)[:, None]
    )
    colours = sample(small, where)
    change = np.linalg.norm(np.gradient(colours, 0.5, axis=1), axis=2)
    return change, offsets


def _judge(
    small: ByteArray, ellipse: Ellipse, face_mask: npt.NDArray[np.bool_]
) -> RoundThing | None:
    """Measure how much of the rim shows an edge that its surroundings lack."""
    half = max(0.22 * ellipse.mean_px, 6.0)
    slopes, offsets = _rim_slopes(small, ellipse, half)
    on_rim = np.abs(offsets) <= max(1.2, 0.012 * ellipse.mean_px)
    outside = offsets > max(2.5, 0.05 * ellipse.mean_px)
    rim = slopes[:, on_rim].max(axis=1)
    around = np.quantile(slopes[:, outside], 0.8, axis=1)
    level = max(float(np.median(around)), 0.7)
    points = ellipse.points_xy_px(_RAYS)
    rows, columns = small.shape[:2]
    inside = ((points >= 1) & (points < np.array([columns - 2, rows - 2]))).all(axis=1)
    seen = (rim > 1.6 * level) & (rim > 1.3 * around) & inside
    share = float(np.mean(seen))
    x, y = np.clip(ellipse.centre_xy_px, 0, [columns - 1, rows - 1]).astype(int)
    if share < _FAINT_RIM or float(np.mean(inside)) < 0.9 or face_mask[y, x]:
        return None
    return RoundThing(ellipse, share, float(np.median(rim)) / level)


def _looked_at(start: Ellipse, thing: RoundThing) -> bool:
    """Whether the search that found a thing has tried circles like this one."""
    apart = thing.ellipse.centre_xy_px - start.centre_xy_px
    return (
        math.hypot(*apart) < 0.5 * thing.radius_px
        and start.mean_px < 1.3 * thing.radius_px
    )


def _same(thing: RoundThing, other: RoundThing) -> bool:
    """Whether one outline lies about or inside the other."""
    apart = thing.ellipse.centre_xy_px - other.ellipse.centre_xy_px
    return math.hypot(*apart) < 0.9 * max(thing.radius_px, other.radius_px)


def _enlarged(thing: RoundThing, factor: float) -> RoundThing:
    e = thing.ellipse
    x, y = to_photo_px(e.centre_xy_px, factor)
    grown = Ellipse(
        float(x), float(y), e.mean_px * factor, e.q_px * factor, e.s_px * factor
    )
    return replace(thing, ellipse=grown)
