"""Doubts about a bead that follow from its own numbers and lines."""

from __future__ import annotations

import numpy as np

from weldsection.flags import Flag
from weldsection.measurement.section import Draws, Section, Shape
from weldsection.records import BeadTrace, FloatArray

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
# a deeper dip of the weld face, and share of the lower crown, may part two beads
DEEPEST_DIP_MM, DEEPEST_DIP_SHARE = 0.4, 0.45
LOWEST_CROWN_MM = 0.5


def doubts_of(
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
