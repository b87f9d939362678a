"""Outlines onto pixels without making them thicker.

OpenCV fills every pixel that an outline touches, half a pixel too much all
round: 0.03 mm at 16 px/mm, more than a careful measurement errs.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
Bytes = NDArray[np.uint8]

_SHIFT = 6  # binary places of sub-pixel polygon corners
_FINER = 4  # sub-pixels each way


def coverage(
    shape: tuple[int, int], outline_xy_px: Points
) -> tuple[Bytes, slice, slice]:
    """
    Share of each pixel inside an outline, 0..255, in the outline's window.

    Parameters
    ----------
    shape
        Rows and columns of the picture.
    outline_xy_px
        Closed outline, pixel centres on integers.

    Returns
    -------
    share, rows, columns
        The window's pixels, and where the window lies in the picture.
    """
    low = np.maximum(np.floor(outline_xy_px.min(axis=0)).astype(int) - 1, 0)
    high = np.ceil(outline_xy_px.max(axis=0)).astype(int) + 2
    x1, y1 = int(min(high[0], shape[1])), int(min(high[1], shape[0]))
    x0, y0 = int(min(low[0], x1)), int(min(low[1], y1))
    rows, columns = slice(y0, y1), slice(x0, x1)
    if x1 == x0 or y1 == y0:
        return np.zeros((y1 - y0, x1 - x0), np.uint8), rows, columns
    inner = (outline_xy_px - (x0, y0) + 0.5) * _FINER - 0.5
    corners = [np.round(inner * 2**_SHIFT).astype(np.int32)]
    fine = np.zeros(((y1 - y0) * _FINER, (x1 - x0) * _FINER), np.uint8)
    cv2.fillPoly(fine, corners, 255, shift=_SHIFT)
    # the rim that the fill adds, counted half
    cv2.polylines(fine, corners, True, 128, 1, cv2.LINE_8, _SHIFT)
    share = cv2.resize(fine, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)
    return share, rows, columns


def fill(image: Bytes, outline_xy_px: Points, value: int) -> None:
    """Set the pixels that lie at least half inside an outline, in place."""
    share, rows, columns = coverage(image.shape[:2], outline_xy_px)
    image[rows, columns][share >= 128] = value


def blend(image: Bytes, outline_xy_px: Points) -> None:
    """Raise each pixel to its share inside an outline (0..255), in place."""
    share, rows, columns = coverage(image.shape[:2], outline_xy_px)
    window = image[rows, columns]
    np.maximum(window, share, out=window)
