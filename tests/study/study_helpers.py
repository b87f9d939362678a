"""Tables of invented beads for the tests of comparing settings."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np

from weldsection.quantities import COLUMNS
from weldsection.study.tables import Place, SectionRow, Sheet, rows_of_sheet

Cells = dict[str, object]


def bead_cells(
    bead: int,
    penetration: float = 2.0,
    *,
    photo: str = "plate.jpg",
    width: float = 8.0,
    reinforcement: float = 2.0,
    **more: object,
) -> Cells:
    """One row of a table of beads; areas are those of parabolas."""
    below = 2 / 3 * width * penetration
    above = 2 / 3 * width * reinforcement
    cells: Cells = dict.fromkeys(COLUMNS, "")
    cells |= {
        "photo": photo,
        "bead": bead,
        "x_mm": 20.0 * bead,
        "penetration_mm": round(penetration, 4),
        "penetration_u_mm": 0.06,
        "width_mm": round(width, 4),
        "width_u_mm": 0.12,
        "reinforcement_mm": round(reinforcement, 4),
        "reinforcement_u_mm": 0.05,
        "penetration_area_mm2": round(below, 4),
        "reinforcement_area_mm2": round(above, 4),
        "dilution_pct": round(100 * below / (below + above), 3),
        "dilution_u_pct": 1.1,
        "toe_angle_left_deg": 124.0,
        "toe_angle_right_deg": 131.0,
        "mm_per_px": 0.05,
        "scale_u_pct": 0.5,
    }
    return cells | more


def rows_from(
    cells: Iterable[Cells], file: str = "beads.csv"
) -> tuple[SectionRow, ...]:
    """Read rows as if they came from a file."""
    listed = list(cells)
    columns = tuple(dict.fromkeys(column for each in listed for column in each))
    return rows_of_sheet(
        Sheet(
            file,
            columns,
            tuple(
                (Place(file, k), {c: str(each.get(c, "")) for c in columns})
                for k, each in enumerate(listed, start=2)
            ),
        )
    )


def write_table(path: Path, cells: Iterable[Mapping[str, object]]) -> Path:
    """Write rows as a CSV."""
    listed = list(cells)
    columns = list(dict.fromkeys(column for each in listed for column in each))
    with path.open("w", encoding="utf-8", newline="") as held:
        writer = csv.DictWriter(held, columns, restval="")
        writer.writeheader()
        writer.writerows(listed)
    return path


def mag_ladder(seed: int = 4, *, repeats: int = 1, spread: float = 0.06) -> list[Cells]:
    """A MAG ladder from 120 to 220 A; penetration is flat from 180 A."""
    rng = np.random.default_rng(seed)
    currents = np.repeat(np.arange(120, 221, 10), repeats)
    order = rng.permutation(currents.size) + 1
    return [
        bead_cells(
            k + 1,
            min(1 + 2 * (amps - 120) / 60, 3) * (1 + spread * rng.standard_normal()),
            width=(6 + 0.025 * (amps - 120)) * (1 + 0.03 * rng.standard_normal()),
            reinforcement=2 * (1 + 0.04 * rng.standard_normal()),
            current_a=int(amps),
            voltage_v=round(14 + 0.05 * amps, 1),
            travel_mm_min=350,
            run_order=int(order[k]),
        )
        for k, amps in enumerate(currents)
    ]
