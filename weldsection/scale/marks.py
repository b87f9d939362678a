"""Fiducial marks of our printed sheets, their corners to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from weldsection.records import ByteArray, FloatArray
from weldsection.scale.layout import DICTIONARY, SQUARES_ACROSS
from weldsection.scale.profiles import reduced, to_photo_px
from weldsection.scale.sides import Reading, meeting_points, read_side

# long sides of the reduced copies searched, in this order, until marks are found
_LONG_SIDES_PX = (1600, 900, 3200)
_ENOUGH = 4
_WELL_AIMED_PX = 0.7  # sides expected no farther off are read as well the first time


@dataclass(frozen=True, slots=True)
class Mark:
    """One mark: its number in the dictionary and its corners."""

    number: int
    corners_xy_px: FloatArray
    """``(4, 2)`` clockwise in the photo from the mark's own upper left."""


def find_marks(bgr: ByteArray) -> tuple[Mark, ...]:
    """Find the marks of our sheets anywhere in a photo."""
    found: dict[int, FloatArray] = {}
    for long_side in _LONG_SIDES_PX:
        small, factor = reduced(bgr, long_side)
        for number, corners in _detect(small):
            found.setdefault(number, to_photo_px(corners, factor))
        if len(found) >= _ENOUGH or factor == 1.0:
            break
    marks = (Mark(n, _sharpened(bgr, found[n])) for n in sorted(found))
    return tuple(m for m in marks if np.isfinite(m.corners_xy_px).all())


def dictionary() -> cv2.aruco.Dictionary:
    """The dictionary of our marks."""
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))


def _detect(bgr: ByteArray) -> list[tuple[int, FloatArray]]:
    settings = cv2.aruco.DetectorParameters()
    # fewer wrong bits are forgiven than usual: no mark may be imagined
    settings.errorCorrectionRate = 0.4
    grey = cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)
    detector = cv2.aruco.ArucoDetector(dictionary(), settings)
    corners, numbers, _ = detector.detectMarkers(grey)
    if numbers is None:
        return []
    return [
        (int(n), np.asarray(c, dtype=np.float64).reshape(4, 2))
        for n, c in zip(numbers.ravel(), corners, strict=True)
    ]


def _sharpened(bgr: ByteArray, corners_xy_px: FloatArray) -> FloatArray:
    """Corners again from straight lines through the four sides."""
    side_px = float(
        np.linalg.norm(np.roll(corners_xy_px, -1, 0) - corners_xy_px, axis=1).min()
    )
    # half of the black border: the next edge inside is a whole square away
    gate = min(max(0.5 * side_px / SQUARES_ACROSS, 1.5), 6.0)
    how = Reading(points=30, leave_out=0.08, reach_px=gate, gate_px=gate)
    corners = corners_xy_px
    for _ in range(2):
        sides = [read_side(bgr, corners[[k, (k + 1) % 4]], how) for k in range(4)]
        if min(side.seen_share for side in sides) < 0.4:
            return corners_xy_px
        before = corners
        corners = meeting_points(np.array([side.ends_xy_px for side in sides]))
        if np.abs(corners - before).max() < _WELL_AIMED_PX:
            break
    moved = np.abs(corners - corners_xy_px).max()
    return corners if moved < max(0.1 * side_px, 3.0) else corners_xy_px
