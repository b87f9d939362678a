"""A whole photo of a coupon, with its truth.

`random_shot` draws everything by lot from a seed, `draw` makes the picture.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from sample_images.drawing import body, camera, face, plans, styles
from sample_images.drawing.bench import HELD_OUT_BENCHES
from sample_images.drawing.beside import (
    Reference,
    lay_down,
    option,
    random_reference,
    sway,
)
from sample_images.drawing.camera import Pose, Sensor
from sample_images.drawing.compose import Setting, compose, random_setting
from sample_images.drawing.patch import Patch
from sample_images.drawing.section import Bead, Points, Section

Picture = NDArray[np.uint8]
Rng = np.random.Generator

WEAR = {"clean": 0.1, "phone": 0.4, "hard": 0.85}
# Lighter parts of the face after metering; a poor photo is blown out in places.
BRIGHTEST = {"phone": 0.78, "hard": 0.95}
TIERS = ("clean", "phone", "hard")


@dataclass(frozen=True, slots=True)
class Coupon:
    """A coupon as it lies there: its section and how it looks."""

    section: Section
    etch: styles.EtchStyle
    worn: styles.SurfaceStyle
    paint_seed: int


@dataclass(frozen=True, slots=True)
class Shot:
    """One photo of a coupon: camera, light, bench and what lies beside it."""

    coupon: Coupon
    look: body.BodyLook
    setting: Setting
    pose: Pose
    sensor: Sensor
    reference_option: str = ""
    tier: str = "phone"
    seed: int = 0
    exif_orientation: int = 1
    patches: tuple[Patch, ...] = ()


@dataclass(frozen=True, slots=True)
class Drawing:
    """A finished photo, upright, with its truth and the label of each pixel."""

    picture: Picture
    labels: Picture
    truth: dict[str, object]
    shot: Shot


def random_coupon(
    rng: Rng,
    *,
    tier: str,
    length_mm: tuple[float, float] = (45.0, 150.0),
    unseen: bool = False,
) -> Coupon:
    """A coupon drawn by lot; ``unseen`` takes the etches held out from training."""
    easy = tier == "clean"
    family = str(rng.choice(styles.HELD_OUT_FAMILIES)) if unseen else None
    if easy and not unseen:
        family = str(rng.choice(["dark-haz", "dark-haz", "light-haz", "bright-weld"]))
    etch = styles.random_etch(rng, family)
    worn = styles.random_surface(rng, min(1.0, WEAR[tier] * rng.uniform(0.5, 1.2)))
    if easy:
        etch = replace(
            etch, etch_gone=0.0, pores=0.0, etch_drift=min(etch.etch_drift, 0.15)
        )
        worn = replace(worn, rust=0.0, rust_points=0, writing=0, resin=False)
        worn = replace(worn, stains=0, drips=0, fingerprints=0)
    section = plans.random_section(
        rng,
        kinds=plans.EASY_KINDS if easy else plans.ALL_KINDS,
        length_mm=length_mm,
        crowding=rng.uniform(0, 0.4) if easy else None,
        least_gap_mm=1.5 if easy else 0.0,
    )
    return Coupon(section, etch, worn, int(rng.integers(2**31)))


def random_shot(
    seed: int,
    *,
    tier: str = "phone",
    size_px: tuple[int, int] = (4000, 3000),
    coupon: Coupon | None = None,
    kind: str | None = None,
    unseen: bool = False,
) -> Shot:
    """
    Everything about one photo, drawn by lot.

    Parameters
    ----------
    seed
        Same seed, same photo.
    tier
        ``clean`` a scan, ``phone`` an ordinary photo, ``hard`` a poor one.
    size_px
        Columns and rows of the upright picture.
    coupon
        Photograph this coupon; drawn by lot when not given.
    kind
        Kind of reference, one of `beside.KINDS`; by lot when not given.
    unseen
        Use the etches and benches held out from training.
    """
    rng = np.random.default_rng([seed, 21])
    drawn = random_coupon(rng, tier=tier, unseen=unseen)
    coupon = coupon or drawn
    setting = random_setting(rng, tier=tier, flush=coupon.worn.resin)
    if unseen:
        top = str(rng.choice(HELD_OUT_BENCHES))
        setting = replace(setting, bench=top, resin_rgb=None)
    flush = setting.resin_rgb is not None or tier == "clean"
    look = body.random_body(rng, flush=flush)
    reference = random_reference(
        rng, px_per_mm=0.75 * size_px[0] / coupon.section.plate.length_mm, kind=kind
    )
    if reference.patch is not None:
        setting = replace(setting, holder="")
    if reference.kind == "disc":  # odd round things would be mistaken for it
        setting = replace(setting, clutter=0.0)
    pose = random_pose(
        rng, coupon.section, tier=tier, size_px=size_px, reference=reference
    )
    sensor = camera.random_sensor(rng, tier=tier, px_per_mm=pose.px_per_mm())
    if reference.kind == "points":
        sensor = replace(sensor, bend=0.0)
    turned = tier != "clean" and rng.random() < 0.25
    return Shot(
        coupon=coupon,
        look=look,
        setting=setting,
        pose=pose,
        sensor=sensor,
        reference_option=option(reference, coupon.section, pose, rng),
        tier=tier,
        seed=seed,
        exif_orientation=int(rng.choice([3, 6, 8])) if turned else 1,
        patches=lay_down(reference, coupon.section, rng),
    )


def random_pose(
    rng: Rng,
    section: Section,
    *,
    tier: str,
    size_px: tuple[int, int],
    reference: Reference,
) -> Pose:
    """
    Where the camera stands; the coupon fills a third of the width or more.

    Coupon and reference are both in the picture, save for rules and, now and
    then, the coupon's ends.
    """
    width, height = size_px
    plate = section.plate
    share = rng.uniform(0.5, 0.93)
    if tier != "clean" and rng.random() < 0.06:
        share = rng.uniform(1.0, 1.5)
    spread = {"clean": 0.0, "phone": 4.0, "hard": 6.5}[tier]
    tilt = (rng.normal(0, 1, 2) * spread).clip(-15, 15)
    roll = rng.normal(0, 3) if rng.random() < 0.75 else rng.uniform(-20, 20)
    if tier == "clean":
        roll = rng.normal(0, 0.6)
    if reference.patch is not None:
        roll = float(np.clip(roll, -7, 7))
    top = float(section.outline_xy_mm[:, 1].min())
    tall = plate.thickness_mm - top + reference.room_mm()
    lean = abs(np.sin(np.radians(roll))) * plate.length_mm
    scale = min(share * width / plate.length_mm, 50.0, 0.86 * height / (tall + lean))
    wide = plate.length_mm
    if reference.patch is not None and not reference.kind.startswith("rule"):
        across = reference.patch.size_mm()[0]
        scale = min(scale, 0.8 * width / across)
        # beside the coupon's middle, but for a little to one side
        wide = max(wide, across + 2 * sway(reference) * plate.length_mm)
    taken = np.array([wide, tall + lean])
    spare = np.maximum(0.94 * np.array(size_px) - scale * taken, 0)
    shift = spare * rng.uniform(-0.45, 0.45, 2)
    middle = (plate.thickness_mm + top) / 2
    offset = reference.room_mm() / 2 * (1 if reference.below else -1)
    return camera.stand(
        size_px,
        aim_xy_mm=(plate.length_mm / 2, middle + offset),
        aim_px=(float(width / 2 + shift[0]), float(height / 2 + shift[1])),
        px_per_mm=float(scale),
        distance_mm=float(max(130.0, rng.uniform(0.8, 1.5) * width / scale)),
        tilt_deg=(float(tilt[0]), float(tilt[1])),
        roll_deg=float(roll),
    )


def draw(shot: Shot) -> Drawing:
    """Make the photo of a shot, before JPEG, with its truth."""
    coupon, pose = shot.coupon, shot.pose
    painted = face.paint_face(
        coupon.section,
        coupon.etch,
        coupon.worn,
        np.random.default_rng(coupon.paint_seed),
        px_per_mm=float(np.clip(pose.px_per_mm() * 1.1, 16, 40)),
    )
    rng = np.random.default_rng([shot.seed, 22])
    light, labels = compose(
        coupon.section,
        painted,
        pose,
        shot.look,
        shot.setting,
        rng,
        patches=shot.patches,
    )
    if shot.sensor.bend:
        columns, rows = pose.size_px
        x, y = camera.bend_map(pose.size_px, shot.sensor.bend, (0, 0, columns, rows))
        light = cv2.remap(light, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        labels = cv2.remap(labels, x, y, cv2.INTER_NEAREST)
    if shot.tier != "clean":
        camera.meter(light, labels > 0, brightest=BRIGHTEST[shot.tier])
    picture = camera.expose(light, shot.sensor, rng)
    return Drawing(picture, labels, truth_of(shot), shot)


def truth_of(shot: Shot) -> dict[str, object]:
    """What the photo shows, in mm and in pixels of the upright picture."""
    section = shot.coupon.section
    plate = section.plate

    def pixels(points: Points) -> list[list[float]]:
        return np.round(to_picture(shot, points), 3).tolist()

    matrix = _fitted_homography(shot)
    truth: dict[str, object] = {
        "photo": "",
        "tier": shot.tier,
        "reference_option": shot.reference_option
        or f"thickness={plate.thickness_mm:.2f}",
        "plate_thickness_mm": round(plate.thickness_mm, 4),
        "coupon_length_mm": round(plate.length_mm, 4),
        "mm_to_px_upright": matrix.tolist(),
        "mm_per_px_at_face": round(_mm_per_px(shot), 8),
        "surface_px": pixels(section.surface_xy_mm(25)),
        "exif_orientation": shot.exif_orientation,
        "tilt_deg": round(shot.pose.tilt_deg, 3),
        "seed": shot.seed,
        "style": {
            "etch": asdict(shot.coupon.etch),
            "surface": asdict(shot.coupon.worn),
            "bench": shot.setting.bench,
            "sensor": asdict(shot.sensor),
        },
        "beads": [
            {"in_picture": _in_picture(bead, shot), **_bead_truth(bead, pixels)}
            for bead in section.beads
        ],
    }
    for patch in shot.patches:
        truth.update(patch.truth)
    return truth


def _in_picture(bead: Bead, shot: Shot) -> bool:
    """Whether the whole bead is in the picture."""
    seen = to_picture(shot, bead.weld_xy_mm())
    return bool(((seen >= 0) & (seen <= np.array(shot.pose.size_px) - 1)).all())


def to_picture(shot: Shot, points_xy_mm: Points) -> Points:
    """Points of the face in mm → pixels of the upright picture, lens included."""
    straight = cv2.perspectiveTransform(
        np.asarray(points_xy_mm, float)[None], shot.pose.to_pixels
    )[0]
    return camera.bend_points(straight, shot.pose.size_px, shot.sensor.bend)


def _fitted_homography(shot: Shot) -> NDArray[np.float64]:
    """Homography mm → pixels that fits the face best; exact without a bent lens."""
    if not shot.sensor.bend:
        return shot.pose.to_pixels
    plate = shot.coupon.section.plate
    x, y = np.meshgrid(
        np.linspace(0, plate.length_mm, 25), np.linspace(-4, plate.thickness_mm, 9)
    )
    grid = np.column_stack([x.ravel(), y.ravel()])
    matrix, _ = cv2.findHomography(grid, to_picture(shot, grid))
    return np.asarray(matrix, float)


def _mm_per_px(shot: Shot) -> float:
    """Scale in the middle of the face, geometric mean over directions."""
    plate = shot.coupon.section.plate
    middle = np.array([plate.length_mm / 2, plate.thickness_mm / 2])
    corners = to_picture(shot, middle + np.array([[0, 0], [0.1, 0], [0, 0.1]]))
    spread = (corners[1:] - corners[0]) / 0.1
    return float(1 / np.sqrt(abs(np.linalg.det(spread))))


def _bead_truth(
    bead: Bead, pixels: Callable[[Points], list[list[float]]]
) -> dict[str, object]:
    """One bead's quantities and outlines."""
    numbers = {
        key: round(value, 6) if isinstance(value, float) else value
        for key, value in asdict(bead.truth).items()
    }
    lines = {
        "fusion": bead.fusion_xy_mm,
        "cap": bead.cap_xy_mm,
        "haz": bead.haz_xy_mm,
    }
    outlines = {
        name: pixels(np.vstack([line[:-1:4], line[-1:]]))
        for name, line in lines.items()
    }
    return {"kind": bead.plan.kind, **numbers, "outline_px": outlines}


def save(drawing: Drawing, path: Path) -> None:
    """
    Write the photo as JPEG with its EXIF orientation, and the truth beside it.

    The truth has the photo's name with the ending ``.json``.
    """
    shot = drawing.shot
    stored = Image.fromarray(turned(drawing.picture, shot.exif_orientation))
    exif = Image.Exif()
    exif[0x0112] = shot.exif_orientation
    quality = shot.sensor.jpeg_quality
    stored.save(path, quality=quality, subsampling=2 if quality < 92 else 0, exif=exif)
    truth = {**drawing.truth, "photo": path.name}
    path.with_suffix(".json").write_text(json.dumps(truth), "utf-8")


def turned(picture: Picture, orientation: int) -> Picture:
    """The upright picture as a camera with this EXIF orientation stores it."""
    flips = {
        1: lambda a: a,
        2: lambda a: a[:, ::-1],
        3: lambda a: a[::-1, ::-1],
        4: lambda a: a[::-1],
        5: lambda a: a.swapaxes(0, 1),
        6: lambda a: np.rot90(a, 1),
        7: lambda a: np.rot90(a, 2).swapaxes(0, 1),
        8: lambda a: np.rot90(a, -1),
    }
    return np.ascontiguousarray(flips[orientation](picture))
