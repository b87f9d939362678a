"""Printable sheets: scale cards and the lens sheet, as PDF in true size."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from weldsection.errors import OutputError
from weldsection.scale.layout import CARDS, LENS_SHEET, SQUARES_ACROSS, CardLayout
from weldsection.scale.marks import dictionary

# ISO 216 and ANSI sheet sizes, mm
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
_INCH_MM = 25.4
_POINT_MM = _INCH_MM / 72
# where the check line lies on each sheet: share of the card's height
_CHECK_AT = {"pocket": 0.5, "bench": 0.32, "frame": 0.17, "lens": 0.98}


def write_sheet(layout: CardLayout, paper: str, path: Path) -> None:
    """Write one card, centred on a sheet of paper, as PDF.

    Raises
    ------
    OutputError
        When the file cannot be written.
    """
    part = path.with_name(f".{path.name}.part")
    figure = draw_sheet(layout, paper)
    try:
        figure.savefig(part, format="pdf", metadata={"CreationDate": None})
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise OutputError(
            f"{path} cannot be written ({error.strerror}); choose another --out."
        ) from error


def draw_sheet(layout: CardLayout, paper: str) -> Figure:
    """Draw one card in true size in the middle of a sheet of paper."""
    width_mm, height_mm = PAPERS_MM[paper]
    figure = Figure(figsize=(width_mm / _INCH_MM, height_mm / _INCH_MM))
    FigureCanvasPdf(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    left, top = (width_mm - layout.width_mm) / 2, (height_mm - layout.height_mm) / 2
    axes.set_xlim(-left, width_mm - left)
    axes.set_ylim(height_mm - top, -top)
    axes.axis("off")
    _draw_card(axes, layout)
    return figure


def sheet(name: str) -> CardLayout:
    """Give the layout of a card or of the lens sheet by its name."""
    return LENS_SHEET if name == LENS_SHEET.name else CARDS[name]


def black_squares(layout: CardLayout) -> Iterator[tuple[float, float, float, float]]:
    """Rectangles to print black: x, y, width, height in mm, y downwards.

    Black squares side by side are one rectangle, so that no seam shows.
    """
    square = layout.mark_mm / SQUARES_ACROSS
    for number, x, y in layout.places_mm:
        mark = cv2.aruco.generateImageMarker(dictionary(), number, SQUARES_ACROSS)
        for row, line in enumerate(np.asarray(mark) < 128):
            edges = np.flatnonzero(np.diff(np.concatenate([[0], line, [0]])))
            for start, end in edges.reshape(-1, 2):
                left, wide = x + start * square, (end - start) * square
                yield float(left), y + row * square, float(wide), square


def _draw_card(axes: Axes, layout: CardLayout) -> None:
    for x, y, wide, high in black_squares(layout):
        axes.add_patch(Rectangle((x, y), wide, high, facecolor="black", linewidth=0))
    if layout.name != LENS_SHEET.name:
        border = Rectangle((0, 0), layout.width_mm, layout.height_mm, fill=False)
        border.set(linewidth=0.3, edgecolor="0.6")
        axes.add_patch(border)
    _draw_check_line(axes, layout)


def _draw_check_line(axes: Axes, layout: CardLayout) -> None:
    y = _CHECK_AT[layout.name] * layout.height_mm
    left = (layout.width_mm - layout.check_mm) / 2
    right = left + layout.check_mm
    thin = 0.15 / _POINT_MM
    axes.plot([left, right], [y, y], color="black", linewidth=thin)
    for x in (left, right):
        axes.plot([x, x], [y - 2, y + 2], color="black", linewidth=thin)
    size = 5.5 if layout.name == "pocket" else 8
    axes.text(
        layout.width_mm / 2,
        y - 1,
        f"{layout.check_mm:g} mm between the end marks: print at 100 % and measure",
        ha="center",
        va="bottom",
        fontsize=size,
    )
    axes.text(
        layout.width_mm / 2,
        y + 1.2,
        f"weldsection {layout.name} sheet"
        if layout.name == LENS_SHEET.name
        else f"weldsection {layout.name} card: lay it level with the etched face",
        ha="center",
        va="top",
        fontsize=size,
    )
