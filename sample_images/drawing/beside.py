"""Something of known size in the photo: what it is, and where it lies."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from sample_images.drawing.camera import Pose
from sample_images.drawing.patch import Patch
from sample_images.drawing.references import bank_card, coin, printed_card, washer
from sample_images.drawing.rulers import draw_rule, random_rule
from sample_images.drawing.section import Section, bend

Rng = np.random.Generator

# How often each kind of reference is drawn.
KINDS = {
    "thickness": 3.0,
    "points": 1.5,
    "rule-mm": 3.0,
    "rule-inch": 1.5,
    "disc": 2.5,
    "idcard": 1.5,
    "card": 2.0,
}


@dataclass(frozen=True, slots=True)
class Reference:
    """A kind of reference, and the thing to lay down where it needs one."""

    kind: str
    patch: Patch | None
    below: bool = True
    gap_mm: float = 6.0

    def room_mm(self) -> float:
        """Height that it takes up beside the coupon."""
        return self.patch.size_mm()[1] + self.gap_mm if self.patch else 0.0


def random_reference(
    rng: Rng, *, px_per_mm: float, kind: str | None = None
) -> Reference:
    """A reference drawn by lot, not laid down yet."""
    names, weights = list(KINDS), np.array(list(KINDS.values()))
    kind = kind or str(rng.choice(names, p=weights / weights.sum()))
    sharp = float(np.clip(1.2 * px_per_mm, 8, 30))
    patch = None
    if kind.startswith("rule"):
        system = kind.partition("-")[2]
        plan = random_rule(rng, system=system, px_per_mm=px_per_mm)
        patch = draw_rule(plan, rng, px_per_mm=sharp, centre_xy_mm=(0.0, 0.0))
    elif kind == "disc":
        size = round(float(rng.uniform(16, 32)), 2)
        patch = (
            coin(rng, size, px_per_mm=sharp, two_metals=bool(rng.random() < 0.2))
            if rng.random() < 0.8
            else washer(rng, size, size * rng.uniform(0.3, 0.55), px_per_mm=sharp)
        )
    elif kind == "idcard":
        patch = bank_card(rng, px_per_mm=sharp)
    elif kind == "card":
        name = str(rng.choice(["pocket", "bench"]))
        patch = printed_card(name, px_per_mm=sharp, grey=rng.uniform(0.8, 0.95))
    return Reference(kind, patch, bool(rng.random() < 0.75), float(rng.uniform(4, 12)))


def sway(reference: Reference) -> float:
    """How far from the coupon's middle a thing lies at the most, of its length."""
    return 0.3 if reference.kind == "disc" else 0.06


def lay_down(reference: Reference, section: Section, rng: Rng) -> tuple[Patch, ...]:
    """The thing, level with the face and beside the coupon."""
    if reference.patch is None:
        return ()
    plate = section.plate
    top = float(section.outline_xy_mm[:, 1].min())
    half = reference.patch.size_mm()[1] / 2
    y = (
        plate.thickness_mm + reference.gap_mm + half
        if reference.below
        else top - reference.gap_mm - half
    )
    away = sway(reference)
    x = plate.length_mm * (0.5 + rng.uniform(-away, away))
    round_thing = reference.kind == "disc"
    angle = rng.uniform(0, 360) if round_thing else rng.normal(0, 2.5)
    if reference.kind.startswith("rule") and rng.random() < 0.15:
        angle += 180
    return (
        replace(
            reference.patch, centre_xy_mm=(float(x), float(y)), angle_deg=float(angle)
        ),
    )


def option(reference: Reference, section: Section, pose: Pose, rng: Rng) -> str:
    """What a user would pass to ``--reference``."""
    plate = section.plate
    if reference.kind == "thickness":
        return f"thickness={plate.thickness_mm + rng.normal(0, 0.025):.2f}"
    if reference.kind == "points":
        ends = np.array(
            [[0.04 * plate.length_mm, 0.6], [0.96 * plate.length_mm, 0.6]]
        ) * (1, plate.thickness_mm)
        seen = cv2.perspectiveTransform(bend(ends, plate)[None], pose.to_pixels)
        inside = np.clip(np.round(seen), 0, np.array(pose.size_px) - 1)
        apart = np.diff(
            cv2.perspectiveTransform(inside, np.linalg.inv(pose.to_pixels))[0], axis=0
        )
        (x1, y1), (x2, y2) = inside[0].astype(int)
        return f"points={x1},{y1},{x2},{y2},{np.hypot(*apart[0]):.2f}"
    assert reference.patch is not None
    return str(reference.patch.truth["reference_option"])
