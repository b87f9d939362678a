"""Coins and cards as they come out of a pocket: gleaming, tarnished, printed, worn.

`references` draws the things in mint condition; here they get their finish.
"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.drawing import noise
from sample_images.drawing.patch import Patch
from sample_images.drawing.references import BANK_CARD_MM, bank_card, coin, washer

Field = NDArray[np.float32]
Rng = np.random.Generator


def used_disc(rng: Rng, diameter_mm: float, *, px_per_mm: float = 24.0) -> Patch:
    """A coin or, now and then, a washer: bright or dark, gleaming at the rim or not."""
    if rng.random() < 0.15:
        hole_mm = diameter_mm * rng.uniform(0.3, 0.6)
        disc = washer(rng, diameter_mm, hole_mm, px_per_mm=px_per_mm)
    else:
        two = bool(rng.random() < 0.25)
        disc = coin(rng, diameter_mm, px_per_mm=px_per_mm, two_metals=two)
    rgb = disc.rgb * np.float32(math.exp(rng.uniform(-1.1, 0.3)))
    if rng.random() < 0.4:
        clouds = noise.fractal(rng, disc.alpha.shape, 6 * px_per_mm, 4)
        stain = np.clip(rng.uniform(0.1, 0.5) * clouds, 0, 0.7)
        rgb = rgb * (1 - stain[..., None])
    if rng.random() < 0.5:
        rgb = rgb + _gleam(rng, disc.alpha, diameter_mm, px_per_mm)[..., None]
    return replace(
        disc,
        rgb=np.clip(rgb, 0.01, 1).astype(np.float32),
        wall_shade=float(rng.uniform(0.15, 0.9)),
    )


def _gleam(rng: Rng, alpha: Field, diameter_mm: float, px_per_mm: float) -> Field:
    """Light on a rounded rim: a thin ring, brightest towards the lamp, dark behind."""
    rows, columns = alpha.shape
    y, x = np.mgrid[:rows, :columns]
    y, x = y - (rows - 1) / 2, x - (columns - 1) / 2
    inward = diameter_mm / 2 - np.hypot(x, y) / px_per_mm
    width = rng.uniform(0.15, 0.4)
    ring = np.exp(-0.5 * ((inward - width) / (0.6 * width)) ** 2)
    towards = np.cos(np.arctan2(y, x) - rng.uniform(0, 2 * math.pi))
    return (ring * (0.15 + towards) * rng.uniform(0.1, 0.6)).astype(np.float32)


def used_bank_card(
    rng: Rng, *, px_per_mm: float = 16.0, size_mm: tuple[float, float] = BANK_CARD_MM
) -> Patch:
    """A bank card of no bank: plain or with a picture, framed, glossy, worn."""
    card = bank_card(rng, px_per_mm=px_per_mm, size_mm=size_mm)
    rgb, alpha = card.rgb, card.alpha
    if rng.random() < 0.5:
        rgb = _printed_picture(rng, rgb, px_per_mm)
    if rng.random() < 0.2:
        rgb = _framed(rng, rgb, px_per_mm)
    if rng.random() < 0.25:
        rgb = rgb + _glare(rng, alpha.shape)[..., None]
    if rng.random() < 0.35:
        alpha = _worn(rng, alpha, px_per_mm)
    return replace(
        card,
        rgb=np.clip(rgb, 0.01, 1).astype(np.float32),
        alpha=alpha,
        wall_shade=float(rng.uniform(0.2, 1.0)),
    )


def _printed_picture(rng: Rng, rgb: Field, px_per_mm: float) -> Field:
    """Clouds of two colours over the card, and some large shapes with clear edges."""
    shape = rgb.shape[:2]
    clouds = noise.fractal(rng, shape, rng.uniform(5, 40) * px_per_mm, 4)
    share = np.clip(0.5 + rng.uniform(0.2, 0.6) * clouds, 0, 1)[..., None]
    colour = rng.uniform(0.05, 0.95, 3).astype(np.float32)
    picture = np.ascontiguousarray(rgb * (1 - share) + colour * share, np.float32)
    for _ in range(int(rng.integers(0, 4))):
        centre = rng.uniform((0, 0), shape[::-1])
        angle = np.sort(rng.uniform(0, 2 * math.pi, int(rng.integers(3, 9))))
        size = rng.uniform(8, 45) * px_per_mm
        corners = centre + size * np.column_stack([np.cos(angle), np.sin(angle)])
        mask = np.zeros(shape, np.uint8)
        cv2.fillPoly(mask, [np.round(corners).astype(np.int32)], 255, cv2.LINE_AA)
        cover = mask[..., None] / np.float32(255) * np.float32(rng.uniform(0.3, 0.9))
        picture += cover * (rng.uniform(0, 1, 3).astype(np.float32) - picture)
    return picture


def _framed(rng: Rng, rgb: Field, px_per_mm: float) -> Field:
    """A printed margin along all sides, close inside the edge."""
    margin = round(rng.uniform(1.0, 3.5) * px_per_mm)
    framed = rgb * np.float32(rng.uniform(0.4, 1.6))
    framed[margin:-margin, margin:-margin] = rgb[margin:-margin, margin:-margin]
    return framed


def _glare(rng: Rng, shape: tuple[int, ...]) -> Field:
    """A lamp's pool of light on the gloss."""
    rows, columns = shape
    y, x = np.mgrid[:rows, :columns] / np.float32(columns)
    at = rng.uniform((0, 0), (1.0, rows / columns))
    far = ((x - at[0]) ** 2 + (y - at[1]) ** 2) / rng.uniform(0.01, 0.08)
    return (rng.uniform(0.15, 0.6) * np.exp(-far)).astype(np.float32)


def _worn(rng: Rng, alpha: Field, px_per_mm: float) -> Field:
    """Small bites out of corners and edges."""
    worn = alpha.copy()
    rows, columns = alpha.shape
    inset = 1.5 * px_per_mm
    corners = [(x, y) for x in (inset, columns - inset) for y in (inset, rows - inset)]
    for index in rng.choice(4, int(rng.integers(1, 3)), replace=False):
        at = np.array(corners[index]) + rng.normal(0, 0.4 * px_per_mm, 2)
        _bite(worn, at, rng.uniform(0.5, 1.2) * px_per_mm)
    for _ in range(int(rng.integers(0, 4))):
        at = rng.uniform((0, 0), (columns, rows))
        at[int(rng.integers(2))] = 0.4 * px_per_mm
        _bite(worn, at, rng.uniform(0.15, 0.4) * px_per_mm)
    return worn


def _bite(alpha: Field, at_xy: NDArray[np.float64], radius: float) -> None:
    hole = np.zeros(alpha.shape, np.uint8)
    centre = np.round(at_xy * 16).astype(int)
    cv2.circle(hole, centre, round(radius * 16), 255, -1, cv2.LINE_AA, 4)
    alpha *= 1 - hole / np.float32(255)


def crumpled(card: Patch, rng: Rng, *, depth_mm: float = 1.0) -> Patch:
    """A paper card with one short side bent up and torn: what is there is displaced."""
    rows, columns = card.alpha.shape
    y, x = np.mgrid[:rows, :columns].astype(np.float32)
    near = np.exp(-((columns - x) / (0.12 * columns)))
    sway = noise.smooth(rng, (rows, columns), 0.25 * rows) * near * card.px_per_mm
    from_x = x + np.float32(depth_mm) * sway
    from_y = y + np.float32(0.5 * depth_mm) * sway
    rgb = cv2.remap(card.rgb, from_x, from_y, cv2.INTER_LINEAR)
    alpha = cv2.remap(card.alpha, from_x, from_y, cv2.INTER_LINEAR)
    crease = 1 + 0.15 * noise.fractal(rng, (rows, columns), 0.1 * rows, 3) * near
    return replace(card, rgb=np.clip(rgb * crease[..., None], 0, 1), alpha=alpha)
