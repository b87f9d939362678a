"""What the coupon lies on: bench tops and everyday clutter."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.drawing import noise

Field = NDArray[np.float32]
Rng = np.random.Generator
Shape = tuple[int, int]


def _colour(
    rng: Rng, *choices: tuple[float, float, float], spread: float = 0.05
) -> Field:
    """One of some colours, a little changed."""
    base = np.array(choices[int(rng.integers(len(choices)))], np.float32)
    return np.clip(base * (1 + spread * rng.normal(size=3)), 0.01, 1).astype(np.float32)


def _fill(shape: Shape, colour: Field, factor: Field | float = 1.0) -> Field:
    """A picture of one colour times a field."""
    field = np.broadcast_to(np.asarray(factor, np.float32), shape)
    return field[..., None] * colour


def _wood(rng: Rng, shape: Shape, scale: float) -> Field:
    """Planed wood: long fibres, growth rings, sometimes knots and joints."""
    pale = _colour(
        rng,
        (0.78, 0.6, 0.4),
        (0.62, 0.42, 0.25),
        (0.45, 0.28, 0.16),
        (0.85, 0.73, 0.52),
        (0.33, 0.2, 0.12),
        (0.7, 0.66, 0.58),
    )
    angle = float(rng.choice([0, 90, rng.uniform(0, 180)]) + rng.normal(0, 3))
    fibre = noise.brushed(
        rng,
        shape,
        length=rng.uniform(15, 60) * scale,
        width=0.3 * scale,
        angle_deg=angle,
    )
    rings = noise.brushed(
        rng,
        shape,
        length=rng.uniform(60, 150) * scale,
        width=rng.uniform(2, 7) * scale,
        angle_deg=angle,
    )
    banded = np.sin(rings * rng.uniform(2, 5)) if rng.random() < 0.6 else rings
    tone = 1 + rng.uniform(0.02, 0.1) * fibre + rng.uniform(0.03, 0.14) * banded
    tone *= 1 + 0.06 * noise.smooth(rng, shape, 60 * scale)
    wood = _fill(shape, pale, tone)
    wood[..., 2] *= 1 - 0.05 * banded
    for _ in range(int(rng.integers(0, 3))):
        _line(wood, rng, angle, 0.25 * scale, float(rng.uniform(0.2, 0.5)))
    return wood


def _line(
    picture: Field, rng: Rng, angle_deg: float, width: float, grey: float
) -> None:
    """A straight gap, edge or scratch right across the picture."""
    rows, columns = picture.shape[:2]
    far = rows + columns
    way = np.array([np.cos(np.radians(angle_deg)), -np.sin(np.radians(angle_deg))])
    centre = np.array([rng.uniform(0, columns), rng.uniform(0, rows)])
    mask = np.zeros((rows, columns), np.uint8)
    a, b = (np.round(centre + s * far * way).astype(int) for s in (-1, 1))
    cv2.line(mask, a, b, 255, max(1, int(width)), cv2.LINE_AA)
    cover = mask.astype(np.float32)[..., None] / 255
    picture += cover * (picture * np.float32(grey) - picture)


def _concrete(rng: Rng, shape: Shape, scale: float) -> Field:
    """Floated concrete with pores and cracks."""
    grey = _colour(rng, (0.6, 0.6, 0.57), (0.45, 0.45, 0.43), (0.7, 0.68, 0.62))
    tone = 1 + 0.12 * noise.fractal(rng, shape, 40 * scale, 5)
    tone += 0.05 * noise.smooth(rng, shape, max(1, 0.3 * scale))
    pores = noise.smooth(rng, shape, rng.uniform(0.8, 2) * scale)
    tone *= 1 - 0.5 * np.clip((pores - 2.1) * 2, 0, 1)
    picture = _fill(shape, grey, tone)
    if rng.random() < 0.3:
        _line(picture, rng, rng.uniform(0, 180), 0.3 * scale, 0.4)
    return picture


def _cloth(rng: Rng, shape: Shape, scale: float) -> Field:
    """Woven cloth with folds."""
    dye = _colour(
        rng,
        (0.1, 0.14, 0.25),
        (0.35, 0.1, 0.1),
        (0.75, 0.73, 0.68),
        (0.15, 0.3, 0.2),
        (0.25, 0.25, 0.27),
        (0.55, 0.45, 0.3),
        spread=0.15,
    )
    pitch = max(2.2, rng.uniform(0.4, 1.2) * scale)
    rows = np.arange(shape[0], dtype=np.float32)[:, None]
    columns = np.arange(shape[1], dtype=np.float32)
    sway = 0.8 * noise.smooth(rng, shape, 12 * scale)
    lean = rng.uniform(-0.4, 0.4)
    weft = np.sin(2 * np.pi * (rows + lean * columns) / pitch + sway)
    warp = np.sin(2 * np.pi * (columns - lean * rows) / pitch + sway)
    weave = (
        0.5 * weft * warp
        if rng.random() < 0.5
        else 0.4 * np.sin(2 * np.pi * (rows + columns) / pitch + sway)
    )
    folds = noise.smooth(rng, shape, rng.uniform(20, 80) * scale)
    tone = 1 + 0.25 * weave + 0.12 * folds + 0.1 * noise.white(rng, shape)
    return _fill(shape, dye, np.clip(tone, 0.2, 2))


def _felt(rng: Rng, shape: Shape, scale: float) -> Field:
    """Dark felt, foam or rubber."""
    dye = _colour(
        rng,
        (0.06, 0.06, 0.065),
        (0.1, 0.1, 0.1),
        (0.05, 0.08, 0.06),
        (0.16, 0.15, 0.14),
    )
    tone = 1 + 0.25 * noise.fractal(rng, shape, max(2, 1.5 * scale), 3)
    return _fill(shape, dye, np.clip(tone, 0.3, 2.5))


def _plain(rng: Rng, shape: Shape, scale: float) -> Field:
    """Smooth sheet of any colour: paper, plastic, painted metal, scanner lid."""
    grey = float(rng.uniform(0.02, 0.97))
    any_colour = tuple(grey + rng.beta(1, 2.5) * (rng.uniform(0, 1, 3) - grey))
    paint = _colour(
        rng, (0.92, 0.92, 0.9), (0.04, 0.04, 0.04), any_colour, (grey, grey, grey)
    )
    tone = 1 + rng.uniform(0, 0.03) * noise.smooth(rng, shape, 50 * scale)
    tone += rng.uniform(0, 0.02) * noise.white(rng, shape)
    return _fill(shape, paint, tone)


def _paper(rng: Rng, shape: Shape, scale: float) -> Field:
    """White paper: bare, squared, ruled, with smudges and handwriting."""
    sheet = _fill(
        shape, _colour(rng, (0.93, 0.93, 0.9), (0.9, 0.88, 0.78), spread=0.02)
    )
    ink = _colour(rng, (0.6, 0.7, 0.85), (0.6, 0.6, 0.6), (0.85, 0.6, 0.5))
    pitch = rng.choice([0, 5, 5, 4, 8, 1, 2]) * scale
    if pitch:
        width = max(1.0, 0.15 * scale)
        rows = (np.arange(shape[0]) + rng.uniform(0, pitch)) % pitch < width
        columns = (np.arange(shape[1]) + rng.uniform(0, pitch)) % pitch < width
        sheet[rows] = ink
        if rng.random() < 0.8:
            sheet[:, columns] = ink
    sheet *= (1 + 0.02 * noise.fractal(rng, shape, 20 * scale, 4))[..., None]
    for _ in range(int(rng.integers(0, 3))):
        _text(sheet, rng, scale)
    return sheet


def _text(picture: Field, rng: Rng, scale: float) -> None:
    """A line of writing or print."""
    rows, columns = picture.shape[:2]
    letters = list("abcdefghiklmnoprstuvwxyz ABCEFGHKLMNPRST 0123456789 -/.,")
    text = "".join(rng.choice(letters, int(rng.integers(2, 30))))
    size = rng.uniform(1.5, 12) * scale / 22
    thick = max(1, round(size * rng.uniform(1, 4)))
    ink = np.zeros((rows, columns), np.uint8)
    place = int(rng.uniform(-0.1, 0.8) * columns), int(rng.uniform(0, 1) * rows)
    face = int(rng.choice([0, 1, 2, 3, 4, 6, 7]))
    cv2.putText(ink, text, place, face, size, 255, thick, cv2.LINE_AA)
    turn = cv2.getRotationMatrix2D(
        (float(place[0]), float(place[1])), rng.normal(0, 15), 1
    )
    ink = cv2.warpAffine(ink, turn, (columns, rows))
    cover = (ink.astype(np.float32) / 255 * rng.uniform(0.4, 0.95))[..., None]
    colour = _colour(rng, (0.07, 0.07, 0.07), (0.1, 0.12, 0.45), (0.6, 0.1, 0.1))
    picture += cover * (colour - picture)


def _newsprint(rng: Rng, shape: Shape, scale: float) -> Field:
    """Printed text all over."""
    sheet = _fill(shape, _colour(rng, (0.82, 0.8, 0.75), (0.92, 0.92, 0.9)))
    pitch = max(4.0, rng.uniform(2.5, 6) * scale)
    for y in np.arange(pitch, shape[0] + pitch, pitch):
        strip = sheet[max(0, int(y - pitch)) : int(y), :]
        if strip.shape[0] < 3:
            continue
        high = strip.shape[0]
        marks = noise.smooth(rng, (high, shape[1]), (max(1.5, 0.3 * high), 0.22 * high))
        words = noise.smooth(rng, (1, shape[1]), (1, 1.5 * high))
        body = np.exp(-(((np.arange(high) / high - 0.5) / 0.25) ** 4))[:, None]
        ink = np.clip((marks - 0.2) * 3, 0, 1) * (words > -0.6) * body
        strip *= (1 - 0.85 * ink)[..., None]
    return sheet


def _steel(rng: Rng, shape: Shape, scale: float) -> Field:
    """Steel bench: brushed, scratched, mill scale or rusty."""
    metal = _colour(
        rng, (0.55, 0.56, 0.58), (0.3, 0.31, 0.34), (0.7, 0.7, 0.7), (0.36, 0.3, 0.26)
    )
    angle = rng.uniform(0, 180)
    tone = 1 + rng.uniform(0.01, 0.1) * noise.brushed(
        rng, shape, length=20 * scale, width=max(1, 0.15 * scale), angle_deg=angle
    )
    tone += rng.uniform(0.02, 0.12) * noise.fractal(rng, shape, 30 * scale, 4)
    picture = _fill(shape, metal, tone)
    if rng.random() < 0.5:
        clouds = noise.fractal(rng, shape, 15 * scale, 5, 0.65)
        cover = np.clip(clouds - rng.uniform(0.2, 1.8), 0, 0.8)[..., None]
        picture += cover * (np.array([0.45, 0.25, 0.12], np.float32) - picture)
    for _ in range(int(rng.integers(0, 12))):
        _line(picture, rng, rng.uniform(0, 180), 1, float(rng.uniform(0.7, 1.3)))
    return picture


def _cardboard(rng: Rng, shape: Shape, scale: float) -> Field:
    """Brown board with faint flutes."""
    brown = _colour(rng, (0.72, 0.55, 0.38), (0.62, 0.47, 0.33), (0.8, 0.66, 0.48))
    pitch = rng.uniform(3, 8) * scale
    axis = np.arange(shape[1], dtype=np.float32)[None]
    flutes = np.sin(2 * np.pi * axis / pitch) * rng.uniform(0, 0.04)
    if rng.random() < 0.5:
        axis = np.arange(shape[0], dtype=np.float32)[:, None]
        flutes = np.sin(2 * np.pi * axis / pitch) * rng.uniform(0, 0.04)
    specks = 0.05 * noise.smooth(rng, shape, max(1, 0.3 * scale))
    tone = 1 + flutes + specks + 0.05 * noise.fractal(rng, shape, 30 * scale)
    picture = _fill(shape, brown, tone)
    if rng.random() < 0.3:
        _text(picture, rng, 2 * scale)
    return picture


def _tiles(rng: Rng, shape: Shape, scale: float) -> Field:
    """Tiles, boards or bricks with joints."""
    stone = _colour(rng, (0.8, 0.78, 0.74), (0.4, 0.35, 0.33), (0.6, 0.3, 0.22))
    picture = _fill(shape, stone, 1 + 0.1 * noise.fractal(rng, shape, 12 * scale))
    for axis, size in ((0, rng.uniform(20, 120)), (1, rng.uniform(40, 160))):
        at = (np.arange(shape[axis]) / scale + rng.uniform(0, size)) % size
        joint = np.flatnonzero(at < rng.uniform(0.4, 3))
        picture[(joint, slice(None)) if axis == 0 else (slice(None), joint)] *= 0.55
    return picture


def _granite(rng: Rng, shape: Shape, scale: float) -> Field:
    """Speckled stone or laminate."""
    a = _colour(rng, (0.25, 0.25, 0.27), (0.6, 0.57, 0.55), (0.45, 0.3, 0.28))
    b = _colour(rng, (0.8, 0.8, 0.78), (0.1, 0.1, 0.1))
    speck = noise.fractal(rng, shape, rng.uniform(0.7, 3) * scale, 3, 0.7)
    mix = np.clip(0.5 + speck * rng.uniform(0.3, 1.2), 0, 1)[..., None]
    return a + mix * (b - a)


def _terrazzo(rng: Rng, shape: Shape, scale: float) -> Field:
    """Chips of stone in cement (held out from training)."""
    picture = _fill(shape, _colour(rng, (0.75, 0.73, 0.7)))
    for _ in range(int(min(1200, shape[0] * shape[1] / (4 * scale) ** 2))):
        size = rng.uniform(0.5, 3) * scale
        centre = rng.uniform((0, 0), shape[::-1])
        angle = np.sort(rng.uniform(0, 2 * np.pi, 6))
        chip = centre + size * np.column_stack([np.cos(angle), np.sin(angle)])
        tone = tuple(float(v) for v in rng.uniform(0.15, 0.9) * rng.uniform(0.8, 1, 3))
        cv2.fillPoly(picture, [chip.astype(np.int32)], tone, cv2.LINE_AA)
    return picture


def _cutting_mat(rng: Rng, shape: Shape, scale: float) -> Field:
    """Green or blue mat with a 10 mm grid (held out from training)."""
    mat = _fill(shape, _colour(rng, (0.1, 0.35, 0.27), (0.12, 0.25, 0.4)))
    for axis in (0, 1):
        at = (np.arange(shape[axis]) / scale + rng.uniform(0, 10)) % 10
        lines = np.flatnonzero(at < 0.35)
        index = (lines, slice(None)) if axis == 0 else (slice(None), lines)
        mat[index] = mat[index] * 0.4 + 0.45
    return mat * (1 + 0.05 * noise.white(rng, shape))[..., None]


BENCHES: dict[str, Callable[[Rng, Shape, float], Field]] = {
    "wood": _wood,
    "concrete": _concrete,
    "cloth": _cloth,
    "felt": _felt,
    "plain": _plain,
    "paper": _paper,
    "steel": _steel,
    "cardboard": _cardboard,
    "tiles": _tiles,
    "granite": _granite,
    "newsprint": _newsprint,
    "terrazzo": _terrazzo,
    "cutting-mat": _cutting_mat,
}
HELD_OUT_BENCHES = ("newsprint", "terrazzo", "cutting-mat")
_WEIGHTS = {"wood": 3.0, "plain": 3.0, "paper": 2.0, "cloth": 1.5}


def random_bench(rng: Rng) -> str:
    """Name of a bench top drawn by lot, none of the held-out ones."""
    names = [name for name in BENCHES if name not in HELD_OUT_BENCHES]
    weights = np.array([_WEIGHTS.get(name, 1.0) for name in names])
    return str(rng.choice(names, p=weights / weights.sum()))


def paint_bench(
    name: str, rng: Rng, shape: Shape, px_per_mm: float, *, clutter: float = 0.3
) -> Field:
    """
    A bench top seen from above, rows × columns × 3 in 0..1.

    ``clutter`` is the chance of odds and ends lying about; 0 is a clean top.
    """
    picture = BENCHES[name](rng, shape, px_per_mm).astype(np.float32)
    if clutter > 0 and rng.random() < 0.4:
        patch = np.clip(noise.fractal(rng, shape, 40 * px_per_mm, 5) - 0.8, 0, 1)
        picture *= (1 - rng.uniform(0.05, 0.35) * patch)[..., None]
    if rng.random() < clutter:
        for _ in range(int(rng.integers(1, 6))):
            _odd_thing(picture, rng, px_per_mm)
    return np.clip(picture, 0.005, 1.0)


def _odd_thing(picture: Field, rng: Rng, scale: float) -> None:
    """A washer, rod, scrap, strip or sheet with its shadow."""
    rows, columns = picture.shape[:2]
    mask = np.zeros((rows, columns), np.uint8)
    centre = rng.uniform((0, 0), (columns, rows))
    kind = int(rng.integers(5))
    size = rng.uniform(4, 25) * scale
    way = rng.uniform(0, np.pi)
    along = np.array([np.cos(way), np.sin(way)])
    if kind == 0:
        cv2.circle(mask, centre.astype(int), int(size / 2), 255, -1, cv2.LINE_AA)
        hole = int(size * rng.uniform(0, 0.3))
        if hole > 1:
            cv2.circle(mask, centre.astype(int), hole, 0, -1, cv2.LINE_AA)
    elif kind in (1, 2):
        reach = along * size * rng.uniform(1, 8)
        a, b = (centre - reach).astype(int), (centre + reach).astype(int)
        cv2.line(mask, a, b, 255, max(2, int(rng.uniform(1, 9) * scale)), cv2.LINE_AA)
    elif kind == 3:
        angle = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(3, 9))))
        scrap = centre + size * np.column_stack([np.cos(angle), np.sin(angle)])
        cv2.fillPoly(mask, [scrap.astype(np.int32)], 255, cv2.LINE_AA)
    else:
        box = cv2.boxPoints((centre, (size * 4, size * 2), np.degrees(way)))
        cv2.fillPoly(mask, [box.astype(np.int32)], 255, cv2.LINE_AA)
    shift = (rng.normal(0, 0.8, 2) * scale).astype(np.float32)
    move = np.array([[1, 0, shift[0]], [0, 1, shift[1]]], np.float32)
    shade = cv2.warpAffine(mask, move, (columns, rows))
    shade = cv2.blur(shade, (max(3, int(scale)),) * 2).astype(np.float32) / 255
    picture *= (1 - 0.45 * shade)[..., None]
    colour = np.asarray(rng.uniform(0.05, 0.9) * rng.uniform(0.75, 1, 3), np.float32)
    tone = 1 + 0.12 * noise.brushed(
        rng,
        (rows, columns),
        length=8 * scale,
        width=max(1, 0.3 * scale),
        angle_deg=float(-np.degrees(way)),
    )
    cover = mask.astype(np.float32)[..., None] / 255
    picture += cover * (tone[..., None] * colour - picture)
