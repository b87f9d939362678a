"""Find where the beads are on the plate."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import cv2
import numpy as np

from weldsection.errors import CouponError
from weldsection.records import BeadSite, ByteArray, Coupon, FloatArray
from weldsection.zones import Zone, log_odds

SMALLEST_WIDTH_MM = 1.8
SMALLEST_AREA_MM2 = 1.2
SURFACE_BAND_MM = 0.45  # weld metal must come this near the plate surface
NECK_SHARE = 0.6  # beads are parted where the metal is thinner than this share
NECK_SMOOTH_MM = 0.2
THIN_SHARE, ROOT_SHARE = 0.6, 0.75  # of what stands and reaches down on both sides
LOWEST_CROWN_MM = 0.5  # a lower crown than this does not tell beads apart
TOUCH_MM = 0.6
FARTHEST_TOE_MM = 1.5  # of a toe beyond the rough site of its bead


def find_beads(coupon: Coupon) -> tuple[BeadSite, ...]:
    """
    Find the beads of a coupon from left to right.

    A bead is connected weld metal at the plate surface, standing above it or
    ground flush; spatter has no weld metal of its own.

    Raises
    ------
    CouponError
        When no bead is found.
    """
    weld = _level(coupon, log_odds(coupon.zones, (Zone.WELD,)))
    mask = cv2.morphologyEx(
        (weld > 0).astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8)
    )
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
    spans = [span for part in _parts(mask, coupon) for span in _split(part, coupon)]
    if not spans:
        raise CouponError(
            "no bead was found on the etched face; check that the weld face is up "
            "and the etch shows the weld metal."
        )
    spans.sort()
    return tuple(_site(index, spans, coupon) for index in range(len(spans)))


def _level(coupon: Coupon, field: FloatArray) -> FloatArray:
    """Shift columns so that the plate surface lies on one row."""
    shift = coupon.surface.y_at(coupon.columns_x_mm) / coupon.grid_mm
    rows, columns = (np.arange(count)[:, None] for count in field.shape)
    map_x = np.repeat(columns.T.astype(np.float32), len(rows), axis=0)
    map_y = (rows + shift).astype(np.float32)
    return np.asarray(
        cv2.remap(
            np.asarray(field, dtype=np.float32),
            map_x,
            map_y,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


@dataclass(frozen=True, slots=True)
class _Part:
    """Connected weld metal: its extent above and below the plate surface."""

    above_mm: FloatArray
    """Of each grid column."""
    below_mm: FloatArray


def _parts(mask: ByteArray, coupon: Coupon) -> list[_Part]:
    """Connected weld metal large enough for a bead and at the plate surface."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    surface = int(coupon.row_of(0.0))
    band = round(SURFACE_BAND_MM / coupon.grid_mm)
    parts = []
    for label in range(1, count):
        area_mm2 = stats[label, cv2.CC_STAT_AREA] * coupon.grid_mm**2
        width_mm = stats[label, cv2.CC_STAT_WIDTH] * coupon.grid_mm
        if area_mm2 < SMALLEST_AREA_MM2 or width_mm < SMALLEST_WIDTH_MM:
            continue
        here = labels == label
        if not here[surface - band : surface + band + 1].any():
            continue
        above = here[:surface].sum(axis=0) * coupon.grid_mm
        below = here[surface:].sum(axis=0) * coupon.grid_mm
        parts.append(_Part(above, below))
    return parts


def _split(part: _Part, coupon: Coupon) -> list[tuple[float, float]]:
    """Part touching beads at the necks between them."""
    columns = np.flatnonzero(part.above_mm + part.below_mm > 0)
    first, last = int(columns[0]), int(columns[-1])
    cuts = {
        cut
        for extent in (part.above_mm, part.above_mm + part.below_mm)
        for cut in _necks(extent, first, last, coupon.grid_mm)
    }
    parting = [cut for cut in sorted(cuts) if _parts_metal(part, cut, coupon.grid_mm)]
    edges = [first, *_apart(parting, coupon.grid_mm), last + 1]
    spans = []
    for left, right in itertools.pairwise(edges):
        x = coupon.left_mm + coupon.grid_mm * np.array([left, right - 1])
        if x[1] - x[0] >= SMALLEST_WIDTH_MM:
            spans.append((float(x[0]), float(x[1])))
    return spans


def _parts_metal(part: _Part, cut: int, grid_mm: float) -> bool:
    """
    Whether a dip of the weld face parts two beads.

    Between two beads the metal is thin altogether, or the fusion is shallower
    than both roots; a crater in one bead lies over the middle of its only root.
    """
    thin = _share_at(part.above_mm + part.below_mm, cut, grid_mm) < THIN_SHARE
    return thin or _share_at(part.below_mm, cut, grid_mm) < ROOT_SHARE


def _share_at(extent_mm: FloatArray, cut: int, grid_mm: float) -> float:
    """Extent at a column against the lesser of the greatest ones on both sides."""
    smooth = _smoothed(extent_mm, grid_mm)
    sides = min(smooth[:cut].max(initial=0.0), smooth[cut:].max(initial=0.0))
    return float(smooth[cut] / max(sides, 1e-6))


def _apart(cuts: list[int], grid_mm: float) -> list[int]:
    """Keep one cut of several that mark the same neck."""
    kept: list[int] = []
    for cut in cuts:
        if not kept or (cut - kept[-1]) * grid_mm >= SMALLEST_WIDTH_MM:
            kept.append(cut)
    return kept


def _necks(extent: FloatArray, first: int, last: int, grid_mm: float) -> list[int]:
    """Columns where the metal is much thinner than on both sides."""
    smooth = _smoothed(extent, grid_mm)
    reach = round(1.2 / grid_mm)
    inner = np.arange(first + reach, last - reach)
    necks: list[int] = []
    if len(inner) < 3 or smooth.max() < LOWEST_CROWN_MM:
        return necks
    value = smooth[inner]
    low = (value <= smooth[inner - 1]) & (value < smooth[inner + 1])
    start = first
    for column in inner[low]:
        lower_side = min(smooth[start:column].max(), smooth[column : last + 1].max())
        deep_enough = lower_side > LOWEST_CROWN_MM
        if deep_enough and smooth[column] < NECK_SHARE * lower_side:
            necks.append(int(column))
            start = int(column)
    return necks


def _smoothed(extent_mm: FloatArray, grid_mm: float) -> FloatArray:
    """Extents of the columns, without the roughness of the grid."""
    row = extent_mm[None].astype(np.float64)
    return np.asarray(cv2.GaussianBlur(row, (0, 0), NECK_SMOOTH_MM / grid_mm)[0])


def _site(index: int, spans: list[tuple[float, float]], coupon: Coupon) -> BeadSite:
    left, right = spans[index]
    before = spans[index - 1][1] if index else -np.inf
    after = spans[index + 1][0] if index + 1 < len(spans) else np.inf
    return BeadSite(
        left_mm=left,
        right_mm=right,
        left_limit_mm=float(max((before + left) / 2, left - FARTHEST_TOE_MM)),
        right_limit_mm=float(min((after + right) / 2, right + FARTHEST_TOE_MM)),
        touches_left=left - before < TOUCH_MM,
        touches_right=after - right < TOUCH_MM,
        cut_off=left < 0.3 or right > coupon.length_mm - 0.3,
    )
