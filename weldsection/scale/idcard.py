"""The outline of a bank card (ISO/IEC 7810 ID-1) as the scale."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

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
    mm_per_px_at,
)
from weldsection.scale.idcard_look import (
    LONG_MM,
    SHORT_MM,
    card_corners_mm,
    contradicted,
    differs_from_ground,
    off_view,
    rounded_corners,
    stands_out,
)
from weldsection.scale.lens import Lens, bend_of_sides, with_lens
from weldsection.scale.plane import homographies_from, scatter
from weldsection.scale.quads import Look, Quad, find_quads
from weldsection.scale.sides import (
    Reading,
    Side,
    meeting_points,
    read_side,
    rival_sides,
)
from weldsection.scale.tilt import Camera, log_scale_field, tilt_of

# an unused card keeps within 85.47 to 85.72 and 53.92 to 54.03 mm; half of that
# band as a standard uncertainty
_LONG_U_MM, _SHORT_U_MM = 0.06, 0.03
# a side moves as a whole by bevel and shadow (measured on drawn cards)
_EDGE_SYSTEMATIC_PX = 0.3
_THICK_MM = 0.76  # of the standard's card
_DRAWS = 300
_COUPON_MM = (15.0, 400.0)  # lengths of coupon considered
_LEAST_SEEN = 0.45
_CLEARLY_SEEN = 0.9
# in this order: stone, cloth and wood show better lines than the card until their
# grain is taken out
_LOOKS = (Look(800), Look(800, 9), Look(400), Look(800, 21))
# off a camera's view: a paper of A4 proportions is off by 0.11, drawn cards by 0.005
_SEEN = 0.008
# scatter of that among cards read rightly (measured on drawn cards)
_SEEN_SD = 0.002
# another line beside a side is looked at if an edge is seen on it so well beside the
# side; one further in, such as a printed frame, is that much less likely the side
_RIVAL_LINE = 0.5
_INNER = 0.1
# margins around a printed frame are up to 3.5 mm wide: of the long side
_MARGIN = 0.045
# readings of the whole card less likely than this beside the best are left out
_LEAST_LIKELY = 0.01
_ROUGHLY_SEEN = 0.06  # in the reduced copy, before the sides are read
_NEARLY_SEEN = 0.03  # where a shadow's edge may have been read for one of the sides
# another outline that passes and is larger or smaller by this casts doubt on both
_RIVAL = 0.02


def find_idcard(
    photo: Photo, face: FaceOutline, lens: Lens | None = None
) -> ScaleReference:
    """Scale and tilt from the four sides of a bank card."""
    low, high = (LONG_MM * face.length_px / mm for mm in reversed(_COUPON_MM))
    camera = Camera.of(photo.shape, photo.origin.focal_length_px)
    for look in _LOOKS:
        quads = find_quads(
            photo.bgr,
            LONG_MM / SHORT_MM,
            (low, high),
            look,
            lambda corners: off_view(corners, camera) < _ROUGHLY_SEEN,
        )
        read = [c for quad in quads if (c := _read_card(photo.bgr, quad))]
        if cards := _cards_among(photo.bgr, read, camera):
            card = max(cards, key=lambda one: sum(s.seen_share for s in one.sides))
            readings = _other_readings(photo.bgr, card, camera)
            card = max(readings, key=lambda one: one.likely)
            found = _reference(card, readings, camera)
            sizes = [abs(math.log(one.px_per_mm / card.px_per_mm)) for one in cards]
            if max(sizes) > _RIVAL or contradicted(photo.bgr, card.homography):
                found = replace(found, flags=(Flag.SCALE_UNSURE,))
            bend = bend_of_sides(card.sides, photo.shape)
            return with_lens(found, photo, face, lens, bend)
    raise ScaleError(
        "No bank card was found; lay it flat and whole beside the coupon on a plain "
        "background or pass another --reference."
    )


@dataclass(frozen=True, slots=True)
class _Card:
    sides: tuple[Side, ...]
    corners_xy_px: FloatArray
    homography: FloatArray
    likely: float = 1.0
    """How likely it is beside other readings of its sides."""

    @classmethod
    def of(cls, sides: tuple[Side, ...], likely: float = 1.0) -> _Card:
        """The card whose sides these are."""
        corners = meeting_points(np.array([side.ends_xy_px for side in sides]))
        views = homographies_from(corners[None], card_corners_mm())
        return cls(sides, corners, views[0], likely)

    @property
    def px_per_mm(self) -> float:
        """Scale at the middle of the card."""
        return 1 / mm_per_px_at(self.homography, self.corners_xy_px.mean(axis=0))


def _read_card(bgr: ByteArray, quad: Quad) -> _Card | None:
    """Fit the four sides at full resolution."""
    corners = quad.corners_xy_px
    how = _reading(corners)
    for first in (True, False):
        sides = tuple(
            read_side(bgr, corners[[k, (k + 1) % 4]], how, search=first)
            for k in range(4)
        )
        if min(side.seen_share for side in sides) < _LEAST_SEEN:
            return None
        corners = meeting_points(np.array([side.ends_xy_px for side in sides]))
    return _Card.of(sides)


def _cards_among(bgr: ByteArray, read: list[_Card], camera: Camera) -> list[_Card]:
    """Those that are cards: as read, or else around them, or else beside them."""
    for other in (_as_read, _beyond_frame, _beside_shadow):
        tried = (other(bgr, one, camera) for one in read)
        if cards := [c for c in tried if c and _is_card(bgr, c, camera)]:
            return cards
    return []


def _as_read(_bgr: ByteArray, card: _Card, _camera: Camera) -> _Card | None:
    return card


def _beyond_frame(bgr: ByteArray, frame: _Card, _camera: Camera) -> _Card | None:
    """The card around a printed frame that was read for it; None without a margin."""
    if min(side.seen_share for side in frame.sides) < _CLEARLY_SEEN:
        return None
    long_px = float(np.linalg.norm(frame.corners_xy_px[1] - frame.corners_xy_px[0]))
    how = replace(_reading(frame.corners_xy_px), reach_px=_MARGIN * long_px)
    middle = frame.corners_xy_px.mean(axis=0)
    sides = []
    for side in frame.sides:
        outer = [
            line
            for line in rival_sides(bgr, side, how, _RIVAL_LINE)
            if line.seen_share >= _LEAST_SEEN
            and _distance(line, middle) > _distance(side, middle)
        ]
        if not outer:
            return None
        sides.append(outer[0])
    return _Card.of(tuple(sides))


def _distance(side: Side, middle_xy_px: FloatArray) -> float:
    return float(np.linalg.norm(side.ends_xy_px.mean(axis=0) - middle_xy_px))


def _reading(corners_xy_px: FloatArray) -> Reading:
    reach = max(0.02 * float(np.linalg.norm(corners_xy_px[1] - corners_xy_px[0])), 5.0)
    # the rounded corners take 4 % of the long and 6 % of the short side
    return Reading(180, 0.07, reach, max(0.08 * reach, 2.5), averaged=15)


def _other_readings(bgr: ByteArray, card: _Card, camera: Camera) -> tuple[_Card, ...]:
    """The card, and whatever else it may be that is not far less likely."""
    first, *others = _readings(bgr, card, camera)
    # the corners have told that it is a card, wherever its margin may end
    return first, *(
        one
        for one in others
        if one.likely > _LEAST_LIKELY * first.likely
        and _off(one, camera) < _SEEN
        and differs_from_ground(bgr, one.homography)
    )


def _readings(bgr: ByteArray, card: _Card, camera: Camera) -> tuple[_Card, ...]:
    """The card and all others whose sides are lines that compete with its sides.

    A shadow's edge, a printed frame or a joint of the ground may be taken for a side;
    the proportions tell, as far as the tilt does not leave them open.
    """
    how = _reading(card.corners_xy_px)
    middle = card.corners_xy_px.mean(axis=0)
    choices = []
    for side in card.sides:
        away = _distance(side, middle)
        choice = [(side, 1.0)]
        for rival in rival_sides(bgr, side, how, _RIVAL_LINE):
            outer = _distance(rival, middle) > away
            if rival.seen_share >= _LEAST_SEEN:
                choice.append((rival, 1.0 if outer else _INNER))
        choices.append(choice)
    readings = []
    for chosen in itertools.product(*choices):
        one = _Card.of(tuple(side for side, _ in chosen))
        fits = math.exp(-0.5 * (_off(one, camera) / _SEEN_SD) ** 2)
        # what draws one side inwards draws others too: it counts once
        readings.append(replace(one, likely=fits * min(worth for _, worth in chosen)))
    return tuple(readings)


def _beside_shadow(bgr: ByteArray, card: _Card, camera: Camera) -> _Card | None:
    """The likeliest of other readings, where a shadow was nearly taken for a side."""
    if _off(card, camera) >= _NEARLY_SEEN:
        return None
    others = _readings(bgr, card, camera)[1:]
    return max(others, key=lambda one: one.likely, default=None)


def _is_card(bgr: ByteArray, card: _Card, camera: Camera) -> bool:
    """Whether the proportions fit a camera's view and the corners are rounded."""
    return (
        _off(card, camera) < _SEEN
        and differs_from_ground(bgr, card.homography)
        and rounded_corners(bgr, card.homography)
        and stands_out(bgr, card.homography)
    )


def _off(card: _Card, camera: Camera) -> float:
    return float(off_view(card.corners_xy_px[None], camera)[0])


# ----------------------------------------------------------------- reference


def _wall_px(card: _Card, camera: Camera, normal_xy: FloatArray) -> FloatArray:
    """Width of the card's edge as it shows beside each side, in px."""
    tilt = np.array(tilt_of(card.homography, camera))
    below = camera.axis_xy_px + camera.focal_px * tilt
    middles = np.array([side.ends_xy_px.mean(axis=0) for side in card.sides])
    distance_mm = camera.focal_px * mm_per_px_at(card.homography, middles.mean(axis=0))
    # things deeper by dz lie nearer to the point below by dz / Z of their distance
    across = ((below - middles) * normal_xy).sum(axis=1)
    return np.asarray(np.maximum(across, 0) * _THICK_MM / distance_mm)


def _reference(
    card: _Card, readings: tuple[_Card, ...], camera: Camera
) -> ScaleReference:
    centre = card.corners_xy_px.mean(axis=0)
    views = np.concatenate([_drawn(one, camera) for one in readings])
    likely = np.repeat([one.likely for one in readings], _DRAWS)
    # as many of each reading's views as it is likely
    share = np.cumsum(likely) / likely.sum()
    views = views[np.searchsorted(share, (np.arange(_DRAWS) + 0.5) / _DRAWS)]
    # in the middle of what it may be
    off = log_scale_field(views, centre)[:, 0].mean()
    own = log_scale_field(card.homography[None], centre)[0, 0]
    homography = np.diag([1.0, 1.0, math.exp(own - float(off))]) @ card.homography
    long_u, short_u = _LONG_U_MM / LONG_MM, _SHORT_U_MM / SHORT_MM
    long_px = float(np.linalg.norm(card.corners_xy_px[1] - card.corners_xy_px[0]))
    share = np.mean([side.seen_share for side in card.sides])
    return ScaleReference(
        kind="idcard",
        homography=homography,
        centre_xy_px=centre,
        sources=(
            scatter("graduation", views, homography, centre),
            # both sides' tolerances in the geometric mean of the two directions
            ScaleSource.constant(
                "reference tolerance", math.hypot(long_u, short_u) / 2
            ),
        ),
        outline_xy_px=card.corners_xy_px,
        finding=(
            f"A bank card's long side spans {long_px:.0f} px; its sides are seen on "
            f"{100 * share:.0f} % of their length."
        ),
        shows_tilt=True,
    )


def _drawn(card: _Card, camera: Camera) -> FloatArray:
    """Homographies ``(_DRAWS, 3, 3)`` as likely as the card's own."""
    chance = np.random.default_rng(3)
    ends = np.array([side.ends_xy_px for side in card.sides])
    run = ends[:, 1] - ends[:, 0]
    normal = np.stack([run[:, 1], -run[:, 0]], axis=1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    root = np.array([np.linalg.cholesky(s.end_covariance) for s in card.sides])
    shift = np.einsum("sij,dsj->dsi", root, chance.standard_normal((_DRAWS, 4, 2)))
    side_u = np.hypot(_EDGE_SYSTEMATIC_PX, _wall_px(card, camera, normal))
    shift += side_u[:, None] * chance.standard_normal((_DRAWS, 4, 1))
    moved = ends + shift[..., None] * normal[None, :, None]
    return homographies_from(meeting_points(moved), card_corners_mm())
