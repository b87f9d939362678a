"""Quantities of one bead and their uncertainty, from its traced lines.

Every length is worked out in coordinates levelled to the plate surface. The
uncertainty is a Monte Carlo over the posterior of the fusion line, the weld
face, the toes, the plate surface and the scale, all drawn together.
"""

from __future__ import annotations

import math

import numpy as np

from weldsection.flags import in_order
from weldsection.measurement.doubts import doubts_of
from weldsection.measurement.section import (
    Draws,
    Section,
    metal_areas,
    shape_of,
    toe_angle_deg,
)
from weldsection.records import (
    BeadResult,
    BeadTrace,
    Coupon,
    FloatArray,
    Measured,
    Scale,
    project,
)

# A pointed root is drawn a little blunt: how much is known to this standard deviation
# for points that stand out by far more than this beside half a millimetre to each side
TIP_U_MM, POINTED_MM, TIP_REACH_MM = 0.08, 0.15, 0.5
NAN = Measured(math.nan)


def measure_bead(
    coupon: Coupon, scale: Scale, trace: BeadTrace, number: int
) -> BeadResult:
    """Quantities of one traced bead, each with its standard uncertainty."""
    section = level(coupon, trace)
    value = shape_of(section)
    drawn = _draw_shapes(coupon, trace, section)
    centre_px = project(coupon.mm_to_px, _middle(trace)[None])[0]
    scale_u = scale.relative_u_at(centre_px)

    def measured(name: str, power: int) -> Measured:
        nominal = float(getattr(value, name))
        spread = float(np.std(getattr(drawn, name)))
        return Measured(nominal, math.hypot(spread, power * scale_u * nominal))

    toes = tuple(toe_angle_deg(section.cap, right=right) for right in (False, True))
    return BeadResult(
        number=number,
        x=Measured(float(_middle(trace)[0])),
        penetration=measured("penetration_mm", 1),
        width=measured("width_mm", 1),
        reinforcement=measured("reinforcement_mm", 1),
        penetration_area=measured("penetration_area_mm2", 2),
        reinforcement_area=measured("reinforcement_area_mm2", 2),
        dilution=measured("dilution_pct", 0),
        toe_angle_left=Measured(toes[0]),
        toe_angle_right=Measured(toes[1]),
        haz_depth=_haz_depth(coupon, trace),
        mm_per_px=_mm_per_px(coupon, _middle(trace)),
        scale_relative_u=scale_u,
        trace=trace,
        flags=in_order(
            (
                *trace.flags,
                *doubts_of(value, drawn, trace, section),
                *scale.doubts_at(centre_px),
            )
        ),
    )


def level(coupon: Coupon, trace: BeadTrace) -> Section:
    """Level a bead's lines to the plate surface, square to it."""
    return Section(
        cap=_levelled(coupon, trace.cap_xy_mm),
        fusion=_levelled(coupon, trace.fusion_xy_mm),
        left_toe=_levelled(coupon, trace.left_toe_xy_mm[None])[0],
        right_toe=_levelled(coupon, trace.right_toe_xy_mm[None])[0],
    )


def _levelled(coupon: Coupon, line_xy_mm: FloatArray) -> FloatArray:
    """Height over the surface, square to its slope at that place."""
    x = line_xy_mm[..., 0]
    slope = (coupon.surface.y_at(x + 2.0) - coupon.surface.y_at(x - 2.0)) / 4.0
    stretch = np.sqrt(1 + slope**2)
    depth = (line_xy_mm[..., 1] - coupon.surface.y_at(x)) / stretch
    return np.stack([x * np.mean(stretch), depth], axis=-1)


def _middle(trace: BeadTrace) -> FloatArray:
    return np.asarray((trace.left_toe_xy_mm + trace.right_toe_xy_mm) / 2)


def _draw_shapes(coupon: Coupon, trace: BeadTrace, section: Section) -> Draws:
    """Lengths and areas of equally likely sections, the scale apart."""
    fusion = _levelled(coupon, trace.fusion_draws_mm)
    rng = np.random.default_rng(fusion.shape[1])
    count = len(fusion)
    lift = rng.normal(0, float(coupon.surface.u_at(_middle(trace)[0])), count)
    left = rng.normal(0, trace.left_toe_u_mm, count)
    right = rng.normal(0, trace.right_toe_u_mm, count)
    fusion[..., 0] += _stretch(fusion[..., 0], section, left, right)
    fusion[..., 1] += lift[:, None]
    cap = _levelled(coupon, trace.cap_draws_mm)
    cap[..., 1] += lift[:, None]
    below, above = metal_areas(cap, fusion)
    whole = np.maximum(below + above, 1e-9)
    width = section.right_toe[0] - section.left_toe[0] + right - left
    tip = rng.normal(0, _tip_u(section.fusion), count)
    return Draws(
        penetration_mm=np.maximum(fusion[..., 1].max(axis=1) + tip, 0),
        width_mm=width,
        reinforcement_mm=np.maximum(-cap[..., 1].min(axis=1), 0),
        penetration_area_mm2=below,
        reinforcement_area_mm2=above,
        dilution_pct=np.clip(100 * below / whole, 0, 100),
    )


def _tip_u(fusion: FloatArray) -> float:
    """Doubt about the depth of a root by how pointed it is, in mm."""
    x, depth = fusion.T
    deepest = int(np.argmax(depth))
    beside = np.interp(x[deepest] + np.array([-TIP_REACH_MM, TIP_REACH_MM]), x, depth)
    stands_out = max(float(depth[deepest] - beside.mean()), 0.0)
    return TIP_U_MM * (1 - math.exp(-stands_out / POINTED_MM))


def _stretch(
    x: FloatArray, section: Section, left: FloatArray, right: FloatArray
) -> FloatArray:
    """How far points of a fusion line move with its toes, ``(draws, N)``."""
    first, last = section.left_toe[0], section.right_toe[0]
    share = (x - first) / max(last - first, 1e-6)
    return np.asarray(left[:, None] * (1 - share) + right[:, None] * share)


def _haz_depth(coupon: Coupon, trace: BeadTrace) -> Measured:
    if not len(trace.haz_xy_mm):
        return NAN
    deepest = float(_levelled(coupon, trace.haz_xy_mm)[:, 1].max())
    return Measured(min(deepest, coupon.thickness_mm))


def _mm_per_px(coupon: Coupon, at_xy_mm: FloatArray) -> float:
    """Scale of the photo at a point of the face, mean over directions."""
    step = 0.5
    around = at_xy_mm + np.array([[0, 0], [step, 0], [0, step]])
    px = project(coupon.mm_to_px, around)
    jacobian = (px[1:] - px[0]) / step
    return float(1 / math.sqrt(abs(np.linalg.det(jacobian))))
