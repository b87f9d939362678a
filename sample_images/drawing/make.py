"""Draws the sample photos, or photos by seed; see `--help`."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from sample_images.drawing import scene
from sample_images.drawing.samples import samples

SIZES = {
    "0.6": (900, 675),
    "8": (3264, 2448),
    "12": (4000, 3000),
    "3": (2000, 1500),
    "1": (1200, 900),
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the photos that were asked for and name each file."""
    asked = _parser().parse_args(arguments)
    asked.out.mkdir(parents=True, exist_ok=True)
    for path, shot in _wanted(asked):
        scene.save(scene.draw(shot), path)
        sys.stdout.write(f"{path}\n")
    return 0


def _wanted(asked: argparse.Namespace) -> Iterator[tuple[Path, scene.Shot]]:
    """File and shot of every photo that was asked for."""
    if asked.samples:
        for sample in samples():
            yield asked.out / f"{sample.name}.jpg", sample.shot
    for seed in range(asked.first, asked.first + asked.count):
        shot = scene.random_shot(
            seed,
            tier=asked.tier,
            size_px=SIZES[asked.megapixels],
            unseen=asked.unseen,
        )
        mark = "unseen-" if asked.unseen else ""
        yield asked.out / f"{mark}{asked.tier}-{seed:05d}.jpg", shot


def _parser() -> argparse.ArgumentParser:
    """Options of the command."""
    parser = argparse.ArgumentParser(
        prog="python -m sample_images.drawing.make",
        description="Draw photos of etched weld coupons with their truth as JSON.",
        epilog="Example: python -m sample_images.drawing.make --tier phone "
        "--first 100 --count 5 --out drawn",
    )
    parser.add_argument(
        "--samples", action="store_true", help="the photos kept in sample_images/"
    )
    parser.add_argument("--tier", choices=scene.TIERS, default="phone")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--count", type=int, default=0, help="how many seeds")
    parser.add_argument("--megapixels", choices=sorted(SIZES), default="12")
    parser.add_argument(
        "--unseen", action="store_true", help="styles that training never draws"
    )
    parser.add_argument("--out", type=Path, default=Path("sample_images"))
    return parser


if __name__ == "__main__":
    raise SystemExit(main())
