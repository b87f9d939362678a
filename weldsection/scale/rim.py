"""The outer edge of a round thing at the photo's full resolution."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from weldsection.errors import ScaleError
from weldsection.records import ByteArray, FloatArray
from weldsection.scale.agreement import (
    Outline,
    agreed_offsets,
    edge_width_px,
    nearest_edges,
)
from weldsection.scale.ellipse import (
    Ellipse,
    EllipseFit,
    Foreshortening,
    fit_ellipse,
    sector_scatter,
)
from weldsection.scale.ground import reach_by_colour

_RAYS = 360
FIRST_SWING = 6  # no coin has fewer corners
# colours tell the radius to a hundredth: from this share on they contradict an edge
COLOUR_TELLS = 0.02
# how far from where colours put it the outline's edge is looked for, of the radius
_GROWN_GATE = 0.012
# and how much more its points may scatter than those of the edge further in, and of
# an edge that is as clean as edges are
_AS_CLEAN = 3.0
_CLEAN_PX = 0.3
_REACH = 0.07  # how far the search may be off, as a share of the radius


def read_rim(
    bgr: ByteArray, seen: Ellipse, shape: Foreshortening, wall_xy_px: FloatArray
) -> EllipseFit:
    """Fit the outer edge of a round thing, to a fraction of a pixel.

    Parameters
    ----------
    shape
        What is known of the ellipse's shape.
    wall_xy_px
        ``(2,)``: where the wall of a coin would show beside its upper face, and
        how wide. On that side the rim is trusted less.

    Raises
    ------
    ScaleError
        Where no edge is seen.
    """
    mean = seen.mean_px
    start = Ellipse(seen.x_px, seen.y_px, mean, shape.q * mean, shape.s * mean)
    trust = _trust(start, wall_xy_px)
    around = _around(start, (shape.sd * mean, shape.sd * mean))
    offset = agreed_offsets(bgr, around, max(_REACH * mean, 5.0))
    first = fit_ellipse(around.moved_xy_px(offset), start).ellipse
    nearest = _settled(bgr, first, shape, trust)
    if not np.isfinite(nearest.ellipse.as_array()).all():
        raise ScaleError(
            "The rim of the disc is not seen; lay it on an even background of another "
            "colour, clear of everything else."
        )
    settled = _grown(bgr, nearest, shape, trust)
    points = _edge_points(bgr, settled)
    fit = fit_ellipse(points, settled, trust=trust, shape=shape)
    return _with_scatter(points, fit, shape)


def rim_width_px(bgr: ByteArray, ellipse: Ellipse) -> float:
    """How wide the rim's edge is smeared as it is read, standard width in px."""
    return edge_width_px(bgr, _around(ellipse), _gate_px(ellipse))


def swings(bgr: ByteArray, ellipse: Ellipse) -> FloatArray:
    """Amplitudes in px of the rim's harmonics 6 to 14, as far as each stands alone.

    Lower ones are those of a wall, a bevel or a shadow on one side. A jump to
    another edge and back swings in all harmonics alike, a cornered rim in one.
    """
    reach = max(0.015 * ellipse.mean_px, 2.0)
    offset = nearest_edges(bgr, _around(ellipse), reach)
    offset = np.where(np.abs(offset) < 1.5 * reach, offset, 0.0)
    wave = 2 * np.abs(np.fft.rfft(offset)) / _RAYS
    beside = (wave[FIRST_SWING - 1 : 14] + wave[FIRST_SWING + 1 : 16]) / 2
    return np.maximum(wave[FIRST_SWING:15] - beside, 0.0)


def _trust(ellipse: Ellipse, wall_xy_px: FloatArray) -> FloatArray:
    """Less trust on the side of the wall, the wider it is."""
    across = ellipse.normals_xy(_RAYS) @ wall_xy_px
    tolerance = max(0.003 * ellipse.mean_px, 0.7)
    return np.asarray(1 / (1 + (np.maximum(across, 0) / tolerance) ** 2))


def _around(ellipse: Ellipse, known_sd_px: tuple[float, ...] = ()) -> Outline:
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
        known_sd_px=known_sd_px,
    )


def _settled(
    bgr: ByteArray, ellipse: Ellipse, shape: Foreshortening, trust: FloatArray
) -> EllipseFit:
    """Fit the edge nearest to the ellipse on each ray."""
    points = _edge_points(bgr, ellipse)
    return fit_ellipse(points, ellipse, trust=trust, shape=shape)


def _grown(
    bgr: ByteArray, seen: EllipseFit, shape: Foreshortening, trust: FloatArray
) -> Ellipse:
    """The outline further out, where a raised rim or letters were taken for it."""
    reach = reach_by_colour(bgr, seen.ellipse)
    if not reach > 1 + COLOUR_TELLS:
        return seen.ellipse
    larger = seen.ellipse.scaled(reach)
    points = _edge_points(bgr, larger, max(_GROWN_GATE * larger.mean_px, 1.5))
    near = fit_ellipse(points, larger, trust=trust, shape=shape).ellipse
    grown = _settled(bgr, near, shape, trust)
    # an outline is a clean line too: the rim of a soft shadow is none
    clean = grown.spread_px < _AS_CLEAN * max(seen.spread_px, _CLEAN_PX)
    return grown.ellipse if clean else seen.ellipse


def _edge_points(
    bgr: ByteArray, ellipse: Ellipse, gate_px: float | None = None
) -> FloatArray:
    around = _around(ellipse)
    offset = nearest_edges(bgr, around, gate_px or _gate_px(ellipse))
    return around.moved_xy_px(offset)


def _gate_px(ellipse: Ellipse) -> float:
    return max(0.004 * ellipse.mean_px, 1.2)


def _with_scatter(
    points_xy_px: FloatArray, fit: EllipseFit, shape: Foreshortening
) -> EllipseFit:
    """The same fit with the uncertainty that its sectors show.

    Of the size with what is known of the shape, of the shape by the points alone.
    """
    size = sector_scatter(points_xy_px, fit, shape=shape)[2, 2]
    covariance = sector_scatter(points_xy_px, fit)
    covariance[2, 2] = size
    return replace(fit, covariance=covariance)
