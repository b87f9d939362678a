"""Quantities of one bead and their uncertainty, from its traced lines.

Every length is worked out in coordinates levelled to the plate surface. The
uncertainty is a Monte Carlo over the posterior of the fusion line, the weld
face, the toes, the plate surface and the scale, all drawn together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from weldsection.flags import Flag
from weldsection.records import (
    BeadResult,
    BeadTrace,
    Coupon,
    FloatArray,
    Measured,
    Scale,
    project,
)

# Penetration known worse than this, and than this share of it, is in doubt: over
# drawn photos it parts wrong rows from right ones best (docs/accuracy.md).
AMBIGUOUS_MM, AMBIGUOUS_SHARE = 0.2, 0.06
LEAST_FUSION_MM = 0.06  # less cannot be told from none
ONE_SIDED_95 = 1.645  # standard deviations of a normal distribution: more than none
MOST_UNFUSED_MM = 0.6  # more than this is fusion, however unsure its depth
# penetration area over width times penetration: 0.5 is a triangle, 0.785 half
# an ellipse, 1 a rectangle (measured melt pools: 0.65-0.86, Hofmann et al.,
# Zenodo 16979848); a finger goes lower, nothing goes far above
LEAST_FILL, MOST_FILL = 0.3, 1.05
# Weld metal lies unfused on the plate where the fusion line stays this near the plate
# surface over this length from a toe, if line and toe are seen this well. Over drawn
# photos it finds over half of overlaps, and none in 99 of 100 beads without.
UNFUSED_DEPTH_MM, UNFUSED_LENGTH_MM, UNFUSED_U_MM = 0.04, 0.6, 0.12
UNFUSED_TOE_U_MM = 0.15
LEAST_ROOT_MM = 0.3  # a cold bead is shallow all along
LEAST_EXPECTED_MM = 0.12  # where a round root lies less deep, little is to be seen
# A pointed root is drawn a little blunt: how much is known to this standard deviation
# for points that stand out by far more than this beside half a millimetre to each side
TIP_U_MM, POINTED_MM, TIP_REACH_MM = 0.08, 0.15, 0.5
# a deeper dip of the weld face, and share of the lower crown, may part two beads
DEEPEST_DIP_MM, DEEPEST_DIP_SHARE = 0.4, 0.45
LOWEST_CROWN_MM = 0.5
CHORD_MM = 0.5  # of the toe angle: convention of this project
NAN = Measured(math.nan)


@dataclass(frozen=True, slots=True)
class Section:
    """One bead's lines levelled to the plate surface: y = 0 on it, down positive."""

    cap: FloatArray
    fusion: FloatArray
    left_toe: FloatArray
    right_toe: FloatArray


@dataclass(frozen=True, slots=True)
class Shape:
    """The lengths and areas of one section."""

    penetration_mm: float
    width_mm: float
    reinforcement_mm: float
    penetration_area_mm2: float
    reinforcement_area_mm2: float

    @property
    def dilution_pct(self) -> float:
        """Share of melted plate in the weld metal, in percent."""
        return dilution_pct(self.penetration_area_mm2, self.reinforcement_area_mm2)


@dataclass(frozen=True, slots=True)
class Draws:
    """The same of many equally likely sections, ``(draws,)`` each."""

    penetration_mm: FloatArray
    width_mm: FloatArray
    reinforcement_mm: FloatArray
    penetration_area_mm2: FloatArray
    reinforcement_area_mm2: FloatArray
    dilution_pct: FloatArray


def dilution_pct(penetration_area: float, reinforcement_area: float) -> float:
    """
    Share of melted plate in the weld metal, in percent.

    Examples
    --------
    >>> round(dilution_pct(1.5, 0.6), 4)  # reference-values D.1
    71.4286
    """
    total = penetration_area + reinforcement_area
    return 100 * penetration_area / total if total > 0 else math.nan


def area_beyond_surface(line: FloatArray, *, below: bool) -> FloatArray:
    """
    Area between a line and the plate surface y = 0, on one side of it.

    Parameters
    ----------
    line
        ``(..., N, 2)`` levelled points from left to right, y down.
    below
        Whether the area below the surface is wanted, or the one above it.

    Returns
    -------
    FloatArray
        ``(...)``: by the trapezoidal rule on the clipped line; overhangs count
        once.

    Examples
    --------
    >>> triangle = np.array([[0.0, 0.0], [2.0, 3.0], [4.0, 0.0]])
    >>> float(area_beyond_surface(triangle, below=True))
    6.0
    """
    x = line[..., 0]
    depth = line[..., 1] if below else -line[..., 1]
    first, last = depth[..., :-1], depth[..., 1:]
    inside = (np.maximum(first, 0) + np.maximum(last, 0)) / 2
    # a stretch that crosses the surface counts the triangle on the wanted side
    crossing = first * last < 0
    apart = np.where(crossing, np.abs(last - first), 1.0)
    triangle = np.maximum(first, last) ** 2 / (2 * apart)
    area = np.where(crossing, triangle, inside)
    return np.asarray(np.sum(np.diff(x) * area, axis=-1))


def shape_of(section: Section) -> Shape:
    """Lengths and areas of a levelled section."""
    areas = _areas(section.cap, section.fusion)
    return Shape(
        penetration_mm=max(float(section.fusion[:, 1].max()), 0.0),
        width_mm=float(section.right_toe[0] - section.left_toe[0]),
        reinforcement_mm=max(float(-section.cap[:, 1].min()), 0.0),
        penetration_area_mm2=float(areas[0]),
        reinforcement_area_mm2=float(areas[1]),
    )


def _areas(cap: FloatArray, fusion: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weld metal below and above the surface; an undercut is no metal."""
    undercut = area_beyond_surface(cap, below=True)
    fused = area_beyond_surface(fusion, below=True)
    above = area_beyond_surface(cap, below=False)
    return np.maximum(fused - undercut, 0.0), above


def toe_angle_deg(face: FloatArray, *, right: bool) -> float:
    """
    Angle at a toe, through the air, in the sense of ISO 5817 no. 505.

    Parameters
    ----------
    face
        ``(N, 2)`` levelled weld face from left to right toe, y down.
    right
        Whether the right toe is wanted.

    Returns
    -------
    float
        Degrees between the bare plate surface and the chord from the toe to
        the point 0.5 mm along the face; 180 is flat. NaN for a shorter face.

    Examples
    --------
    >>> steep = np.array([[0.0, 0.0], [0.0, -2.0], [4.0, -2.0], [8.0, 0.0]])
    >>> toe_angle_deg(steep, right=False)
    90.0
    """
    line = face[::-1] if right else face
    length = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    if length[-1] < 2 * CHORD_MM:
        return math.nan
    end = np.array([np.interp(CHORD_MM, length, line[:, k]) for k in (0, 1)])
    across = (line[0, 0] - end[0]) if right else (end[0] - line[0, 0])
    return 180 - math.degrees(math.atan2(-(end[1] - line[0, 1]), across))


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
        flags=_once(
            *trace.flags,
            *_doubts(value, drawn, trace, section),
            *scale.doubts_at(centre_px),
        ),
    )


def _once(*flags: Flag) -> tuple[Flag, ...]:
    """Flags in the order they are declared, each once."""
    return tuple(flag for flag in Flag if flag in flags)


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
    below, above = _areas(cap, fusion)
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


def _doubts(
    value: Shape, drawn: Draws, trace: BeadTrace, section: Section
) -> tuple[Flag, ...]:
    """Flags that follow from the numbers themselves."""
    spread = float(np.std(drawn.penetration_mm))
    flags = []
    shallow = value.penetration_mm < min(ONE_SIDED_95 * spread, MOST_UNFUSED_MM)
    if shallow or value.penetration_mm < LEAST_FUSION_MM:
        flags.append(Flag.NO_FUSION)
    elif spread > max(AMBIGUOUS_MM, AMBIGUOUS_SHARE * value.penetration_mm):
        flags.append(Flag.BOUNDARY_AMBIGUOUS)
    seen = float(np.median(trace.fusion_u_mm)) < UNFUSED_U_MM
    toes = trace.left_toe_u_mm, trace.right_toe_u_mm
    unfused = lies_over_plate(section.fusion)
    if seen and any(
        lies and u < UNFUSED_TOE_U_MM for lies, u in zip(unfused, toes, strict=True)
    ):
        flags.append(Flag.OVERLAP)
    if _unlike_a_bead(value) or has_two_crowns(section.cap):
        flags.append(Flag.UNUSUAL_SHAPE)
    return tuple(flags)


def lies_over_plate(fusion: FloatArray) -> tuple[bool, bool]:
    """
    Whether weld metal lies on the plate beyond the fusion line, at each toe.

    Parameters
    ----------
    fusion
        ``(N, 2)`` levelled fusion line from toe to toe, y down.

    Returns
    -------
    tuple[bool, bool]
        For the left and the right toe; never for so shallow a root that even a
        parabola of its depth and width would hardly leave the plate surface.

    Examples
    --------
    >>> x = np.linspace(0.0, 6.0, 61)
    >>> depth = np.where(x > 1.0, 0.4 * (x - 1.0) * (6.0 - x) / 2.5, 0.0)
    >>> lies_over_plate(np.column_stack([x, depth]))
    (True, False)
    """
    x, depth = fusion.T
    deepest, half = float(depth.max()), float(x[-1] - x[0]) / 2
    expected = deepest * (1 - (1 - UNFUSED_LENGTH_MM / half) ** 2)
    if deepest < LEAST_ROOT_MM or expected < LEAST_EXPECTED_MM:
        return False, False
    fused = np.flatnonzero(depth > UNFUSED_DEPTH_MM)
    return (
        bool(x[fused[0]] - x[0] > UNFUSED_LENGTH_MM),
        bool(x[-1] - x[fused[-1]] > UNFUSED_LENGTH_MM),
    )


def has_two_crowns(face: FloatArray) -> bool:
    """
    Whether a weld face dips so far between two crowns that it may be two beads.

    Parameters
    ----------
    face
        ``(N, 2)`` levelled weld face from toe to toe, y down.

    Examples
    --------
    >>> x = np.linspace(0.0, 10.0, 101)
    >>> has_two_crowns(np.column_stack([x, -np.abs(np.sin(np.pi * x / 5))]))
    True
    >>> has_two_crowns(np.column_stack([x, -np.sin(np.pi * x / 10)]))
    False
    >>> has_two_crowns(np.column_stack([x, 0.5 - np.sin(np.pi * x / 10)]))  # undercut
    False
    """
    height = -face[:, 1]
    left = np.maximum.accumulate(height)
    right = np.maximum.accumulate(height[::-1])[::-1]
    lower = np.minimum(left, right)
    dip = lower - height
    deep = dip > np.maximum(DEEPEST_DIP_SHARE * lower, DEEPEST_DIP_MM)
    return bool((deep & (lower > LOWEST_CROWN_MM)).any())  # else it is an undercut


def _unlike_a_bead(value: Shape) -> bool:
    """Whether the traced section has a shape that no bead has."""
    box = value.width_mm * value.penetration_mm
    fill = value.penetration_area_mm2 / box if value.penetration_mm > 0.5 else 0.7
    return (
        not LEAST_FILL <= fill <= MOST_FILL
        or value.reinforcement_mm > value.width_mm
        or value.penetration_mm > 2 * value.width_mm
    )
