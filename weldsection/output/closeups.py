"""Each bead larger, with its lines and without, to judge the lines by eye."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np

from weldsection.output.geometry import bead_lines, section_lines
from weldsection.output.strokes import (
    BLACK,
    PENS,
    WHITE,
    Pen,
    draw_disc,
    draw_line,
    draw_text,
)
from weldsection.records import (
    BeadResult,
    ByteArray,
    FloatArray,
    Photo,
    SectionResult,
    project,
)

_MOST_IN_A_ROW = 8
_WIDEST_PX = 600
_GUTTER_PX = 8
_HEIGHT_BY_WIDTH = 0.62
# Plate shown around a bead, beyond its lines.
_AROUND_MM = 0.8
# More than this shows the photo's pixels rather than the bead.
_LARGEST_ENLARGEMENT = 4.0


@dataclass(frozen=True, slots=True)
class _Tile:
    """A part of the photo that is shown larger."""

    corner_xy_px: FloatArray
    enlargement: float
    width: int
    height: int

    def on_tile(self, xy_px: FloatArray) -> FloatArray:
        """Give photo points in pixels of the tile."""
        return cast(FloatArray, (xy_px - self.corner_xy_px) * self.enlargement)

    def cut_from(self, photo: Photo) -> ByteArray:
        """Give the part of the photo, white beyond the photo's edge."""
        e, shift = self.enlargement, -self.corner_xy_px * self.enlargement
        matrix = np.array([[e, 0, shift[0]], [0, e, shift[1]]])
        way = cv2.INTER_CUBIC if e > 1 else cv2.INTER_LINEAR
        size = (self.width, self.height)
        shown = cv2.warpAffine(photo.bgr, matrix, size, flags=way, borderValue=WHITE)
        return np.asarray(shown, dtype=np.uint8)


def closeups(photo: Photo, result: SectionResult, width: int) -> ByteArray:
    """Give a strip as wide as asked with two close-ups of each bead.

    Below each one with its lines stands the same without any.
    """
    count = len(result.beads)
    if count == 0:
        return np.full((0, width, 3), 255, np.uint8)
    rows = math.ceil(count / _MOST_IN_A_ROW)
    in_a_row = math.ceil(count / rows)
    tile_width = min((width - _GUTTER_PX) // in_a_row - _GUTTER_PX, _WIDEST_PX)
    tile_height = round(tile_width * _HEIGHT_BY_WIDTH)
    row_height = 2 * tile_height + 2 * _GUTTER_PX
    strip = np.full((rows * row_height, width, 3), 255, np.uint8)
    for i, bead in enumerate(result.beads):
        tile = _tile_of(bead, result, tile_width, tile_height)
        plain = tile.cut_from(photo)
        marked = _marked(plain, tile, bead, result)
        x = _GUTTER_PX + (i % in_a_row) * (tile_width + _GUTTER_PX)
        y = (i // in_a_row) * row_height
        for shown, top in ((marked, y), (plain, y + tile_height + _GUTTER_PX)):
            strip[top : top + tile_height, x : x + tile_width] = shown
    return strip


def _tile_of(bead: BeadResult, result: SectionResult, width: int, height: int) -> _Tile:
    """Choose the part of the photo that holds a bead and its zone."""
    xy_px = np.vstack([line.xy_px for line in bead_lines(bead, result)])
    around = _AROUND_MM / bead.mm_per_px
    low, high = xy_px.min(axis=0) - around, xy_px.max(axis=0) + around
    fitting = min(width / (high[0] - low[0]), height / (high[1] - low[1]))
    enlargement = float(min(fitting, _LARGEST_ENLARGEMENT))
    corner = (low + high) / 2 - np.array([width, height]) / 2 / enlargement
    return _Tile(np.asarray(corner), enlargement, width, height)


def _marked(
    plain: ByteArray, tile: _Tile, bead: BeadResult, result: SectionResult
) -> ByteArray:
    """Draw the lines of a bead, its number and a scale bar on a copy."""
    marked = plain.copy()
    surface = section_lines(result)[0]
    for line in (surface, *bead_lines(bead, result)):
        draw_line(marked, tile.on_tile(line.xy_px), PENS[line.role])
    draw_disc(marked, np.array([24.0, 24.0]), 16, str(bead.number))
    _draw_one_mm(marked, tile, bead, result)
    return marked


def _draw_one_mm(
    marked: ByteArray, tile: _Tile, bead: BeadResult, result: SectionResult
) -> None:
    toe_mm = bead.trace.left_toe_xy_mm
    ends = project(result.mm_to_px, np.array([toe_mm, toe_mm + np.array([1.0, 0.0])]))
    length = tile.enlargement * float(np.hypot(*(ends[1] - ends[0])))
    right, bottom = tile.width - 12.0, tile.height - 12.0
    bar = np.array([[right - length, bottom], [right, bottom]])
    draw_line(marked, bar, Pen(WHITE, width_px=2, casing=BLACK))
    draw_text(marked, "1 mm", bar[0] + np.array([0.0, -8.0]), 0.45, halo=True)
