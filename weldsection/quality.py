"""Judge how good the photo of the etched face is for measuring."""

from __future__ import annotations

import math

import cv2
import numpy as np

from weldsection.curves import mad_sigma
from weldsection.grid import GRID_MM, SIDE_MM, FaceGrid
from weldsection.records import (
    ByteArray,
    FaceOutline,
    FloatArray,
    Quality,
    Scale,
    project,
)
from weldsection.zones import Zone, ZoneArray

CERTAIN = math.log(0.9)


def judge_quality(
    grid: FaceGrid,
    surface: tuple[FloatArray, FloatArray],
    scale: Scale,
    face: FaceOutline,
) -> Quality:
    """How sharp, bright and level the face was photographed."""
    bgr, zones = grid.bgr, grid.zones
    inside = grid.face_odds > 1
    px_per_mm = 1 / scale.mm_per_px_at(face.centre_xy_px)
    grey = cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)
    burnt = float((grey[inside] > 250).mean()) if inside.any() else 0.0
    blur = _edge_width_mm(grey, grid, surface)
    tilt = _tilt_deg(grid.mm_to_px, face) if _shows_tilt(scale) else math.nan
    contrast = _etch_contrast(grey, zones)
    return Quality(
        px_per_mm=px_per_mm,
        blur_mm=blur,
        overexposed_share=burnt,
        tilt_deg=tilt,
        etch_contrast=contrast,
        advice=_advice(px_per_mm, blur, burnt, tilt, contrast),
    )


def _shows_tilt(scale: Scale) -> bool:
    return any(reference.shows_tilt for reference in scale.references)


def _tilt_deg(mm_to_px: FloatArray, face: FaceOutline) -> float:
    """Angle of view from the ratio of the local scales in the steepest directions.

    For a plane seen at an angle, the smaller local scale over the larger is
    close to the cosine of that angle (reference-values H.3).
    """
    centre = project(np.linalg.inv(mm_to_px), face.centre_xy_px[None])[0]
    steps = centre + np.array([[0, 0], [0.5, 0], [0, 0.5]])
    px = project(mm_to_px, steps)
    jacobian = (px[1:] - px[0]).T / 0.5
    values = np.linalg.svd(jacobian, compute_uv=False)
    return math.degrees(math.acos(min(1.0, float(values[1] / values[0]))))


def _edge_width_mm(
    grey: ByteArray, grid: FaceGrid, surface: tuple[FloatArray, FloatArray]
) -> float:
    """Standard width of the plate's upper edge in the picture."""
    x, y = surface
    if len(x) < 20:
        return math.nan
    columns = ((x + SIDE_MM) / GRID_MM).round().astype(int)
    rows = ((y - grid.top_mm) / GRID_MM).round().astype(int)
    across = np.arange(-14, 15)
    inside = (rows > 14) & (rows < grey.shape[0] - 15)
    profile = grey[rows[inside, None] + across, columns[inside, None]].astype(float)
    slope = np.abs(np.gradient(np.median(profile, axis=0)))
    slope = np.maximum(slope - np.median(slope), 0)
    if slope.sum() <= 0:
        return math.nan
    centre = (slope @ across) / slope.sum()
    return GRID_MM * math.sqrt(float(slope @ (across - centre) ** 2 / slope.sum()))


def _etch_contrast(grey: ByteArray, zones: ZoneArray) -> float:
    """Difference of grey between plate and HAZ over the plate's own scatter."""
    # smooth over four points, so that every second one says the same
    smooth = cv2.GaussianBlur(grey, (0, 0), 4)[::2, ::2]
    base, haz = (
        np.asarray(smooth[zones[zone, ::2, ::2] > CERTAIN], dtype=np.float64)
        for zone in (Zone.BASE, Zone.HAZ)
    )
    if len(base) < 50 or len(haz) < 50:
        return math.nan
    difference = abs(float(np.median(base) - np.median(haz)))
    return difference / max(mad_sigma(base), 0.5)


def _advice(
    px_per_mm: float, blur_mm: float, burnt: float, tilt_deg: float, contrast: float
) -> str:
    """One sentence for the fault that costs most."""
    if burnt > 0.03:
        return "Turn the coupon away from the lamp: part of the face is burnt out."
    if px_per_mm < 10:
        return "Move the camera closer: the face has few pixels for each mm."
    if blur_mm > 0.3:
        return "Focus on the etched face: its edge is soft."
    if tilt_deg > 12:
        return "Hold the camera square above the face: it was seen askew."
    if contrast < 1:
        return "Etch again: plate and heat-affected zone look nearly alike."
    return ""
