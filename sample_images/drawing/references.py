"""Things of known size to lay beside a coupon: printed card, coin, bank card.

Rules are in `rulers`. Sizes here are those of the things themselves; the
measuring code has its own and shares none of these.
"""

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

MARK_DICTIONARY = cv2.aruco.DICT_5X5_100
BANK_CARD_MM = (85.60, 53.98)
BANK_CARD_RADIUS_MM = 3.18
METALS = {
    "silver": (0.72, 0.73, 0.74),
    "brass": (0.78, 0.66, 0.36),
    "copper": (0.70, 0.42, 0.29),
    "steel": (0.60, 0.61, 0.62),
    "dark": (0.33, 0.30, 0.26),
}


@dataclass(frozen=True, slots=True)
class PrintedCard:
    """A printed card: its size, its marks and their first number, in mm."""

    width_mm: float
    height_mm: float
    mark_mm: float
    first: int
    xs_mm: tuple[float, ...]
    ys_mm: tuple[float, ...]
    hollow: bool
    """Marks only around the border."""


PRINTED_CARDS = {
    "pocket": PrintedCard(
        85.6, 53.98, 14.0, 0, (4.0, 35.8, 67.6), (4.0, 35.98), hollow=False
    ),
    "bench": PrintedCard(
        150.0, 100.0, 18.0, 10, (5.0, 45.6, 86.3, 127.0), (5.0, 41.0, 77.0), hollow=True
    ),
    "frame": PrintedCard(
        190.0,
        250.0,
        22.0,
        24,
        (5.0, 57.6, 110.3, 163.0),
        (5.0, 59.5, 114.0, 168.5, 223.0),
        hollow=True,
    ),
}


def printed_card(
    name: str, *, px_per_mm: float = 16.0, stretch: float = 1.0, grey: float = 0.93
) -> Patch:
    """
    Our printed card, cut out of its sheet.

    Parameters
    ----------
    name
        ``pocket``, ``bench`` or ``frame``.
    stretch
        Printed over intended length, of a printer that is not quite true.
    grey
        Brightness of the paper.
    """
    card = PRINTED_CARDS[name]
    # drawn at the intended size: the stretch is a finer or coarser resolution
    shape = round(card.height_mm * px_per_mm), round(card.width_mm * px_per_mm)
    ink = np.zeros(shape, np.float32)
    dictionary = cv2.aruco.getPredefinedDictionary(MARK_DICTIONARY)
    for number, x, y in _mark_places(card):
        squares = 255 - cv2.aruco.generateImageMarker(dictionary, number, 7)
        _print_squares(ink, squares > 127, (x, y), card.mark_mm / 7, px_per_mm)
    paper = np.float32(grey) - ink * np.float32(grey - 0.07)
    return Patch(
        rgb=np.repeat(paper[..., None], 3, axis=2),
        alpha=np.ones(shape, np.float32),
        px_per_mm=px_per_mm / stretch,
        centre_xy_mm=(0.0, 0.0),
        thickness_mm=0.2,
        gloss=0.05,
        truth={"reference_option": "card", "card": name, "card_stretch": stretch},
    )


def _mark_places(card: PrintedCard) -> list[tuple[int, float, float]]:
    border_x, border_y = (
        {card.xs_mm[0], card.xs_mm[-1]},
        {card.ys_mm[0], card.ys_mm[-1]},
    )
    places = [
        (x, y)
        for y in card.ys_mm
        for x in card.xs_mm
        if not card.hollow or x in border_x or y in border_y
    ]
    return [(card.first + k, x, y) for k, (x, y) in enumerate(places)]


def _print_squares(
    ink: Field,
    squares: NDArray[np.bool_],
    corner_mm: tuple[float, float],
    square_mm: float,
    px_per_mm: float,
) -> None:
    """Print black squares with true coverage of the pixels they cut."""
    span = np.arange(len(squares) + 1) * square_mm
    x = (corner_mm[0] + span) * px_per_mm
    y = (corner_mm[1] + span) * px_per_mm
    for row, column in np.argwhere(squares):
        wide = _coverage(x[column], x[column + 1], ink.shape[1])
        high = _coverage(y[row], y[row + 1], ink.shape[0])
        rows, columns = np.flatnonzero(high), np.flatnonzero(wide)
        block = np.ix_(rows, columns)
        ink[block] = np.minimum(ink[block] + np.outer(high[rows], wide[columns]), 1)


def _coverage(start: float, end: float, count: int) -> Field:
    """Share of each pixel, from its left edge to its right, inside an interval."""
    left = np.arange(count, dtype=np.float64)
    covered = np.minimum(left + 1, end) - np.maximum(left, start)
    return np.clip(covered, 0, 1).astype(np.float32)


# ---------------------------------------------------------------------- coins


def coin(
    rng: Rng,
    diameter_mm: float,
    *,
    px_per_mm: float = 24.0,
    metal: str | None = None,
    two_metals: bool = False,
    waves: int = 0,
    wave_depth: float = 0.012,
) -> Patch:
    """
    A coin of no country: rim, relief, two metals if asked for.

    Parameters
    ----------
    waves, wave_depth
        A rim that swings in and out so many times by that share of the radius,
        for coins that are not round.
    """
    side = math.ceil((diameter_mm + 1.0) * px_per_mm)
    y, x = np.mgrid[:side, :side] - (side - 1) / 2
    radius_mm = np.hypot(x, y) / px_per_mm
    turn = np.arctan2(y, x)
    rim_mm = diameter_mm / 2 * (1 - wave_depth * (1 - np.cos(waves * turn)) / 2)
    alpha = np.clip((rim_mm - radius_mm) * px_per_mm + 0.5, 0, 1).astype(np.float32)
    kind = metal or str(rng.choice(list(METALS)))
    colour = np.ones((side, side, 3), np.float32) * np.float32(METALS[kind])
    if two_metals:
        inner = radius_mm < 0.36 * diameter_mm
        colour[inner] = METALS["brass" if kind == "silver" else "silver"]
    height_mm = _relief(rng, radius_mm, turn, rim_mm, px_per_mm)
    slope_y, slope_x = np.gradient(height_mm * px_per_mm)
    lamp = rng.uniform(0, 2 * math.pi)
    shade = 1 + 1.6 * (slope_x * math.cos(lamp) + slope_y * math.sin(lamp))
    wear = 1 + 0.05 * noise.fractal(rng, (side, side), 3 * px_per_mm)
    rgb = np.clip(colour * (shade * wear)[..., None], 0, 1).astype(np.float32)
    return Patch(
        rgb=rgb,
        alpha=alpha,
        px_per_mm=px_per_mm,
        centre_xy_mm=(0.0, 0.0),
        angle_deg=rng.uniform(0, 360),
        thickness_mm=rng.uniform(1.2, 2.3),
        gloss=0.5,
        truth={"reference_option": f"disc={diameter_mm:g}"},
    )


def _relief(
    rng: Rng, radius_mm: Field, turn: Field, rim_mm: Field, px_per_mm: float
) -> Field:
    """Raised rim with a bevel, beads or letters inside it, a head in the middle."""
    inward = rim_mm - radius_mm
    width = rng.uniform(0.5, 1.1)
    rim = np.clip(inward / 0.15, 0, 1) * np.clip((width - inward) / 0.2, 0, 1)
    height = 0.12 * rim
    size = float(rim_mm.max())
    letters = np.abs(inward - 0.16 * size) < 0.06 * size
    height += 0.06 * letters * (np.sin(rng.integers(18, 34) * turn) > 0)
    head = radius_mm < 0.55 * size * (1 + 0.15 * np.cos(2 * turn + 1))
    height += 0.10 * head * noise.fractal(rng, radius_mm.shape, 2.5 * px_per_mm)
    return cv2.GaussianBlur(height.astype(np.float32), (0, 0), 0.05 * px_per_mm)


def washer(
    rng: Rng, diameter_mm: float, hole_mm: float, *, px_per_mm: float = 24.0
) -> Patch:
    """A turned washer, bright, with a hole that shows the bench."""
    side = math.ceil((diameter_mm + 1.0) * px_per_mm)
    y, x = np.mgrid[:side, :side] - (side - 1) / 2
    radius_mm = np.hypot(x, y) / px_per_mm
    outer = np.clip((diameter_mm / 2 - radius_mm) * px_per_mm + 0.5, 0, 1)
    inner = np.clip((radius_mm - hole_mm / 2) * px_per_mm + 0.5, 0, 1)
    grain = noise.brushed(
        rng, (side, side), length=6 * px_per_mm, width=0.1 * px_per_mm, angle_deg=30
    )
    grey = np.clip(0.62 + 0.05 * grain, 0, 1)
    return Patch(
        rgb=np.repeat(grey[..., None], 3, axis=2).astype(np.float32),
        alpha=(outer * inner).astype(np.float32),
        px_per_mm=px_per_mm,
        centre_xy_mm=(0.0, 0.0),
        thickness_mm=rng.uniform(1.5, 2.5),
        gloss=0.5,
        truth={"reference_option": f"disc={diameter_mm:g}"},
    )


# ----------------------------------------------------------------- bank cards


def bank_card(
    rng: Rng, *, px_per_mm: float = 16.0, size_mm: tuple[float, float] = BANK_CARD_MM
) -> Patch:
    """A bank card of no bank: plain or shaded colour, stripe, chip, raised digits."""
    wide, high = size_mm
    columns, rows = math.ceil((wide + 1) * px_per_mm), math.ceil((high + 1) * px_per_mm)
    y, x = np.mgrid[:rows, :columns]
    x_mm = (x - (columns - 1) / 2) / px_per_mm
    y_mm = (y - (rows - 1) / 2) / px_per_mm
    alpha = _rounded(x_mm, y_mm, wide, high, BANK_CARD_RADIUS_MM, px_per_mm)
    colour = np.array(rng.uniform(0.05, 0.9, 3), np.float32)
    if rng.random() < 0.25:
        colour[:] = rng.choice([0.06, 0.9])
    slope = (
        1
        + rng.uniform(-0.25, 0.25) * x_mm / wide
        + rng.uniform(-0.2, 0.2) * y_mm / high
    )
    rgb = colour * slope[..., None].astype(np.float32)
    if rng.random() < 0.4:
        top = rng.uniform(-0.4, 0.1) * high
        rgb[(y_mm > top) & (y_mm < top + 11)] *= np.float32(0.35)
    if rng.random() < 0.8:
        chip = _rounded(
            x_mm + 0.3 * wide, y_mm + 0.05 * high, 11.5, 9.0, 1.4, px_per_mm
        )
        gold = np.float32([0.82, 0.70, 0.38])
        rgb = rgb * (1 - chip[..., None]) + gold * chip[..., None]
    if rng.random() < 0.5:
        _raised_digits(rgb, rng, px_per_mm)
    return Patch(
        rgb=np.clip(rgb, 0, 1).astype(np.float32),
        alpha=alpha,
        px_per_mm=px_per_mm,
        centre_xy_mm=(0.0, 0.0),
        thickness_mm=0.76,
        gloss=0.35,
        truth={"reference_option": "idcard"},
    )


def _rounded(
    x_mm: Field, y_mm: Field, wide: float, high: float, radius: float, px_per_mm: float
) -> Field:
    """Coverage of a rectangle with rounded corners about the origin."""
    over_x = np.abs(x_mm) - wide / 2 + radius
    over_y = np.abs(y_mm) - high / 2 + radius
    outside = np.hypot(np.maximum(over_x, 0), np.maximum(over_y, 0))
    away = outside + np.minimum(np.maximum(over_x, over_y), 0) - radius
    return np.clip(0.5 - away * px_per_mm, 0, 1).astype(np.float32)


def _raised_digits(rgb: Field, rng: Rng, px_per_mm: float) -> None:
    text = " ".join(f"{rng.integers(0, 10000):04d}" for _ in range(4))
    rows, columns = rgb.shape[:2]
    stamp = np.zeros((rows, columns), np.uint8)
    place = (int(0.12 * columns), int(0.68 * rows))
    cv2.putText(stamp, text, place, cv2.FONT_HERSHEY_SIMPLEX, px_per_mm / 6.5, 255, 2)
    raised = cv2.GaussianBlur(stamp / np.float32(255), (0, 0), 0.08 * px_per_mm)
    slope = np.gradient(raised, axis=0)
    rgb *= 1 + np.clip(2.0 * slope, -0.4, 0.4)[..., None].astype(np.float32)
