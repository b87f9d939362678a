"""Draw pictures to train on into a folder, by many processes, until stopped.

Each process writes its pictures over its oldest ones, so that the folder keeps
its size and what is in it is always new. Seeds never repeat.

``python -m sample_images.training.draw --pool DIR --workers 16 --keep 400``
"""

import argparse
import os
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np

from sample_images.drawing import closeups, crops

FIRST_SEED = 1_000_000  # the benchmark's and the held-out seeds lie below
LAST_SEED = 6_999_999  # and above


def draw_forever(pool: Path, kinds: tuple[str, ...], worker: int, step: int) -> None:
    """Draw one coupon after another, with all pictures made from it."""
    cv2.setNumThreads(1)
    keep = int(os.environ["WELDSECTION_KEEP"])
    for index, seed in enumerate(range(FIRST_SEED + worker, LAST_SEED, step)):
        name = f"{worker:03d}-{index % keep:05d}.npy"
        try:
            made = pictures(seed, kinds)
        except (ValueError, IndexError, FloatingPointError, cv2.error) as error:
            print(f"seed {seed}: {error!r}", flush=True)
            continue
        for kind, parts in made.items():
            for part, array in parts.items():
                save(pool / kind / part / name, array)


def pictures(seed: int, kinds: tuple[str, ...]) -> dict[str, dict[str, np.ndarray]]:
    """Give the pictures and truths of one seed by kind of network."""
    made: dict[str, dict[str, np.ndarray]] = {}
    if "view" in kinds:
        rgb, labels = crops.training_view(seed)
        made["view"] = {"zones": np.dstack([rgb, labels.astype(np.uint8)])}
    if set(kinds) - {"view"}:
        photo = crops.photographed(seed)
        lines, caps, toes = [], [], []
        for bead in photo.section.beads:
            if not inside(photo, bead):
                continue
            for _ in range(2):
                for kind, found, line, course in (
                    ("line", lines, bead.fusion_xy_mm, closeups.likely_course),
                    ("cap", caps, bead.cap_xy_mm[::-1], closeups.likely_face),
                ):
                    if kind not in kinds:
                        continue
                    laid = course(bead, photo.rng)
                    close = closeups.line_close_up(photo, line, laid)
                    if close is not None:
                        found.append(close)
            for right in (False, True) if "toe" in kinds else ():
                toes.append(closeups.toe_close_up(photo, bead, right=right))
        if "strip" in kinds:
            rgb, labels = crops.on_grid(photo)
            made["strip"] = {"zones": np.dstack([rgb, labels.astype(np.uint8)])}
        for kind, found in (("line", lines), ("cap", caps), ("toe", toes)):
            if found:
                made[kind] = {
                    "pictures": np.stack([picture for picture, _ in found]),
                    "truths": np.stack([truth for _, truth in found]),
                }
    return made


def inside(photo: crops.Photographed, bead) -> bool:
    """Say whether the bead is whole: not cut by the coupon's end."""
    start, end = bead.span_mm
    return start > 0.2 and end < photo.section.plate.length_mm - 0.2


def save(path: Path, array: np.ndarray) -> None:
    """Write whole or not at all, whoever is reading the file meanwhile."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(".part")
    with part.open("wb") as file:
        np.save(file, array)
    part.replace(path)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pool", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=int, default=400, help="coupons a worker keeps")
    parser.add_argument("--kinds", default="strip,line,cap,toe")
    asked = parser.parse_args()
    os.environ["WELDSECTION_KEEP"] = str(asked.keep)
    context = get_context("spawn")
    crew = [
        context.Process(
            target=draw_forever,
            args=(asked.pool, tuple(asked.kinds.split(",")), worker, asked.workers),
        )
        for worker in range(asked.workers)
    ]
    for one in crew:
        one.start()
    for one in crew:
        one.join()
