"""The log sheet kept while welding: one row for each bead.

A sheet made by ``weldsection plan`` has the columns of `LOG_COLUMNS`; a sheet
of one's own needs only ``bead`` and the settings that were changed. Columns
nobody declared are kept: as settings if they hold numbers, else as text.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from weldsection.errors import DataError
from weldsection.study.tables import (
    Place,
    Sheet,
    number,
    numeric_columns,
    read_sheet,
    whole_number,
)

PLANNED = "planned_"


@dataclass(frozen=True, slots=True)
class LogColumn:
    """A column of the log sheet and what belongs in it."""

    name: str
    kind: str
    """One of: integer, number, string."""
    meaning: str


LOG_COLUMNS = (
    LogColumn("coupon", "string", "The plate's name, stamped or painted on it."),
    LogColumn("bead", "integer", "The bead's number, counted along the plate."),
    LogColumn("position_mm", "number", "Middle of the bead from the plate's left end."),
    LogColumn("run_order", "integer", "When it is welded: 1 is welded first."),
    LogColumn("current_a", "number", "Welding current as read while welding, A."),
    LogColumn("voltage_v", "number", "Arc voltage as read while welding, V."),
    LogColumn("travel_mm_min", "number", "Travel speed, mm/min; or give the time."),
    LogColumn("time_s", "number", "Arc time of the bead, s."),
    LogColumn("length_mm", "number", "Length of the bead as welded, mm."),
    LogColumn("interpass_c", "number", "Plate temperature just before the bead, °C."),
    LogColumn("remarks", "string", "Restart, arc wander, moved …; else empty."),
)
# columns that describe a bead but are no setting to compare against
NO_SETTINGS = ("position_mm", "run_order", "time_s", "length_mm", "interpass_c")

_KNOWN_TEXT = ("coupon", "remarks")


@dataclass(frozen=True, slots=True)
class LogRow:
    """What was logged for one bead."""

    place: Place
    bead: int
    coupon: str
    position_mm: float
    run_order: float
    """1 for the bead welded first; NaN where not logged."""
    settings: tuple[tuple[str, float], ...]
    """Every number of the sheet by column; a setting that was planned but not
    logged has its planned value."""
    assumed: tuple[str, ...]
    """Settings whose planned value stands in because none was logged."""
    remarks: str
    extra: tuple[tuple[str, str], ...]
    """Further columns, kept as they were written."""


@dataclass(frozen=True, slots=True)
class LogSheet:
    """A log sheet: one row for each bead, in the order of the sheet."""

    file: str
    rows: tuple[LogRow, ...]

    @property
    def beads(self) -> tuple[int, ...]:
        """The bead numbers in the order of the sheet."""
        return tuple(row.bead for row in self.rows)

    @property
    def coupons(self) -> tuple[str, ...]:
        """The coupons named in the sheet; empty if it names none."""
        return tuple(dict.fromkeys(row.coupon for row in self.rows if row.coupon))

    def of_coupon(self, coupon: str) -> LogSheet:
        """Give the part of the sheet that belongs to one coupon.

        A sheet that names no coupon belongs to any, and a sheet that names
        one belongs to beads whose coupon is not named.
        """
        if not self.coupons or (not coupon and len(self.coupons) == 1):
            return self
        rows = tuple(row for row in self.rows if row.coupon == coupon)
        return LogSheet(self.file, rows)


def read_log_sheet(path: Path) -> LogSheet:
    """Read a log sheet.

    Raises
    ------
    DataError
        If a bead number is missing or doubled or a number cannot be read;
        names row and column.
    """
    return log_of_sheet(read_sheet(path))


def log_of_sheet(sheet: Sheet) -> LogSheet:
    """Turn the cells of a log sheet into rows."""
    if "bead" not in sheet.columns:
        raise DataError(
            f"{sheet.file} row 1: there is no column 'bead'; "
            "give each bead's number in a column of that name."
        )
    numeric = numeric_columns(sheet, ("bead", *_KNOWN_TEXT))
    rows = tuple(_row(place, cells, numeric) for place, cells in sheet.rows)
    _refuse_doubled(rows)
    return LogSheet(sheet.file, rows)


def _row(place: Place, cells: Mapping[str, str], numeric: tuple[str, ...]) -> LogRow:
    numbers = {c: number(place, c, cells[c]) for c in numeric}
    settings, assumed = _with_planned(numbers)
    known = {"bead", *_KNOWN_TEXT, *numeric}
    return LogRow(
        place=place,
        bead=whole_number(place, "bead", cells["bead"]),
        coupon=cells.get("coupon", ""),
        position_mm=numbers.get("position_mm", math.nan),
        run_order=numbers.get("run_order", math.nan),
        settings=settings,
        assumed=assumed,
        remarks=cells.get("remarks", ""),
        extra=tuple((c, text) for c, text in cells.items() if c not in known),
    )


def _with_planned(
    numbers: Mapping[str, float],
) -> tuple[tuple[tuple[str, float], ...], tuple[str, ...]]:
    """Let a planned value stand in where nothing was logged."""
    filled = dict(numbers)
    assumed = []
    for column, planned in numbers.items():
        if not column.startswith(PLANNED) or math.isnan(planned):
            continue
        used = column.removeprefix(PLANNED)
        if math.isnan(filled.get(used, math.nan)):
            filled[used] = planned
            assumed.append(used)
    return tuple(filled.items()), tuple(assumed)


def _refuse_doubled(rows: tuple[LogRow, ...]) -> None:
    seen: dict[tuple[str, int], LogRow] = {}
    for row in rows:
        key = (row.coupon, row.bead)
        if key in seen:
            raise DataError(
                f"{row.place}, column bead: bead {row.bead} stands in row "
                f"{seen[key].place.row} already; number each bead once."
            )
        seen[key] = row
