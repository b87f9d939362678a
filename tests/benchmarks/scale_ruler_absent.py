"""Is a rule ever "found" where there is none?

``python tests/benchmarks/scale_ruler_absent.py`` from the top folder tries bench
tops, drawn things that repeat evenly, and the pictures that come with
scikit-image, and prints every false find.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
import skimage
from numpy.typing import NDArray

from sample_images.drawing import bench, camera, noise
from weldsection.errors import ScaleError
from weldsection.records import Photo, PhotoOrigin
from weldsection.scale.ruler import find_ruler

Field = NDArray[np.float32]
Rng = np.random.Generator
SIZE = (1200, 1600)


def _bars(canvas: Field, boxes: list[tuple[float, ...]], grey: float) -> None:
    """Boxes (x, y, width, height) in px."""
    for x, y, width, height in boxes:
        corner = (round(x), round(y)), (round(x + width), round(y + height))
        cv2.rectangle(canvas, *corner, (grey,) * 3, -1)


def keyboard(rng: Rng) -> Field:
    """Rows of keys, each a little to the side of the one above."""
    canvas = np.full((*SIZE, 3), rng.uniform(0.05, 0.3), np.float32)
    key = rng.uniform(35, 90)
    grey = rng.uniform(0.5, 0.9)
    for row in range(6):
        x0 = 100 + row * key / 3
        boxes = [
            (x0 + i * key, 200 + row * key, 0.85 * key, 0.85 * key) for i in range(14)
        ]
        _bars(canvas, boxes, grey)
        for i, (x, y, _, _) in enumerate(boxes):
            _letter(canvas, chr(65 + (7 * i + row) % 26), (x, y), 0.5 * key)
    return canvas


def piano(rng: Rng) -> Field:
    """White and black keys: two lengths in a repeating order."""
    canvas = np.full((*SIZE, 3), 0.25, np.float32)
    key = rng.uniform(24, 60)
    count = int(1400 / key)
    _bars(canvas, [(100 + i * key, 400, key - 2, 7 * key) for i in range(count)], 0.92)
    black = [i for i in range(count - 1) if i % 7 not in (2, 6)]
    _bars(
        canvas, [(100 + (i + 0.7) * key, 400, 0.6 * key, 4 * key) for i in black], 0.05
    )
    return canvas


def comb(rng: Rng) -> Field:
    """Even teeth on a back."""
    canvas = np.full((*SIZE, 3), rng.uniform(0.6, 0.9), np.float32)
    pitch = rng.uniform(8, 30)
    _bars(canvas, [(100, 300, 1300, 90)], 0.1)
    teeth = [(100 + i * pitch, 390, 0.5 * pitch, 260) for i in range(int(1300 / pitch))]
    _bars(canvas, teeth, 0.1)
    return canvas


def saw(rng: Rng) -> Field:
    """A blade with triangular teeth."""
    canvas = np.full((*SIZE, 3), 0.35, np.float32)
    pitch = rng.uniform(10, 40)
    for i in range(int(1300 / pitch)):
        x = 100 + i * pitch
        tooth = np.array([[x, 500], [x + pitch, 500], [x, 500 + 0.9 * pitch]])
        cv2.fillPoly(canvas, [tooth.astype(np.int32)], (0.75,) * 3, cv2.LINE_AA)
    _bars(canvas, [(100, 380, 1300, 120)], 0.75)
    return canvas


def thread(rng: Rng) -> Field:
    """A bolt: flanks of a thread, bright and dark in turn."""
    canvas = np.full((*SIZE, 3), 0.6, np.float32)
    pitch = rng.uniform(10, 40)
    x = np.arange(1300)
    wave = (0.45 + 0.35 * np.sin(2 * np.pi * x / pitch)).astype(np.float32)
    canvas[500:700, 100:1400] = wave[None, :, None]
    return canvas


def squared_paper(rng: Rng) -> Field:
    """Millimetre paper with heavier lines every 5 and 10."""
    canvas = np.full((*SIZE, 3), 0.95, np.float32)
    step = rng.uniform(6, 24)
    colour = rng.uniform(0.3, 0.7, 3).tolist()
    heavy = ((1, 1), (5, 2), (10, 3)) if rng.random() < 0.7 else ((1, 1),)
    for every, width in heavy:
        for i in range(0, int(1600 / step), every):
            at = round(i * step)
            cv2.line(canvas, (at, 0), (at, SIZE[0]), colour, width)
            cv2.line(canvas, (0, at), (SIZE[1], at), colour, width)
    if rng.random() < 0.5:
        # a sheet that ends: its lines begin on one line
        canvas[: int(rng.uniform(100, 500))] = 0.4
    return canvas


def print_lines(rng: Rng) -> Field:
    """Lines of printed text."""
    canvas = np.full((*SIZE, 3), 0.93, np.float32)
    height = rng.uniform(14, 60)
    letters = "the plate was cut ground and etched iiii llll 1111 tilt MAG 135 S235 "
    for row in range(int(1150 / (1.7 * height))):
        start = int(rng.integers(len(letters)))
        text = (letters[start:] + letters * 4)[: int(1400 / (0.6 * height))]
        _letter(canvas, text, (60, row * 1.7 * height + 20), height)
    return canvas


def bar_code(rng: Rng) -> Field:
    """Bars of four widths on a grid, some of them longer."""
    canvas = np.full((*SIZE, 3), 0.9, np.float32)
    module = rng.uniform(4, 12)
    x = 150.0
    while x < 1350:
        width = module * int(rng.integers(1, 5))
        long = 40 if rng.random() < 0.1 else 0
        _bars(canvas, [(x, 400, width, 300 + long)], 0.08)
        x += width + module * int(rng.integers(1, 5))
    return canvas


def bricks(rng: Rng) -> Field:
    """A wall."""
    canvas = np.full((*SIZE, 3), (0.6, 0.62, 0.65), np.float32)
    high = rng.uniform(30, 90)
    long = high * rng.uniform(2, 3.5)
    for row in range(int(1200 / high) + 1):
        for i in range(-1, int(1600 / long) + 1):
            x = (i + 0.5 * (row % 2)) * long
            _bars(
                canvas, [(x, row * high, long - 6, high - 6)], rng.uniform(0.25, 0.45)
            )
    return canvas


def fence(rng: Rng) -> Field:
    """Slats of random lengths, evenly spaced."""
    canvas = np.full((*SIZE, 3), 0.8, np.float32)
    pitch = rng.uniform(12, 40)
    slats = [
        (100 + i * pitch, 400, 0.3 * pitch, rng.uniform(40, 240))
        for i in range(int(1300 / pitch))
    ]
    _bars(canvas, slats, 0.15)
    return canvas


def scale_bars(rng: Rng) -> Field:
    """A bar diagram with a few ticks on its axis."""
    canvas = np.full((*SIZE, 3), 0.97, np.float32)
    cv2.line(canvas, (150, 900), (1450, 900), (0.1,) * 3, 3)
    step = rng.uniform(60, 150)
    for i in range(int(1250 / step)):
        at = round(150 + i * step)
        cv2.line(canvas, (at, 900), (at, 915), (0.1,) * 3, 3)
        _bars(canvas, [(at + 10, 900 - rng.uniform(50, 600), step - 20, 0)], 0.3)
    return canvas


def _letter(canvas: Field, text: str, corner: tuple[float, float], high: float) -> None:
    ink = np.zeros(canvas.shape[:2], np.uint8)
    at = (round(corner[0] + 3), round(corner[1] + high))
    thick = max(1, round(high / 9))
    cv2.putText(ink, text, at, cv2.FONT_HERSHEY_SIMPLEX, high / 28, 255, thick, 16)
    canvas *= 1 - 0.85 * ink[..., None].astype(np.float32) / 255


THINGS: tuple[Callable[[Rng], Field], ...] = (
    keyboard,
    piano,
    comb,
    saw,
    thread,
    squared_paper,
    print_lines,
    bar_code,
    bricks,
    fence,
    scale_bars,
)


def pictures(count: int) -> Iterator[tuple[str, NDArray[np.uint8]]]:
    """Names and pictures (blue, green, red) without a rule in them."""
    folder = Path(skimage.__file__).parent / "data"
    for path in sorted(folder.glob("*.*g")):
        picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
        if picture is not None:
            yield path.name, np.asarray(picture, dtype=np.uint8)
    for seed in range(count):
        rng = np.random.default_rng([7, seed])
        if seed % 3 == 0:
            names = list(bench.BENCHES)
            name = names[seed // 3 % len(names)]
            field = bench.paint_bench(name, rng, SIZE, rng.uniform(5, 40), clutter=0.6)
        else:
            thing = THINGS[seed % len(THINGS)]
            name, field = thing.__name__, thing(rng)
            field *= 1 + 0.03 * noise.smooth(rng, SIZE, 40.0)[..., None]
        yield f"{name} {seed}", _photographed(rng, np.clip(field, 0, 1))


def _photographed(rng: Rng, field: Field) -> NDArray[np.uint8]:
    """Turned, tilted, blurred and saved as JPEG."""
    rows, columns = field.shape[:2]
    pose = camera.stand(
        (columns, rows),
        aim_xy_mm=(columns / 2, rows / 2),
        aim_px=(columns / 2, rows / 2),
        px_per_mm=float(rng.uniform(0.9, 1.3)),
        distance_mm=1600.0,
        tilt_deg=(float(rng.normal(0, 5)), float(rng.normal(0, 5))),
        roll_deg=float(rng.uniform(0, 360)) if rng.random() < 0.5 else 0.0,
    )
    seen = cv2.warpPerspective(
        field, pose.to_pixels, (columns, rows), borderMode=cv2.BORDER_REFLECT
    )
    sensor = camera.Sensor(defocus_px=float(rng.uniform(0.4, 1.4)), jpeg_quality=75)
    rgb = camera.jpeg(camera.expose(seen, sensor, rng), sensor.jpeg_quality)
    return np.ascontiguousarray(rgb[..., ::-1])


def false_find(picture: NDArray[np.uint8], graduation: str | None = None) -> str:
    """What is "found" in a picture without a rule; empty when nothing is."""
    rows, columns = picture.shape[:2]
    photo = Photo(picture, PhotoOrigin(Path("drawn.jpg"), "0" * 64, columns, rows))
    try:
        found = find_ruler(photo, None, graduation=graduation)
    except ScaleError as asked:
        return str(asked)
    return "" if found is None else found.finding


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=220, help="drawn pictures")
    tried = wrong = 0
    for label, shown in pictures(parser.parse_args().count):
        tried += 1
        if finding := false_find(shown):
            wrong += 1
            print(f"  {label}: {finding}")
    print(f"{tried} pictures without a rule, {wrong} false finds")
