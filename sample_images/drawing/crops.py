"""Many small labelled pictures, quick enough to train on.

`training_strip` is a coupon's face brought onto a mm grid, as the measuring
program sees it; `training_view` a whole small photo, for finding the coupon.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.drawing import body, camera, face, plans, styles
from sample_images.drawing.bench import HELD_OUT_BENCHES
from sample_images.drawing.camera import Pose
from sample_images.drawing.compose import Setting, compose, random_setting
from sample_images.drawing.section import Section
from sample_images.drawing.things import random_things

Picture = NDArray[np.uint8]
Rng = np.random.Generator


@dataclass(frozen=True, slots=True)
class _Shot:
    """Everything drawn by lot about one picture but its camera."""

    section: Section
    etch: styles.EtchStyle
    worn: styles.SurfaceStyle
    look: body.BodyLook
    setting: Setting
    tier: str


def _random_shot(rng: Rng, length_mm: tuple[float, float], *, unseen: bool) -> _Shot:
    """Coupon, etch, wear, body and bench drawn by lot."""
    tier = str(rng.choice(["clean", "phone", "hard"], p=[0.12, 0.5, 0.38]))
    family = str(rng.choice(styles.HELD_OUT_FAMILIES)) if unseen else None
    wear = {"clean": 0.1, "phone": 0.4, "hard": 0.85}[tier] * rng.uniform(0.5, 1.2)
    worn = styles.random_surface(rng, min(wear, 1.0))
    setting = random_setting(rng, tier=tier, flush=worn.resin)
    if unseen:
        top = str(rng.choice(HELD_OUT_BENCHES))
        setting = Setting(top, 0.3, None, setting.light_slope, setting.lamp)
    return _Shot(
        section=plans.random_section(rng, length_mm=length_mm),
        etch=styles.random_etch(rng, family),
        worn=worn,
        look=body.random_body(rng, flush=worn.resin and not unseen),
        setting=setting,
        tier=tier,
    )


def training_strip(
    seed: int, mm_per_px: float = 0.05, *, unseen: bool = False
) -> tuple[Picture, Picture]:
    """
    One coupon's face on a mm grid, as it comes out of a phone photo.

    Parameters
    ----------
    seed
        Same seed, same picture.
    mm_per_px
        Step of the grid.
    unseen
        Draw the etches and benches that are held out from training.

    Returns
    -------
    rgb
        Rows × columns × 3.
    labels
        0 background, 1 plate, 2 HAZ, 3 weld metal, 4 other metal of the coupon.
    """
    made = photographed(seed, unseen=unseen)
    return on_grid(made, mm_per_px)


@dataclass(frozen=True, slots=True)
class Photographed:
    """One coupon filling a small photo, and everything known of it."""

    section: Section
    rgb: Picture
    labels: Picture
    pose: Pose
    margin_mm: float
    rng: Rng


def photographed(seed: int, *, unseen: bool = False) -> Photographed:
    """Photograph a coupon drawn by lot from close by; same seed, same photo."""
    rng = np.random.default_rng([seed, 11])
    shot = _random_shot(rng, (22.0, 85.0), unseen=unseen)
    scale = float(np.exp(rng.uniform(np.log(6), np.log(42))))
    if shot.tier == "clean":
        scale = float(rng.uniform(15, 42))
    margin = rng.uniform(3, 6)
    pose = _close_pose(rng, shot.section, scale, margin, shot.tier)
    painted = face.paint_face(
        shot.section, shot.etch, shot.worn, rng, px_per_mm=float(max(1.1 * scale, 14))
    )
    look = _matched(shot.look, painted, rng)
    light, labels = compose(shot.section, painted, pose, look, shot.setting, rng)
    seen = _through_camera(light, labels, rng, shot.tier, scale)
    return Photographed(shot.section, seen, labels, pose, margin, rng)


def _matched(look: body.BodyLook, painted: face.Face, rng: Rng) -> body.BodyLook:
    """Now and then the sides are as bright as the face, and hard to tell from it."""
    if rng.random() < 0.65:
        return look
    colours = []
    for zone in (face.BASE, face.WELD):
        seen = painted.rgb[painted.labels == zone]
        mean = seen.mean(axis=0) if len(seen) else np.full(3, 0.4)
        colours.append(tuple(mean * rng.uniform(0.75, 1.15)))
    return replace(look, colour=colours[0], flank_colour=colours[1])


def _close_pose(
    rng: Rng, section: Section, scale: float, margin: float, tier: str
) -> Pose:
    """A camera pose whose picture is just the coupon and a margin."""
    plate = section.plate
    low = section.outline_xy_mm.min(axis=0) - margin
    high = section.outline_xy_mm.max(axis=0) + margin
    middle = plate.length_mm / 2, plate.thickness_mm / 2
    tilt = rng.normal(0, 6, 2).clip(-15, 15)
    roll = rng.normal(0, 3) if rng.random() < 0.7 else rng.uniform(-20, 20)
    if tier == "clean":
        tilt, roll = np.zeros(2), rng.normal(0, 1)
    off_axis = rng.normal(0, 0.3, 2) * 3000
    big = camera.stand(
        (4000, 3000),
        aim_xy_mm=middle,
        aim_px=(2000 + off_axis[0] * scale / 30, 1500 + off_axis[1] * scale / 30),
        px_per_mm=scale,
        distance_mm=float(rng.uniform(150, 450)),
        tilt_deg=(float(tilt[0]), float(tilt[1])),
        roll_deg=float(roll),
    )
    box = np.array([[low, (high[0], low[1]), high, (low[0], high[1])]], float)
    seen = cv2.perspectiveTransform(box, big.to_pixels)[0]
    start = np.floor(seen.min(axis=0))
    size = np.ceil(seen.max(axis=0)) - start + 1
    shift = np.array([[1, 0, -start[0]], [0, 1, -start[1]], [0, 0, 1.0]])
    return Pose(
        shift @ big.to_pixels,
        big.eye_xyz_mm,
        (int(size[0]), int(size[1])),
        big.tilt_deg,
    )


def _through_camera(
    light: NDArray[np.float32], labels: Picture, rng: Rng, tier: str, scale: float
) -> Picture:
    """Expose and compress."""
    if tier != "clean":
        camera.meter(light, labels > 0, brightest=0.95 if tier == "hard" else 0.78)
    sensor = camera.random_sensor(rng, tier=tier, px_per_mm=scale)
    return camera.jpeg(camera.expose(light, sensor, rng), sensor.jpeg_quality)


def on_grid(made: Photographed, mm_per_px: float = 0.05) -> tuple[Picture, Picture]:
    """Rectify with the small errors a real rectification makes."""
    section, seen, rng = made.section, made.rgb, made.rng
    low = section.outline_xy_mm.min(axis=0) - made.margin_mm
    high = section.outline_xy_mm.max(axis=0) + made.margin_mm
    columns, rows = np.ceil((high - low) / mm_per_px).astype(int)
    error = np.eye(3)
    error[:2, :2] += rng.normal(0, 0.012, (2, 2)) * [[1, 0.4], [0.3, 1]]
    error[0, 0] *= 1 + rng.normal(0, 0.02)
    grid = np.array([[mm_per_px, 0, low[0]], [0, mm_per_px, low[1]], [0, 0, 1]])
    centre = np.eye(3)
    centre[:2, 2] = (low + high) / 2
    to_mm = centre @ error @ np.linalg.inv(centre) @ grid
    size = (int(columns), int(rows))
    ratio = mm_per_px * np.sqrt(abs(np.linalg.det(made.pose.to_pixels[:2, :2])))
    if ratio > 1.2:
        seen = cv2.GaussianBlur(seen, (0, 0), 0.4 * float(ratio))
    matrix = made.pose.to_pixels @ to_mm
    how = cv2.INTER_CUBIC if rng.random() < 0.5 else cv2.INTER_LINEAR
    rgb = cv2.warpPerspective(
        seen,
        matrix,
        size,
        flags=how | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    cut = _beyond_picture(rng, rgb)
    behind = cv2.warpPerspective(
        (made.labels == face.OTHER_METAL).astype(np.uint8),
        matrix,
        size,
        flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
    )
    back = np.linalg.inv(to_mm)
    exact = face.label_map(
        section,
        lambda points: cv2.perspectiveTransform(np.asarray(points, float)[None], back)[
            0
        ],
        (size[1], size[0]),
    )
    exact[(exact == 0) & (behind > 0)] = face.OTHER_METAL
    exact[:, cut] = 0
    return rgb, exact


def _beyond_picture(rng: Rng, rgb: Picture) -> NDArray[np.bool_]:
    """Now and then the picture ends before the coupon does; changes the picture."""
    columns = rgb.shape[1]
    cut = np.zeros(columns, bool)
    if rng.random() < 0.08:
        edge = int(columns * rng.uniform(0.03, 0.3))
        cut[:edge] = True
        if rng.random() < 0.5:
            cut = cut[::-1].copy()
        inner = edge if cut[0] else columns - edge - 1
        filled = 0 if rng.random() < 0.5 else rgb[:, inner : inner + 1]
        rgb[:, cut] = filled
    return cut


def training_view(
    seed: int, width: int = 640, *, unseen: bool = False
) -> tuple[Picture, Picture]:
    """
    A whole small photo with a coupon somewhere in it; labels as for a strip.

    Parameters
    ----------
    seed
        Same seed, same picture.
    width
        Columns of the picture; rows are half to all of it.
    unseen
        Draw the etches and benches that are held out from training.
    """
    rng = np.random.default_rng([seed, 12])
    shot = _random_shot(rng, (30.0, 150.0), unseen=unseen)
    height = int(width * rng.choice([0.5625, 0.75, 0.75, 1.0, 1.333]))
    share = rng.uniform(0.3, 1.05)
    scale = float(share * width / shot.section.plate.length_mm)
    scale = min(scale, 0.7 * height / (shot.section.plate.thickness_mm + 4))
    tilt = rng.normal(0, 6, 2).clip(-15, 15) * (shot.tier != "clean")
    roll = rng.normal(0, 4) if rng.random() < 0.7 else rng.uniform(-22, 22)
    reach = max(0.0, 0.9 - share) / 2 + 0.05
    pose = camera.stand(
        (width, height),
        aim_xy_mm=(
            shot.section.plate.length_mm / 2,
            shot.section.plate.thickness_mm / 2,
        ),
        aim_px=(
            width * (0.5 + rng.uniform(-reach, reach)),
            height * (0.5 + rng.uniform(-0.36, 0.36)),
        ),
        px_per_mm=scale,
        distance_mm=float(max(150.0, rng.uniform(0.8, 1.6) * width / scale)),
        tilt_deg=(float(tilt[0]), float(tilt[1])),
        roll_deg=float(roll),
    )
    painted = face.paint_face(
        shot.section, shot.etch, shot.worn, rng, px_per_mm=max(1.1 * scale, 6.0)
    )
    plate = shot.section.plate
    size_mm = plate.length_mm, plate.thickness_mm
    light, labels = compose(
        shot.section,
        painted,
        pose,
        _matched(shot.look, painted, rng),
        shot.setting,
        rng,
        patches=random_things(rng, size_mm, px_per_mm=scale),
    )
    seen = _through_camera(light, labels, rng, shot.tier, scale)
    return seen, labels
