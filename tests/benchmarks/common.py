"""Photos with known truth, and what the program reads from them.

Shared by the benchmarks `boundary`, `rivals` and `repeatability`.
"""

from __future__ import annotations

import json
import math
import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

import weldsection.pipeline
from weldsection.errors import WeldSectionError
from weldsection.photo import read_photo
from weldsection.records import (
    FaceOutline,
    Options,
    Photo,
    Scale,
    ScaleReference,
    ScaleSource,
    SectionResult,
    project,
)

Points = NDArray[np.float64]
Truth = dict[str, Any]
T = TypeVar("T")
R = TypeVar("R")

TRUE_SCALE_U = 0.001  # relative, so that the stated uncertainty is not zero
LEAST_OVERLAP = 0.25  # of two beads' spans, for a row to speak of that bead
SIZES = {"3": (2000, 1500), "8": (3264, 2448), "12": (4000, 3000)}
FLOAT = dict[str, float]


@dataclass(frozen=True, slots=True)
class Case:
    """One photo and its truth."""

    path: Path
    truth: Truth

    @property
    def tier(self) -> str:
        """Give the tier: clean, phone or hard."""
        return str(self.truth.get("tier") or self.path.name.split("-")[0])


@dataclass(frozen=True, slots=True)
class Reading:
    """One true bead and the row that speaks of it, if any.

    A row that speaks of no bead has an empty truth, and is false.
    """

    photo: str
    tier: str
    truth: Truth
    row: dict[str, Any] | None
    counts: bool = True
    """Whether the bead is wholly in the picture, so that it ought to be found."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one photo."""

    photo: str
    tier: str
    readings: tuple[Reading, ...]
    seconds: float
    error: str = ""
    quality: FLOAT = field(default_factory=dict)


# ---------------------------------------------------------------------- photos


def photos_in(folder: Path) -> list[Case]:
    """Give every photo of a folder that has its truth beside it."""
    return [
        Case(path, json.loads(path.with_suffix(".json").read_text("utf-8")))
        for path in sorted(folder.glob("*.jpg"))
        if path.with_suffix(".json").exists()
    ]


@dataclass(frozen=True, slots=True)
class Wanted:
    """One drawn photo that is wanted in the folder of drawn photos."""

    folder: Path
    tier: str
    seed: int
    size: str = "8"
    unseen: bool = False

    @property
    def path(self) -> Path:
        """Give the file's name, as `sample_images.drawing.make` gives it."""
        mark = "unseen-" if self.unseen else ""
        return self.folder / f"{mark}{self.tier}-{self.seed:05d}.jpg"


def drawn(wanted: Sequence[Wanted], jobs: int) -> list[Case]:
    """Give drawn photos; those that are not in the folder yet are drawn."""
    missing = [one for one in wanted if not one.path.with_suffix(".json").exists()]
    for _ in each(draw_one, missing, jobs):
        pass
    return [
        Case(one.path, json.loads(one.path.with_suffix(".json").read_text("utf-8")))
        for one in wanted
    ]


def draw_one(wanted: Wanted) -> None:
    """Draw one photo into its folder."""
    from sample_images.drawing import scene  # noqa: PLC0415 - slow to load

    wanted.folder.mkdir(parents=True, exist_ok=True)
    shot = scene.random_shot(
        wanted.seed,
        tier=wanted.tier,
        size_px=SIZES[wanted.size],
        unseen=wanted.unseen,
    )
    scene.save(scene.draw(shot), wanted.path)


def each(work: Callable[[T], R], items: Sequence[T], jobs: int) -> Iterator[R]:
    """Give the work's result for each item in order, by several processes."""
    if jobs <= 1 or len(items) < 2:
        yield from map(work, items)
        return
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[name] = "1"
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        yield from pool.map(work, items)


# ------------------------------------------------------------------- measuring


def measure(case: Case, *, true_scale: bool = False) -> Outcome:
    """Measure a photo with its reference, or with the scale of the truth."""
    cv2.setNumThreads(1)
    before = weldsection.pipeline.find_scale
    if true_scale:
        weldsection.pipeline.find_scale = lambda _, face, *__: scale_of(case, face)
    start = time.perf_counter()
    try:
        reference = str(case.truth.get("reference_option") or "auto")
        photo = read_photo(case.path)
        result = weldsection.pipeline.measure_section(
            photo, Options(references=(reference,))
        )
    except WeldSectionError as error:
        seconds = time.perf_counter() - start
        nothing = tuple(_missed(case, bead) for bead in case.truth["beads"])
        return Outcome(case.path.name, case.tier, nothing, seconds, str(error))
    finally:
        weldsection.pipeline.find_scale = before
    seconds = time.perf_counter() - start
    quality = {"px_per_mm": result.quality.px_per_mm, "blur_mm": result.quality.blur_mm}
    return Outcome(
        case.path.name,
        case.tier,
        tuple(matched(case, result)),
        seconds,
        quality=quality,
    )


def measure_as_asked(case: Case) -> Outcome:
    """Measure with the reference a user would name."""
    return measure(case)


def measure_true_scale(case: Case) -> Outcome:
    """Measure with the scale of the truth."""
    return measure(case, true_scale=True)


def scale_of(case: Case, face: FaceOutline) -> Scale:
    """Give the true scale of the face, as if a perfect reference had told it."""
    homography = np.linalg.inv(np.array(case.truth["mm_to_px_upright"]))
    homography /= homography[2, 2]
    sources = (ScaleSource.constant("graduation", TRUE_SCALE_U),)
    reference = ScaleReference(
        kind="points",
        homography=homography,
        centre_xy_px=face.centre_xy_px,
        sources=sources,
        outline_xy_px=np.zeros((0, 2)),
        finding="The truth.",
        shows_tilt=True,
    )
    return Scale(homography, face.centre_xy_px, sources, (reference,))


def upright(case: Case) -> Photo:
    """Read the photo of a case."""
    return read_photo(case.path)


# -------------------------------------------------------------------- matching


def matched(case: Case, result: SectionResult) -> Iterator[Reading]:
    """Pair rows with true beads by how far their spans overlap in the picture."""
    beads = case.truth["beads"]
    to_mm = np.linalg.inv(np.array(case.truth["mm_to_px_upright"]))
    spans = np.array([span_mm(bead, to_mm) for bead in beads]).reshape(-1, 2)
    seen = [
        project(
            to_mm @ result.mm_to_px,
            np.array([bead.trace.left_toe_xy_mm, bead.trace.right_toe_xy_mm]),
        )[:, 0]
        for bead in result.beads
    ]
    rows = result.rows()
    share = overlap(np.array(seen).reshape(-1, 2), spans)
    pairs = {
        int(bead): int(row)
        for row, bead in zip(*linear_sum_assignment(-share), strict=True)
        if share[row, bead] >= LEAST_OVERLAP
    }
    for index, bead in enumerate(beads):
        row = rows[pairs[index]] if index in pairs else None
        yield Reading(case.path.name, case.tier, plain(bead), row, counts(bead))
    for index, row in enumerate(rows):
        if index not in pairs.values():
            yield Reading(case.path.name, case.tier, {}, row)


def span_mm(bead: Truth, to_mm: NDArray[np.float64]) -> Points:
    """Give x of a true bead's toes in mm of the face."""
    ends = np.array(bead["outline_px"]["cap"], float)[[0, -1]]
    return np.sort(project(to_mm, ends)[:, 0])


def overlap(one: Points, other: Points) -> Points:
    """Give the common part of each pair of spans over their joint length."""
    low = np.maximum(one[:, None, 0], other[None, :, 0])
    high = np.minimum(one[:, None, 1], other[None, :, 1])
    joint = np.maximum(one[:, None, 1], other[None, :, 1]) - np.minimum(
        one[:, None, 0], other[None, :, 0]
    )
    return np.maximum(high - low, 0) / np.maximum(joint, 1e-9)


def counts(bead: Truth) -> bool:
    """Say whether a bead is whole in the picture and has a truth."""
    return bool(bead.get("in_picture", True)) and bead["penetration_mm"] is not None


def plain(bead: Truth) -> Truth:
    """Give a bead's quantities without its outlines."""
    return {key: value for key, value in bead.items() if key != "outline_px"}


def _missed(case: Case, bead: Truth) -> Reading:
    return Reading(case.path.name, case.tier, plain(bead), None, counts(bead))


# ------------------------------------------------------------------- arithmetic


def quantile(values: Iterable[float], share: float) -> float:
    """Give a quantile of absolute values; NaN of none."""
    listed = np.abs(np.array(list(values), float))
    return float(np.quantile(listed, share)) if len(listed) else math.nan


def mean(values: Iterable[float]) -> float:
    """Give a mean; NaN of none."""
    listed = np.array(list(values), float)
    return float(listed.mean()) if len(listed) else math.nan


def table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Write a table for the manual."""
    lines = [header, ["---"] * len(header), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)
