"""Where an edge lies, to a fraction of a pixel, on profiles laid across it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from weldsection.records import ByteArray, FloatArray

FloatImage = npt.NDArray[np.float32]


def reduced(bgr: ByteArray, long_side_px: int) -> tuple[ByteArray, float]:
    """Give a copy no longer than `long_side_px`, and photo px for one of its px."""
    factor = max(max(bgr.shape[:2]) / long_side_px, 1.0)
    if factor == 1.0:
        return bgr, 1.0
    size = (round(bgr.shape[1] / factor), round(bgr.shape[0] / factor))
    return np.asarray(cv2.resize(bgr, size, interpolation=cv2.INTER_AREA)), factor


def to_photo_px(points_xy: FloatArray, factor: float) -> FloatArray:
    """Points of a reduced copy in pixels of the photo (centres on integers)."""
    return np.asarray((points_xy + 0.5) * factor - 0.5, dtype=np.float64)


def to_reduced_px(points_xy: FloatArray, factor: float) -> FloatArray:
    """Points of the photo in pixels of a reduced copy."""
    return np.asarray((points_xy + 0.5) / factor - 0.5, dtype=np.float64)


def sample(image: npt.NDArray[np.generic], xy_px: FloatArray) -> FloatImage:
    """Colours at points ``(..., 2)`` by linear interpolation, edges repeated."""
    grid = xy_px.reshape(xy_px.shape[0], -1, 2).astype(np.float32)
    colours = cv2.remap(
        image,
        np.ascontiguousarray(grid[..., 0]),
        np.ascontiguousarray(grid[..., 1]),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    shape = (*xy_px.shape[:-1], *image.shape[2:])
    return np.asarray(colours, dtype=np.float32).reshape(shape)


@dataclass(frozen=True, slots=True)
class EdgeReadings:
    """What profiles across an expected edge show."""

    offset_px: FloatArray
    """``(N,)`` along each profile's direction from its middle; NaN: no edge."""
    strength: FloatArray
    """``(N,)`` slope of the edge in grey levels per px."""
    width_px: float
    """Typical width of the edge, as a standard deviation."""


def read_edges(
    bgr: ByteArray,
    at_xy_px: FloatArray,
    normal_xy: FloatArray,
    *,
    half_px: float,
    smooth: int = 9,
) -> EdgeReadings:
    """Find the edge on profiles across an expected line, inside to outside.

    Colours are projected onto the difference of the two sides, averaged over
    `smooth` neighbouring profiles, so that the edge may change its colours
    slowly along the line but not its sense from one profile to the next.

    Parameters
    ----------
    at_xy_px, normal_xy
        ``(N, 2)`` points on the expected line and unit normals pointing outwards.
    half_px
        How far to look to both sides.
    """
    step = max(half_px / 40, 0.25)
    offsets = np.arange(-half_px, half_px + step / 2, step)
    where = at_xy_px[:, None] + offsets[None, :, None] * normal_xy[:, None]
    colours = sample(bgr, where)
    if colours.ndim == 2:
        colours = colours[..., None]
    third = len(offsets) // 3
    sides = colours[:, :third].mean(axis=1) - colours[:, -third:].mean(axis=1)
    sides = _run_mean(sides, smooth)
    sides /= np.maximum(np.linalg.norm(sides, axis=1, keepdims=True), 1e-6)
    profile = np.einsum("nmc,nc->nm", colours, sides)
    slope = -gaussian_slope(profile, max(0.7 / step, 1.0)) / step
    return _peaks(slope, offsets, step)


def _peaks(slope: FloatImage, offsets: FloatArray, step: float) -> EdgeReadings:
    best = np.clip(np.argmax(slope, axis=1), 1, slope.shape[1] - 2)
    rows = np.arange(len(slope))
    before, top, after = (slope[rows, best + k] for k in (-1, 0, 1))
    bend = before - 2 * top + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.minimum(bend, -1e-9), 0.0)
    offset = offsets[best] + step * np.clip(shift, -1, 1)
    at_end = (best <= 1) | (best >= slope.shape[1] - 2) | (top <= 0)
    width = _edge_width(slope, rows, best, step)
    return EdgeReadings(
        offset_px=np.where(at_end, np.nan, offset).astype(np.float64),
        strength=np.maximum(top, 0).astype(np.float64),
        width_px=width,
    )


def _edge_width(
    slope: FloatImage, rows: npt.NDArray[np.intp], best: npt.NDArray[np.intp], step: float
) -> float:
    """Median over profiles of the width at half the peak slope."""
    above = slope > slope[rows, best][:, None] / 2
    # 2.355: full width at half maximum of a Gaussian in standard deviations
    return float(np.median(above.sum(axis=1))) * step / 2.355


def _run_mean(values: FloatImage, window: int) -> FloatImage:
    kernel = np.ones((window, 1), np.float32) / window
    return np.asarray(
        cv2.filter2D(values, -1, kernel, borderType=cv2.BORDER_REFLECT),
        dtype=np.float32,
    )


def linear_light(grey: FloatImage) -> FloatImage:
    """Light from grey levels 0 to 255, as 0 to 1.

    A lens blurs light and not grey levels: in grey levels the edge of a bright
    thing moves outwards. The exponent is that of the usual picture encoding.
    """
    return np.asarray((grey / 255.0) ** 2.2, dtype=np.float32)


def gaussian_slope(profile: FloatImage, sigma: float) -> FloatImage:
    """Slope of each row, smoothed by a Gaussian of `sigma` samples."""
    reach = int(np.ceil(3 * sigma))
    x = np.arange(-reach, reach + 1)
    bell = np.exp(-0.5 * (x / sigma) ** 2)
    kernel = (x * bell / np.sum(x * x * bell)).astype(np.float32)[None]
    return np.asarray(
        cv2.filter2D(profile.astype(np.float32), -1, kernel, borderType=cv2.BORDER_REPLICATE),
        dtype=np.float32,
    )
