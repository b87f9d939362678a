"""Smaller copies of pictures, made quickly."""

from __future__ import annotations

import cv2
import numpy as np

from weldsection.records import ByteArray


def shrunk(bgr: ByteArray, size: tuple[int, int]) -> ByteArray:
    """
    Give a picture at a smaller size, each pixel the mean of those it replaces.

    Halves the picture as often as that comes out even: exact halves are made ten
    times faster than any other share.

    Parameters
    ----------
    bgr
        ``(rows, columns)`` or ``(rows, columns, channels)``.
    size
        Columns and rows wanted, as OpenCV has them.
    """
    rows, columns = bgr.shape[:2]
    while (
        not (rows % 2 or columns % 2) and 2 * size[0] <= columns and 2 * size[1] <= rows
    ):
        rows, columns = rows // 2, columns // 2
        bgr = np.asarray(cv2.resize(bgr, (columns, rows), interpolation=cv2.INTER_AREA))
    return np.asarray(cv2.resize(bgr, size, interpolation=cv2.INTER_AREA))
