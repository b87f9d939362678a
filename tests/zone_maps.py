"""Sections of known shape, drawn as zones on the grid or as a photo of them.

The networks have no part in this: each zone is painted with its own colour, and
`zones_of_colours` reads the colours back. Beads are made of a curve below and one
above the plate surface, whose areas are known on paper (reference-values A.2).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from weldsection.records import (
    ByteArray,
    Coupon,
    FaceOutline,
    FloatArray,
    Photo,
    PhotoOrigin,
    PlateSurface,
    Quality,
    Scale,
    ScaleReference,
    ScaleSource,
)

GRID_MM, ABOVE_MM, SIDE_MM = 0.05, 6.5, 3.0  # of the painted picture
FINE = 4  # points are drawn on a grid this much finer, then averaged
BLUR_MM = 0.05
REDUCTION = 4  # of the mask in which a face is first found
LEAST_CHANCE = 0.01  # no point is beyond doubt
Curve = Callable[[float, float], FloatArray]


def parabola(width_mm: float, height_mm: float) -> FloatArray:
    """Points of a parabola over a chord about x = 0, y upwards from 0."""
    t = np.linspace(-1, 1, 801)
    return np.column_stack([t * width_mm / 2, height_mm * (1 - t**2)])


def half_ellipse(width_mm: float, height_mm: float) -> FloatArray:
    """Points of a half-ellipse over a chord."""
    t = np.linspace(math.pi, 0, 801)
    return np.column_stack([width_mm / 2 * np.cos(t), height_mm * np.sin(t)])


def segment(width_mm: float, height_mm: float) -> FloatArray:
    """Points of a circular segment over a chord, no higher than a half circle."""
    radius = (width_mm**2 / 4 + height_mm**2) / (2 * height_mm)
    half = math.asin(min(width_mm / (2 * radius), 1.0))
    t = np.linspace(-half, half, 801)
    return np.column_stack(
        [radius * np.sin(t), radius * np.cos(t) - (radius - height_mm)]
    )


def flat(x_mm: FloatArray) -> FloatArray:
    """Give the height of a straight plate surface."""
    return np.zeros_like(np.asarray(x_mm, float))


@dataclass(frozen=True)
class Bead:
    """A bead by its outlines over the plate surface, y down, left to right."""

    middle_mm: float
    cap: FloatArray
    fusion: FloatArray
    haz_mm: float = 1.2
    """Width of the HAZ beyond the fusion line."""

    @classmethod
    def of(
        cls, curve: Curve, middle_mm: float, width: float, depth: float, height: float
    ) -> Bead:
        """Give a bead of one curve below and above."""
        cap, fusion = curve(width, height), curve(width, depth)
        cap[:, 1] *= -1
        return cls(middle_mm, cap, fusion)


@dataclass(frozen=True)
class Plate:
    """A plate with beads on it."""

    beads: tuple[Bead, ...]
    length_mm: float = 30.0
    thickness_mm: float = 10.0
    surface: Callable[[FloatArray], FloatArray] = flat
    blobs: tuple[tuple[float, float, float], ...] = ()
    """Spatter or burr: discs of plate metal, x and y of the middle, radius."""
    stains: tuple[tuple[float, float, float, float], ...] = ()
    """Boxes that look like plate: x and y from the surface, then to x and y."""


def chances(plate: Plate) -> NDArray[np.float32]:
    """Share of background, base, HAZ and weld at each point of the grid."""
    rows = math.ceil((min(plate.thickness_mm + 1.5, 12.5) + ABOVE_MM) / GRID_MM)
    columns = math.ceil((plate.length_mm + 2 * SIDE_MM) / GRID_MM)
    labels = np.zeros((rows * FINE, columns * FINE), np.uint8)

    def fill(line: FloatArray, label: int, where: int | None = None) -> None:
        points = (line + [SIDE_MM, ABOVE_MM]) / GRID_MM
        fine = ((points + 0.5) * FINE - 0.5) * 16
        mask = np.zeros_like(labels)
        cv2.fillPoly(mask, [np.round(fine).astype(np.int32)], 1, shift=4)
        labels[(mask > 0) & ((labels == where) if where is not None else True)] = label

    x = np.linspace(0, plate.length_mm, 2000)
    top = np.column_stack([x, plate.surface(x)])
    fill(np.vstack([top, top[::-1] + [0, plate.thickness_mm]]), 1)
    for blob_x, blob_y, radius in plate.blobs:
        turn = np.linspace(0, 2 * math.pi, 60)
        ring = radius * np.column_stack([np.cos(turn), np.sin(turn)])
        fill(ring + [blob_x, blob_y + float(plate.surface(np.array(blob_x)))], 1)
    for bead in plate.beads:
        for label, line in _outlines(plate, bead):
            fill(line, label, where=1 if label == 2 else None)
    for left, above, right, below in plate.stains:
        box = np.array([[left, above], [right, above], [right, below], [left, below]])
        fill(box + [0, float(plate.surface(np.array((left + right) / 2)))], 1, where=3)
    shares = [_shrunk(labels == zone) for zone in range(4)]
    return np.array(shares, np.float32)


def _outlines(plate: Plate, bead: Bead) -> list[tuple[int, FloatArray]]:
    """Outlines of HAZ, undercut and weld metal, in mm of the face."""
    lines = []
    fusion, cap = bead.fusion, bead.cap
    width = np.ptp(fusion[:, 0])
    depth = max(float(fusion[:, 1].max()), 1e-6)
    grown = fusion * [1 + 2 * bead.haz_mm / width, (depth + bead.haz_mm) / depth]
    haz = np.vstack([grown, [[grown[-1, 0], -0.02], [grown[0, 0], -0.02]]])
    groove = np.vstack([np.maximum(cap, [-np.inf, -0.1]), cap[[-1, 0]] - [0, 0.1]])
    weld = np.vstack([cap, fusion[::-1]])
    for label, line in ((2, haz), (0, groove), (3, weld)):
        moved = line + [bead.middle_mm, 0]
        moved[:, 1] += plate.surface(moved[:, 0])
        lines.append((label, moved))
    return lines


def _shrunk(mask: NDArray[np.bool_]) -> NDArray[np.float32]:
    size = mask.shape[1] // FINE, mask.shape[0] // FINE
    small = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return cv2.GaussianBlur(small, (0, 0), BLUR_MM / GRID_MM)


def log_chances(shares: NDArray[np.float32]) -> NDArray[np.float32]:
    """Give the zones' log-probabilities, as the networks would."""
    honest = shares * (1 - 4 * LEAST_CHANCE) + LEAST_CHANCE
    return np.asarray(np.log(honest / honest.sum(axis=0)), np.float32)


def colours_of(shares: NDArray[np.float32]) -> ByteArray:
    """Paint each zone with its colour: black, green, blue and red."""
    bgr = np.stack([shares[2], shares[1], shares[3]], axis=-1)
    return np.clip(np.round(bgr * 255), 0, 255).astype(np.uint8)


def zones_of_colours(bgr: ByteArray) -> NDArray[np.float32]:
    """Give the zones that a painted picture shows."""
    haz, base, weld = (bgr[..., k].astype(np.float32) / 255 for k in range(3))
    background = np.clip(1 - haz - base - weld, 0, 1)
    return log_chances(np.array([background, base, haz, weld]))


def coupon_of(plate: Plate) -> Coupon:
    """The plate laid on the grid, its surface known."""
    shares = chances(plate)
    knots = np.arange(-SIDE_MM, plate.length_mm + SIDE_MM + 0.5, 0.5)
    return Coupon(
        bgr=colours_of(shares),
        zones=log_chances(shares),
        left_mm=-SIDE_MM,
        top_mm=-ABOVE_MM,
        grid_mm=GRID_MM,
        mm_to_px=np.diag([20.0, 20.0, 1.0]),
        surface=PlateSurface(knots, plate.surface(knots), np.full(len(knots), 0.005)),
        thickness_mm=plate.thickness_mm,
        length_mm=plate.length_mm,
        face=_face(plate, np.diag([20.0, 20.0, 1.0])),
        quality=Quality(20.0, 0.05, 0.0, 0.0, 5.0),
    )


def photo_of(plate: Plate) -> tuple[Photo, FaceOutline, FloatArray]:
    """A painted photo of the plate, its face, and the homography mm to px."""
    mm_to_px = np.array(
        [
            [1 / GRID_MM, 0, SIDE_MM / GRID_MM],
            [0, 1 / GRID_MM, ABOVE_MM / GRID_MM],
            [0, 0, 1],
        ]
    )
    shares = chances(plate)
    bgr = colours_of(shares)
    origin = PhotoOrigin(Path("painted.png"), "0" * 64, bgr.shape[1], bgr.shape[0])
    rows, columns = (size // REDUCTION * REDUCTION for size in bgr.shape[:2])
    small = columns // REDUCTION, rows // REDUCTION
    metal = 1 - shares[0, :rows, :columns]
    mask = cv2.resize(metal, small, interpolation=cv2.INTER_AREA) > 0.5
    face = replace(_face(plate, mm_to_px), mask=mask, reduction=float(REDUCTION))
    return Photo(bgr, origin), face, mm_to_px


def _face(plate: Plate, mm_to_px: FloatArray) -> FaceOutline:
    ends = np.array([0.0, plate.length_mm])
    high = plate.surface(ends)
    upper = np.column_stack([ends, high])
    lower = upper + [0, plate.thickness_mm]
    x = np.linspace(1, plate.length_mm - 1, 60)
    top = np.column_stack([x, np.interp(x, ends, high)])

    def px(points: FloatArray) -> FloatArray:
        return np.asarray(points * mm_to_px[0, 0] + mm_to_px[:2, 2])

    return FaceOutline(
        mask=np.ones((8, 8), bool),
        reduction=float(REDUCTION),
        top_edge_xy_px=px(top),
        bottom_edge_xy_px=px(top + [0, plate.thickness_mm]),
        corners_xy_px=px(np.vstack([upper, lower[::-1]])),
        cut_by_picture=(False, False),
    )


def scale_of(
    mm_to_px: FloatArray, *, relative_u: float = 0.0, longer: float = 1.0
) -> Scale:
    """A scale from the homography, every length `longer` by a factor."""
    homography = np.diag([longer, longer, 1.0]) @ np.linalg.inv(mm_to_px)
    sources = (ScaleSource.constant("caliper", relative_u),)
    centre = np.array([400.0, 200.0])
    reference = ScaleReference(
        "points", homography, centre, sources, np.zeros((0, 2)), "Known.", True
    )
    return Scale(homography, centre, sources, (reference,))


def polyline(*points: Sequence[float]) -> FloatArray:
    """Give points as an array."""
    return np.array(points, float)
