"""Rules of every common kind: steel or plastic, millimetres or inches."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.drawing import noise
from sample_images.drawing.patch import Patch

Field = NDArray[np.float32]
Rng = np.random.Generator

INCH_MM = 25.4
GROUNDS = ("steel", "dull steel", "white", "yellow", "clear", "black", "wood")


@dataclass(frozen=True, slots=True)
class EdgeMarks:
    """
    The graduation along one edge.

    Attributes
    ----------
    step_mm
        Distance of neighbouring ticks.
    tiers
        Every how many steps a tick is longer.
    lengths_mm
        Length of an ordinary tick and of each tier.
    line_mm
        Width of a tick.
    inset_mm
        Bare rim between the edge and the ticks.
    numeral_steps
        A numeral at every so many steps, none at 0.
    numeral_value
        By how much the numerals count.
    """

    step_mm: float
    tiers: tuple[int, ...]
    lengths_mm: tuple[float, ...]
    line_mm: float = 0.18
    inset_mm: float = 0.0
    numeral_steps: int = 0
    numeral_value: int = 1

    def length_at(self, number: int) -> float:
        """Length of tick ``number`` in mm, counted from the zero mark."""
        length = self.lengths_mm[0]
        for tier, longer in zip(self.tiers, self.lengths_mm[1:], strict=True):
            if number % tier == 0:
                length = longer
        return length


@dataclass(frozen=True, slots=True)
class RulePlan:
    """A rule: its body, its two edges and what use has done to it."""

    length_mm: float
    width_mm: float
    upper: EdgeMarks | None
    lower: EdgeMarks | None
    ground: str = "steel"
    stretch: float = 0.0
    """Share by which the rule is longer than it says."""
    stains: float = 0.0
    faded: float = 0.0
    zero_mm: float = 4.0
    """Distance of the zero mark from the left end."""


def random_rule(rng: Rng, *, system: str, px_per_mm: float) -> RulePlan:
    """
    A rule drawn by lot whose finest ticks the picture can show.

    ``system`` is ``mm`` or ``inch``; the other edge may have the other one.
    """
    finest_mm = 3.5 / px_per_mm
    first = _random_marks(rng, system, finest_mm)
    other = None
    if rng.random() < 0.45:
        other = _random_marks(rng, str(rng.choice(["mm", "inch"])), finest_mm)
    upper, lower = (first, other) if rng.random() < 0.6 else (other, first)
    depth = sum(
        1.1 * max(marks.lengths_mm) + (4.5 if marks.numeral_steps else 0.5)
        for marks in (upper, lower)
        if marks is not None
    )
    ground = str(rng.choice(GROUNDS, p=[0.3, 0.15, 0.2, 0.1, 0.05, 0.1, 0.1]))
    worst_faded = 0.15 if ground in ("dull steel", "clear") else 0.35
    return RulePlan(
        length_mm=float(rng.uniform(90, 220)),
        width_mm=max(float(rng.choice([13, 15, 18, 20, 25, 30, 35])), depth + 1),
        upper=upper,
        lower=lower,
        ground=ground,
        # class II: ± 0.5 mm on a rule of 300 mm
        stretch=float(rng.uniform(-0.5, 0.5) / 300),
        stains=float(rng.uniform(0, 0.7)) if rng.random() < 0.4 else 0.0,
        faded=float(rng.uniform(0, worst_faded)) if rng.random() < 0.4 else 0.0,
        zero_mm=float(rng.choice([0.0, 3.0, 6.0])),
    )


def _random_marks(rng: Rng, system: str, finest_mm: float) -> EdgeMarks:
    """One graduation of a system, no finer than can be seen."""
    kinds = {
        "mm": ((1.0, (5, 10), 6.0), (0.5, (2, 10, 20), 2.0), (0.5, (10, 20), 1.0)),
        "inch": (
            (INCH_MM / 16, (2, 4, 8, 16), 6.0),
            (INCH_MM / 32, (2, 4, 8, 16, 32), 3.0),
            (INCH_MM / 32, (4, 8, 16, 32), 0.6),
            (INCH_MM / 64, (2, 4, 8, 16, 32, 64), 1.0),
            (INCH_MM / 10, (5, 10), 0.5),
        ),
    }[system]
    seen = [kind for kind in kinds if kind[0] >= finest_mm]
    weights = np.array([kind[2] for kind in seen])
    step, tiers, _ = seen[int(rng.choice(len(seen), p=weights / weights.sum()))]
    shortest = rng.uniform(2.2, 4.0) if step > 0.9 else rng.uniform(1.7, 2.8)
    growth = rng.uniform(1.15, 1.3 if len(tiers) > 3 else 1.5, len(tiers))
    lengths = shortest * np.cumprod([1.0, *growth])
    numbered = rng.random() < 0.75
    inch = system == "inch"
    return EdgeMarks(
        step_mm=step,
        tiers=tiers,
        lengths_mm=tuple(float(length) for length in lengths),
        line_mm=float(min(rng.uniform(0.12, 0.25), 0.42 * step)),
        inset_mm=float(rng.choice([0.0, 0.0, 0.3])),
        numeral_steps=round((INCH_MM if inch else 10.0) / step) if numbered else 0,
        numeral_value=1 if inch or rng.random() < 0.5 else 10,
    )


def draw_rule(
    plan: RulePlan,
    rng: Rng,
    *,
    px_per_mm: float,
    centre_xy_mm: tuple[float, float],
    angle_deg: float = 0.0,
    z_mm: float = 0.0,
) -> Patch:
    """A rule laid beside the coupon, with the truth about its graduation."""
    shape = (round(plan.width_mm * px_per_mm), round(plan.length_mm * px_per_mm))
    body = _ground(plan, rng, shape, px_per_mm)
    ink = np.zeros(shape, np.float32)
    for marks, upper in ((plan.upper, True), (plan.lower, False)):
        if marks is not None:
            side = ink if upper else ink[::-1]
            _draw_ticks(side, marks, plan, px_per_mm)
            ink = np.maximum(ink, _numerals(shape, marks, plan, (px_per_mm, upper)))
    colour = np.float32(0.85 if plan.ground == "black" else rng.uniform(0.04, 0.2))
    cover = (1 - plan.faded) * np.clip(ink, 0, 1)[..., None]
    rgb = body * (1 - cover) + colour * cover
    if plan.stains:
        blots = np.clip(noise.fractal(rng, shape, 14 * px_per_mm, 4) - 0.6, 0, 1)
        rgb *= (1 - plan.stains * blots)[..., None]
    marks = plan.upper or plan.lower
    steel = "steel" in plan.ground
    return Patch(
        rgb=np.clip(rgb, 0.01, 1).astype(np.float32),
        alpha=np.ones(shape, np.float32),
        px_per_mm=px_per_mm,
        centre_xy_mm=centre_xy_mm,
        angle_deg=angle_deg,
        z_mm=z_mm,
        thickness_mm=1.0 if steel else 2.0,
        gloss=0.6 if steel else 0.3,
        truth={
            "reference_option": "ruler",
            "ruler_graduation_mm": marks.step_mm if marks else 0.0,
            "ruler_stretch": plan.stretch,
        },
    )


def _ground(plan: RulePlan, rng: Rng, shape: tuple[int, int], scale: float) -> Field:
    """The bare body of the rule."""
    base = {
        "steel": (0.74, 0.75, 0.76),
        "dull steel": (0.42, 0.43, 0.44),
        "white": (0.9, 0.9, 0.88),
        "yellow": (0.9, 0.76, 0.2),
        "clear": (0.68, 0.72, 0.72),
        "black": (0.07, 0.07, 0.075),
        "wood": (0.72, 0.56, 0.36),
    }[plan.ground]
    body = np.empty((*shape, 3), np.float32)
    body[:] = np.array(base, np.float32) * np.float32(rng.uniform(0.85, 1.1))
    strength = {"steel": 0.05, "dull steel": 0.07, "wood": 0.06}.get(plan.ground, 0.01)
    grain = noise.brushed(
        rng, shape, length=30 * scale, width=0.12 * scale, angle_deg=0.0
    )
    return np.asarray(body * (1 + strength * grain)[..., None], dtype=np.float32)


def _draw_ticks(ink: Field, marks: EdgeMarks, plan: RulePlan, scale: float) -> None:
    """Ticks from the first row downwards, with soft edges where they fall."""
    start = marks.inset_mm * scale
    # a rule that is too long has its marks closer together than they say when
    # it is drawn at its true length: here the marks carry the stretch
    step = marks.step_mm * (1 + plan.stretch) * scale
    half = marks.line_mm * scale / 2
    number = 0 if plan.zero_mm > 0 else 1
    while True:
        centre = plan.zero_mm * scale + number * step - 0.5
        if centre + half > ink.shape[1] - 1:
            break
        end = start + marks.length_at(number) * scale
        x0, x1 = max(math.floor(centre - half), 0), math.ceil(centre + half) + 1
        columns = _covered(np.arange(x0, x1), centre - half, centre + half)
        rows = _covered(np.arange(math.ceil(end) + 1), start - 0.5, end - 0.5)
        part = ink[: len(rows), x0:x1]
        np.maximum(part, rows[: len(part), None] * columns[: part.shape[1]], out=part)
        number += 1


def _covered(pixels: NDArray[np.int64], low: float, high: float) -> Field:
    """Share of each pixel that lies between two places."""
    first, last = np.maximum(pixels - 0.5, low), np.minimum(pixels + 0.5, high)
    return np.asarray(np.clip(last - first, 0, 1), dtype=np.float32)


def _numerals(
    shape: tuple[int, int],
    marks: EdgeMarks,
    plan: RulePlan,
    place: tuple[float, bool],
) -> Field:
    """Numerals beyond the long ticks, as a cover of 0..1."""
    scale, upper = place
    cover = np.zeros(shape, np.uint8)
    if not marks.numeral_steps:
        return cover.astype(np.float32)
    step = marks.step_mm * (1 + plan.stretch) * scale
    height = 2.6 * scale
    middle = (marks.inset_mm + max(marks.lengths_mm)) * scale + 0.8 * height
    baseline = middle + height / 2 if upper else shape[0] - middle + height / 2
    # the letters of this face are 21 px high at size 1
    face, size, thick = cv2.FONT_HERSHEY_SIMPLEX, height / 21, round(0.13 * height)
    for count in range(1, 10_000 // marks.numeral_steps):
        centre = plan.zero_mm * scale + count * marks.numeral_steps * step
        if centre > shape[1]:
            break
        text = str(count * marks.numeral_value)
        (wide, _), _ = cv2.getTextSize(text, face, size, max(1, thick))
        corner = (round(centre - wide / 2), round(baseline))
        cv2.putText(cover, text, corner, face, size, 255, max(1, thick), cv2.LINE_AA)
    return np.asarray(cover / 255, dtype=np.float32)
