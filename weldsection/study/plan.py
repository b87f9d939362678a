"""Plan a test plate before anything is welded.

The order of welding is drawn at random, or in blocks that each hold every
setting once, because a ladder welded from cold to hot on a warming plate
cannot tell current from preheat. Positions follow the settings, so that the
cut shows the ladder in order.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import product

import numpy as np

from weldsection.errors import UsageError
from weldsection.study.heat import Process, arc_energy_kj_mm
from weldsection.study.logsheet import LOG_COLUMNS, PLANNED
from weldsection.study.terms import show_setting, unit_of, words_of

# Ends of a plate that are left out of a procedure test, mm (ISO 15614-1:2017).
DISCARD_MM = 25.0
# Beyond this an order goes along with a setting too closely to be left so.
DRAWN_AGAIN = 0.3
MOST_BEADS = 500

# Heat that leaves a mark: density times specific heat of steel, J/(mm³ K), and
# the temperature at which the outer edge of an etched HAZ lies, °C. Textbook
# values for unalloyed steel, rounded.
_HEAT_PER_MM3_K = 0.0051
_EDGE_C, _ROOM_C = 720.0, 20.0


class Order(Enum):
    """How the order of welding is chosen."""

    RANDOM = "random"
    BLOCKS = "blocks"


@dataclass(frozen=True, slots=True)
class Request:
    """What is to be tried, on which plate."""

    process: Process | None
    material: str
    thickness_mm: float
    settings: tuple[tuple[str, tuple[float, ...]], ...]
    """Column and the values to try; several are tried in every combination."""
    repeats: int = 1
    bead_length_mm: float = 80.0
    spacing_mm: float = 25.0
    """Between the middles of neighbouring beads."""
    cuts: int = 1
    order: Order = Order.RANDOM
    wait: str = "until the plate is below 50 °C"
    seed: int = 1
    coupon: str = "plate-1"


@dataclass(frozen=True, slots=True)
class PlannedBead:
    """One bead to be welded."""

    bead: int
    position_mm: float
    run_order: int
    block: int
    settings: tuple[tuple[str, float], ...]

    def setting(self, column: str) -> float:
        """Give one planned setting."""
        return dict(self.settings)[column]


@dataclass(frozen=True, slots=True)
class Plan:
    """A test plate: beads, where to saw, and what to mind."""

    request: Request
    beads: tuple[PlannedBead, ...]
    """In the order of their positions."""
    plate_mm: tuple[float, float]
    """Length across the beads and width along them, at the least."""
    cuts_mm: tuple[float, ...]
    """Where to saw, from the start of the beads."""
    warnings: tuple[str, ...]


def plan(request: Request) -> Plan:
    """Plan a test plate.

    Raises
    ------
    UsageError
        If the request cannot be welded or would teach nothing.
    """
    _check(request)
    combinations = tuple(product(*(values for _, values in request.settings)))
    names = [name for name, _ in request.settings]
    targets = [
        (tuple(zip(names, values, strict=True)), block)
        for values in combinations
        for block in range(1, request.repeats + 1)
    ]
    order = _run_order(request, targets)
    edge = max(request.spacing_mm, DISCARD_MM)
    beads = tuple(
        PlannedBead(
            k + 1, edge + k * request.spacing_mm, order[k], targets[k][1], targets[k][0]
        )
        for k in range(len(targets))
    )
    plate = (2 * edge + (len(beads) - 1) * request.spacing_mm, request.bead_length_mm)
    return Plan(request, beads, plate, _cuts(request), _warnings(request, beads))


def _check(request: Request) -> None:
    if not request.settings:
        raise UsageError("Nothing is to be tried; give --current 120:220:20.")
    for name, values in request.settings:
        if len(set(values)) < len(values):
            raise UsageError(f"{words_of(name)} has one value twice; use --repeats.")
        if any(not value > 0 for value in values):
            raise UsageError(f"{words_of(name)} must be above zero.")
    if all(len(values) == 1 for _, values in request.settings):
        raise UsageError(
            "Every setting has one value only, so nothing can be compared; "
            "give a range, such as --current 120:220:20."
        )
    count = math.prod(len(v) for _, v in request.settings) * request.repeats
    if count > MOST_BEADS:
        raise UsageError(
            f"That makes {count} beads, more than {MOST_BEADS}; try fewer settings."
        )


def parse_values(text: str) -> tuple[float, ...]:
    """Read ``120:220:20`` (from, to, step) or ``120,160,200``.

    Examples
    --------
    >>> parse_values("120:160:20"), parse_values("24")
    ((120.0, 140.0, 160.0), (24.0,))
    """
    try:
        if ":" in text:
            first, last, step = (float(part) for part in text.split(":"))
        else:
            return tuple(float(part) for part in text.split(","))
    except ValueError:
        raise UsageError(
            f"'{text}' is no list of values; write 120:220:20 or 120,160,200."
        ) from None
    if not (step > 0 and last >= first and math.isfinite(last - first)):
        raise UsageError(f"'{text}' goes nowhere; write from:to:step, as 120:220:20.")
    count = math.floor((last - first) / step + 1e-9) + 1
    if count > MOST_BEADS:
        raise UsageError(f"'{text}' makes {count} settings, more than {MOST_BEADS}.")
    return tuple(round(first + k * step, 9) for k in range(count))


# ------------------------------------------------------------- order of work


def _run_order(request: Request, targets: Sequence[tuple[object, int]]) -> list[int]:
    """Draw the order of welding; 1 is welded first."""
    rng = np.random.default_rng(request.seed)
    block = np.array([b for _, b in targets])
    best: np.ndarray | None = None
    least = math.inf
    # few beads often fall into an order that goes along with a setting
    for _ in range(200):
        drawn = _drawn(rng, block, in_blocks=request.order is Order.BLOCKS)
        worst = _worst_correlation(targets, drawn)
        if worst < least:
            best, least = drawn, worst
        if least <= DRAWN_AGAIN:
            break
    assert best is not None
    return [int(k) for k in best]


def _drawn(
    rng: np.random.Generator, block: np.ndarray, *, in_blocks: bool
) -> np.ndarray:
    """Draw one order: over all beads, or block after block."""
    luck = rng.random(block.size)
    first = block if in_blocks else np.zeros_like(block)
    order = np.empty(block.size, np.int64)
    order[np.lexsort((luck, first))] = np.arange(1, block.size + 1)
    return order


def _worst_correlation(
    targets: Sequence[tuple[object, int]], order: np.ndarray
) -> float:
    settings = np.array(
        [[value for _, value in settings] for settings, _ in targets]  # type: ignore[attr-defined]
    )
    return max(
        (abs(float(np.corrcoef(c, order)[0, 1])) for c in settings.T if np.ptp(c) > 0),
        default=0.0,
    )


# ------------------------------------------------------------------ the plate


def _cuts(request: Request) -> tuple[float, ...]:
    """Spread the saw cuts over the steady part of the beads."""
    start = min(DISCARD_MM, request.bead_length_mm / 3)
    steady = request.bead_length_mm - 2 * start
    if request.cuts == 1:
        return (request.bead_length_mm / 2,)
    step = steady / (request.cuts - 1)
    return tuple(start + k * step for k in range(request.cuts))


def haz_half_width_mm(heat_input_kj_mm: float, thickness_mm: float) -> float:
    """How far from the middle of a bead the plate is marked by its heat.

    The larger of the two limits of a moving source on a thick and on a thin
    plate, at the temperature where an etched HAZ ends. An estimate for spacing
    beads, good to some 30 %, and no substitute for looking.

    References
    ----------
    .. [1] D. Rosenthal, peak temperature around a moving point or line source;
       in any textbook on the heat flow of welding.

    Examples
    --------
    >>> round(haz_half_width_mm(0.8, 10.0), 1)
    7.2
    """
    joule_mm, rise = 1000 * heat_input_kj_mm, _EDGE_C - _ROOM_C
    thick = math.sqrt(2 * joule_mm / (math.pi * math.e * _HEAT_PER_MM3_K * rise))
    thin = joule_mm / (
        thickness_mm * _HEAT_PER_MM3_K * rise * math.sqrt(2 * math.pi * math.e)
    )
    return max(thick, thin)


def planned_heat_kj_mm(request: Request) -> float:
    """Largest heat input among the settings; NaN where it cannot be guessed.

    Voltage is taken from the plan, or from the usual load line of the process.
    """
    values = {name: max(v) for name, v in request.settings}
    slowest = {name: min(v) for name, v in request.settings}
    amps, used = values.get("current_a", math.nan), request.process
    travel = slowest.get("travel_mm_min", math.nan)
    volts = values.get("voltage_v", math.nan)
    if math.isnan(volts) and used is not None and used.load_voltage is not None:
        volts = used.load_voltage[0] + used.load_voltage[1] * amps
    k = used.k if used is not None else 1.0
    return k * arc_energy_kj_mm(volts, amps, travel_mm_min=travel)


def _warnings(request: Request, beads: Sequence[PlannedBead]) -> tuple[str, ...]:
    found = []
    heat = planned_heat_kj_mm(request)
    if math.isnan(heat):
        found.append(
            "Whether the heat-affected zones overlap was not checked: "
            "give --current, --travel and --process for that."
        )
    else:
        need = 2 * haz_half_width_mm(heat, request.thickness_mm)
        if request.spacing_mm < need:
            found.append(
                f"Heat-affected zones would overlap: at up to {heat:.2f} kJ/mm on "
                f"{request.thickness_mm:g} mm plate they are about {need:.1f} mm wide "
                f"and the spacing is {request.spacing_mm:g} mm."
            )
    if request.bead_length_mm < 2 * DISCARD_MM + 10:
        found.append(
            f"Beads of {request.bead_length_mm:g} mm leave little between start and "
            "crater; 60 mm and more let the saw cut where the bead is steady."
        )
    found += _about_design(request)
    return tuple(found)


def _about_design(request: Request) -> list[str]:
    """Say what a plan cannot teach."""
    found = []
    if request.repeats == 1:
        found.append(
            "Each setting is welded once, so the luck of a bead cannot be told from "
            "its setting; --repeats 2 would tell."
        )
    for name, values in request.settings:
        if 1 < len(values) < 5:
            found.append(
                f"{len(values)} values of {words_of(name)} are too few to find where a "
                "quantity stops rising; that takes five and more."
            )
    return found


# ------------------------------------------------------------- the log sheet


def sheet_columns(made: Plan) -> tuple[tuple[str, str, str], ...]:
    """Columns of the log sheet: name, kind, meaning."""
    own = [(c.name, c.kind, c.meaning) for c in LOG_COLUMNS]
    planned = [
        (PLANNED + name, "number", f"Planned {words_of(name)}, {unit_of(name) or '-'}.")
        for name, _ in made.request.settings
    ]
    known = {c.name for c in LOG_COLUMNS}
    used = [
        (name, "number", f"{words_of(name)} as really used, {unit_of(name) or '-'}.")
        for name, _ in made.request.settings
        if name not in known
    ]
    # what is planned stands before what is written down
    return (*own[:4], *planned, *used, *own[4:])


def log_sheet(made: Plan) -> str:
    """Write the log sheet as CSV, a row for each bead, to be filled in."""
    columns = [name for name, _, _ in sheet_columns(made)]
    held = io.StringIO()
    writer = csv.DictWriter(held, columns, restval="", lineterminator="\n")
    writer.writeheader()
    for bead in made.beads:
        cells: dict[str, str | int] = {
            "coupon": made.request.coupon,
            "bead": bead.bead,
            "position_mm": f"{bead.position_mm:g}",
            "run_order": bead.run_order,
        }
        cells |= {PLANNED + name: f"{value:g}" for name, value in bead.settings}
        writer.writerow(cells)
    return held.getvalue()


def column_description(made: Plan, file: str) -> str:
    """Describe the columns of the log sheet as a table schema in JSON."""
    required = {"bead"}
    fields: list[Mapping[str, object]] = [
        {
            "name": name,
            "type": kind,
            "description": meaning,
            **({"unit": unit_of(name)} if unit_of(name) else {}),
            "constraints": {"required": name in required},
        }
        for name, kind, meaning in sheet_columns(made)
    ]
    description = {
        "name": made.request.coupon,
        "resources": [
            {
                "name": "log-sheet",
                "path": file,
                "format": "csv",
                "encoding": "utf-8",
                "schema": {"fields": fields, "primaryKey": ["coupon", "bead"]},
            }
        ],
    }
    return json.dumps(description, indent=2, ensure_ascii=False) + "\n"


def summary(made: Plan) -> str:
    """Say in a few lines what is to be welded, and what to mind."""
    request = made.request
    tried = "; ".join(
        f"{words_of(name)} "
        + (
            f"{show_setting(name, values[0])} to {show_setting(name, values[-1])} in "
            f"{len(values)} settings"
            if len(values) > 1
            else show_setting(name, values[0])
        )
        for name, values in request.settings
    )
    long, wide = made.plate_mm
    cuts = ", ".join(f"{at:.0f}" for at in made.cuts_mm)
    lines = [
        f"{len(made.beads)} beads: {tried}; {request.repeats} each.",
        f"Plate {request.material}, {request.thickness_mm:g} mm, at least "
        f"{long:.0f} x {wide:.0f} mm; beads {request.spacing_mm:g} mm apart.",
        f"Saw at {cuts} mm from the start of the beads.",
        f"Weld in the run order of the sheet; wait {request.wait} "
        + ("between blocks." if request.order is Order.BLOCKS else "before each bead."),
        *(f"Mind: {warning}" for warning in made.warnings),
    ]
    return "\n".join(lines) + "\n"
