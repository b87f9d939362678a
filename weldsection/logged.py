"""Rows of a batch with the bead numbers and settings that a log sheet has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from weldsection.batch import Finish, PhotoOutcome, plain_rows
from weldsection.errors import DataError
from weldsection.output.table import Row
from weldsection.quantities import COLUMNS
from weldsection.records import Options
from weldsection.study.join import BeadRange, attach_settings, log_columns
from weldsection.study.logsheet import LogSheet, read_log_sheet
from weldsection.study.tables import Place, Sheet, rows_of_sheet

_OTHER_WAY = {"left-to-right": "right-to-left", "right-to-left": "left-to-right"}


def numbered(options: Options, text: str) -> Options:
    """Give the options under which a photo's beads get the numbers of a range.

    A range that counts down is the same beads counted from the other side.

    Examples
    --------
    >>> turned = numbered(Options(), "8-5")
    >>> turned.order, turned.first_bead
    ('right-to-left', 5)
    """
    beads = BeadRange.parse(text)
    if beads.first <= beads.last:
        return replace(options, first_bead=beads.first)
    return replace(options, first_bead=beads.last, order=_OTHER_WAY[options.order])


def finishing(ranges: Sequence[str], log_sheet: Path | None) -> Finish:
    """Give what makes the table's rows, with settings if there is a log sheet.

    Both are read at once, so that a mistake in them is told before the first
    photo is measured.

    Raises
    ------
    DataError
        If the log sheet cannot be read; later, from what is given: if a photo
        shows another number of beads than its range has, or the beads are not
        those of the log sheet. Both counts are named.
    """
    beads = [BeadRange.parse(text) for text in ranges]
    log = read_log_sheet(log_sheet) if log_sheet is not None else None

    def finish(outcomes: Sequence[PhotoOutcome]) -> Sequence[Row]:
        for outcome, expected in zip(outcomes, beads, strict=False):
            _check_count(outcome, expected)
        rows = plain_rows(outcomes)
        if log is None or not rows:
            return rows
        return _with_settings(rows, log, whole=not any(o.error for o in outcomes))

    return finish


def _check_count(outcome: PhotoOutcome, beads: BeadRange) -> None:
    count, expected = len(outcome.rows), len(beads.numbers)
    if not outcome.error and count != expected:
        raise DataError(
            f"{outcome.photo.name} shows {count} beads and --beads "
            f"{beads.first}-{beads.last} names {expected}; give those it shows."
        )


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
