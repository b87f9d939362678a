"""Learn a camera's lens from a handful of photos of the lens sheet."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np

from weldsection.errors import ScaleError
from weldsection.records import FloatArray, Photo
from weldsection.scale.layout import LENS_SHEET
from weldsection.scale.lens import Lens
from weldsection.scale.marks import find_marks

_LEAST_PHOTOS = 3
_LEAST_MARKS = 12
# marks scatter by some tenths of a pixel; more means a curled sheet or blur
_WORST_FIT_PX = 3.0


def learn_lens(photos: Sequence[Photo]) -> Lens:
    """Fit focal length and radial distortion to photos of the lens sheet.

    Raises
    ------
    ScaleError
        When there are too few usable photos, or they do not fit together.
    """
    usable = [seen for photo in photos if (seen := _corners(photo)) is not None]
    if len(usable) < _LEAST_PHOTOS:
        raise ScaleError(
            f"Only {len(usable)} of {len(photos)} photos show {_LEAST_MARKS} marks of "
            f"the lens sheet; take at least {_LEAST_PHOTOS} that show it whole, "
            "from different sides."
        )
    shape = photos[0].shape
    if any(photo.shape != shape for photo in photos):
        raise ScaleError(
            "The photos differ in size or turn; take all with the same camera, "
            "setting and way up."
        )
    sheet_mm, seen_px = zip(*usable, strict=True)
    return _fitted(sheet_mm, seen_px, shape)


def _corners(photo: Photo) -> tuple[FloatArray, FloatArray] | None:
    """Corners of the sheet's marks in mm, ``(N, 3)``, and in px, ``(N, 2)``."""
    marks = [m for m in find_marks(photo.bgr) if m.number in LENS_SHEET.numbers]
    if len(marks) < _LEAST_MARKS:
        return None
    flat_mm = np.vstack([LENS_SHEET.corners_xy_mm(m.number) for m in marks])
    mm = np.column_stack([flat_mm, np.zeros(len(flat_mm))])
    return mm, np.vstack([m.corners_xy_px for m in marks])


def _fitted(
    sheet_mm: Sequence[FloatArray],
    seen_px: Sequence[FloatArray],
    shape: tuple[int, int],
) -> Lens:
    rows, columns = shape
    start = np.array(
        [[columns, 0, (columns - 1) / 2], [0, columns, (rows - 1) / 2], [0, 0, 1.0]]
    )
    fit_px, matrix, bend, _, _ = cv2.calibrateCamera(
        [mm.astype(np.float32) for mm in sheet_mm],
        [px.astype(np.float32) for px in seen_px],
        (columns, rows),
        start,
        None,
        flags=cv2.CALIB_USE_INTRINSIC_GUESS
        | cv2.CALIB_FIX_ASPECT_RATIO
        | cv2.CALIB_FIX_PRINCIPAL_POINT
        | cv2.CALIB_ZERO_TANGENT_DIST
        | cv2.CALIB_FIX_K3,
    )
    if not fit_px < _WORST_FIT_PX:
        raise ScaleError(
            f"The marks scatter by {fit_px:.1f} px about the best fit; lay the sheet "
            "flat on a table and take sharp photos of it."
        )
    focal = float(matrix[0, 0])
    k1, k2 = _inverse(
        np.asarray(bend, np.float64).ravel()[:2], math.hypot(rows, columns) / 2 / focal
    )
    return Lens(
        width_px=columns,
        height_px=rows,
        focal_px=focal,
        axis_x_px=float(matrix[0, 2]),
        axis_y_px=float(matrix[1, 2]),
        k1=k1,
        k2=k2,
        fit_px=float(fit_px),
        photos=len(seen_px),
    )


def _inverse(bend: FloatArray, half_diagonal: float) -> tuple[float, float]:
    """Coefficients that straighten what OpenCV's two radial ones bend.

    OpenCV: a point at r belongs at r (1 + b1 r² + b2 r⁴) in the bent photo, in
    focal lengths; ours go back, in half diagonals.
    """
    straight = np.linspace(0.02, 1.0, 60) * half_diagonal
    bent = straight * (1 + bend[0] * straight**2 + bend[1] * straight**4)
    r = bent / half_diagonal
    powers = np.column_stack([r**2, r**4])
    k, *_ = np.linalg.lstsq(powers, straight / bent - 1, rcond=None)
    return float(k[0]), float(k[1])
