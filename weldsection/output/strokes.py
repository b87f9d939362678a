"""Strokes of the annotated picture: lines with casing, dashes, arrows, text.

Colours are blue-green-red and told apart by the colour-blind; every kind of line
has a pattern of its own besides, so that a grey print can be read as well.
Points are ``(N, 2)`` x, y on the picture that is drawn on.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np
import numpy.typing as npt

from weldsection.records import ByteArray, FloatArray

Colour = tuple[int, int, int]

WHITE: Colour = (255, 255, 255)
BLACK: Colour = (0, 0, 0)
DARK: Colour = (40, 40, 40)
# After the palette of Okabe and Ito, "Color universal design", 2008.
YELLOW: Colour = (66, 228, 240)
VERMILION: Colour = (0, 94, 213)
BLUE: Colour = (178, 114, 0)

# OpenCV takes fixed point coordinates with this many binary places.
_SHIFT = 4
_SHORTEST_WITH_ARROWS_PX = 14.0
_FONT = cv2.FONT_HERSHEY_SIMPLEX
# From OpenCV 5 on its fonts have all letters, before that ASCII only.
_ALL_LETTERS = int(cv2.__version__.split(".")[0]) >= 5
PLUS_MINUS = "±" if _ALL_LETTERS else "+-"


@dataclass(frozen=True, slots=True)
class Pen:
    """How a line is drawn.

    A pen with a `gap_px` draws two thin lines, one on either side, and leaves
    what lies between them to be seen: the very edge that the line shows.
    """

    colour: Colour
    width_px: int = 1
    gap_px: float = 0.0
    dash_px: tuple[float, float] | None = None
    """Length drawn and length left out; None for an unbroken line."""
    casing: Colour = BLACK


def draw_line(picture: ByteArray, xy: FloatArray, pen: Pen) -> None:
    """Draw a line with its casing."""
    if len(xy) < 2:
        return
    for piece in dashes(xy, pen.dash_px) if pen.dash_px else [xy]:
        if pen.gap_px > 0:
            even = evened(piece, 2 * pen.gap_px)
            aside = pen.gap_px * normals(even)
            _polyline(picture, even + aside, pen.casing, 1)
            _polyline(picture, even - aside, pen.colour, pen.width_px)
        else:
            _polyline(picture, piece, pen.casing, pen.width_px + 2)
            _polyline(picture, piece, pen.colour, pen.width_px)


def draw_dimension(
    picture: ByteArray, start: FloatArray, end: FloatArray, pen: Pen
) -> None:
    """Draw a dimension line whose arrow tips touch what is measured."""
    length = float(np.hypot(*(end - start)))
    draw_line(picture, np.array([start, end]), pen)
    if length < _SHORTEST_WITH_ARROWS_PX:
        return
    along = (end - start) / length
    across = np.array([-along[1], along[0]])
    # short dimensions get small arrows, so that the two stay apart
    head = min(9.0, 0.35 * length)
    for tip, inward in ((start, along), (end, -along)):
        barbs = [tip + head * inward + side * 0.45 * head * across for side in (1, -1)]
        _filled(picture, np.array([tip, *barbs]), pen.colour, pen.casing)


def draw_marker(picture: ByteArray, tip: FloatArray, size: float, pen: Pen) -> None:
    """Draw a small triangle standing on its tip, clear of what it marks."""
    up = np.array([0.0, -1.0])
    side = np.array([0.5, 0.0])
    corners = [tip + 2 * up, *(tip + size * (up + s * side) for s in (1, -1))]
    _filled(picture, np.array(corners), pen.colour, pen.casing)


def draw_disc(picture: ByteArray, centre: FloatArray, radius: float, text: str) -> None:
    """Draw a bead number in a disc."""
    middle = _fixed(centre[None])[0]
    for colour, size in ((BLACK, radius + 1.5), (WHITE, radius)):
        cv2.circle(
            picture, middle, round(size * 2**_SHIFT), colour, -1, cv2.LINE_AA, _SHIFT
        )
    scale = radius / 22 * (1.0 if len(text) < 2 else 0.85)
    width, height = text_size(text, scale, 2)
    corner = centre + np.array([-width / 2, height / 2])
    draw_text(picture, text, corner, scale, bold=True)


def draw_text(
    picture: ByteArray,
    text: str,
    corner: FloatArray,
    scale: float,
    *,
    bold: bool = False,
) -> None:
    """Write black text from its lower left corner."""
    x, y = (round(float(v)) for v in corner)
    thickness = 2 if bold else 1
    cv2.putText(picture, text, (x, y), _FONT, scale, BLACK, thickness, cv2.LINE_AA)


def draw_letter(picture: ByteArray, letter: str, centre: FloatArray) -> None:
    """Write one letter on a small white disc, to be read on any ground."""
    width, height = text_size(letter, 0.5)
    middle = _fixed(centre[None])[0]
    cv2.circle(picture, middle, 11 << _SHIFT, WHITE, -1, cv2.LINE_AA, _SHIFT)
    draw_text(picture, letter, centre + np.array([-width / 2, height / 2]), 0.5)


def text_size(text: str, scale: float, thickness: int = 1) -> tuple[int, int]:
    """Width and height of written text, in pixels of the picture."""
    (width, height), _ = cv2.getTextSize(text, _FONT, scale, thickness)
    return width, height


def plain_letters(text: str) -> str:
    """Give text in letters every drawing font has.

    Examples
    --------
    >>> plain_letters("Prüfstück 10°")
    'Prufstuck 10?'
    """
    taken_apart = unicodedata.normalize("NFKD", text)
    bare = "".join(c for c in taken_apart if not unicodedata.combining(c))
    return "".join(c if " " <= c <= "~" else "?" for c in bare)


def dashes(xy: FloatArray, dash_px: tuple[float, float]) -> list[FloatArray]:
    """Cut a line into dashes of even length, the first one at its start.

    Examples
    --------
    >>> [d[:, 0].tolist() for d in dashes(np.array([[0, 0], [10, 0]]), (4, 3))]
    [[0.0, 4.0], [7.0, 10.0]]
    """
    on, off = dash_px
    run = _run_along(xy)
    pieces = []
    for start in np.arange(0.0, run[-1], on + off):
        end = min(start + on, run[-1])
        inside = run[(run > start) & (run < end)]
        pieces.append(_points_at(xy, run, np.concatenate([[start], inside, [end]])))
    return pieces


def evened(xy: FloatArray, step_px: float) -> FloatArray:
    """Give a line by points at even steps, so that its normals are steady.

    Examples
    --------
    >>> evened(np.array([[0, 0], [1, 0], [9, 0]]), 3.0)[:, 0].tolist()
    [0.0, 3.0, 6.0, 9.0]
    """
    run = _run_along(xy)
    count = max(round(run[-1] / step_px), 1) + 1
    return _points_at(xy, run, np.linspace(0.0, run[-1], count))


def normals(xy: FloatArray) -> FloatArray:
    """Unit normals of a line, to the right of its run on a picture."""
    step = np.gradient(xy, axis=0)
    length = np.maximum(np.hypot(*step.T), 1e-9)[:, None]
    return cast(FloatArray, np.column_stack([-step[:, 1], step[:, 0]]) / length)


def _run_along(xy: FloatArray) -> FloatArray:
    steps = np.hypot(*np.diff(xy, axis=0).T)
    return np.asarray(np.concatenate([[0.0], np.cumsum(steps)]))


def _points_at(xy: FloatArray, run: FloatArray, at: FloatArray) -> FloatArray:
    return np.column_stack([np.interp(at, run, xy[:, i]) for i in range(2)])


def _polyline(picture: ByteArray, xy: FloatArray, colour: Colour, width: int) -> None:
    cv2.polylines(picture, [_fixed(xy)], False, colour, width, cv2.LINE_AA, _SHIFT)


def _filled(picture: ByteArray, xy: FloatArray, colour: Colour, edge: Colour) -> None:
    points = _fixed(xy)
    cv2.polylines(picture, [points], True, edge, 2, cv2.LINE_AA, _SHIFT)
    cv2.fillPoly(picture, [points], colour, cv2.LINE_AA, _SHIFT)


def _fixed(xy: FloatArray) -> npt.NDArray[np.int32]:
    return np.asarray(np.round(xy * 2**_SHIFT), dtype=np.int32)
