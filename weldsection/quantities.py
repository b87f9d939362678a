"""Each measured quantity once: its column, unit and definition.

The CSV header, the help texts, the overlay and the manual are made from this
table, so a column cannot be called two things.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from weldsection.flags import join_flags
from weldsection.records import BeadResult, Measured, SectionResult

Cell = str | float | int


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measured quantity: what it is called and what it means."""

    attribute: str
    """Attribute of `BeadResult` that holds it."""
    symbol: str
    column: str
    u_column: str | None
    unit: str
    decimals: int
    definition: str


QUANTITIES = (
    Quantity(
        "x", "x", "x_mm", None, "mm", 2,
        "Along the plate surface from the coupon's left end as seen in the upright "
        "photo (from the picture's left edge where that end is outside it) to the "
        "middle between the bead's toes.",
    ),
    Quantity(
        "penetration", "P", "penetration_mm", "penetration_u_mm", "mm", 3,
        "Greatest depth of the fusion line below the plate surface, square to it.",
    ),
    Quantity(
        "width", "W", "width_mm", "width_u_mm", "mm", 3,
        "Toe to toe, along the plate surface.",
    ),
    Quantity(
        "reinforcement", "R", "reinforcement_mm", "reinforcement_u_mm", "mm", 3,
        "Greatest height of the weld face above the plate surface.",
    ),
    Quantity(
        "penetration_area", "A_P", "penetration_area_mm2", None, "mm²", 3,
        "Area of weld metal below the plate surface.",
    ),
    Quantity(
        "reinforcement_area", "A_R", "reinforcement_area_mm2", None, "mm²", 3,
        "Area of weld metal above the plate surface.",
    ),
    Quantity(
        "dilution", "D", "dilution_pct", "dilution_u_pct", "%", 2,
        "Share of melted plate in the weld metal: 100 A_P / (A_P + A_R).",
    ),
    Quantity(
        "toe_angle_left", "α left", "toe_angle_left_deg", None, "°", 1,
        "At the left toe, through the air, between the bare plate surface and the "
        "chord from the toe to the point 0.5 mm along the weld face; 180° is flat. "
        "The sense of ISO 5817 no. 505.",
    ),
    Quantity(
        "toe_angle_right", "α right", "toe_angle_right_deg", None, "°", 1,
        "The same at the right toe.",
    ),
    Quantity(
        "haz_depth", "HAZ", "haz_depth_mm", None, "mm", 3,
        "Greatest depth of the visible outer edge of the heat-affected zone below "
        "the plate surface; empty where it cannot be seen.",
    ),
)  # fmt: skip

COLUMNS = (
    "photo", "bead", "x_mm",
    "penetration_mm", "penetration_u_mm", "width_mm", "width_u_mm",
    "reinforcement_mm", "reinforcement_u_mm",
    "penetration_area_mm2", "reinforcement_area_mm2",
    "dilution_pct", "dilution_u_pct",
    "toe_angle_left_deg", "toe_angle_right_deg", "haz_depth_mm",
    "mm_per_px", "scale_u_pct", "flags",
)  # fmt: skip


def rows_of(result: SectionResult) -> list[dict[str, Cell]]:
    """Give the rows of ``beads.csv`` for one photo, in the order asked for."""
    return [row_of(bead, result) for bead in result.beads]


def row_of(bead: BeadResult, result: SectionResult) -> dict[str, Cell]:
    """Give one bead's row; what was not measured is an empty cell."""
    cells: dict[str, Cell] = {
        "photo": result.origin.path.name,
        "bead": bead.number,
        "mm_per_px": _rounded(bead.mm_per_px, 7),
        "scale_u_pct": _rounded(100 * bead.scale_relative_u, 4),
        "flags": join_flags((*result.flags, *bead.flags)),
    }
    for quantity in QUANTITIES:
        measured: Measured = getattr(bead, quantity.attribute)
        cells[quantity.column] = _rounded(measured.value, quantity.decimals + 1)
        if quantity.u_column:
            cells[quantity.u_column] = _rounded(measured.u, quantity.decimals + 1)
    return in_column_order(cells, COLUMNS)


def in_column_order(cells: dict[str, Cell], columns: Iterable[str]) -> dict[str, Cell]:
    """Put cells into the order of the columns."""
    return {column: cells[column] for column in columns}


def _rounded(value: float, decimals: int) -> Cell:
    return "" if math.isnan(value) else round(value, decimals)
