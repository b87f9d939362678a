"""Things of known size that people lay beside a coupon, drawn by lot.

Coarse drawings for small pictures, in which a finder must learn that a steel
rule, a coin or a card is no etched face.
"""

from __future__ import annotations

import cv2
import numpy as np

from sample_images.drawing import noise
from sample_images.drawing.patch import Patch
from sample_images.drawing.rulers import draw_rule, random_rule

Rng = np.random.Generator


def random_things(
    rng: Rng, size_mm: tuple[float, float], *, px_per_mm: float
) -> tuple[Patch, ...]:
    """
    None to two things, mostly below or above the coupon.

    Parameters
    ----------
    size_mm
        Length and thickness of the coupon, which they are laid clear of.
    px_per_mm
        Resolution of the picture they go into.
    """
    count = int(rng.choice([0, 1, 2], p=[0.25, 0.6, 0.15]))
    sharp = max(1.2 * px_per_mm, 4.0)
    things = []
    for _ in range(count):
        kind = rng.choice(["rule", "coin", "card", "bar"], p=[0.5, 0.22, 0.2, 0.08])
        draw = {"rule": _rule, "coin": _coin, "card": _card, "bar": _bar}[str(kind)]
        things.append(_placed(draw(rng, sharp), rng, size_mm))
    return tuple(things)


def _placed(patch: Patch, rng: Rng, size_mm: tuple[float, float]) -> Patch:
    """Lay a thing beside the coupon, turned a little, level with the face or not."""
    length, thickness = size_mm
    half = patch.size_mm()[1] / 2
    below = rng.random() < 0.75
    gap = rng.uniform(3, 16)
    y = thickness + gap + half if below else -6 - gap - half
    if patch.truth.get("round") and rng.random() < 0.3:
        x, y = length + gap + half, thickness / 2 + rng.uniform(-12, 12)
    else:
        x = length * rng.uniform(0.1, 0.9)
    return Patch(
        rgb=patch.rgb,
        alpha=patch.alpha,
        px_per_mm=patch.px_per_mm,
        centre_xy_mm=(float(x), float(y)),
        angle_deg=float(rng.normal(0, 4) + 180 * (rng.random() < 0.15)),
        z_mm=float(rng.choice([0.0, -thickness / 2, -10.0], p=[0.6, 0.2, 0.2])),
        thickness_mm=patch.thickness_mm,
        gloss=patch.gloss,
        truth=patch.truth,
    )


def _rule(rng: Rng, px_per_mm: float) -> Patch:
    system = str(rng.choice(["mm", "inch"]))
    plan = random_rule(rng, system=system, px_per_mm=max(px_per_mm, 8.0))
    return draw_rule(plan, rng, px_per_mm=px_per_mm, centre_xy_mm=(0.0, 0.0))


def _coin(rng: Rng, px_per_mm: float) -> Patch:
    radius = rng.uniform(8, 16) * px_per_mm
    side = int(2 * radius + 3)
    y, x = np.mgrid[:side, :side] - (side - 1) / 2
    distance = np.hypot(x, y)
    relief = noise.fractal(rng, (side, side), 2.0 * px_per_mm, 3)
    metal = np.array(
        [(0.72, 0.45, 0.33), (0.75, 0.65, 0.38), (0.7, 0.7, 0.7)][rng.integers(3)]
    )
    tone = 1 + 0.25 * (relief - 0.5) + 0.15 * (distance > 0.9 * radius)
    if rng.random() < 0.3:
        other = np.where((distance < 0.68 * radius)[..., None], metal[::-1], metal)
        rgb = other * tone[..., None]
    else:
        rgb = metal * tone[..., None]
    return Patch(
        rgb=np.clip(rgb * rng.uniform(0.6, 1.1), 0, 1).astype(np.float32),
        alpha=np.clip(radius - distance + 0.5, 0, 1).astype(np.float32),
        px_per_mm=px_per_mm,
        centre_xy_mm=(0.0, 0.0),
        thickness_mm=1.9,
        gloss=0.6,
        truth={"round": True},
    )


def _card(rng: Rng, px_per_mm: float) -> Patch:
    height, width = round(53.98 * px_per_mm), round(85.6 * px_per_mm)
    alpha = np.zeros((height, width), np.float32)
    corner = round(3.18 * px_per_mm)
    cv2.rectangle(alpha, (corner, 0), (width - corner, height), 1.0, -1)
    cv2.rectangle(alpha, (0, corner), (width, height - corner), 1.0, -1)
    for x in (corner, width - 1 - corner):
        for y in (corner, height - 1 - corner):
            cv2.circle(alpha, (x, y), corner, 1.0, -1)
    rgb = np.ones((height, width, 3), np.float32) * rng.uniform(0.1, 0.95, 3)
    stripe = int(height * rng.uniform(0.1, 0.6))
    rgb[stripe : stripe + height // 6] *= rng.uniform(0.2, 0.9)
    chip = slice(height // 3, height // 2), slice(width // 8, width // 4)
    rgb[chip] = (0.75, 0.65, 0.4)
    return Patch(
        rgb=np.clip(rgb, 0, 1).astype(np.float32),
        alpha=alpha,
        px_per_mm=px_per_mm,
        centre_xy_mm=(0.0, 0.0),
        gloss=0.4,
    )


def _bar(rng: Rng, px_per_mm: float) -> Patch:
    """A plain strip of metal, wood or plastic that carries no weld."""
    shape = (
        round(rng.uniform(6, 30) * px_per_mm),
        round(rng.uniform(40, 160) * px_per_mm),
    )
    grain = noise.fractal(rng, shape, 3 * px_per_mm, 3)[..., None]
    colour = rng.uniform(0.15, 0.9) * rng.uniform(0.85, 1.1, 3)
    return Patch(
        rgb=np.clip(colour * (0.9 + 0.2 * grain), 0, 1).astype(np.float32),
        alpha=np.ones(shape, np.float32),
        px_per_mm=px_per_mm,
        centre_xy_mm=(0.0, 0.0),
        thickness_mm=float(rng.uniform(1, 8)),
        gloss=0.4,
    )
