"""Rows of a batch with the bead numbers and settings that a log sheet has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from weldsection.batch import PhotoOutcome
from weldsection.errors import DataError
from weldsection.output.table import Row
from weldsection.quantities import COLUMNS
from weldsection.records import Options
from weldsection.study.join import BeadRange, attach_settings, log_columns
from weldsection.study.logsheet import LogSheet
from weldsection.study.tables import Place, Sheet, rows_of_sheet

_OTHER_WAY = {"left-to-right": "right-to-left", "right-to-left": "left-to-right"}


def numbered(options: Options, beads: BeadRange) -> Options:
    """Give the options under which a photo's beads get the numbers of a range.

    A range that counts down is the same beads counted from the other side.

    Examples
    --------
    >>> turned = numbered(Options(), BeadRange(8, 5))
    >>> turned.order, turned.first_bead
    ('right-to-left', 5)
    """
    if beads.first <= beads.last:
        return replace(options, first_bead=beads.first)
    return replace(options, first_bead=beads.last, order=_OTHER_WAY[options.order])


def finished_rows(
    outcomes: Sequence[PhotoOutcome],
    ranges: Sequence[BeadRange],
    log: LogSheet | None,
) -> list[Row]:
    """Give the rows of the table, with the settings of the log sheet if any.

    Raises
    ------
    DataError
        If a photo shows another number of beads than its range has, or the
        beads are not those of the log sheet; names both counts.
    """
    for outcome, beads in zip(outcomes, ranges, strict=False):
        count, expected = len(outcome.rows), len(beads.numbers)
        if not outcome.error and count != expected:
            raise DataError(
                f"{outcome.photo.name} shows {count} beads and --beads "
                f"{beads.first}-{beads.last} names {expected}; give those it shows."
            )
    rows = [row for outcome in outcomes for row in outcome.rows]
    if log is None or not rows:
        return rows
    return _with_settings(rows, log, whole=not any(o.error for o in outcomes))


def _with_settings(rows: Sequence[Row], log: LogSheet, *, whole: bool) -> list[Row]:
    cells = tuple(
        (Place("beads.csv", line), {name: str(row[name]) for name in COLUMNS})
        for line, row in enumerate(rows, start=2)
    )
    attached = attach_settings(
        rows_of_sheet(Sheet("beads.csv", COLUMNS, cells)), log, whole=whole
    )
    logged = {entry.bead: entry for entry in log.of_coupon("").rows}
    return [
        {**row, **log_columns(logged[each.bead])}
        for row, each in zip(rows, attached, strict=True)
    ]
