"""The coupon's body behind its face: sides, bead flanks, spatter and shadow."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.drawing import noise
from sample_images.drawing.camera import Pose
from sample_images.drawing.section import Points, Section

Field = NDArray[np.float32]
Rng = np.random.Generator
Window = tuple[int, int, int, int]

_FINE = 16  # sub-pixel steps of polygon corners


@dataclass(frozen=True, slots=True)
class BodyLook:
    """
    The coupon as a solid thing.

    Attributes
    ----------
    depth_mm
        From face to bench; 0 for a piece mounted flush in resin.
    colour, flank_colour
        Of plate sides and bead flanks.
    light_xy
        Fall of a shadow in mm for each mm of height.
    shadow, shadow_soft
        Darkness, and softness as a part of the height.
    gloss
        Contrast between lit and unlit sides.
    swell
        How much a bead's height changes along its run.
    drops
        Spatter on the plate behind the face.
    """

    depth_mm: float
    colour: tuple[float, float, float] = (0.22, 0.22, 0.23)
    flank_colour: tuple[float, float, float] = (0.3, 0.3, 0.3)
    light_xy: tuple[float, float] = (0.4, 0.5)
    shadow: float = 0.5
    shadow_soft: float = 0.2
    gloss: float = 0.8
    swell: float = 0.04
    drops: int = 0


def random_body(rng: Rng, *, flush: bool = False) -> BodyLook:
    """A body drawn by lot: mill scale, bare, rusty or painted plate."""
    skins = (
        (0.1, 0.1, 0.11),
        (0.2, 0.21, 0.24),
        (0.45, 0.45, 0.46),
        (0.36, 0.24, 0.16),
        (0.62, 0.62, 0.6),
        (0.04, 0.04, 0.04),
    )
    skin = np.array(skins[int(rng.integers(len(skins)))])
    flank = skin * 0.4 + rng.uniform(0.05, 0.6) * 0.6
    way, fall = rng.uniform(0, 2 * np.pi), rng.uniform(0, 0.9)
    return BodyLook(
        depth_mm=0.0 if flush else float(rng.uniform(3, 30)),
        colour=tuple(skin * rng.uniform(0.8, 1.2) * rng.normal(1, 0.05, 3)),
        flank_colour=tuple(flank * (1 + rng.normal(0, 0.06, 3))),
        light_xy=(fall * float(np.cos(way)), fall * float(np.sin(way))),
        shadow=rng.uniform(0.1, 0.8),
        shadow_soft=rng.uniform(0.03, 0.5),
        gloss=rng.uniform(0.2, 1.6),
        swell=rng.uniform(0, 0.1),
        drops=int(rng.poisson(3)) if rng.random() < 0.4 else 0,
    )


def _corners(points: Points, to_pixels: NDArray[np.float64]) -> NDArray[np.int32]:
    """Outline in mm → OpenCV polygon corners with sub-pixel places."""
    seen = cv2.perspectiveTransform(np.asarray(points, float)[None], to_pixels)[0]
    return np.round(seen * _FINE).astype(np.int32)


def cast_shadow(picture: Field, section: Section, pose: Pose, look: BodyLook) -> None:
    """Darken the bench beside the coupon, in place."""
    if look.depth_mm <= 0 or look.shadow <= 0:
        return
    shrink = 4
    rows, columns = (-(-side // shrink) for side in picture.shape[:2])
    small = np.diag([1 / shrink, 1 / shrink, 1.0])
    on_bench = small @ pose.plane(-look.depth_mm)
    dark = np.zeros((rows, columns), np.uint8)
    for height in np.linspace(0, look.depth_mm, 10):
        fallen = section.outline_xy_mm + height * np.array(look.light_xy)
        cv2.fillPoly(dark, [_corners(fallen, on_bench)], 255, shift=4)
    touch = np.zeros_like(dark)
    cv2.fillPoly(touch, [_corners(section.outline_xy_mm, on_bench)], 255, shift=4)
    scale = np.sqrt(abs(np.linalg.det(on_bench[:2, :2])))
    soft = max(0.8, look.shadow_soft * look.depth_mm * scale)
    dark = cv2.GaussianBlur(dark, (0, 0), min(soft, 40))
    touch = cv2.GaussianBlur(touch, (0, 0), max(0.8, 1.5 * scale))
    shade = np.maximum(dark.astype(np.float32), 0.8 * touch) * (look.shadow / 255)
    shade = cv2.resize(shade, (columns * shrink, rows * shrink))
    picture *= (1 - shade[: picture.shape[0], : picture.shape[1]])[..., None]


def paint_body(
    picture: Field, section: Section, pose: Pose, look: BodyLook, rng: Rng
) -> NDArray[np.bool_]:
    """
    Paint what shows of the coupon behind its face, in place.

    Returns
    -------
    mask
        Where the body shows, as if the face itself were not there.
    """
    shape = picture.shape[:2]
    if look.depth_mm <= 0:
        return np.zeros(shape, bool)
    window = _seen_window(section, pose, look, shape)
    if window is None:
        return np.zeros(shape, bool)
    x0, y0, x1, y1 = window
    shift = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, 1.0]])
    index, levels = _slices(section, pose, look, shift, (y1 - y0, x1 - x0), rng)
    mask = np.zeros(shape, bool)
    mask[y0:y1, x0:x1] = index > 0
    z_mm = levels[index]
    across = _behind_place(pose, z_mm, window)
    tone = _side_colour(section, look, across, z_mm, rng)
    view = picture[y0:y1, x0:x1]
    seen = index > 0
    view[seen] = tone[seen]
    return mask


def _seen_window(
    section: Section, pose: Pose, look: BodyLook, shape: tuple[int, int]
) -> Window | None:
    """Part of the picture that the body may cover."""
    ends = np.vstack(
        [
            cv2.perspectiveTransform(section.outline_xy_mm[None], pose.plane(z))[0]
            for z in (0.0, -look.depth_mm)
        ]
    )
    low, high = np.floor(ends.min(axis=0)) - 3, np.ceil(ends.max(axis=0)) + 4
    x0, y0 = (int(v) for v in np.maximum(low, 0))
    x1, y1 = int(min(high[0], shape[1])), int(min(high[1], shape[0]))
    return (x0, y0, x1, y1) if x1 > x0 + 2 and y1 > y0 + 2 else None


def _slices(
    section: Section,
    pose: Pose,
    look: BodyLook,
    shift: NDArray[np.float64],
    shape: tuple[int, int],
    rng: Rng,
) -> tuple[NDArray[np.uint8], Field]:
    """
    Which slice of the body each pixel shows, painted from back to front.

    Returns the slice's number (0 none) and the z of each number in mm.
    """
    outline = section.outline_xy_mm
    ends = [
        cv2.perspectiveTransform(outline[None], pose.plane(z))[0]
        for z in (0.0, -look.depth_mm)
    ]
    moved = float(np.hypot(*(ends[1] - ends[0]).T).max())
    count = int(np.clip(moved * 0.8, 8, 160))
    levels = np.linspace(-look.depth_mm, 0, count).astype(np.float32)
    swell = 1 + look.swell * np.cumsum(rng.normal(size=count))[::-1] / np.sqrt(count)
    swell += 0.3 * look.swell * np.sin(levels * rng.uniform(3, 9))
    drops = [
        (int(rng.integers(count)), rng.uniform(0, section.plate.length_mm), rng)
        for _ in range(look.drops)
    ]
    index = np.zeros(shape, np.uint8)
    for i, z in enumerate(levels):
        to_pixels = shift @ pose.plane(float(z))
        slice_mm = outline.copy()
        raised = slice_mm[:, 1] < -0.05
        slice_mm[raised, 1] *= swell[i] if i < count - 1 else 1.0
        cv2.fillPoly(index, [_corners(slice_mm, to_pixels)], i + 1, shift=4)
        for at, s, chance in drops:
            if at == i:
                drop = _drop(s, chance)
                cv2.fillPoly(index, [_corners(drop, to_pixels)], i + 1, shift=4)
    return index, np.concatenate([[0], levels]).astype(np.float32)


def _drop(s_mm: float, rng: Rng) -> Points:
    """A drop of spatter on the plate behind the face."""
    radius = float(np.clip(rng.lognormal(np.log(0.5), 0.4), 0.2, 1.6))
    angle = np.linspace(0, 2 * np.pi, 25)[:-1]
    return np.column_stack(
        [s_mm + radius * np.cos(angle), radius * (np.sin(angle) - 0.6)]
    )


def _behind_place(pose: Pose, z_mm: Field, window: Window) -> Field:
    """Place (x, y) in mm of what each pixel shows, at its own depth."""
    x0, y0, x1, y1 = window
    back = np.linalg.inv(pose.to_pixels)
    columns = np.arange(x0, x1, dtype=np.float32)[None]
    rows = np.arange(y0, y1, dtype=np.float32)[:, None]
    below = back[2, 0] * columns + back[2, 1] * rows + back[2, 2]
    eye_x, eye_y, high = pose.eye_xyz_mm
    grow = (high - z_mm) / high
    x = (back[0, 0] * columns + back[0, 1] * rows + back[0, 2]) / below
    y = (back[1, 0] * columns + back[1, 1] * rows + back[1, 2]) / below
    return np.dstack([eye_x + (x - eye_x) * grow, eye_y + (y - eye_y) * grow]).astype(
        np.float32
    )


def _side_colour(
    section: Section, look: BodyLook, place: Field, z_mm: Field, rng: Rng
) -> Field:
    """Colour of plate sides and bead flanks by their slope, ripples and dirt."""
    scale = 8.0
    low = section.outline_xy_mm.min(axis=0) - 1.5
    high = section.outline_xy_mm.max(axis=0) + 1.5
    columns, rows = np.ceil((high - low) * scale).astype(int)
    solid = np.zeros((rows, columns), np.uint8)
    corners = np.round((section.outline_xy_mm - low) * scale * _FINE).astype(np.int32)
    cv2.fillPoly(solid, [corners], 255, shift=4)
    even = cv2.GaussianBlur(solid.astype(np.float32) / 255, (0, 0), 0.35 * scale)
    slope_x = -cv2.Sobel(even, cv2.CV_32F, 1, 0)
    slope_y = -cv2.Sobel(even, cv2.CV_32F, 0, 1)
    long = np.hypot(slope_x, slope_y) + 1e-3
    facing = (slope_x * -look.light_xy[0] + slope_y * -look.light_xy[1]) / long
    at = (place - low.astype(np.float32)) * np.float32(scale)
    lit = cv2.remap(facing, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    skin = _skin(place, z_mm, look, rng)
    flank = np.clip((-place[..., 1] - 0.05) * 4, 0, 1)
    pitch = rng.uniform(0.5, 1.8)
    arch = 0.25 * np.abs(place[..., 0] % 7.0 - 3.5)
    ripples = np.sin((z_mm + arch) * np.float32(2 * np.pi / pitch))
    tone = (0.75 + look.gloss * lit) * skin * (1 + 0.18 * flank * ripples)
    colour = (
        np.array(look.colour, np.float32) * (1 - flank[..., None])
        + np.array(look.flank_colour, np.float32) * flank[..., None]
    )
    return np.clip(tone, 0.1, 2.5)[..., None] * colour


def _skin(place: Field, z_mm: Field, look: BodyLook, rng: Rng) -> Field:
    """Dirt, scale and saw marks of the sides, as a factor."""
    along = place[..., 0] + 0.6 * place[..., 1]
    texture = noise.fractal(rng, (256, 512), 24, 5, 0.7)
    texture += 0.6 * noise.smooth(
        rng, (256, 512), rng.permutation([2.0, 60.0]).tolist()
    )
    u = np.abs(along * 4) % 511
    v = np.abs(z_mm * 4 + 20) % 255
    picked = cv2.remap(
        texture, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR
    )
    deep = np.clip(1 + z_mm / (look.depth_mm * 1.6), 0.3, 1)
    return (1 + 0.16 * picked) * deep
