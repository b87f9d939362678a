"""A rule in the picture: its graduation gives the scale.

The procedure: find bands of parallel strokes, read the ticks along them, decide
from the order of long and short ticks between millimetres and inches, read the
ticks again in the full photo and find the plane in which all of them are even,
parallel and square to the edge. A second graduated edge joins in where there
is one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from weldsection.errors import ScaleError
from weldsection.records import FaceOutline, FloatArray, Photo, ScaleReference, project
from weldsection.scale.ruler_marks import Marks, read_marks
from weldsection.scale.ruler_pose import RulePose, solve_rule
from weldsection.scale.ruler_search import Band, SearchCopy, find_bands, search_copy
from weldsection.scale.ruler_strokes import stroke_of
from weldsection.scale.ruler_ticks import TickRow, read_ticks
from weldsection.scale.ruler_units import (
    Graduation,
    Reading,
    SizeGuess,
    odds_of,
    read_graduations,
    settled,
)
from weldsection.scale.tilt import Camera

_BANDS_TRIED = 14
# bands and rows of strokes read before the search is given up: the rows of 80 drawn
# rules were among the first 4, and cloth has more of them than anyone waits for
_ROWS_READ = 12
# an edge is a rule's when the order of its ticks is e⁸ times likelier than the
# same ticks shuffled
_ORDER = 8.0
# nobody's camera: phones at arm's length to twofold zoom, ± 30 %
_FOCAL_PER_LONG_SIDE, _FOCAL_SD = 1.05, 0.3
# the tilt counts as shown when it is known better than this, degrees
_TILT_SHOWN_DEG = 2.0


@dataclass(frozen=True, slots=True)
class _RuleEdge:
    """One graduated edge and what its tick lengths say."""

    row: TickRow
    readings: tuple[Reading, ...]


def find_ruler(
    photo: Photo, face: FaceOutline | None, *, graduation: str | None = None
) -> ScaleReference | None:
    """
    Find a rule and give the scale it shows.

    Perspective is removed: along the rule by the change of its spacing, square
    to it by the way its ticks converge and lean. Sources of doubt: locating
    the ticks (``graduation``); the rule itself (``reference tolerance``: a
    class II rule of 300 mm may be out by ± 0.5 mm, taken as a uniform
    stretch); what the ticks leave open of ``tilt`` and of the ``lens``.

    Parameters
    ----------
    photo
        The photo, upright.
    face
        Where the etched face lies, if known: its size in the picture helps to
        tell a tenth of an inch from a millimetre.
    graduation
        ``mm`` or ``inch`` when the user said so; None lets the rule decide.

    Returns
    -------
    ScaleReference or None
        None when there is no rule in the picture.

    Raises
    ------
    ScaleError
        A rule is there but how it is divided cannot be told.
    """
    copy = search_copy(photo)
    edges = _rule_edges(copy, face)
    if not edges:
        return None
    grey = np.asarray(cv2.cvtColor(photo.bgr, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    camera = _camera(photo)
    guess = _size_guess(photo, face)
    in_steps = [read_marks(grey, copy, edge.row) for edge in edges]
    ratio = _step_ratio(in_steps, camera) if len(edges) > 1 else math.nan
    units = _decide(edges, ratio, (copy, guess), graduation)
    marks = [
        marks.scaled(sign * unit.step_mm)
        for marks, unit, sign in zip(in_steps, units, _senses(edges), strict=False)
    ]
    pose = solve_rule(marks, camera, _places_that_matter(marks, face))
    return _reference(pose, marks, units)


def _rule_edges(copy: SearchCopy, face: FaceOutline | None) -> list[_RuleEdge]:
    """The first graduated edge, and the one across the rule if there is one."""
    edges: list[_RuleEdge] = []
    patience = iter(range(_ROWS_READ))
    corners = None if face is None else face.corners_xy_px
    for band in find_bands(copy, _BANDS_TRIED, corners):
        if edges and not _may_be_other_edge(edges[0].row, band):
            continue
        edge = _rule_edge(copy, band, patience)
        if edge is None:
            continue
        if edges and not _faces(edges[0].row, edge.row):
            continue
        edges.append(edge)
        if len(edges) == 2:
            break
    return edges


def _rule_edge(
    copy: SearchCopy, band: Band, patience: Iterator[int]
) -> _RuleEdge | None:
    """Read a band and make sure that its ticks are those of a rule.

    `patience` gives up after so many bands and rows of all bands together.
    """
    for _, row in zip(patience, read_ticks(copy, band), strict=False):
        if not _is_even(row):
            continue
        # a tick's end is read to about 1.2 px of the copy, its drawing to 6 %
        scatter = math.hypot(0.06, 1.2 / row.lattice.pitch_px)
        stroke = stroke_of(copy.grey, row)
        readings = tuple(
            read_graduations(row.numbers, row.lengths_steps, scatter, stroke)
        )
        best = max(readings, key=lambda reading: reading.fit)
        # where the coupon hides the edge at an angle, the order must be the clearer
        needed = _ORDER if _begins_straight(row) else 2 * _ORDER
        if best.order > needed and _has_tiers(best):
            return _RuleEdge(row, readings)
    return None


def _is_even(row: TickRow) -> bool:
    """Whether ticks are evenly spaced, nearly all there and long enough."""
    seen = np.isfinite(row.lengths_steps)
    if np.count_nonzero(seen) < 0.6 * len(seen):
        return False
    return (
        row.lattice.filled > 0.75
        and row.lattice.rms_px < max(0.07 * row.lattice.pitch_px, 0.5)
        and float(np.median(row.lengths_steps[seen])) > 0.5
    )


def _begins_straight(row: TickRow) -> bool:
    """Whether all ticks begin on one line."""
    base = row.base_v[np.isfinite(row.base_v)]
    scatter = 1.4826 * float(np.median(np.abs(base - np.median(base))))
    return scatter < max(0.3 * row.lattice.pitch_px, 1.5)


def _has_tiers(reading: Reading) -> bool:
    """Whether the longest ticks are clearly longer than the shortest."""
    tiers = reading.tiers_steps[np.isfinite(reading.tiers_steps)]
    return len(tiers) > 1 and bool(tiers[-1] > 1.25 * tiers[0])


def _may_be_other_edge(row: TickRow, band: Band) -> bool:
    """Whether a band runs alongside a rule's edge, across the rule."""
    direction = np.array([math.cos(band.direction_rad), math.sin(band.direction_rad)])
    offset = band.centre_xy - row.edge.origin_xy
    across = float(offset @ row.edge.across)
    along = abs(float(direction @ row.edge.along))
    return along > math.cos(math.radians(20)) and across > 3 * row.lattice.pitch_px


def _faces(row: TickRow, other: TickRow) -> bool:
    """Whether the ticks of two edges point at each other from some distance."""
    if float(row.edge.across @ other.edge.across) > -0.9:
        return False
    number = np.array([np.median(other.lattice.numbers)])
    middle = other.tick_xy(number, np.zeros(1))[0]
    across = float((middle - row.edge.origin_xy) @ row.edge.across)
    return across > 4 * row.lattice.pitch_px


def _camera(photo: Photo) -> Camera:
    """The camera by EXIF, or what people hold."""
    camera = Camera.of(photo.shape, photo.origin.focal_length_px)
    if photo.origin.focal_length_px is not None:
        return camera
    focal_px = _FOCAL_PER_LONG_SIDE * max(photo.shape)
    return Camera(camera.axis_xy_px, focal_px, _FOCAL_SD)


def _size_guess(photo: Photo, face: FaceOutline | None) -> SizeGuess:
    """Size of a pixel as the coupon suggests it, within a factor of two."""
    if face is None or min(face.thickness_px, face.length_px) < 10:
        # a close-up of a coupon shows 60 to 250 mm (common practice, no source)
        return SizeGuess(120.0 / max(photo.shape), 0.6)
    # coupons are 10 mm thick and 85 mm long, within a factor of about 1.7
    thickness = math.log(10.0 / face.thickness_px)
    length = math.log(85.0 / face.length_px)
    return SizeGuess(math.exp(0.4 * thickness + 0.6 * length), 0.45)


def _step_ratio(marks: list[Marks], camera: Camera) -> float:
    """Step of the second edge over that of the first, perspective removed."""
    pose = solve_rule(marks[:1], camera, marks[1].xy_px)
    x = project(pose.homography, marks[1].xy_px)[:, 0]
    slope = np.polyfit(marks[1].position_mm, x, 1)[0]
    return abs(float(slope))


def _decide(
    edges: list[_RuleEdge],
    ratio: float,
    size: tuple[SearchCopy, SizeGuess],
    told: str | None,
) -> list[Graduation]:
    """Settle the graduation of each edge; the second is left out if at odds."""
    copy, guess = size
    step_px = edges[0].row.lattice.pitch_px * copy.reduction
    chances = [(edge.readings, step_px) for edge in edges]
    odds = odds_of(chances, ratio, guess)
    if told is not None:
        odds = [each for each in odds if each.graduation.system == told]
    first = odds[0].graduation
    if not settled(odds, told=told is not None):
        raise ScaleError(_undecided(first, odds[1].graduation, told))
    if len(edges) == 1:
        return [first]
    second = min(
        (reading.graduation for reading in edges[1].readings),
        key=lambda g: abs(math.log(g.step_mm / first.step_mm / ratio)),
    )
    agrees = abs(math.log(second.step_mm / first.step_mm / ratio)) < 0.01
    return [first, second] if agrees else [first]


def _undecided(first: Graduation, second: Graduation, told: str | None) -> str:
    """The sentence for a rule whose division is not clear."""
    found = (
        f"A rule was found, but it could be divided in {first.name} or {second.name}"
    )
    if told is None and first.system != second.system:
        return f"{found}; pass --reference ruler=mm or ruler=inch."
    return f"{found}; show more of it or pass another --reference."


def _senses(edges: list[_RuleEdge]) -> list[int]:
    """1 where an edge is numbered in the same direction as the first, else -1."""
    along = edges[0].row.edge.along
    return [1 if float(edge.row.edge.along @ along) > 0 else -1 for edge in edges]


def _places_that_matter(marks: list[Marks], face: FaceOutline | None) -> FloatArray:
    """Points about which the scale will be asked for."""
    if face is not None:
        return np.asarray(face.corners_xy_px, dtype=np.float64)
    return np.vstack([row.xy_px for row in marks])


def _reference(
    pose: RulePose, marks: list[Marks], units: list[Graduation]
) -> ScaleReference:
    """The record for the later stages."""
    shown = pose.tilt_u_deg < _TILT_SHOWN_DEG
    length_mm = float(np.ptp(marks[0].position_mm))
    count = len(np.unique(marks[0].tick))
    finding = (
        f"A rule divided in {units[0].name}: {count} ticks over {length_mm:.0f} mm"
    )
    if len(units) > 1:
        finding += f", and in {units[1].name} on its other edge"
    hull = cv2.convexHull(np.vstack([m.xy_px for m in marks]).astype(np.float32))
    return ScaleReference(
        kind="ruler",
        homography=pose.homography,
        centre_xy_px=pose.centre_xy_px,
        sources=pose.sources,
        outline_xy_px=np.asarray(hull[:, 0], dtype=np.float64),
        finding=finding + ".",
        shows_tilt=shown,
    )
