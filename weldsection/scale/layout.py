"""The printed cards: where each fiducial mark lies on them, in mm.

Marks are from OpenCV's public dictionary ``DICT_5X5_100``; the layouts are our
own. Every card uses other marks, so a mark tells which card it is on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from weldsection.records import FloatArray

DICTIONARY = "DICT_5X5_100"
# a 5 × 5 mark with its black border is seven squares wide
SQUARES_ACROSS = 7


@dataclass(frozen=True, slots=True)
class CardLayout:
    """One card: its size and the upper left corners of its marks, in mm."""

    name: str
    width_mm: float
    height_mm: float
    mark_mm: float
    places_mm: tuple[tuple[int, float, float], ...]
    """(mark number, x, y) of each mark's upper left corner; y downwards."""
    check_mm: float
    """Length of the printed check line, to be measured with a rule."""

    @property
    def numbers(self) -> tuple[int, ...]:
        """Numbers of the marks on it."""
        return tuple(number for number, _, _ in self.places_mm)

    def corners_xy_mm(self, number: int, stretch: float = 1.0) -> FloatArray:
        """Corners of a mark, clockwise from the upper left, ``(4, 2)``.

        `stretch` is printed over intended length.
        """
        x, y = next((x, y) for n, x, y in self.places_mm if n == number)
        m = self.mark_mm
        corners = [[x, y], [x + m, y], [x + m, y + m], [x, y + m]]
        return np.array(corners) * stretch


def _rows(
    first: int, xs: tuple[float, ...], ys: tuple[float, ...], *, inner: bool
) -> tuple[tuple[int, float, float], ...]:
    """Marks on a grid, numbered row by row; without the inside if not `inner`."""
    places = [
        (x, y)
        for y in ys
        for x in xs
        if inner or y in (ys[0], ys[-1]) or x in (xs[0], xs[-1])
    ]
    return tuple((first + k, x, y) for k, (x, y) in enumerate(places))


CARDS = {
    "pocket": CardLayout(
        # the size of an ID-1 card, to laminate
        "pocket",
        85.6,
        53.98,
        14.0,
        _rows(0, (4.0, 35.8, 67.6), (4.0, 35.98), inner=True),
        check_mm=70.0,
    ),
    "bench": CardLayout(
        "bench",
        150.0,
        100.0,
        18.0,
        _rows(10, (5.0, 45.6, 86.3, 127.0), (5.0, 41.0, 77.0), inner=False),
        check_mm=120.0,
    ),
    "frame": CardLayout(
        # the coupon lies inside
        "frame",
        190.0,
        250.0,
        22.0,
        _rows(
            24, (5.0, 57.6, 110.3, 163.0), (5.0, 59.5, 114.0, 168.5, 223.0), inner=False
        ),
        check_mm=160.0,
    ),
}

# the lens sheet: as many marks as fit on A4 and on Letter, turned upright
LENS_SHEET = CardLayout(
    "lens",
    190.0,
    254.0,
    20.0,
    _rows(
        40,
        tuple(4.0 + 32.4 * k for k in range(6)),
        tuple(6.0 + 27.0 * k for k in range(9)),
        inner=True,
    ),
    check_mm=160.0,
)
