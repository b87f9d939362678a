"""The original plate surface, fitted to the bare plate beside the beads."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from weldsection.curves import mad_sigma, robust_polynomial
from weldsection.errors import CouponError
from weldsection.grid import GRID_MM, SIDE_MM, FaceGrid
from weldsection.records import BoolArray, FloatArray, PlateSurface
from weldsection.zones import Zone, log_odds

BIN_MM = 0.5  # plate surface is averaged over this length before it is fitted
SURFACE_REACH_MM = 1.6  # the surface is looked for this far from the straight edge
CORRECTION_MM, CORRECTION_LENGTH_MM = 0.03, 12.0  # of the grid's surface by the photo
# of bare plate on the grid, two millimetres of it; half as many do on a crowded coupon
# where all lie on one line over half of its length
PLENTY, FEWEST_AGREED, AGREED_SHARE, AGREED_MM = 40, 20, 0.5, 0.08
FEWEST_POINTS = 30  # that say anything: fewer may all be burr
FARTHEST_OFF_MM = 0.05  # a point nearer than this to the others is no outlier
WAVE_MM, WAVE_LENGTH_MM = 0.04, 14.0  # saw and rolling waviness that is followed
# what a plate's edge may do beside the straight edge on the reduced photo: a bow of
# half a millimetre over 100 mm is a common one
HEIGHT_MM, SLOPE, BOW_PER_MM = 0.5, 0.05, 2e-4


def fit_surface(
    points_mm: tuple[FloatArray, FloatArray],
    ends_mm: tuple[float, float],
    photo_name: str,
) -> PlateSurface:
    """
    Fit the undisturbed plate and carry it across the beads.

    Parameters
    ----------
    points_mm
        x and y of bare plate on the grid, from `surface_points`.
    ends_mm
        Where the plate begins and ends on the grid; x of the surface counts
        from the first.

    Raises
    ------
    CouponError
        When too little bare plate is seen.
    """
    x, y = points_mm
    x, length_mm = x - ends_mm[0], ends_mm[1] - ends_mm[0]
    inside = (x > 0.8) & (x < length_mm - 0.8)
    x, y = x[inside], y[inside]
    if not _enough(x, y, length_mm):
        raise CouponError(
            f"{photo_name}: too little bare plate lies beside the beads "
            "to find the plate surface; show more of the coupon."
        )
    degree = 1 if length_mm < 25 else 2
    fit, kept = robust_polynomial(x, y, degree, floor=0.01)
    centres, heights, noise = _binned(x[kept], y[kept] - np.polyval(fit, x[kept]))
    knots = np.arange(-SIDE_MM, length_mm + SIDE_MM + 0.5, 0.5)
    wave, u = _smooth(centres, heights, noise, knots)
    return PlateSurface(knots, np.polyval(fit, knots) + wave, u)


def _enough(x: FloatArray, y: FloatArray, length_mm: float) -> bool:
    """Whether points are many, or at least agree with each other over the coupon."""
    if len(x) >= PLENTY:
        return True
    if len(x) < FEWEST_AGREED or np.ptp(x) < AGREED_SHARE * length_mm:
        return False
    off = y - np.polyval(np.polyfit(x, y, 1), x)
    return bool(np.abs(off).max() < AGREED_MM)


def surface_points(grid: FaceGrid) -> tuple[FloatArray, FloatArray]:
    """Where bare plate begins in each column, x and y in mm of the grid."""
    face = grid.face_odds
    weld = log_odds(grid.zones, (Zone.WELD,))
    y = grid.rows_y_mm
    near = np.abs(y) < SURFACE_REACH_MM + 1.0
    bead: BoolArray = np.asarray((weld[near] > 0).any(axis=0))
    spread = np.asarray(
        cv2.dilate(bead.astype(np.uint8)[None], np.ones((1, 13), np.uint8))
    )
    wide = spread.reshape(-1) > 0
    window = np.flatnonzero(np.abs(y) < SURFACE_REACH_MM)
    row = window[0] + last_rise(face[window])
    total = np.zeros((len(face) + 1, face.shape[1]), np.int32)
    np.cumsum(face > 0, axis=0, out=total[1:])
    solid = _share_of_face(total, row, (0.25, 1.2)) > 0.7
    free = _share_of_face(total, row, (-5.0, -0.3)) < 0.03
    use = solid & free & ~wide & np.isfinite(row)
    return grid.columns_x_mm[use], y[0] + GRID_MM * row[use]


def _share_of_face(
    total: npt.NDArray[np.int32], row: FloatArray, span_mm: tuple[float, float]
) -> FloatArray:
    """How much of each column is face from so far to so far below its own row.

    `total` counts the face's points above each row, ``(rows + 1, columns)``.
    """
    at = np.nan_to_num(row)
    first, last = (
        np.clip(np.round(at + mm / GRID_MM).astype(int), 0, len(total) - 1)
        for mm in span_mm
    )
    column = np.arange(total.shape[1])
    inside = total[last, column] - total[first, column]
    return np.asarray(inside / np.maximum(last - first, 1))


def last_rise(field: FloatArray) -> FloatArray:
    """Row of the lowest upward zero crossing of each column; NaN without one."""
    outside = field <= 0
    reverse = outside[::-1]
    row = field.shape[0] - 1 - np.argmax(reverse, axis=0)
    columns = np.arange(field.shape[1])
    usable = outside.any(axis=0) & (row < field.shape[0] - 1)
    row = np.minimum(row, field.shape[0] - 2)
    above, below = field[row, columns], field[row + 1, columns]
    rise = np.where(below > above, below - above, 1)
    return np.where(usable, row - above / rise, np.nan)


def _binned(
    x: FloatArray, residual: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Medians over short bins and how well each is known, in mm."""
    edges = np.floor(x / BIN_MM).astype(int)
    scatter = max(mad_sigma(residual), 0.004)
    centres, heights, noise = [], [], []
    each, counts = np.unique(edges, return_counts=True)
    # short stretches have few in each bin
    fewest = min(4, len(x) // 8, int(counts.max(initial=0)))
    for edge in each[counts >= fewest]:
        here = edges == edge
        centres.append((edge + 0.5) * BIN_MM)
        heights.append(np.median(residual[here]))
        # neighbouring grid columns see the same edge: count two as independent
        noise.append(scatter / math.sqrt(2))
    return np.array(centres), np.array(heights), np.array(noise)


def _smooth(
    x: FloatArray, height: FloatArray, noise: FloatArray, knots: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Gaussian-process smoothing of the waviness left after the polynomial.

    References
    ----------
    Rasmussen and Williams, Gaussian Processes for Machine Learning (2006),
    equations 2.25 and 2.26.
    """

    def kernel(a: FloatArray, b: FloatArray) -> FloatArray:
        # height, slope and bow are known only as well as the points give them
        a, b = a - x.mean(), b - x.mean()
        slope = (SLOPE * a)[:, None] * (SLOPE * b)
        bow = (BOW_PER_MM * a**2)[:, None] * (BOW_PER_MM * b**2)
        wave = _alike(a, b, WAVE_MM, WAVE_LENGTH_MM)
        return np.asarray(wave + HEIGHT_MM**2 + slope + bow)

    return _posterior(x, height, noise, knots, kernel)


def corrected(
    surface: PlateSurface, x_mm: FloatArray, y_mm: FloatArray
) -> PlateSurface:
    """
    Draw a surface nearer to points that show it better, where there are any.

    The correction is a Gaussian process about zero: far from all points the
    surface stays as it was, with the doubt that it had on drawn photos.

    Parameters
    ----------
    surface
        As the grid shows it.
    x_mm, y_mm
        ``(N,)`` points of bare plate, outliers among them.
    """

    def kernel(a: FloatArray, b: FloatArray) -> FloatArray:
        return CORRECTION_MM**2 + _alike(a, b, CORRECTION_MM, CORRECTION_LENGTH_MM)

    knots = surface.knots_x_mm
    if len(x_mm) < FEWEST_POINTS:
        u = np.hypot(surface.knots_u_mm, CORRECTION_MM)
        return replace(surface, knots_u_mm=u)
    off = y_mm - surface.y_at(x_mm)
    usual = np.abs(off - np.median(off)) < max(4 * mad_sigma(off), FARTHEST_OFF_MM)
    mean, u = _posterior(*_binned(x_mm[usual], off[usual]), knots, kernel)
    return PlateSurface(knots, surface.knots_y_mm + mean, u)


Kernel = Callable[[FloatArray, FloatArray], FloatArray]


def _alike(
    a: FloatArray, b: FloatArray, height_mm: float, length_mm: float
) -> FloatArray:
    """Covariance of heights that are much the same over a length."""
    distance = np.subtract.outer(a, b) / length_mm
    return np.asarray(height_mm**2 * np.exp(-0.5 * distance**2))


def _posterior(
    x: FloatArray,
    height: FloatArray,
    noise: FloatArray,
    knots: FloatArray,
    kernel: Kernel,
) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of a Gaussian process at the knots."""
    cross = kernel(knots, x)
    covariance = kernel(x, x) + np.diag(noise**2)
    solved = np.linalg.solve(covariance, np.column_stack([height, cross.T]))
    mean = cross @ solved[:, 0]
    own = np.diag(kernel(knots, knots))
    variance = own - np.einsum("ij,ji->i", cross, solved[:, 1:])
    return mean, np.sqrt(np.maximum(variance, 0.002**2))
