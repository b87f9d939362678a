"""Arc energy and heat input from what was logged."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from weldsection.errors import UsageError
from weldsection.study.tables import SectionRow

MM_PER_INCH = 25.4


@dataclass(frozen=True, slots=True)
class Process:
    """A welding process and its thermal efficiency factor k."""

    name: str
    numbers: tuple[str, ...]
    """Leading digits of its ISO 4063 numbers."""
    k: float
    """As printed with EN 1011-1; SAW is 1 and the others are relative to it."""
    load_voltage: tuple[float, float] | None = None
    """Volts at no current and volts for each ampere of a usual arc."""


K_SOURCE = "factors of EN 1011-1 / ISO/TR 17671-1"

# k: EN 1011-1 as printed by The Welding Institute. Usual arc voltages: the load
# lines of power-source data sheets, common practice, used only to guess a heat
# input before anything is welded.
PROCESSES = (
    Process("saw", ("12",), 1.0, None),
    Process("mma", ("111",), 0.8, (20.0, 0.04)),
    Process("cored", ("114", "132", "133", "136", "138"), 0.8, (14.0, 0.05)),
    Process("mag", ("13",), 0.8, (14.0, 0.05)),
    Process("tig", ("14",), 0.6, (10.0, 0.04)),
    Process("plasma", ("15",), 0.6, None),
)


def process(name: str) -> Process:
    """Give a process by its name or its ISO 4063 number.

    Examples
    --------
    >>> process("135").name, process("mag").k
    ('mag', 0.8)
    """
    plain = name.strip().lower()
    for each in PROCESSES:
        if plain == each.name or plain.startswith(each.numbers):
            return each
    if plain in ("mig", "mig/mag", "gmaw"):
        return process("mag")
    known = ", ".join(p.name for p in PROCESSES)
    raise UsageError(
        f"There is no factor for process '{name}'; take one of: {known}, "
        "or leave it out for arc energy alone."
    )


def arc_energy_kj_mm(
    voltage_v: float, current_a: float, *, travel_mm_min: float
) -> float:
    """Arc energy for each mm of bead, without any efficiency factor.

    Examples
    --------
    >>> round(arc_energy_kj_mm(24, 180, travel_mm_min=300), 3)
    0.864
    """
    return 60 * voltage_v * current_a / (1000 * travel_mm_min)


def arc_energy_kj_in(
    voltage_v: float, current_a: float, *, travel_in_min: float
) -> float:
    """Arc energy for each inch of bead, without any efficiency factor.

    Examples
    --------
    >>> round(arc_energy_kj_in(29, 325, travel_in_min=12.5), 2)
    45.24
    """
    return 60 * voltage_v * current_a / (1000 * travel_in_min)


def heat_input(arc_energy: float, used: Process) -> float:
    """Heat input: arc energy times the factor of the process; the unit is kept."""
    return used.k * arc_energy


def to_kj_in(kj_mm: float) -> float:
    """Turn kJ/mm into kJ/in."""
    return kj_mm * MM_PER_INCH


def to_kj_mm(kj_in: float) -> float:
    """Turn kJ/in into kJ/mm."""
    return kj_in / MM_PER_INCH


def travel_mm_min(row: SectionRow) -> float:
    """Travel speed from the log: as such, or from length and arc time."""
    in_units = (
        ("travel_mm_min", 1.0),
        ("travel_mm_s", 60.0),
        ("travel_m_min", 1000.0),
        ("travel_in_min", MM_PER_INCH),
    )
    for column, factor in in_units:
        value = row.setting(column)
        if value > 0:
            return value * factor
    length, time = row.setting("length_mm"), row.setting("time_s")
    return 60 * length / time if length > 0 and time > 0 else math.nan


def with_heat(row: SectionRow, used: Process | None) -> SectionRow:
    """Add arc energy, and heat input where the process is known.

    A row whose log lacks current, voltage or travel speed is left as it is.
    """
    travel = travel_mm_min(row)
    volts, amps = row.setting("voltage_v"), row.setting("current_a")
    if not (travel > 0 and volts > 0 and amps > 0):
        return row
    energy = arc_energy_kj_mm(volts, amps, travel_mm_min=travel)
    more = {"arc_energy_kj_mm": energy}
    if used is not None:
        more["heat_input_kj_mm"] = heat_input(energy, used)
    return replace(row, settings={**row.settings, **more})
