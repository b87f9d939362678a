"""Puts bench, shadow, body, face and things beside it into one picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.drawing import bench, body, noise, raster
from sample_images.drawing.camera import Pose
from sample_images.drawing.face import OTHER_METAL, Face
from sample_images.drawing.patch import Patch, composite
from sample_images.drawing.section import Section
from sample_images.drawing.surface import glare

Field = NDArray[np.float32]
Rng = np.random.Generator


@dataclass(frozen=True, slots=True)
class Setting:
    """
    Bench and light: names and strengths.

    ``light_slope`` is a slope of the light across the picture, ``lamp`` a pool
    of light, ``cast`` somebody's shadow, ``warm_side`` a change of its colour,
    ``glare`` hot spots on the ground face.
    ``holder`` may be ``clay`` or ``jaw``, touching the coupon's back.
    """

    bench: str = "wood"
    clutter: float = 0.2
    resin_rgb: tuple[float, float, float] | None = None
    light_slope: float = 0.2
    lamp: float = 0.0
    cast: float = 0.0
    warm_side: float = 0.0
    glare: float = 0.0
    holder: str = ""


def random_setting(rng: Rng, *, tier: str, flush: bool = False) -> Setting:
    """Bench and light drawn by lot; a clean scan has a plain lid and even light."""
    if tier == "clean":
        return Setting("plain" if rng.random() < 0.8 else "felt", 0.0, None, 0.02)
    resins = (
        (0.05, 0.05, 0.05),
        (0.75, 0.78, 0.75),
        (0.12, 0.3, 0.18),
        (0.5, 0.15, 0.1),
    )
    resin = resins[int(rng.integers(len(resins)))] if flush else None
    return Setting(
        bench=bench.random_bench(rng),
        clutter=rng.choice([0.02, 0.5]),
        resin_rgb=resin,
        light_slope=rng.uniform(0, 0.5),
        lamp=rng.uniform(0, 0.6) if rng.random() < 0.35 else 0.0,
        cast=rng.uniform(0.1, 0.5) if rng.random() < 0.25 else 0.0,
        warm_side=rng.normal(0, 0.05),
        glare=rng.uniform(0.1, 0.6)
        if rng.random() < (0.5 if tier == "hard" else 0.2)
        else 0.0,
        holder=str(rng.choice(["", "clay", "jaw"], p=[0.9, 0.05, 0.05])),
    )


def compose(
    section: Section,
    face: Face,
    pose: Pose,
    look: body.BodyLook,
    setting: Setting,
    rng: Rng,
    *,
    patches: Sequence[Patch] = (),
) -> tuple[Field, NDArray[np.uint8]]:
    """
    The light that reaches the camera, and the label of each pixel.

    Returns
    -------
    picture
        Rows × columns × 3, 0..1 and a little over where it glares.
    labels
        0 background, 1 plate, 2 HAZ, 3 weld, 4 other metal of the coupon.
    """
    columns, rows = pose.size_px
    picture = _bench_picture(pose, look, setting, rng)
    if setting.resin_rgb is not None:
        _resin(picture, section, pose, setting.resin_rgb, rng)
    for patch in patches:
        composite(
            picture,
            patch,
            pose.plane,
            light_xy=look.light_xy,
            bench_z_mm=-look.depth_mm,
            shadow=0.7 * look.shadow,
        )
    body.cast_shadow(picture, section, pose, look)
    behind = body.paint_body(picture, section, pose, look, rng)
    if setting.holder:
        behind &= ~_holder(picture, section, pose, setting.holder, rng)
    if setting.glare:
        spots = glare(rng, face.labels.shape, face.px_per_mm)
        shiny = face.rgb + np.float32(setting.glare) * spots[..., None]
        face = replace(face, rgb=np.minimum(shiny, 1.6))
    labels = _lay_face(picture, face, pose)
    labels[behind & (labels == 0)] = OTHER_METAL
    picture *= _light((rows, columns), setting, rng)
    return picture, labels


def _bench_picture(
    pose: Pose, look: body.BodyLook, setting: Setting, rng: Rng
) -> Field:
    """The bench top as the camera sees it."""
    columns, rows = pose.size_px
    corners = np.array(
        [[[-2, -2], [columns + 2, -2], [columns + 2, rows + 2], [-2, rows + 2]]], float
    )
    to_pixels = pose.plane(-look.depth_mm)
    ground = cv2.perspectiveTransform(corners, np.linalg.inv(to_pixels))[0]
    low, high = ground.min(axis=0), ground.max(axis=0)
    middle = np.array([[[columns / 2, rows / 2], [columns / 2 + 1, rows / 2]]])
    step = cv2.perspectiveTransform(middle, np.linalg.inv(to_pixels))[0]
    scale = 1 / float(np.hypot(*(step[1] - step[0])))
    shape = tuple(int(v) for v in np.ceil((high - low) * scale)[::-1] + 2)
    top = bench.paint_bench(setting.bench, rng, shape, scale, clutter=setting.clutter)
    grid = np.array([[1 / scale, 0, low[0]], [0, 1 / scale, low[1]], [0, 0, 1]])
    return cv2.warpPerspective(
        top,
        to_pixels @ grid,
        (columns, rows),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT,
    )


def _resin(
    picture: Field,
    section: Section,
    pose: Pose,
    colour: tuple[float, float, float],
    rng: Rng,
) -> None:
    """A cast puck around a mounted piece."""
    plate = section.plate
    centre = plate.length_mm / 2, plate.thickness_mm / 2
    radius = 0.5 * np.hypot(plate.length_mm, plate.thickness_mm + 8) + rng.uniform(2, 8)
    angle = np.linspace(0, 2 * np.pi, 121)[:-1]
    ring = np.column_stack(
        [centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle)]
    )
    seen = cv2.perspectiveTransform(ring[None], pose.to_pixels)[0]
    mask = np.zeros(picture.shape[:2], np.uint8)
    corners = np.round(seen * 16).astype(np.int32)
    cv2.fillPoly(mask, [corners], 255, cv2.LINE_AA, 4)
    shape = picture.shape[:2]
    tone = 1 + 0.06 * noise.fractal(rng, shape, 60, 5) + 0.05 * noise.white(rng, shape)
    cover = mask.astype(np.float32)[..., None] / 255
    picture += cover * (tone[..., None] * np.array(colour, np.float32) - picture)


def _holder(
    picture: Field, section: Section, pose: Pose, kind: str, rng: Rng
) -> NDArray[np.bool_]:
    """A lump of clay or a vice jaw that touches the back; returns where it is."""
    plate = section.plate
    wide = rng.uniform(0.2, 1.3) * plate.length_mm
    start = rng.uniform(-0.2, 1.0) * plate.length_mm - 0.2 * wide
    x = np.linspace(start, start + wide, 60)
    high = rng.uniform(4, 25)
    top = plate.thickness_mm + rng.uniform(-1.5, 0.3)
    shape = np.column_stack([x, np.full(60, top)])
    if kind == "clay":
        lump = np.sin(np.linspace(0, np.pi, 60)) ** 0.5
        shape[:, 1] += high * (1 - lump) + 0.8 * np.sin(x * rng.uniform(0.2, 0.8))
    shape = np.vstack([shape, [[start + wide, top + high], [start, top + high]]])
    mask = np.zeros(picture.shape[:2], np.uint8)
    seen = cv2.perspectiveTransform(shape[None], pose.plane(-1.5))[0]
    raster.blend(mask, seen)
    size = picture.shape[:2]
    grey = rng.uniform(0.1, 0.75)
    colour = np.array(grey * rng.normal(1, 0.08 if kind == "jaw" else 0.3, 3))
    if kind == "jaw":
        tone = 1 + 0.06 * noise.brushed(
            rng, size, length=60, width=2, angle_deg=rng.uniform(0, 180)
        )
    else:
        tone = 1 + 0.12 * noise.fractal(rng, size, 25, 4)
    cover = mask.astype(np.float32)[..., None] / 255
    paint = np.clip(colour, 0.02, 0.9).astype(np.float32) * tone[..., None]
    picture += cover * (paint - picture)
    return mask > 127


def _lay_face(picture: Field, face: Face, pose: Pose) -> NDArray[np.uint8]:
    """Warp the painted face into the picture, and its labels with it."""
    matrix = pose.to_pixels @ face.to_mm()
    rows, columns = picture.shape[:2]
    height, width = face.labels.shape
    ends = np.array([[[0, 0], [width, 0], [width, height], [0, height]]], float)
    seen = cv2.perspectiveTransform(ends, matrix)[0]
    x0, y0 = (int(v) for v in np.clip(np.floor(seen.min(axis=0)) - 2, 0, None))
    x1, y1 = np.ceil(seen.max(axis=0)).astype(int) + 3
    x1, y1 = int(min(x1, columns)), int(min(y1, rows))
    labels = np.zeros((rows, columns), np.uint8)
    if x1 <= x0 or y1 <= y0:
        return labels
    matrix = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, 1.0]]) @ matrix
    size = (x1 - x0, y1 - y0)
    source = np.dstack([face.rgb * face.alpha[..., None], face.alpha])
    shrink = float(np.ptp(seen[:, 0])) / width
    if 0 < shrink < 0.75:
        source = cv2.GaussianBlur(source, (0, 0), 0.4 / shrink)
    warped = cv2.warpPerspective(source, matrix, size, flags=cv2.INTER_LINEAR)
    view = picture[y0:y1, x0:x1]
    view *= 1 - warped[..., 3:]
    view += warped[..., :3]
    labels[y0:y1, x0:x1] = cv2.warpPerspective(
        face.labels, matrix, size, flags=cv2.INTER_NEAREST
    )
    return labels


def _light(shape: tuple[int, int], setting: Setting, rng: Rng) -> Field:
    """Uneven light: a slope, a lamp's pool, somebody's shadow, a warmer side."""
    rows = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
    columns = np.linspace(-1, 1, shape[1], dtype=np.float32)
    way = rng.uniform(0, 2 * np.pi)
    along = (np.cos(way) * columns + np.sin(way) * rows).astype(np.float32)
    light = 1 + 0.5 * np.float32(setting.light_slope) * along
    if setting.lamp:
        x, y = rng.uniform(-1, 1, 2)
        pool = np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / rng.uniform(0.1, 1))
        light *= 1 + np.float32(setting.lamp) * (pool - 0.5)
    if setting.cast:
        side = np.cos(way + 1) * columns + np.sin(way + 1) * rows
        side += 0.1 * noise.smooth(rng, shape, max(shape) / 4)
        edge = (side - rng.uniform(-0.9, 0.9)) / rng.uniform(0.02, 0.3)
        light *= 1 - np.float32(setting.cast) / (1 + np.exp(-np.clip(edge, -30, 30)))
    warm = np.float32(setting.warm_side) * along
    return np.dstack([light * (1 + warm), light, light * (1 - warm)]).astype(np.float32)
