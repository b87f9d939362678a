"""Other ways to find the fusion line on the same crops, and our own with parts out.

Run from the top of the project::

    PYTHONPATH=. python tests/benchmarks/rivals.py --drawn 20 --tiers phone
    PYTHONPATH=. python tests/benchmarks/rivals.py --photos ../shared/photos

The other ways are general-purpose segmentations. They are given the true scale, the
true plate surface and a box around each true bead, and those that start from marks
are given the weld metal above the surface; ours is given the photo and the scale.
"""

from __future__ import annotations

import argparse
import dataclasses
import math
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from boundary import cases_of, errors, mm, parser, sort_out
from common import (
    Case,
    Points,
    counts,
    each,
    measure_true_scale,
    quantile,
    table,
    upright,
)
from numpy.typing import NDArray
from skimage.segmentation import (
    morphological_chan_vese,
    random_walker,
    watershed,
)

import weldsection.boundary.trace
import weldsection.grid
import weldsection.pipeline
from weldsection.boundary.evidence import Evidence
from weldsection.records import Coupon, Photo, project

Picture = NDArray[Any]
Mask = NDArray[np.bool_]

GRID_MM = 0.05  # as ours
ROUND_MM = 2.0  # of the crop around the box
ROOM = 0.25  # by which the box is larger than the bead, so that it does not tell it
LEAST_ROOM_MM = 0.4
SEED_INSIDE_MM = 0.2
SMOOTH_MM = 0.12


# -------------------------------------------------------------------- the crops


@dataclass(frozen=True, slots=True)
class Crop:
    """One bead on a grid of mm, its surface level on one row."""

    bgr: Picture
    box: tuple[int, int, int, int]
    """Columns and rows in which the bead lies: left, top, right, bottom."""
    surface_row: int
    weld_above: Mask
    """Weld metal above the plate surface, a little inside its outline."""
    air: Mask
    """What is above plate and bead, likewise."""
    penetration_mm: float

    @property
    def inside(self) -> Mask:
        """Give the box as a mask."""
        mask = np.zeros(self.bgr.shape[:2], bool)
        left, top, right, bottom = self.box
        mask[top:bottom, left:right] = True
        return mask

    @property
    def grey(self) -> Picture:
        """Give the grey picture, smoothed a little, 0 to 1."""
        grey = cv2.cvtColor(self.bgr, cv2.COLOR_BGR2GRAY).astype(np.float32) / 255
        return cv2.GaussianBlur(grey, (0, 0), SMOOTH_MM / GRID_MM)

    def depth_mm(self, weld: Mask) -> float:
        """Give the depth of the piece of weld metal that holds the bead's crown."""
        labels = cv2.connectedComponents(weld.astype(np.uint8), connectivity=4)[1]
        hit = labels[self.weld_above]
        hit = hit[hit > 0]
        if not len(hit):
            return 0.0
        rows = np.nonzero(labels == np.bincount(hit).argmax())[0]
        return max(0.0, float(rows.max() + 0.5 - self.surface_row) * GRID_MM)


def crops_of(case: Case) -> Iterator[Crop]:
    """Give a crop for each true bead that is whole in the picture."""
    photo = upright(case)
    to_mm = np.linalg.inv(np.array(case.truth["mm_to_px_upright"]))
    surface = project(to_mm, np.array(case.truth["surface_px"], float))
    surface = surface[np.argsort(surface[:, 0])]
    for bead in case.truth["beads"]:
        if counts(bead):
            yield crop_of(photo.bgr, to_mm, surface, bead)


def crop_of(
    bgr: Picture, to_mm: NDArray[np.float64], surface: Points, bead: dict[str, Any]
) -> Crop:
    """Cut one bead out, with the surface laid on one row."""

    def level(name: str) -> Points:
        line = project(to_mm, np.array(bead["outline_px"][name], float))
        height = np.interp(line[:, 0], surface[:, 0], surface[:, 1])
        return np.column_stack([line[:, 0], line[:, 1] - height])

    cap, fusion = level("cap"), level("fusion")
    both = np.vstack([cap, fusion])
    low, high = both.min(axis=0), both.max(axis=0)
    room = np.maximum(ROOM * (high - low), LEAST_ROOM_MM)
    corner = low - room - ROUND_MM
    size = np.ceil((high - low + 2 * (room + ROUND_MM)) / GRID_MM).astype(int)
    x = corner[0] + GRID_MM * np.arange(size[0])
    y = corner[1] + GRID_MM * np.arange(size[1])
    xx, yy = np.meshgrid(x, y)
    yy = yy + np.interp(xx, surface[:, 0], surface[:, 1])
    px = project(np.linalg.inv(to_mm), np.column_stack([xx.ravel(), yy.ravel()]))
    step = float(np.hypot(*(px[1] - px[0])))
    source = bgr
    if step > 1.2:
        source = cv2.GaussianBlur(bgr, (0, 0), 0.45 * math.sqrt(step**2 - 1))
    grid = px.reshape(*xx.shape, 2).astype(np.float32)
    part = cv2.remap(source, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR)
    edge = np.round((room + ROUND_MM - room) / GRID_MM).astype(int)
    surface_row = round(-corner[1] / GRID_MM)
    weld, air = marks((cap - corner) / GRID_MM, part.shape[:2], surface_row)
    return Crop(
        bgr=part,
        box=(
            int(edge[0]),
            int(edge[1]),
            int(size[0] - edge[0]),
            int(size[1] - edge[1]),
        ),
        surface_row=surface_row,
        weld_above=weld,
        air=air,
        penetration_mm=float(bead["penetration_mm"]),
    )


def marks(cap: Points, shape: tuple[int, int], surface_row: int) -> tuple[Mask, Mask]:
    """Give weld metal and air above the surface, both drawn in a little."""
    above = np.zeros(shape, np.uint8)
    cv2.fillPoly(above, [np.round(cap).astype(np.int32)], 1)
    air = 1 - above
    air[surface_row:] = 0
    size = 2 * round(SEED_INSIDE_MM / GRID_MM) + 1
    shrink = np.ones((size, size), np.uint8)
    weld = cv2.erode(above, shrink)
    if not weld.any():
        weld = above
    return weld > 0, cv2.erode(air, shrink) > 0


# --------------------------------------------------------------- the other ways


def grab_cut(crop: Crop) -> float:
    """OpenCV's GrabCut from the box."""
    left, top, right, bottom = crop.box
    mask = np.zeros(crop.bgr.shape[:2], np.uint8)
    models = np.zeros((1, 65)), np.zeros((1, 65))
    box = (left, top, right - left, bottom - top)
    cv2.setRNGSeed(1)
    cv2.grabCut(crop.bgr, mask, box, *models, 5, cv2.GC_INIT_WITH_RECT)
    return crop.depth_mm((mask == cv2.GC_FGD) | (mask == cv2.GC_PR_FGD))


def seeds(crop: Crop) -> NDArray[np.int32]:
    """Marks: 1 weld metal above the surface, 2 air and all outside the box."""
    labels = np.zeros(crop.bgr.shape[:2], np.int32)
    labels[~crop.inside | crop.air] = 2
    labels[crop.weld_above] = 1
    return labels


def walker(crop: Crop) -> float:
    """Random walker of scikit-image from marks."""
    labels = random_walker(crop.grey, seeds(crop), beta=130, mode="cg_j")
    return crop.depth_mm(labels == 1)


def flooded(crop: Crop) -> float:
    """Watershed of the gradient from the same marks."""
    grey = crop.grey
    slope = np.hypot(
        cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)
    )
    return crop.depth_mm(watershed(slope, seeds(crop)) == 1)


def chan_vese(crop: Crop) -> float:
    """Morphological Chan-Vese within the box, from half the box's height."""
    left, top, right, bottom = crop.box
    part = crop.grey[top:bottom, left:right]
    start = crop.weld_above[top:bottom, left:right].astype(np.int8)
    found = morphological_chan_vese(part, 80, init_level_set=start, smoothing=2)
    mask = np.zeros(crop.bgr.shape[:2], bool)
    mask[top:bottom, left:right] = found > 0
    return crop.depth_mm(mask)


def steepest(crop: Crop) -> float:
    """Steepest step of grey down each ray of a fan from above the bead."""
    left, _, right, bottom = crop.box
    grey = crop.grey
    toes = np.nonzero(crop.weld_above.any(axis=0))[0][[0, -1]]
    middle, half = toes.mean(), max(float(np.ptp(toes)) / 2, 10.0)
    x = np.linspace(*toes, max(24, int(np.ptp(toes)) // 2))
    across = np.column_stack([x - middle, np.full(len(x), 0.7 * half)])
    across /= np.hypot(*across.T)[:, None]
    reach = np.arange(2, (bottom - crop.surface_row) / across[:, 1].min(), 0.5)
    map_x = x[:, None] + reach * across[:, :1]
    map_y = crop.surface_row + reach * across[:, 1:]
    rays = cv2.remap(grey, map_x.astype(np.float32), map_y.astype(np.float32), 1)
    slope = np.abs(np.gradient(rays, axis=1))
    slope[(map_y > bottom) | (map_x < left) | (map_x > right)] = 0
    found = reach[slope.argmax(axis=1)]
    smooth = cv2.medianBlur(found[None].astype(np.float32), 5)[0]
    return max(0.0, float((smooth * across[:, 1]).max()) * GRID_MM)


RIVALS: dict[str, Callable[[Crop], float]] = {
    "GrabCut (OpenCV)": grab_cut,
    "random walker (scikit-image)": walker,
    "Chan-Vese, morphological (scikit-image)": chan_vese,
    "watershed from marks (scikit-image)": flooded,
    "steepest gradient on each ray": steepest,
}


@dataclass(frozen=True, slots=True)
class Result:
    """Errors in mm and time in s of one way on one photo."""

    name: str
    off_mm: tuple[float, ...]
    seconds: float


def rivals_on(case: Case) -> list[Result]:
    """Let every other way loose on the beads of one photo."""
    cv2.setNumThreads(1)
    crops = list(crops_of(case))
    results = []
    for name, way in RIVALS.items():
        start = time.perf_counter()
        off = tuple(way(crop) - crop.penetration_mm for crop in crops)
        results.append(Result(name, off, time.perf_counter() - start))
    return results


# ---------------------------------------------------------- our own, parts out


def no_second_boundary(coupon: Coupon) -> Evidence:
    """Weld metal against all else: nothing is known of a HAZ edge."""
    found = weldsection.boundary.evidence.gather_evidence(coupon)
    rest = np.logaddexp(found.haz, found.base)
    return dataclasses.replace(found, haz=rest, base=rest)


def outermost_boundary(coupon: Coupon) -> Evidence:
    """Plate against all that was changed by heat: the most visible line."""
    found = weldsection.boundary.evidence.gather_evidence(coupon)
    changed = np.logaddexp(found.weld, found.haz)
    return dataclasses.replace(found, weld=changed, haz=found.base)


def grey_only(coupon: Coupon) -> Evidence:
    """Grey learned from this photo alone: normal distributions of three zones."""
    grey = cv2.cvtColor(coupon.bgr, cv2.COLOR_BGR2GRAY).astype(np.float32)
    grey = cv2.GaussianBlur(grey, (0, 0), SMOOTH_MM / GRID_MM)
    sure = coupon.zones.astype(np.float32) > math.log(0.97)
    scores = []
    for zone in (3, 2, 1):
        values = grey[sure[zone]] if sure[zone].sum() > 100 else grey
        centre, spread = (
            np.median(values),
            1.4826 * np.median(np.abs(values - np.median(values))),
        )
        spread = max(float(spread), 2.0)
        scores.append(-0.5 * ((grey - centre) / spread) ** 2 - math.log(spread))
    weld, haz, base = (
        np.clip(score - np.max(scores, axis=0), -4, 0) for score in scores
    )
    outside = no_plate(coupon)
    weld[outside], haz[outside], base[outside] = -4, -4, 0
    return Evidence(weld=weld, haz=haz, base=base)


def no_plate(coupon: Coupon) -> Mask:
    """Where the background is, with a margin: the plate's own edge is no boundary."""
    outside = (coupon.zones[0].astype(np.float32) > math.log(0.5)).astype(np.uint8)
    return cv2.dilate(outside, np.ones((9, 9), np.uint8)) > 0


def gradient_only(coupon: Coupon) -> Evidence:
    """Nothing but how steep the grey is: `by_steepness` reads it from `weld`."""
    grey = cv2.cvtColor(coupon.bgr, cv2.COLOR_BGR2GRAY).astype(np.float32)
    grey = cv2.GaussianBlur(grey, (0, 0), SMOOTH_MM / GRID_MM)
    slope = np.hypot(
        cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)
    )
    slope /= np.percentile(slope, 90)
    slope[no_plate(coupon)] = 0
    none = np.zeros_like(slope)
    return Evidence(weld=np.minimum(slope, 3), haz=none, base=none)


def by_steepness(
    weld: Points, haz: Points, base: Points, widths: Points
) -> NDArray[np.float64]:
    """Score both lines by the steepness where they lie, and nothing else."""
    steps = weld.shape[1]
    end = np.minimum(np.arange(steps)[:, None] + widths.astype(int), steps - 1)
    return np.asarray(20 * (weld[:, :, None] + weld[:, end]))


def first_look_only(photo: Photo, coupon: Coupon, traces: list[Any]) -> list[Any]:
    """Leave the lines as the grid shows them."""
    return traces


def grid_surface(photo: Photo, coupon: Coupon, traces: list[Any]) -> Coupon:
    """Leave the plate surface as the grid shows it."""
    return coupon


def without_texture(bgr: Picture) -> NDArray[np.float32]:
    """Zones of a picture made grey and smooth; the networks stay as trained."""
    grey = cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)
    grey = cv2.GaussianBlur(grey, (0, 0), 2 * SMOOTH_MM / GRID_MM)
    zones = weldsection.zones.strip_zones(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR))
    return np.asarray(zones)


@contextmanager
def replaced(*changes: tuple[Any, str, Any]) -> Iterator[None]:
    """Put other functions in the place of ours for a while."""
    before = [(module, name, getattr(module, name)) for module, name, _ in changes]
    try:
        for module, name, value in changes:
            setattr(module, name, value)
        yield
    finally:
        for module, name, value in before:
            setattr(module, name, value)


PIPELINE, TRACE = weldsection.pipeline, weldsection.boundary.trace
PARTS: dict[str, tuple[tuple[Any, str, Any], ...]] = {
    "ours": (),
    "… without the second look": (
        (PIPELINE, "look_closer", first_look_only),
        (PIPELINE, "with_closer_surface", grid_surface),
    ),
    "… without it at the plate surface": (
        (PIPELINE, "with_closer_surface", grid_surface),
    ),
    "… without colour and texture": (
        (weldsection.grid, "strip_zones", without_texture),
    ),
    "… without the second boundary": (
        (PIPELINE, "gather_evidence", no_second_boundary),
    ),
    "… grey of this photo instead of the network": (
        (PIPELINE, "gather_evidence", grey_only),
    ),
    "… steepness of grey instead of the network": (
        (PIPELINE, "gather_evidence", gradient_only),
        (TRACE, "score_states", by_steepness),
    ),
    "… outermost line instead of the inner one": (
        (PIPELINE, "gather_evidence", outermost_boundary),
    ),
}


def ours_on(case: Case) -> list[Result]:
    """Measure one photo with all our parts, and with each of them out."""
    results = []
    for name, changes in PARTS.items():
        with replaced(*changes):
            outcome = measure_true_scale(case)
        off = errors(sort_out(outcome.readings)[0], "penetration_mm")
        results.append(Result(name, tuple(off), outcome.seconds))
    return results


def everything_on(case: Case) -> list[Result]:
    """Ours and the others on one photo."""
    return [*ours_on(case), *rivals_on(case)]


# --------------------------------------------------------------------- the table


def lines_of(results: Sequence[Result]) -> list[list[str]]:
    """Give a line for each way: how wrong and how slow."""
    lines = []
    best = math.nan
    for name in dict.fromkeys(result.name for result in results):
        here = [result for result in results if result.name == name]
        off = np.array([value for result in here for value in result.off_mm])
        p95 = quantile(off, 0.95)
        best = p95 if name == "ours" else best
        seconds = sum(result.seconds for result in here) / max(len(off), 1)
        lines.append(
            [name, str(len(off)), mm(quantile(off, 0.5)), mm(p95), f"{p95 / best:.1f}",
             f"{np.median(off):+.3f}", f"{1000 * seconds:.0f}"]
        )  # fmt: skip
    return lines


def main() -> None:
    """Run all ways on the photos asked for and print the table."""
    made: argparse.ArgumentParser = parser()
    made.description = __doc__
    asked = made.parse_args()
    results = [
        result
        for found in each(everything_on, cases_of(asked), asked.jobs)
        for result in found
    ]
    names = ["way", "beads", "penetration error, mm: median", "p95",
             "p95 / ours", "middle of errors", "ms for a bead"]  # fmt: skip
    sys.stdout.write(table(names, lines_of(results)) + "\n")


if __name__ == "__main__":
    main()
