"""Strokes of the annotated picture: lines with casing, dashes, arrows, text.

Colours are blue-green-red and told apart by the colour-blind; every kind of line
has a pattern of its own besides, so that a grey print can be read as well.
Points are ``(N, 2)`` x, y on the picture that is drawn on.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from weldsection.curves import unit_normals
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
    dash_px: tuple[int, int] | None = None
    """Pixels drawn and pixels left out; None for an unbroken line."""
    casing: Colour = BLACK


# A pen for each kind of line. The traced edges have a gap, so that they show.
PENS = {
    "plate surface": Pen(WHITE, gap_px=2.5, dash_px=(26, 10)),
    "weld face": Pen(YELLOW, gap_px=3.0),
    "fusion line": Pen(VERMILION, width_px=2, gap_px=3.5),
    "fusion line, doubtful": Pen(VERMILION, width_px=2, gap_px=3.5, dash_px=(10, 9)),
    "HAZ edge": Pen(BLUE, gap_px=3.0, dash_px=(4, 6)),
}


def draw_line(picture: ByteArray, xy: FloatArray, pen: Pen) -> None:
    """Draw a line with its casing."""
    if len(xy) < 2:
        return
    if pen.gap_px > 0:
        even = evened(xy, 2 * pen.gap_px)
        aside = pen.gap_px * unit_normals(even)
        below, above, casing_px = even + aside, even - aside, 1
    else:
        even = below = above = np.asarray(xy, dtype=np.float64)
        casing_px = pen.width_px + 2
    run = _run_along(even)
    for side, colour, width in (
        (below, pen.casing, casing_px),
        (above, pen.colour, pen.width_px),
    ):
        pieces = dashes(side, run, pen.dash_px) if pen.dash_px else [side]
        _polylines(picture, pieces, colour, width)


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
    halo: bool = False,
) -> None:
    """Write black text from its lower left corner, with a light edge if asked."""
    x, y = (round(float(v)) for v in corner)
    text = text if _ALL_LETTERS else plain_letters(text)
    thickness = 2 if bold else 1
    if halo:
        cv2.putText(picture, text, (x, y), _FONT, scale, WHITE, 4, cv2.LINE_AA)
    cv2.putText(picture, text, (x, y), _FONT, scale, BLACK, thickness, cv2.LINE_AA)


def draw_letter(picture: ByteArray, letter: str, centre: FloatArray) -> None:
    """Write one letter on a small white disc, to be read on any ground."""
    width, height = text_size(letter, 0.5)
    middle = _fixed(centre[None])[0]
    cv2.circle(picture, middle, 11 << _SHIFT, WHITE, -1, cv2.LINE_AA, _SHIFT)
    draw_text(picture, letter, centre + np.array([-width / 2, height / 2]), 0.5)


@cache
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


def dashes(
    xy: FloatArray, run: FloatArray, dash_px: tuple[int, int]
) -> list[FloatArray]:
    """Cut a line into dashes of even length, the first one at its start.

    `run` is the way along the line to each of its points; two lines that go side
    by side are cut alike if they are given the same one.

    Examples
    --------
    >>> line = np.array([[0.0, 0.0], [10.0, 0.0]])
    >>> [d[:, 0].tolist()[::3] for d in dashes(line, line[:, 0], (3, 4))]
    [[0.0, 3.0], [7.0, 10.0]]
    """
    on, off = dash_px
    points = _points_at(xy, run, np.arange(0.0, run[-1] + 0.5))
    starts = range(0, len(points) - 1, on + off)
    return [points[start : start + on + 1] for start in starts]


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


def _run_along(xy: FloatArray) -> FloatArray:
    steps = np.hypot(*np.diff(xy, axis=0).T)
    return np.asarray(np.concatenate([[0.0], np.cumsum(steps)]))


def _points_at(xy: FloatArray, run: FloatArray, at: FloatArray) -> FloatArray:
    return np.column_stack([np.interp(at, run, xy[:, i]) for i in range(2)])


def _polylines(
    picture: ByteArray, lines: list[FloatArray], colour: Colour, width: int
) -> None:
    ends = np.cumsum([len(line) for line in lines])[:-1]
    points = np.split(_fixed(np.vstack(lines)), ends)
    cv2.polylines(picture, points, False, colour, width, cv2.LINE_AA, _SHIFT)


def _filled(picture: ByteArray, xy: FloatArray, colour: Colour, edge: Colour) -> None:
    points = _fixed(xy)
    cv2.polylines(picture, [points], True, edge, 2, cv2.LINE_AA, _SHIFT)
    cv2.fillPoly(picture, [points], colour, cv2.LINE_AA, _SHIFT)


def _fixed(xy: FloatArray) -> npt.NDArray[np.int32]:
    return np.asarray(np.round(xy * 2**_SHIFT), dtype=np.int32)
