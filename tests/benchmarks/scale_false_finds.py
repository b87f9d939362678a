"""How often a reference is found where there is none.

Run from the top of the project: ``python tests/benchmarks/scale_false_finds.py``.
Takes the general pictures that come with scikit-image, crops of them turned and
enlarged, drawn bench tops, drawn things that repeat evenly (keyboards, combs, bricks,
print, squared paper …), and drawn coupons with nothing beside them. Prints one row for
each kind of reference. Rulers have their own: ``scale_ruler_absent``.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import scale_ruler_absent as absent
import skimage
from numpy.typing import NDArray
from scale import face_of

from sample_images.drawing import scene as scenes
from sample_images.drawing.bench import BENCHES, paint_bench
from weldsection.errors import WeldSectionError
from weldsection.flags import join_flags
from weldsection.records import FaceOutline, Options, Photo, PhotoOrigin
from weldsection.scale import find_scale

Picture = NDArray[np.uint8]
WANTED = ("card", "idcard", "disc=23.25")
# these show round things: badge, coins, cup, eye, wheels, cell, clock, colours, head
ROUND = (
    "astronaut", "coins", "coffee", "retina", "motorcycle_left", "motorcycle_right",
    "cell", "clock_motion", "color", "phantom", "logo", "microaneurysms",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Scene:
    """A picture without a reference; `face` is made up where it shows no coupon."""

    name: str
    bgr: Picture
    face: FaceOutline
    has_round: bool = False


def shipped(crops: int) -> Iterator[Scene]:
    """Pictures that come with scikit-image, and parts of them turned and enlarged."""
    rng = np.random.default_rng(3)
    folder = Path(skimage.__file__).parent / "data"
    for path in sorted(folder.glob("*.*g")):
        picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
        if picture is None or min(picture.shape[:2]) < 100:
            continue
        whole = np.asarray(picture, np.uint8)
        has_round = path.stem in ROUND
        yield Scene(path.stem, whole, somewhere(whole), has_round)
        for k in range(crops):
            part = _crop(whole, rng)
            yield Scene(f"{path.stem}-{k}", part, somewhere(part), has_round)


def _crop(picture: Picture, rng: np.random.Generator) -> Picture:
    """A part of a picture, turned, 1200 × 900."""
    rows, columns = picture.shape[:2]
    wide = rng.uniform(0.35, 0.8) * columns
    centre = rng.uniform(0.35, 0.65, 2) * (columns, rows)
    turn = cv2.getRotationMatrix2D(tuple(centre), rng.uniform(0, 360), 1200 / wide)
    turn[:, 2] += np.array([600, 450]) - centre
    seen = cv2.warpAffine(
        picture, turn, (1200, 900), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
    )
    return np.asarray(seen, np.uint8)


def drawn(rounds: int) -> Iterator[Scene]:
    """Bench tops and things that repeat evenly, photographed."""
    for index, name in enumerate(BENCHES):
        for k in range(rounds):
            rng = np.random.default_rng([11, index, k])
            scale = float(rng.uniform(5, 40))
            top = paint_bench(name, rng, absent.SIZE, scale, clutter=0.0)
            seen = absent._photographed(rng, np.clip(top, 0, 1))
            yield Scene(f"{name}-{k}", seen, somewhere(seen))
    for index, thing in enumerate(absent.THINGS):
        for k in range(rounds + 1):
            rng = np.random.default_rng([12, index, k])
            seen = absent._photographed(rng, np.clip(thing(rng), 0, 1))
            yield Scene(f"{thing.__name__}-{k}", seen, somewhere(seen))


def coupons(count: int) -> Iterator[Scene]:
    """Drawn coupons with no reference beside them."""
    for seed in range(count):
        tier = "phone" if seed % 2 else "hard"
        shot = scenes.random_shot(
            5000 + seed, tier=tier, size_px=(1600, 1200), kind="thickness"
        )
        bench = replace(shot.setting, resin_rgb=None, clutter=0.0)
        shot = replace(shot, exif_orientation=1, setting=bench)
        bgr = np.ascontiguousarray(scenes.draw(shot).picture[..., ::-1])
        face = face_of(shot, np.random.default_rng(seed))
        yield Scene(f"coupon-{seed}", bgr, face)


def somewhere(picture: Picture) -> FaceOutline:
    """A made-up face in the upper part, as large as faces are."""
    rows, columns = picture.shape[:2]
    x = np.linspace(0.15, 0.85, 60) * columns
    top = np.column_stack([x, np.full_like(x, 0.12 * rows)])
    back = top + [0, 0.09 * rows]
    corners = np.array([top[0], top[-1], back[-1], back[0]])
    mask = np.zeros((rows // 4, columns // 4), bool)
    return FaceOutline(mask, 4.0, top, back, corners, (False, False))


def found_in(scene: Scene, wanted: str) -> str:
    """The scene's name and flags if a reference is found in it; empty if not."""
    rows, columns = scene.bgr.shape[:2]
    photo = Photo(scene.bgr, PhotoOrigin(Path(scene.name), "", columns, rows))
    try:
        scale = find_scale(photo, scene.face, Options((wanted,)))
    except WeldSectionError:
        return ""
    doubts = (*scale.flags, *scale.doubts_at(scene.face.centre_xy_px))
    return f"{scene.name} ({join_flags(doubts) or 'no flag'})"


def main() -> None:
    """Look for every kind in every picture and count what is found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("wanted", nargs="*", default=list(WANTED))
    parser.add_argument("--rounds", type=int, default=4, help="of each drawn kind")
    parser.add_argument("--crops", type=int, default=2, help="of each shipped picture")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    found: dict[str, list[str]] = {wanted: [] for wanted in given.wanted}
    looked = dict.fromkeys(given.wanted, 0)
    for group in (shipped(given.crops), drawn(given.rounds), coupons(24)):
        for scene in group:
            for wanted in given.wanted:
                if scene.has_round and wanted.startswith("disc"):
                    continue
                looked[wanted] += 1
                if where := found_in(scene, wanted):
                    found[wanted].append(where)
                    print(f"  {wanted} in {where}", flush=True)
    for wanted, where in found.items():
        row = {"reference": wanted, "pictures": looked[wanted], "found": len(where)}
        print(json.dumps({**row, "where": where}))


if __name__ == "__main__":
    main()
