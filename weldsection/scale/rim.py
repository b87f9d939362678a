"""The outer edge of a round thing at the photo's full resolution."""

from __future__ import annotations

import numpy as np

from weldsection.records import ByteArray, FloatArray
from weldsection.scale.agreement import Outline, agreed_offsets, nearest_edges
from weldsection.scale.ellipse import Ellipse, EllipseFit, fit_ellipse

_RAYS = 360
_REACH = 0.07  # how far the search may be off, as a share of the radius


def read_rim(bgr: ByteArray, seen: Ellipse) -> EllipseFit:
    """Fit the outer edge of a round thing, to a fraction of a pixel."""
    around = _around(seen)
    offset = agreed_offsets(bgr, around, max(_REACH * seen.mean_px, 5.0))
    first = fit_ellipse(around.moved_xy_px(offset), seen).ellipse
    return _settled(bgr, _settled(bgr, first).ellipse)


def _around(ellipse: Ellipse) -> Outline:
    """Near an ellipse another one is offset by harmonics up to the second."""
    angle = 2 * np.pi * np.arange(_RAYS) / _RAYS
    columns: list[FloatArray] = [np.ones(_RAYS)]
    for order in (1, 2):
        columns += [np.cos(order * angle), np.sin(order * angle)]
    return Outline(
        ellipse.points_xy_px(_RAYS),
        ellipse.normals_xy(_RAYS),
        np.column_stack(columns),
        closed=True,
    )


def _settled(bgr: ByteArray, ellipse: Ellipse) -> EllipseFit:
    """Fit the edge nearest to the ellipse on each ray."""
    around = _around(ellipse)
    offset = nearest_edges(bgr, around, max(0.008 * ellipse.mean_px, 2.5))
    return fit_ellipse(around.moved_xy_px(offset), ellipse)
