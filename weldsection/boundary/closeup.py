"""Close-ups of the photo along lines and about points of the face."""

from __future__ import annotations

import math

import cv2
import numpy as np

from weldsection.records import ByteArray, FloatArray, Photo, project


def sample_photo(
    photo: Photo, mm_to_px: FloatArray, points_xy_mm: FloatArray
) -> ByteArray:
    """
    The photo at points of the face, softened first where it is the finer one.

    Parameters
    ----------
    photo
        The photo as taken, upright.
    mm_to_px
        Homography from face mm to photo pixels.
    points_xy_mm
        ``(rows, columns, 2)``, rows evenly spaced.

    Returns
    -------
    ByteArray
        ``(rows, columns, 3)``; black beyond the picture.
    """
    shape = points_xy_mm.shape[:2]
    px = project(mm_to_px, points_xy_mm.reshape(-1, 2)).reshape(*shape, 2)
    size = np.array(photo.shape[::-1])
    low = np.clip(np.floor(px.min(axis=(0, 1))).astype(int) - 6, 0, size - 1)
    high = np.clip(np.ceil(px.max(axis=(0, 1))).astype(int) + 7, low + 1, size)
    part = photo.bgr[low[1] : high[1], low[0] : high[0]]
    step = float(np.hypot(*(px[-1, 0] - px[0, 0]))) / (shape[0] - 1)
    if step > 1.2:
        # the close-up's own resolution: a Gaussian of half its step
        part = cv2.GaussianBlur(part, (0, 0), 0.45 * math.sqrt(step**2 - 1))
    at = (px - low).astype(np.float32)
    return np.asarray(
        cv2.remap(part, at[..., 0], at[..., 1], cv2.INTER_LINEAR), dtype=np.uint8
    )


def chances(scores: FloatArray, axes: tuple[int, ...]) -> FloatArray:
    """Normalise scores to chances over some of their axes."""
    weight = np.exp(scores - scores.max(axis=axes, keepdims=True))
    return np.asarray(weight / weight.sum(axis=axes, keepdims=True), dtype=np.float64)
