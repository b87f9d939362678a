"""Homographies from known points, many at a time."""

from __future__ import annotations

import numpy as np

from weldsection.records import FloatArray, ScaleSource
from weldsection.scale.tilt import log_scale_field


def homographies_from(
    corners_xy_px: FloatArray, corners_xy_mm: FloatArray
) -> FloatArray:
    """Homographies ``(D, 3, 3)`` px to mm that send four corners to theirs.

    Parameters
    ----------
    corners_xy_px
        ``(D, 4, 2)``.
    corners_xy_mm
        ``(4, 2)``, the same for all.
    """
    count = len(corners_xy_px)
    x, y = corners_xy_px[..., 0], corners_xy_px[..., 1]
    u, v = corners_xy_mm.T
    one, zero = np.ones_like(x), np.zeros_like(x)
    rows_u = np.stack([x, y, one, zero, zero, zero, -u * x, -u * y], axis=-1)
    rows_v = np.stack([zero, zero, zero, x, y, one, -v * x, -v * y], axis=-1)
    design = np.concatenate([rows_u, rows_v], axis=1)
    target = np.broadcast_to(np.concatenate([u, v]), (count, 8))
    solved = np.linalg.solve(design, target[..., None])[..., 0]
    full = np.concatenate([solved, np.ones((count, 1))], axis=1)
    return np.asarray(full.reshape(count, 3, 3), dtype=np.float64)


def scatter(
    name: str, draws: FloatArray, homography: FloatArray, centre_xy_px: FloatArray
) -> ScaleSource:
    """Scatter of equally likely homographies about one, as a source of doubt."""
    errors = log_scale_field(draws, centre_xy_px)
    errors = errors - log_scale_field(homography[None], centre_xy_px)
    return ScaleSource(name, errors.T @ errors / len(errors))
