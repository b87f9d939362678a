"""Heat input against printed worked examples, in both unit systems."""

from __future__ import annotations

import pytest
from study_helpers import bead_cells, rows_from

from weldsection.errors import UsageError
from weldsection.study.heat import (
    arc_energy_kj_in,
    arc_energy_kj_mm,
    heat_input,
    process,
    to_kj_in,
    to_kj_mm,
    travel_mm_min,
    with_heat,
)

MAG, TIG = process("135"), process("141")

# Printed worked examples gathered from welding pages, all re-computed
# (reference-values C.3); k of EN 1011-1 as printed by The Welding Institute.
INCH = [
    (29, 325, 12.5, 45.24),
    (29, 280, 13, 37.5),
    (26, 180, 3, 93.6),
]
METRIC = [
    (24, 180, 300, 0.691, 17.6),
    (24, 200, 300, 0.768, 19.51),
    (28, 250, 250, 1.344, 34.14),
]


@pytest.mark.parametrize(("volts", "amps", "in_min", "printed"), INCH)
def test_arc_energy_in_inches(
    volts: float, amps: float, in_min: float, printed: float
) -> None:
    """Without any factor, kJ/in; and the same by way of millimetres."""
    by_inch = arc_energy_kj_in(volts, amps, travel_in_min=in_min)
    by_mm = arc_energy_kj_mm(volts, amps, travel_mm_min=25.4 * in_min)

    assert by_inch == pytest.approx(printed, abs=0.03)
    assert to_kj_in(by_mm) == pytest.approx(by_inch, rel=1e-12)
    assert to_kj_mm(by_inch) == pytest.approx(by_mm, rel=1e-12)


@pytest.mark.parametrize(("volts", "amps", "mm_min", "kj_mm", "kj_in"), METRIC)
def test_heat_input_with_the_factor_of_mag(
    volts: float, amps: float, mm_min: float, kj_mm: float, kj_in: float
) -> None:
    """With k = 0.8: kJ/mm and kJ/in as printed."""
    heat = heat_input(arc_energy_kj_mm(volts, amps, travel_mm_min=mm_min), MAG)

    assert heat == pytest.approx(kj_mm, abs=0.0005)
    assert to_kj_in(heat) == pytest.approx(kj_in, abs=0.06)


def test_heat_input_with_the_factor_of_tig() -> None:
    """10 V, 110 A, 2 in/min: 33.0 kJ/in of arc energy, 19.8 of heat input."""
    energy = arc_energy_kj_in(10, 110, travel_in_min=2)

    assert energy == pytest.approx(33.0)
    assert heat_input(energy, TIG) == pytest.approx(19.8)


@pytest.mark.parametrize(
    ("name", "k"),
    [("121", 1.0), ("111", 0.8), ("136", 0.8), ("131", 0.8), ("tig", 0.6), ("15", 0.6)],
)
def test_factors_of_the_processes(name: str, k: float) -> None:
    """EN 1011-1 factors as printed by The Welding Institute (reference-values C.2)."""
    assert process(name).k == k


def test_a_laser_has_no_factor() -> None:
    """For laser no factor is used (The Welding Institute), so none is invented."""
    with pytest.raises(UsageError, match="leave it out for arc energy"):
        process("521")


@pytest.mark.parametrize(
    "logged",
    [
        {"travel_mm_min": 300},
        {"travel_mm_s": 5},
        {"travel_in_min": 300 / 25.4},
        {"length_mm": 80, "time_s": 16},
    ],
)
def test_travel_speed_from_whatever_was_logged(logged: dict[str, float]) -> None:
    """As a speed in usual units, or from length and arc time."""
    (row,) = rows_from([bead_cells(1, **logged)])

    assert travel_mm_min(row) == pytest.approx(300, rel=1e-4)


def test_heat_input_is_added_only_where_it_can_be_known() -> None:
    """Without a voltage there is no heat input, and no guess."""
    known, unknown = rows_from(
        [
            bead_cells(1, current_a=180, voltage_v=24, travel_mm_min=300),
            bead_cells(2, current_a=180, voltage_v="", travel_mm_min=300),
        ]
    )

    assert with_heat(known, MAG).setting("heat_input_kj_mm") == pytest.approx(0.6912)
    assert "heat_input_kj_mm" not in with_heat(known, None).settings
    assert with_heat(unknown, MAG) is unknown
