"""How often a reference is found where there is none.

Run from the top of the project: ``python tests/benchmarks/scale_false_finds.py``.
Takes the general pictures that scikit-image ships, and drawn benches, cloths, combs,
keyboards, graph paper and text. Prints one row for each kind of reference.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import skimage.data
from numpy.typing import NDArray

from sample_images.drawing.bench import BENCHES, paint_bench
from weldsection.errors import WeldSectionError
from weldsection.records import FaceOutline, Options, Photo, PhotoOrigin
from weldsection.scale import find_scale

Picture = NDArray[np.uint8]
WANTED = ("card", "ruler", "idcard", "disc=23.25")
SHIPPED = (
    "astronaut", "brick", "camera", "cat", "chelsea", "clock", "coffee", "grass",
    "gravel", "horse", "hubble_deep_field", "immunohistochemistry", "moon", "page",
    "rocket", "text", "checkerboard", "colorwheel", "cell", "lbp_frontal_face_cascade",
)  # fmt: skip


def pictures(rounds: int) -> Iterator[tuple[str, Picture]]:
    """Pictures without a reference, named; so many of each drawn kind."""
    for name in SHIPPED:
        try:
            picture = np.asarray(getattr(skimage.data, name)())
        except Exception:  # a picture that this copy does not ship
            continue
        if picture.ndim >= 2 and min(picture.shape[:2]) > 150:
            yield name, _as_bgr(picture)
    rng = np.random.default_rng(3)
    for name in BENCHES:
        for k in range(rounds):
            top = paint_bench(name, rng, (900, 1200), 10.0, clutter=0.0)
            yield f"{name}-{k}", (255 * np.clip(top[..., ::-1], 0, 1)).astype(np.uint8)
    for k in range(4 * rounds):
        yield f"comb-{k}", _comb(rng)
        yield f"keys-{k}", _keys(rng)


def _as_bgr(picture: NDArray[np.generic]) -> Picture:
    if picture.dtype == bool:
        picture = picture.astype(np.uint8) * 255
    if picture.dtype != np.uint8:
        picture = (255 * np.clip(picture / picture.max(), 0, 1)).astype(np.uint8)
    if picture.ndim == 2:
        return np.repeat(picture[..., None], 3, axis=2)
    return np.ascontiguousarray(picture[..., 2::-1])


def _comb(rng: np.random.Generator) -> Picture:
    """Teeth of a comb: a grating that means nothing."""
    picture = np.full((900, 1200, 3), int(rng.integers(90, 220)), np.uint8)
    pitch, teeth = rng.uniform(8, 40), int(rng.integers(15, 60))
    tone = tuple(int(v) for v in rng.integers(0, 90, 3))
    for k in range(teeth):
        x = 100 + k * pitch
        cv2.line(picture, (round(x), 300), (round(x), 600), tone, round(pitch / 2.5))
    cv2.rectangle(picture, (90, 240), (round(100 + teeth * pitch), 310), tone, -1)
    return picture


def _keys(rng: np.random.Generator) -> Picture:
    """A keyboard: rounded rectangles in rows."""
    picture = np.full((900, 1200, 3), int(rng.integers(20, 90)), np.uint8)
    size, tone = int(rng.integers(50, 110)), int(rng.integers(120, 250))
    for row in range(8):
        for column in range(20):
            x = int(column * size * 1.15 + 0.4 * size * (row % 3))
            y = int(row * size * 1.15)
            corner = (x + size, y + size)
            cv2.rectangle(picture, (x, y), corner, (tone, tone, tone), -1)
            place = (x + size // 4, y + size // 2)
            letter = chr(int(rng.integers(65, 91)))
            cv2.putText(picture, letter, place, 0, size / 60, (30, 30, 30), 2)
    return picture


def _somewhere(picture: Picture) -> FaceOutline:
    """A made-up face in the upper part, as large as faces are."""
    rows, columns = picture.shape[:2]
    x = np.linspace(0.15, 0.85, 60) * columns
    top = np.column_stack([x, np.full_like(x, 0.12 * rows)])
    back = top + [0, 0.09 * rows]
    corners = np.array([top[0], top[-1], back[-1], back[0]])
    mask = np.zeros((rows // 4, columns // 4), bool)
    return FaceOutline(mask, 4.0, top, back, corners, (False, False))


def main() -> None:
    """Look for every kind in every picture and count what is found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=8)
    rounds = parser.parse_args().rounds
    cv2.setNumThreads(1)
    found: dict[str, list[str]] = {wanted: [] for wanted in WANTED}
    count = 0
    for name, picture in pictures(rounds):
        count += 1
        origin = PhotoOrigin(Path(name), "", picture.shape[1], picture.shape[0])
        photo, face = Photo(picture, origin), _somewhere(picture)
        for wanted in WANTED:
            try:
                scale = find_scale(photo, face, Options((wanted,)))
            except WeldSectionError:
                continue
            sure = "" if scale.flags else " (no flag)"
            found[wanted].append(name + sure)
    for wanted, names in found.items():
        row = {"reference": wanted, "pictures": count, "found": len(names)}
        print(json.dumps({**row, "where": names}))


if __name__ == "__main__":
    main()
