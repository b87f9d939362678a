"""How right the scale is, on drawn photos with known truth.

Run from the top of the project, all kinds or some, with how many photos each::

    python tests/benchmarks/scale.py --cases 200 card idcard disc thickness points

Prints one row for each kind and tier: errors, coverage of the stated
uncertainty, refusals, time. Rulers have their own: ``scale_ruler``.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.drawing import camera, finishes, references
from sample_images.drawing import scene as scenes
from sample_images.drawing.patch import Patch
from sample_images.drawing.section import make_section
from weldsection.errors import WeldSectionError
from weldsection.records import (
    FaceOutline,
    Options,
    Photo,
    PhotoOrigin,
    mm_per_px_at,
    project,
)
from weldsection.scale import find_scale

KINDS = ("card", "idcard", "disc", "thickness", "points")
EXIF_U = 0.02  # relative: the 35 mm equivalent that phones write is rounded
DISCS_MM = (16.25, 17.91, 18.75, 19.05, 21.21, 23.25, 24.25, 25.75, 30.61)
Points = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Case:
    """One drawn photo, what a user would pass, and the truth."""

    photo: Photo
    face: FaceOutline
    reference: str
    mm_per_px: float
    """At the middle of the face."""
    shot: scenes.Shot


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one case; error and u are NaN where it was refused."""

    tier: str
    error: float
    u: float
    seconds: float
    flags: tuple[str, ...]
    note: str = ""
    at_reference: float = math.nan
    """Error where the reference lies: reading it alone, hardly any tilt."""


def draw_case(
    kind: str, seed: int, tier: str, spread: float = 1.0, *, exif: bool = False
) -> Case:
    """Draw one photo by lot.

    `spread` 1 gives references the size, height and lens errors that the stated
    uncertainty allows for; 0 gives true ones, level, through a straight lens. With
    `exif` the photo tells the focal length, as those of most phones do.
    """
    for again in range(9):
        rng = np.random.default_rng([seed, KINDS.index(kind), tier == "hard", again])
        case, seen = _draw(kind, seed, tier, spread, rng)
        if seen:
            break
    if exif:
        focal_px = focal_length_px(case.shot.pose) * (1 + rng.normal(0, EXIF_U))
        told = replace(case.photo.origin, focal_length_px=focal_px)
        case = replace(case, photo=replace(case.photo, origin=told))
    return case


def focal_length_px(pose: camera.Pose) -> float:
    """Focal length of a pose: its scale where its axis meets the face, tilt undone."""
    upright = math.cos(math.radians(pose.tilt_deg))
    # area is foreshortened by the cosine: scale² = (f / distance)² · cos
    return pose.px_per_mm() * pose.eye_xyz_mm[2] / upright**1.5


def _draw(
    kind: str, seed: int, tier: str, spread: float, rng: np.random.Generator
) -> tuple[Case, bool]:
    """Draw one photo, and tell whether its reference can be told from the bench."""
    width = int(rng.choice([1600, 2400, 3200]))
    size = (width, width * 3 // 4)
    shot = scenes.random_shot(seed, tier=tier, size_px=size)
    bench = replace(shot.setting, resin_rgb=None, clutter=0.0, holder="")
    shot = replace(shot, exif_orientation=1, setting=bench)
    shot = replace(shot, sensor=replace(shot.sensor, bend=spread * shot.sensor.bend))
    shot = _sawn_by_hand(shot, rng, spread)
    patch = _patch(kind, rng, spread)
    if patch is not None:
        shot = _with_patch(shot, patch, rng, spread)
    shot = replace(shot, sensor=replace(shot.sensor, jpeg_quality=70))
    if patch is None:
        # the plate's edges come from the outline: the picture is not looked at
        bgr = np.zeros((size[1], size[0], 3), np.uint8)
    else:
        bgr = _as_jpeg(_blurred(shot))
    face = face_of(shot, rng, spread)
    case = Case(
        Photo(bgr, PhotoOrigin(Path(f"{kind}-{seed}.jpg"), "", *size)),
        face,
        _reference(kind, shot, patch, rng, spread),
        _true_scale(shot, face.centre_xy_px),
        shot,
    )
    return case, patch is None or _stands_out(bgr, shot)


def _sawn_by_hand(
    shot: scenes.Shot, rng: np.random.Generator, spread: float
) -> scenes.Shot:
    """Saw the ends square to two degrees, one standard deviation."""
    section = shot.coupon.section
    askew = np.tan(np.radians(rng.normal(0, spread * 2.0, 2)))
    plate = replace(section.plate, end_tilt=(float(askew[0]), float(askew[1])))
    sawn = make_section(plate, tuple(bead.plan for bead in section.beads))
    section = replace(section, plate=plate, outline_xy_mm=sawn.outline_xy_mm)
    return replace(shot, coupon=replace(shot.coupon, section=section))


def _stands_out(bgr: NDArray[np.uint8], shot: scenes.Shot) -> bool:
    """Whether a person sees the reference's outline: black on black has none.

    One millimetre to both sides of it the colour must differ by eight grey levels,
    in ten of twelve parts of the outline.
    """
    patch = shot.patches[0]
    solid = np.uint8(patch.alpha > 0.5)
    contours, _ = cv2.findContours(solid, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    line = max(contours, key=len)[:, 0].astype(np.float64)
    middle = line.mean(axis=0)
    away = (line - middle) / np.linalg.norm(line - middle, axis=1, keepdims=True)
    to_picture = shot.pose.plane(patch.z_mm) @ patch.to_mm()
    colours = []
    for offset in (-patch.px_per_mm, patch.px_per_mm):
        at = camera.bend_points(
            project(to_picture, line + offset * away),
            shot.pose.size_px,
            shot.sensor.bend,
        ).astype(np.float32)
        colours.append(cv2.remap(bgr, at[:, None, 0], at[:, None, 1], 1)[:, 0])
    inner, outer = (np.array_split(c.astype(np.float64), 12) for c in colours)
    apart = [
        np.linalg.norm(np.median(a, axis=0) - np.median(b, axis=0))
        for a, b in zip(inner, outer, strict=True)
    ]
    return sum(distance > 8.0 for distance in apart) >= 10


def _true_scale(shot: scenes.Shot, at_xy_px: Points) -> float:
    """True mm per px at a place of the picture, lens included."""
    to_mm = np.linalg.inv(np.array(scenes.truth_of(shot)["mm_to_px_upright"]))
    middle = project(to_mm, at_xy_px)[0]
    corners = scenes.to_picture(shot, middle + np.array([[0, 0], [0.1, 0], [0, 0.1]]))
    spread = (corners[1:] - corners[0]) / 0.1
    return float(1 / math.sqrt(abs(np.linalg.det(spread))))


def _blurred(shot: scenes.Shot) -> NDArray[np.uint8]:
    """Draw sharp, then blur as a lens does: light and not grey levels."""
    sensor = shot.sensor
    sharp = replace(sensor, defocus_px=0.25, motion_px=0.0, sharpen=0.0)
    light = (scenes.draw(replace(shot, sensor=sharp)).picture / np.float32(255)) ** 2.2
    blurred = cv2.GaussianBlur(light, (0, 0), max(sensor.defocus_px, 0.4))
    picture = 255 * np.clip(blurred, 0, 1) ** (1 / 2.2)
    halo = cv2.GaussianBlur(picture, (0, 0), sensor.halo_px)
    picture += 0.5 * np.float32(sensor.sharpen) * (picture - halo)
    return np.clip(picture + 0.5, 0, 255).astype(np.uint8)


def _as_jpeg(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    settings = [cv2.IMWRITE_JPEG_QUALITY, 70]
    _, data = cv2.imencode(".jpg", np.ascontiguousarray(rgb[..., ::-1]), settings)
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), dtype=np.uint8)


def _patch(kind: str, rng: np.random.Generator, spread: float) -> Patch | None:
    if kind == "card":
        stretch = 1 + spread * rng.normal(0, 0.0015)
        name = str(rng.choice(["pocket", "bench", "frame"], p=[0.4, 0.4, 0.2]))
        return references.printed_card(name, stretch=stretch, grey=rng.uniform(0.6, 1))
    if kind == "idcard":
        off = spread * rng.normal(0, 1, 2)
        size = 85.60 + 0.06 * off[0], 53.98 + 0.03 * off[1]
        return finishes.used_bank_card(rng, size_mm=size)
    if kind == "disc":
        nominal = float(rng.choice(DISCS_MM))
        patch = finishes.used_disc(rng, nominal + spread * rng.normal(0, 0.04))
        return replace(patch, truth={"reference_option": f"disc={nominal:g}"})
    return None


def _with_patch(
    shot: scenes.Shot, patch: Patch, rng: np.random.Generator, spread: float
) -> scenes.Shot:
    """Lay the reference below or beside the coupon, and stand back to see both."""
    plate = shot.coupon.section.plate
    turn = rng.normal(0, 8)
    turned = replace(patch, angle_deg=turn, centre_xy_mm=(0.0, 0.0))
    extent = turned.corners_xy_mm()
    wide, high = np.ptp(extent, axis=0)
    gap = rng.uniform(2, 14)
    if rng.random() < 0.5:
        # a thin slice beside it on the bench: narrow dark shadows instead of soft ones
        look = replace(shot.look, depth_mm=patch.thickness_mm + rng.uniform(0.1, 1.0))
        shot = replace(shot, look=look)
    if wide + plate.length_mm < 130 and rng.random() < 0.4:
        centre = (plate.length_mm + gap + wide / 2, plate.thickness_mm / 2)
    else:
        shift = rng.uniform(-0.3, 0.3) * abs(plate.length_mm - wide)
        centre = (
            plate.length_mm / 2 + shift,
            plate.thickness_mm + gap + shot.look.depth_mm * 0.3 + high / 2,
        )
    # a person lays it level with the face to some tenths of a millimetre
    laid = replace(turned, centre_xy_mm=centre, z_mm=spread * rng.normal(0, 0.3))
    corners = np.vstack(
        [laid.corners_xy_mm(), [[0, -6], [plate.length_mm, plate.thickness_mm]]]
    )
    low, high_corner = corners.min(axis=0), corners.max(axis=0)
    size = shot.pose.size_px
    px_per_mm = float(
        min(np.array(size) / (high_corner - low)) * rng.uniform(0.7, 0.88)
    )
    tilt = np.clip(rng.normal(0, 5, 2), -11, 11)
    pose = camera.stand(
        size,
        aim_xy_mm=tuple((low + high_corner) / 2),
        aim_px=(size[0] / 2, size[1] / 2),
        px_per_mm=px_per_mm,
        distance_mm=max(120.0, rng.uniform(0.8, 1.6) * size[0] / px_per_mm),
        tilt_deg=(float(tilt[0]), float(tilt[1])),
        roll_deg=float(rng.normal(0, 4)),
    )
    return replace(shot, pose=pose, patches=(laid,))


def face_of(
    shot: scenes.Shot, rng: np.random.Generator, spread: float = 1.0
) -> FaceOutline:
    """The face as the stage before would find it: truth with some scatter."""
    section = shot.coupon.section
    plate = section.plate
    top_mm = section.surface_xy_mm(200)
    back_mm = top_mm + [0, plate.thickness_mm]
    bare = np.ones(len(top_mm), bool)
    for bead in section.beads:
        left, right = bead.cap_xy_mm[:, 0].min(), bead.cap_xy_mm[:, 0].max()
        bare &= (top_mm[:, 0] < left - 0.5) | (top_mm[:, 0] > right + 0.5)
    top, back = (scenes.to_picture(shot, mm) for mm in (top_mm, back_mm))
    low_left, low_right = (askew * plate.thickness_mm for askew in plate.end_tilt)
    sawn = back_mm[[-1, 0]] + [[low_right, 0.0], [low_left, 0.0]]
    corners = np.vstack([top[[0, -1]], scenes.to_picture(shot, sawn)])
    size = shot.pose.size_px
    reduction = max(size) / 640
    shape = (round(size[1] / reduction), round(size[0] / reduction))
    mask = np.zeros(shape, np.uint8)
    whole = np.vstack([top, back[::-1]]) / reduction
    cv2.fillPoly(mask, [np.round(whole).astype(np.int32)], 1)
    # an edge as found is off as a whole by half a pixel and scatters by as much
    top += rng.normal(0, 0.5, (1, 2)) + rng.normal(0, 0.5, top.shape)
    back += rng.normal(0, 0.5, (1, 2)) + rng.normal(0, 0.5, back.shape)
    outside = (corners[:, 0] < 0) | (corners[:, 0] > size[0])
    corners = corners + rng.normal(0, 1.0, corners.shape)
    corners[:, 0] = np.clip(corners[:, 0], 0, size[0])
    return FaceOutline(
        mask=mask.astype(bool),
        reduction=reduction,
        top_edge_xy_px=_inside(top[bare], size),
        bottom_edge_xy_px=_inside(back, size),
        corners_xy_px=corners,
        cut_by_picture=(bool(outside[[0, 3]].any()), bool(outside[[1, 2]].any())),
    )


def _inside(points: Points, size: tuple[int, int]) -> Points:
    keep = ((points > 0) & (points < np.array(size))).all(axis=1)
    return points[keep]


def _reference(
    kind: str,
    shot: scenes.Shot,
    patch: Patch | None,
    rng: np.random.Generator,
    spread: float,
) -> str:
    """What a user would type, with the error of the caliper or of the click."""
    if patch is not None:
        return str(patch.truth["reference_option"])
    plate = shot.coupon.section.plate
    if kind == "thickness":
        return f"thickness={plate.thickness_mm + spread * rng.normal(0, 0.05):.2f}"
    x = np.sort(rng.uniform(0.05, 0.95, 2)) * plate.length_mm
    if x[1] - x[0] < 0.4 * plate.length_mm:
        x = np.array([0.1, 0.9]) * plate.length_mm
    ends = np.column_stack([x, rng.uniform(0.5, 0.9, 2) * plate.thickness_mm])
    length = float(np.hypot(*(ends[1] - ends[0]))) + spread * rng.normal(0, 0.1)
    at = scenes.to_picture(shot, ends)
    at = np.clip(at, 5, np.array(shot.pose.size_px) - 6)
    moved = at + rng.normal(0, 1.0, (2, 2))
    if not np.allclose(at, scenes.to_picture(shot, ends)):
        back = np.linalg.inv(shot.pose.to_pixels)
        ends = cv2.perspectiveTransform(at[None], back)[0]
        length = float(np.hypot(*(ends[1] - ends[0]))) + spread * rng.normal(0, 0.1)
    numbers = ",".join(f"{v:.1f}" for v in moved.ravel())
    return f"points={numbers},{length:.2f}"


def run_case(case: Case, tier: str) -> Outcome:
    """Find the scale and compare."""
    start = time.process_time()
    try:
        # drawn level to ± 0.3 mm, and so the user says
        options = Options((case.reference,), face_height_mm=0.0)
        scale = find_scale(case.photo, case.face, options)
    except WeldSectionError as refusal:
        seconds = time.process_time() - start
        return Outcome(tier, math.nan, math.nan, seconds, (), str(refusal))
    seconds = time.process_time() - start
    at = case.face.centre_xy_px
    error = mm_per_px_at(scale.homography, at) / case.mm_per_px - 1
    flags = tuple(flag.word for flag in (*scale.flags, *scale.doubts_at(at)))
    beside = scale.references[0].centre_xy_px
    own = mm_per_px_at(scale.homography, beside) / _true_scale(case.shot, beside) - 1
    u = scale.relative_u_at(at)
    return Outcome(tier, error, u, seconds, flags, at_reference=own)


def summary(kind: str, outcomes: list[Outcome]) -> dict[str, float | str]:
    """One row of the table, errors in percent."""
    found = [o for o in outcomes if math.isfinite(o.error)]
    error = np.abs([o.error for o in found])
    z = error / np.array([o.u for o in found])
    wrong = [o for o in found if abs(o.error) > 0.03 and not o.flags]
    return {
        "kind": kind,
        "tier": outcomes[0].tier,
        "cases": len(outcomes),
        "median_pct": round(100 * float(np.median(error)), 3),
        "p95_pct": round(100 * float(np.quantile(error, 0.95)), 3),
        "p95_at_reference_pct": round(
            100 * float(np.quantile(np.abs([o.at_reference for o in found]), 0.95)), 3
        ),
        "within_2u_pct": round(100 * float(np.mean(z < 2)), 1),
        "median_u_pct": round(100 * float(np.median([o.u for o in found])), 3),
        "refused_pct": round(100 * (1 - len(found) / len(outcomes)), 1),
        "wrong_unflagged": len(wrong),
        "flagged_pct": round(100 * float(np.mean([bool(o.flags) for o in found])), 1),
        "cpu_seconds": round(float(np.median([o.seconds for o in outcomes])), 2),
    }


def main() -> None:
    """Draw, measure, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kinds", nargs="*", default=list(KINDS))
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument(
        "--spread", type=float, default=1.0, help="0: true, level references"
    )
    parser.add_argument("--exif", action="store_true", help="focal length is told")
    parser.add_argument("--each", action="store_true", help="print every case")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    for kind in given.kinds:
        for tier in ("phone", "hard"):
            seeds = range(given.first, given.first + given.cases // 2)
            outcomes = [
                run_case(draw_case(kind, s, tier, given.spread, exif=given.exif), tier)
                for s in seeds
            ]
            if given.each:
                for seed, o in zip(seeds, outcomes, strict=True):
                    print(
                        kind,
                        tier,
                        seed,
                        f"{100 * o.error:.3f} {100 * o.u:.3f}",
                        ";".join(o.flags),
                        o.note,
                    )
            print(json.dumps(summary(kind, outcomes)), flush=True)


if __name__ == "__main__":
    main()
