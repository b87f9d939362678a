"""Shapes of weld metal: roots below the plate surface, caps above it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from sample_images.drawing.section import BeadPlan

Array = NDArray[np.float64]
COUNT = 361  # points along each line: 0.06 mm apart on the widest bead

ROOTS = ("parabola", "segment", "ellipse", "flat", "finger", "vee", "broad")
CAPS = ("parabola", "segment", "ellipse", "bell", "table", "vee")


def root_depth(name: str, u: Array, ratio: float) -> Array:
    """
    Depth of a root along u = -1..1, greatest 1 and 0 at the toes.

    Parameters
    ----------
    name
        One of `ROOTS`.
    u
        Place across the bead in half widths.
    ratio
        Depth divided by half the width; only the segment's shape depends on it.
    """
    a = np.clip(np.abs(u), 0, 1)
    if name == "segment":
        return _segment(a, ratio)
    wide = 1 - a**2
    return {
        "parabola": wide,
        "ellipse": np.sqrt(wide),
        "flat": (1 - a**6) ** 0.7,
        "finger": 0.42 * wide**0.8 + 0.58 * np.exp(-((a / 0.27) ** 2)) * wide**0.3,
        "vee": (1 - a) ** 1.15,
        "broad": wide**0.65 * (0.55 + 0.45 * np.exp(-((a / 0.5) ** 2))),
    }[name]


def _segment(a: Array, ratio: float) -> Array:
    """Circular arc of rise 1 over half chord 1 / ratio, up to a half circle."""
    rise = min(ratio, 1.0)
    radius = (1 + rise**2) / (2 * rise)
    return (np.sqrt(np.maximum(radius**2 - a**2, 0)) - (radius - rise)) / rise


def cap_line(name: str, half_mm: float, rise_mm: float) -> Array:
    """
    Weld face from left toe to right toe as points (s, height), in mm.

    The segment becomes more than a half circle where the rise is greater than
    half the width, so its flanks hang over the toes.
    """
    u = np.sin(np.linspace(-np.pi / 2, np.pi / 2, COUNT))
    if name == "segment" and rise_mm > 0:
        half_angle = 2 * np.arctan2(rise_mm, half_mm)
        radius = rise_mm / (1 - np.cos(half_angle))
        phi = np.linspace(-half_angle, half_angle, COUNT)
        height = radius * (np.cos(phi) - np.cos(half_angle))
        return np.column_stack([radius * np.sin(phi), height])
    a = np.abs(u)
    height = {
        "segment": 1 - u**2,
        "parabola": 1 - u**2,
        "ellipse": np.sqrt(1 - u**2),
        "bell": (0.5 + 0.5 * np.cos(np.pi * u)) ** 0.8,
        "table": (1 - a**4) ** 0.8,
        "vee": 1 - (a**2 + 0.02) ** 0.5 / 1.02**0.5,
    }[name]
    height = height - height[0] * np.abs(u)
    return np.column_stack([u * half_mm, height / height.max() * rise_mm])


def wave(count: int, rng: np.random.Generator, amplitude: float, bumps: float) -> Array:
    """Smooth random line of about so many bumps; rms equals the amplitude."""
    if amplitude <= 0:
        return np.zeros(count)
    knots = rng.normal(size=max(4, int(bumps * 2)))
    place = np.linspace(0, len(knots) - 1, count)
    fine = np.interp(place, np.arange(len(knots)), knots)
    width = max(1, count // (2 * len(knots)))
    kernel = np.hanning(2 * width + 3)
    smooth = np.convolve(np.pad(fine, width + 1, mode="edge"), kernel, "valid")
    smooth -= smooth.mean()
    return amplitude * smooth / max(smooth.std(), 1e-9)


def weld_outlines(plan: BeadPlan) -> tuple[Array, Array]:
    """
    Fusion line and weld face of a bead on a flat plate, toe to toe, as (s, d).

    Depth d is positive into the plate.
    """
    rng = np.random.default_rng(plan.seed)
    fusion = _fusion(plan, rng)
    half = plan.width_mm / 2
    cap = cap_line(plan.cap, half, plan.reinforcement_mm)
    u = np.clip(cap[:, 0] / half, -1, 1)
    taper = np.sqrt(np.maximum(1 - u**2, 0))
    if plan.crater:
        cap[:, 1] -= plan.crater * cap[:, 1] * np.exp(-((u / 0.45) ** 2))
    cap[:, 1] += wave(COUNT, rng, 0.5 * plan.waviness_mm, 5) * taper
    cap[:, 0] += plan.lean * cap[:, 1]
    groove = np.zeros(COUNT)
    for from_toe, deep in zip(
        (cap[:, 0] + half, half - cap[:, 0]), plan.undercut_mm, strict=True
    ):
        across = np.clip(from_toe / (0.35 + 1.2 * deep), 0, 1) if deep else 1.0
        cap[:, 1] *= across**2 * (3 - 2 * across)
        groove += _groove(from_toe, deep)
    cap[:, 1] -= groove
    weld_face = np.column_stack([cap[:, 0] + plan.at_mm, -cap[:, 1]])
    order = np.argsort(cap[:, 0])
    least = np.interp(fusion[:, 0], cap[order, 0], groove[order])
    depth = np.maximum(fusion[:, 1], least * 1.25)
    return np.column_stack([fusion[:, 0] + plan.at_mm, depth]), weld_face


def _fusion(plan: BeadPlan, rng: np.random.Generator) -> Array:
    """Depth of fusion over s, both counted from the middle of the bead."""
    half = plan.width_mm / 2
    start, end = -half + plan.rolled_mm[0], half - plan.rolled_mm[1]
    s = half * np.sin(np.linspace(-np.pi / 2, np.pi / 2, COUNT))
    u = np.clip((2 * s - start - end) / (end - start), -1, 1)
    u = (u - plan.skew) / (1 - plan.skew * u)
    ratio = 2 * plan.penetration_mm / max(end - start, 1e-9)
    depth = root_depth(plan.root, u, max(ratio, 1e-6))
    taper = np.clip(depth * 3, 0, 1)
    depth = depth / depth.max() * plan.penetration_mm
    rough = wave(COUNT, rng, plan.waviness_mm, 6)
    rough += wave(COUNT, rng, 0.35 * plan.waviness_mm, 40)
    limit = 0.3 * plan.penetration_mm
    return np.column_stack([s, depth + np.clip(rough, -limit, limit) * taper])


def _groove(from_toe_mm: Array, depth_mm: float) -> Array:
    """Undercut: a groove beside the toe, about two depths wide."""
    if depth_mm <= 0:
        return np.zeros_like(from_toe_mm)
    width = 0.35 + 1.2 * depth_mm
    t = np.clip(from_toe_mm / width, 0, 1)
    return depth_mm * 1.1 * np.abs(np.sin(np.pi * t**0.7)) ** 1.3
