"""Reduced copies of a photo, and its colours at points between its pixels."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from weldsection.records import ByteArray, FloatArray
from weldsection.shrink import shrunk

FloatImage = npt.NDArray[np.float32]


def reduced(bgr: ByteArray, long_side_px: int) -> tuple[ByteArray, float]:
    """Give a copy no longer than `long_side_px`, and photo px for one of its px."""
    factor = max(max(bgr.shape[:2]) / long_side_px, 1.0)
    if factor == 1.0:
        return bgr, 1.0
    size = (round(bgr.shape[1] / factor), round(bgr.shape[0] / factor))
    return shrunk(bgr, size), factor


def to_photo_px(points_xy: FloatArray, factor: float) -> FloatArray:
    """Points of a reduced copy in pixels of the photo (centres on integers)."""
    return np.asarray((points_xy + 0.5) * factor - 0.5, dtype=np.float64)


def to_reduced_px(points_xy: FloatArray, factor: float) -> FloatArray:
    """Points of the photo in pixels of a reduced copy."""
    return np.asarray((points_xy + 0.5) / factor - 0.5, dtype=np.float64)


def sample(image: ByteArray | FloatImage, xy_px: FloatArray) -> FloatImage:
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
        cv2.filter2D(
            profile.astype(np.float32), -1, kernel, borderType=cv2.BORDER_REPLICATE
        ),
        dtype=np.float32,
    )
