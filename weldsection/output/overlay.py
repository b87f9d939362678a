"""The photo with the measured lines drawn on it.

What is drawn is the geometry that was measured, nothing is traced anew. Values
stand on white strips beside the photo, and every traced edge lies between two
thin lines, a coloured and a black one, so that it can still be judged.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np

from weldsection.output.closeups import closeups
from weldsection.output.geometry import (
    SectionLine,
    dimensions,
    section_lines,
    surface_on_plate,
)
from weldsection.output.layout import rows_needed, spread
from weldsection.output.strokes import (
    DARK,
    PENS,
    PLUS_MINUS,
    WHITE,
    YELLOW,
    Pen,
    draw_dimension,
    draw_disc,
    draw_letter,
    draw_line,
    draw_marker,
    draw_text,
    plain_letters,
    text_size,
)
from weldsection.output.table import explained_flags
from weldsection.quantities import QUANTITIES
from weldsection.records import (
    BeadResult,
    ByteArray,
    FloatArray,
    Photo,
    SectionResult,
    project,
)
from weldsection.scale.request import taken_level

# Long side of the part of the photo that is shown: fills a screen, prints on A4.
LONG_SIDE_PX = 2400
# A small photo is enlarged at most this much, or its pixels get in the way.
_LARGEST_ENLARGEMENT = 3.0
_JPEG_QUALITY = 88
# Narrower than this the legend and the sentences would be cut off.
_NARROWEST_SHEET_PX = 1300
# Room left around the coupon and above its highest bead, in px of the picture.
_MARGIN_PX, _HEADROOM_PX = 60.0, 110.0

_DIMENSION = Pen(WHITE)
# A letter beside a dimension must stay this far from every traced edge.
_LETTER_CLEAR_PX = 17.0
_LABELLED = ("penetration", "width", "reinforcement", "dilution")
_LEGEND_SAMPLE_PX = 64


@dataclass(frozen=True, slots=True)
class _View:
    """The part of the photo that is shown, and where on the picture it is."""

    left_px: int
    top_px: int
    right_px: int
    bottom_px: int
    enlargement: float
    header: int = 0
    """Height of the strip above, in pixels of the picture."""

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the part shown, in pixels of the picture."""
        width = round((self.right_px - self.left_px) * self.enlargement)
        return width, round((self.bottom_px - self.top_px) * self.enlargement)

    @property
    def sheet_width(self) -> int:
        """Width of the whole picture, in its pixels."""
        return max(self.size[0], _NARROWEST_SHEET_PX)

    def on_picture(self, xy_px: FloatArray) -> FloatArray:
        """Give photo points in pixels of the picture; centres on integers."""
        corner = np.array([self.left_px, self.top_px])
        shown = (xy_px - corner + 0.5) * self.enlargement - 0.5
        return cast(FloatArray, shown + np.array([0, self.header]))


def overlay_jpeg(photo: Photo, result: SectionResult) -> bytes:
    """Give the annotated picture as the content of a JPEG file."""
    picture = draw_overlay(photo, result)
    quality = [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY]
    _, coded = cv2.imencode(".jpg", picture, quality)
    return coded.tobytes()


def draw_overlay(photo: Photo, result: SectionResult) -> ByteArray:
    """Draw everything measured on one photo onto a copy of it.

    Returns
    -------
    ByteArray
        ``(rows, columns, 3)``, blue-green-red: a strip with the values of each
        bead, the coupon with its lines, and a strip with legend and scale bar.
    """
    lines = section_lines(result)
    labels = [_label(bead) for bead in result.beads]
    view, places = _arranged(photo, result, lines, labels)
    footer = _footer_lines(result)
    larger = closeups(photo, result, view.sheet_width)
    picture = _sheet(photo, view, larger, footer_px=70 + 26 * len(footer))
    for line in lines:
        draw_line(picture, view.on_picture(line.xy_px), PENS[line.role])
    for bead, label, place in zip(result.beads, labels, places, strict=True):
        top = _draw_bead(picture, view, result, bead)
        _draw_label(picture, label, place, top, view.header)
    _draw_footer(picture, view, result, footer)
    return picture


# --------------------------------------------------------------- arrangement


def _arranged(
    photo: Photo,
    result: SectionResult,
    lines: Sequence[SectionLine],
    labels: Sequence[list[str]],
) -> tuple[_View, list[FloatArray]]:
    """Choose the part of the photo to show and the places of the labels."""
    view = _view_of(photo, result, lines)
    width = view.sheet_width
    label_width = max((_label_size(label)[0] for label in labels), default=0) + 24
    label_height = max((_label_size(label)[1] for label in labels), default=0) + 14
    rows = rows_needed(len(labels), label_width, width)
    middles = [_middle_px(bead, result) for bead in result.beads]
    wanted = np.array([view.on_picture(middle)[0] for middle in middles])
    order = np.argsort(wanted)
    x = np.empty(len(labels))
    half = label_width / 2
    if len(labels):
        x[order] = spread(wanted[order], label_width / rows, half, width - half)
    places: list[FloatArray] = [np.zeros(2)] * len(labels)
    for turn, index in enumerate(order):
        bottom = label_height * (1 + (turn + 1) % rows)
        places[index] = np.array([x[index], bottom])
    return _with_header(view, round(label_height * rows + 40)), places


def _view_of(
    photo: Photo, result: SectionResult, lines: Sequence[SectionLine]
) -> _View:
    """Show the coupon with a margin, and room for numbers above the beads."""
    depth = result.thickness_mm if math.isfinite(result.thickness_mm) else 0.0
    back_xy_mm = surface_on_plate(result)[[0, -1]] + np.array([0.0, depth])
    xy_px = np.vstack(
        [project(result.mm_to_px, back_xy_mm), *(line.xy_px for line in lines)]
    )
    low, high = xy_px.min(axis=0), xy_px.max(axis=0)
    rows, columns = photo.shape
    long_px = max(high[0] - low[0], high[1] - low[1], 1.0)
    enlargement = min((LONG_SIDE_PX - 2 * _MARGIN_PX) / long_px, _LARGEST_ENLARGEMENT)
    margin, headroom = _MARGIN_PX / enlargement, _HEADROOM_PX / enlargement
    return _View(
        left_px=max(math.floor(low[0] - margin), 0),
        top_px=max(math.floor(low[1] - headroom), 0),
        right_px=min(math.ceil(high[0] + margin), columns),
        bottom_px=min(math.ceil(high[1] + margin), rows),
        enlargement=enlargement,
    )


def _with_header(view: _View, header: int) -> _View:
    return _View(
        view.left_px,
        view.top_px,
        view.right_px,
        view.bottom_px,
        view.enlargement,
        header,
    )


def _sheet(
    photo: Photo, view: _View, larger: ByteArray, *, footer_px: int
) -> ByteArray:
    """Lay the part shown and the close-ups between two white strips."""
    part = photo.bgr[view.top_px : view.bottom_px, view.left_px : view.right_px]
    shown = cv2.resize(part, view.size, interpolation=_way_to_resize(view.enlargement))
    width, height = view.size
    bottom = view.header + height
    rows = bottom + footer_px + len(larger)
    sheet = np.full((rows, view.sheet_width, 3), 255, np.uint8)
    sheet[view.header : bottom, :width] = shown
    sheet[rows - len(larger) :] = larger
    return sheet


def _way_to_resize(enlargement: float) -> int:
    """Give OpenCV's name for the fastest way that keeps what is to be seen."""
    if enlargement > 1:
        return cv2.INTER_CUBIC
    # down to half the size every pixel has its share in four of the photo's
    return cv2.INTER_LINEAR if enlargement >= 0.5 else cv2.INTER_AREA


# -------------------------------------------------------------------- drawing


def _draw_bead(
    picture: ByteArray, view: _View, result: SectionResult, bead: BeadResult
) -> FloatArray:
    """Draw dimensions, toes and number; give the point above the number."""
    toes_mm = np.array([bead.trace.left_toe_xy_mm, bead.trace.right_toe_xy_mm])
    toes = view.on_picture(project(result.mm_to_px, toes_mm))
    cap, fusion = (
        view.on_picture(project(result.mm_to_px, xy_mm))
        for xy_mm in (bead.trace.cap_xy_mm, bead.trace.fusion_xy_mm)
    )
    for dimension in dimensions(bead, result):
        start, end = (
            view.on_picture(xy) for xy in (dimension.start_xy_px, dimension.end_xy_px)
        )
        draw_dimension(picture, start, end, _DIMENSION)
        letter_at = start + 0.4 * (end - start) + np.array([18, 0])
        if np.hypot(*(np.vstack([cap, fusion]) - letter_at).T).min() > _LETTER_CLEAR_PX:
            draw_letter(picture, dimension.symbol, letter_at)
    along = (toes[1] - toes[0]) / max(float(np.hypot(*(toes[1] - toes[0]))), 1.0)
    up = np.array([along[1], -along[0]])
    crest = float(max(((cap - toes[0]) @ up).max(initial=0.0), 0.0))
    width_line = toes + (crest + 20) * up
    for toe, end in zip(toes, width_line, strict=True):
        draw_line(picture, np.array([toe + 22 * up, end + 6 * up]), _DIMENSION)
        draw_marker(picture, toe, 14, Pen(YELLOW))
    draw_dimension(picture, width_line[0], width_line[1], _DIMENSION)
    centre = width_line.mean(axis=0) + 32 * up
    centre[1] = max(centre[1], view.header + 24)
    draw_disc(picture, centre, 20, str(bead.number))
    return cast(FloatArray, centre - np.array([0, 22]))


def _label(bead: BeadResult) -> list[str]:
    """Give the lines of text that belong to one bead."""
    lines = [f"bead {bead.number}"]
    for quantity in QUANTITIES:
        if quantity.attribute not in _LABELLED:
            continue
        measured = getattr(bead, quantity.attribute)
        decimals = 1 if quantity.unit == "%" else 2
        text = "not measured"
        if math.isfinite(measured.value):
            text = f"{measured.value:.{decimals}f}"
        if math.isfinite(measured.u):
            text += f" {PLUS_MINUS} {measured.u:.{decimals}f}"
        lines.append(f"{quantity.symbol} {text} {quantity.unit}")
    return [*lines, *(flag.word for flag in bead.flags)]


def _label_size(label: Sequence[str]) -> tuple[int, int]:
    width = max(text_size(line, 0.6, 2)[0] for line in label)
    return width, 24 * len(label)


def _draw_label(
    picture: ByteArray,
    label: Sequence[str],
    place: FloatArray,
    target: FloatArray,
    header: int,
) -> None:
    """Write a label above `place` and lead from it to its bead."""
    width, height = _label_size(label)
    corner = place + np.array([-width / 2, 18 - height])
    for i, line in enumerate(label):
        at = corner + np.array([0, 24 * i])
        draw_text(picture, line, at, 0.6, bold=i == 0)
    elbow = np.array([place[0], header - 26.0])
    leader = np.array([place + np.array([0, 4]), elbow, target])
    draw_line(picture, leader, Pen(DARK, casing=WHITE))


def _footer_lines(result: SectionResult) -> list[str]:
    flags = [*result.flags, *(flag for bead in result.beads for flag in bead.flags)]
    name = plain_letters(result.origin.path.name)
    references = result.scale.references
    findings = [reference.finding for reference in references]
    if taken_level((one.kind for one in references), result.options.face_height_mm):
        findings.append("Taken to be level with the face.")
    return [
        plain_letters(f"{name}   {' '.join(findings)}"),
        "P penetration, W width, R reinforcement, D dilution; "
        f"{PLUS_MINUS} one standard uncertainty. A section shows one place in a weld. "
        "Below, each bead larger, with its lines and without.",
        *explained_flags(flag.word for flag in flags),
    ]


def _draw_footer(
    picture: ByteArray, view: _View, result: SectionResult, footer: Sequence[str]
) -> None:
    """Draw legend, scale bar and the sentences below the photo."""
    top = view.header + view.size[1]
    x = 20.0
    for role, pen in PENS.items():
        sample = np.array([[x, top + 30.0], [x + _LEGEND_SAMPLE_PX, top + 30.0]])
        draw_line(picture, sample, pen)
        draw_text(picture, role, sample[1] + np.array([10, 6]), 0.6)
        x += _LEGEND_SAMPLE_PX + text_size(role, 0.6)[0] + 44
    _draw_scale_bar(picture, view, result, top)
    for i, line in enumerate(footer):
        draw_text(picture, line, np.array([20.0, top + 72.0 + 26 * i]), 0.55)


def _draw_scale_bar(
    picture: ByteArray, view: _View, result: SectionResult, top: int
) -> None:
    """Draw a bar of a round length, true in the middle of the plate surface."""
    middle = result.surface.knots_x_mm[[0, -1]].mean()
    start_mm = np.array([middle, float(result.surface.y_at(middle))])
    one_mm_px = project(result.mm_to_px, np.array([start_mm, start_mm + [1, 0]]))
    per_mm = view.enlargement * float(np.hypot(*(one_mm_px[1] - one_mm_px[0])))
    length_mm = next((mm for mm in (20, 10, 5, 2) if mm * per_mm < 300), 1)
    right = picture.shape[1] - 30.0
    left = right - length_mm * per_mm
    bar = np.array([[left, top + 20.0], [right, top + 20.0]])
    draw_line(picture, bar, Pen(DARK, width_px=3, casing=DARK))
    text = f"{length_mm} mm"
    width, _ = text_size(text, 0.6)
    at = np.array([(left + right - width) / 2, top + 44.0])
    draw_text(picture, text, at, 0.6)


def _middle_px(bead: BeadResult, result: SectionResult) -> FloatArray:
    toes = np.array([bead.trace.left_toe_xy_mm, bead.trace.right_toe_xy_mm])
    return cast(FloatArray, project(result.mm_to_px, toes).mean(axis=0))
