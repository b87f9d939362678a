"""Random textures, quick enough for thousands of pictures."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]
Rng = np.random.Generator
Shape = tuple[int, int]


def white(rng: Rng, shape: Shape) -> Field:
    """Independent normal values, from a table where the picture is large."""
    rows, columns = shape
    if rows * columns < 400_000:
        return rng.standard_normal(shape, dtype=np.float32)
    table = rng.standard_normal(2**18 + 1, dtype=np.float32)
    start = rng.integers(0, len(table), rows)
    place = (start[:, None] + np.arange(columns, dtype=np.int64)) % len(table)
    flipped = np.where(rng.random(rows) < 0.5, -1, 1).astype(np.float32)
    return table[place] * flipped[:, None]


def smooth(rng: Rng, shape: Shape, cell: float | tuple[float, float]) -> Field:
    """
    Smooth noise of unit spread whose bumps are ``cell`` pixels apart.

    ``cell`` may be (rows, columns) for bumps longer one way than the other.
    """
    high, wide = (cell, cell) if isinstance(cell, int | float) else cell
    high, wide = max(float(high), 1.0), max(float(wide), 1.0)
    grow = max(high / 8, 1.0), max(wide / 8, 1.0)
    coarse = (int(shape[0] / grow[0]) + 4, int(shape[1] / grow[1]) + 4)
    field = _bumps(rng, coarse, high / grow[0], wide / grow[1])
    if grow != (1.0, 1.0):
        size = (int(coarse[1] * grow[1]), int(coarse[0] * grow[0]))
        field = cv2.resize(field, size, interpolation=cv2.INTER_CUBIC)
    return field[: shape[0], : shape[1]] * np.float32(1.25)


def _bumps(rng: Rng, shape: Shape, high: float, wide: float) -> Field:
    """Smooth noise with cells of one to eight pixels."""
    if high == wide and high > 1.2:  # no lattice shows through a Gaussian
        sigma = 0.42 * high
        even = cv2.GaussianBlur(white(rng, shape), (0, 0), sigma)
        return even * np.float32(0.8 * 2 * np.sqrt(np.pi) * sigma)
    small = int(np.ceil(shape[0] / high)) + 3, int(np.ceil(shape[1] / wide)) + 3
    knots = white(rng, small)
    size = int(small[1] * wide), int(small[0] * high)
    full = cv2.resize(knots, size, interpolation=cv2.INTER_CUBIC)
    row = int(rng.integers(0, full.shape[0] - shape[0] + 1))
    column = int(rng.integers(0, full.shape[1] - shape[1] + 1))
    return full[row : row + shape[0], column : column + shape[1]]


def fractal(
    rng: Rng, shape: Shape, cell: float, octaves: int = 4, fall: float = 0.55
) -> Field:
    """Cloudy noise: smooth noise at halving cell sizes."""
    total = np.zeros(shape, np.float32)
    weight, power = 1.0, 0.0
    for _ in range(octaves):
        if cell < 1:
            break
        total += np.float32(weight) * smooth(rng, shape, cell)
        power += weight**2
        weight *= fall
        cell /= 2
    return total / np.float32(max(power, 1e-6) ** 0.5)


def brushed(
    rng: Rng, shape: Shape, *, length: float, width: float, angle_deg: float
) -> Field:
    """Noise drawn out along one direction, like a ground or rolled surface."""
    side = int(np.hypot(*shape)) + 4 if abs(angle_deg) > 1 else 0
    base = (side, side) if side else (shape[0] + 4, shape[1] + 4)
    if side and abs((angle_deg + 90) % 180 - 90) < 20:
        extra = int(abs(np.sin(np.radians(angle_deg))) * shape[1]) + 8
        base = (shape[0] + extra, side)
    lines = smooth(rng, base, (max(width, 1.0), max(length, 1.0)))
    if not side:
        return lines[: shape[0], : shape[1]]
    turn = cv2.getRotationMatrix2D((base[1] / 2, base[0] / 2), angle_deg, 1.0)
    turn[:, 2] += (shape[1] - base[1]) / 2, (shape[0] - base[0]) / 2
    return cv2.warpAffine(
        lines,
        turn,
        (shape[1], shape[0]),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT,
    )


def drawn_along(rng: Rng, direction: Field, *, width: float, length: float) -> Field:
    """
    Streaks that follow a field of directions (line integral of noise).

    Parameters
    ----------
    rng
        Source of chance.
    direction
        Rows × columns × 2 unit vectors (x, y).
    width, length
        Of the streaks, in pixels.
    """
    shape = direction.shape[:2]
    grain = smooth(rng, shape, max(width, 1.0))
    if width < 1.5:
        grain = white(rng, shape)
    step = float(np.clip(width * 0.7, 1.0, 4.0))
    count = int(np.clip(length / step / 2, 2, 24))
    columns, rows = np.meshgrid(
        np.arange(shape[1], dtype=np.float32), np.arange(shape[0], dtype=np.float32)
    )
    total = grain.copy()
    for sign in (1.0, -1.0):
        x, y = columns.copy(), rows.copy()
        for _ in range(count):
            move = cv2.remap(
                direction, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE
            )
            x += np.float32(sign * step) * move[..., 0]
            y += np.float32(sign * step) * move[..., 1]
            total += cv2.remap(
                grain, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
            )
    return total / np.float32(max(total.std(), 1e-6))
