"""How good is the scale from a rule, on drawn photos with known truth.

``python tests/benchmarks/scale_ruler.py`` from the top folder prints the figures of
``docs/scale-ruler.md``.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.drawing import bench, camera, noise
from sample_images.drawing.patch import Patch, composite
from sample_images.drawing.rulers import RulePlan, draw_rule, random_rule
from weldsection.errors import ScaleError
from weldsection.records import FaceOutline, Photo, PhotoOrigin
from weldsection.scale.ruler import find_ruler

Rng = np.random.Generator
Points = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Scene:
    """A drawn photo and the truth about it."""

    photo: Photo
    face: FaceOutline
    mm_per_px: float
    """True scale in the middle of the coupon."""
    about: str
    tier: str
    step_mm: frozenset[float]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one scene."""

    found: bool
    error: float = math.nan
    u: float = math.nan
    seconds: float = math.nan
    note: str = ""


def make_scene(seed: int, tier: str, *, large: bool = False) -> Scene:
    """Draw a coupon and a rule; ``bad`` photos are soft, tilted, stained, JPEG 70."""
    rng = np.random.default_rng([seed, tier == "bad", large])
    bad = tier == "bad"
    size = (4000, 3000) if large else (1600, 1200)
    field_mm = float(np.exp(rng.uniform(np.log(80), np.log(200))))
    px_per_mm = float(np.clip(size[0] / field_mm, 6.0, 50.0))
    if not large and rng.random() < 0.25:
        px_per_mm = float(rng.uniform(6, 9))
    limit = 15.0 if bad else 6.0
    tilt, way = limit * math.sqrt(rng.random()), rng.uniform(0, 2 * math.pi)
    focal_px = float(rng.uniform(0.75, 1.6)) * size[0]
    pose = camera.stand(
        size,
        aim_xy_mm=(0.0, 0.0),
        aim_px=tuple(np.array(size) / 2 + rng.uniform(-0.08, 0.08, 2) * size[1]),
        px_per_mm=px_per_mm,
        distance_mm=focal_px / px_per_mm,
        tilt_deg=(tilt * math.cos(way), tilt * math.sin(way)),
        roll_deg=float(rng.uniform(0, 360) if bad else rng.normal(0, 6)),
    )
    system = str(rng.choice(["mm", "inch"]))
    plan = random_rule(rng, system=system, px_per_mm=px_per_mm)
    coupon = _coupon(rng, px_per_mm)
    for _ in range(30):
        rule = _beside(coupon, plan, rng, (px_per_mm, bad))
        covers = [coupon]
        if bad and rng.random() < 0.4:
            covers.append(_cover(rng, rule, plan))
        if _shown_mm(rule, plan, covers, pose) >= 25:
            break
    picture = _picture(rng, pose, px_per_mm)
    light = tuple(rng.uniform(-0.6, 0.6, 2))
    patches = [rule, *covers]
    for patch in patches:
        composite(picture, patch, pose.plane, light_xy=light, shadow=0.5)
    bend = float(rng.normal(0, 0.008)) if rng.random() < 0.4 else 0.0
    sensor = camera.Sensor(
        defocus_px=float(rng.uniform(0.7, 1.6) if bad else rng.uniform(0.4, 0.9)),
        bend=bend,
        exposure=float(np.exp(rng.normal(0, 0.12))),
        noise=float(rng.uniform(0.006, 0.025) if bad else rng.uniform(0.002, 0.008)),
        jpeg_quality=int(rng.integers(65, 80) if bad else rng.integers(85, 96)),
    )
    photo = _shoot(picture, sensor, rng)
    face, mm_per_px = _truth(coupon, pose, size, bend)
    steps = frozenset(
        marks.step_mm for marks in (plan.upper, plan.lower) if marks is not None
    )
    about = (
        f"{system} {plan.ground} {px_per_mm:.0f} px/mm tilt {pose.tilt_deg:.0f} "
        f"bend {bend:.3f} steps {sorted(round(s, 3) for s in steps)}"
    )
    return Scene(photo, face, mm_per_px, about, tier, steps)


def _coupon(rng: Rng, px_per_mm: float) -> Patch:
    """A ground plate with a few dark caps of heat-affected zone."""
    length, thick = float(rng.uniform(45, 130)), float(rng.uniform(4, 20))
    shape = round(thick * px_per_mm), round(length * px_per_mm)
    grey = 0.6 + 0.06 * noise.brushed(
        rng, shape, length=8 * px_per_mm, width=2.0, angle_deg=rng.uniform(0, 90)
    )
    for x in np.arange(8, length - 5, rng.uniform(10, 20)):
        centre = (round(x * px_per_mm), 0)
        axes = (round(5 * px_per_mm), round(0.4 * thick * px_per_mm))
        cv2.ellipse(grey, centre, axes, 0, 0, 360, 0.4, -1, cv2.LINE_AA)
    rgb = np.repeat(grey[..., None], 3, axis=2).astype(np.float32)
    alpha = np.ones(shape, np.float32)
    return Patch(rgb, alpha, px_per_mm, (0.0, 0.0), 0.0, 0.0, 4.0, 0.3)


def _beside(coupon: Patch, plan: RulePlan, rng: Rng, view: tuple[float, bool]) -> Patch:
    """The rule beside the coupon, level with its face, sometimes part under it."""
    px_per_mm, bad = view
    thick_mm = coupon.size_mm()[1]
    gap = float(rng.uniform(-3, 15) if bad else rng.uniform(1, 10))
    side = float(rng.choice([-1, 1]))
    across = side * (thick_mm / 2 + gap + plan.width_mm / 2)
    angle = float(rng.normal(0, 6 if bad else 3)) + (180 if rng.random() < 0.5 else 0)
    return draw_rule(
        plan,
        rng,
        px_per_mm=float(np.clip(1.6 * px_per_mm, 24, 45)),
        centre_xy_mm=(float(rng.uniform(-20, 20)), across),
        angle_deg=angle,
    )


def _shown_mm(
    rule: Patch, plan: RulePlan, covers: list[Patch], pose: camera.Pose
) -> float:
    """Length of a graduated edge whose ticks can be seen from end to end."""
    shown = []
    for marks, upper in ((plan.upper, True), (plan.lower, False)):
        if marks is None:
            continue
        depth = marks.inset_mm + marks.lengths_mm[0]
        y = depth if upper else plan.width_mm - depth
        x = np.arange(plan.zero_mm, plan.length_mm, 0.5)
        drawn = np.column_stack([x, np.full_like(x, y)]) * rule.px_per_mm
        places = cv2.perspectiveTransform(drawn[None], rule.to_mm())
        seen = cv2.perspectiveTransform(places, pose.to_pixels)[0]
        free = ((seen > 5) & (seen < np.array(pose.size_px) - 6)).all(axis=1)
        for cover in covers:
            outline = cover.corners_xy_mm().astype(np.float32)
            free &= np.array(
                [
                    cv2.pointPolygonTest(outline, (float(a), float(b)), True) < -0.5
                    for a, b in places[0]
                ]
            )
        shown.append(0.5 * np.count_nonzero(free))
    return max(shown)


def _cover(rng: Rng, rule: Patch, plan: RulePlan) -> Patch:
    """A dark cloth that leaves 25 to 50 mm of one half of the rule."""
    length = plan.length_mm / 2 + 20 - float(rng.uniform(25, 40))
    shape = (200, 200)
    rgb = np.full((*shape, 3), 0.2, np.float32)
    rgb += 0.04 * noise.smooth(rng, shape, 3.0)[..., None]
    way = math.radians(rule.angle_deg)
    side = float(rng.choice([-1, 1]))
    reach = side * (plan.length_mm / 2 - length / 2 + 20)
    centre = np.array(rule.centre_xy_mm) + reach * np.array(
        [math.cos(way), math.sin(way)]
    )
    alpha = np.ones(shape, np.float32)
    scale = 200 / max(length, plan.width_mm * 1.4)
    return Patch(
        rgb, alpha, scale, (float(centre[0]), float(centre[1])), rule.angle_deg, 0.5
    )


def _picture(rng: Rng, pose: camera.Pose, px_per_mm: float) -> NDArray[np.float32]:
    """A bench top."""
    columns, rows = pose.size_px
    name = str(rng.choice(list(bench.BENCHES)))
    return bench.paint_bench(name, rng, (rows, columns), px_per_mm, clutter=0.2)


def _shoot(picture: NDArray[np.float32], sensor: camera.Sensor, rng: Rng) -> Photo:
    rows, columns = picture.shape[:2]
    if sensor.bend:
        maps = camera.bend_map((columns, rows), sensor.bend, (0, 0, columns, rows))
        picture = cv2.remap(
            picture, *maps, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
        )
    rgb = camera.jpeg(camera.expose(picture, sensor, rng), sensor.jpeg_quality)
    origin = PhotoOrigin(Path("drawn.jpg"), "0" * 64, columns, rows)
    return Photo(np.ascontiguousarray(rgb[..., ::-1]), origin)


def _truth(
    coupon: Patch, pose: camera.Pose, size: tuple[int, int], bend: float
) -> tuple[FaceOutline, float]:
    """The coupon's outline in the picture and the true scale in its middle."""
    corners_mm = coupon.corners_xy_mm()[None]
    corners = cv2.perspectiveTransform(corners_mm, pose.to_pixels)[0]
    corners = camera.bend_points(corners, size, bend)
    face = FaceOutline(
        mask=np.zeros((2, 2), bool),
        reduction=float(size[0]) / 2,
        top_edge_xy_px=corners[:2],
        bottom_edge_xy_px=corners[[3, 2]],
        corners_xy_px=corners,
        cut_by_picture=(False, False),
    )
    cross = np.array([[-1.0, 0.0], [1.0, 0.0], [0.0, -1.0], [0.0, 1.0]])
    around = _straight(face.centre_xy_px + cross, size, bend)
    to_mm = np.linalg.inv(pose.to_pixels)
    left, right, above, below = cv2.perspectiveTransform(around[None], to_mm)[0]
    area = abs(np.linalg.det(np.column_stack([right - left, below - above])))
    return face, math.sqrt(area) / 2


def _straight(points_xy_px: Points, size: tuple[int, int], bend: float) -> Points:
    """Points of the bent picture → the straight picture."""
    middle = (np.array(size, float) - 1) / 2
    offset = points_xy_px - middle
    share = (offset**2).sum(axis=1, keepdims=True) / (middle**2).sum()
    return np.asarray(middle + offset * (1 + bend * share))


def try_scene(scene: Scene) -> Outcome:
    """Measure a scene and compare with its truth."""
    start = time.perf_counter()
    try:
        found = find_ruler(scene.photo, scene.face)
    except ScaleError as asked:
        return Outcome(False, note=str(asked))
    seconds = time.perf_counter() - start
    if found is None:
        return Outcome(False, seconds=seconds, note="not found")
    middle = scene.face.centre_xy_px
    error = math.log(found.mm_per_px_at(middle) / scene.mm_per_px)
    return Outcome(True, error, found.relative_u_at(middle), seconds, found.finding)


def report(name: str, outcomes: list[Outcome]) -> str:
    """One line of figures."""
    errors = np.array([o.error for o in outcomes if o.found])
    u = np.array([o.u for o in outcomes if o.found])
    factor = int(np.sum(np.abs(errors) > 0.15))
    good = np.abs(errors) < 0.15
    size = 100 * np.abs(errors)
    seconds = np.array([o.seconds for o in outcomes if math.isfinite(o.seconds)])
    return (
        f"{name:12s} n {len(outcomes):3d}  median {np.median(size):.3f} %  "
        f"p95 {np.percentile(size, 95):.3f} %  "
        f"bias {100 * np.mean(errors[good]):+.3f} %  "
        f"not found {100 * (1 - len(errors) / len(outcomes)):.1f} %  "
        f"factor {factor}  within 2u {100 * np.mean(np.abs(errors) < 2 * u):.1f} %  "
        f"median u {100 * np.median(u):.3f} %  "
        f"time {np.median(seconds):.2f}, at most {np.max(seconds):.2f} s"
    )


def run(count: int, large: int, show: Callable[[str], None]) -> None:
    """Run all tiers and show their figures, worst cases first."""
    for tier in ("clean", "bad"):
        for big, many in ((False, count), (True, large)):
            outcomes = []
            for seed in range(many):
                scene = make_scene(seed, tier, large=big)
                outcome = try_scene(scene)
                outcomes.append(outcome)
                if not outcome.found or abs(outcome.error) > 2 * outcome.u:
                    error = f"{100 * outcome.error:+.2f} % u {100 * outcome.u:.2f} %"
                    show(f"  {tier} {big} {seed}: {error} {scene.about} {outcome.note}")
            if outcomes:
                show(report(f"{tier} {'12 MP' if big else '2 MP'}", outcomes))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=120, help="2 MP photos of a tier")
    parser.add_argument("--large", type=int, default=10, help="12 MP photos of a tier")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    run(given.count, given.large, print)
