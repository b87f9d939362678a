"""What ``weldsection measure`` does once its options are read."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from weldsection.batch import (
    Batch,
    Finish,
    PhotoOutcome,
    Task,
    measure_batch,
    plain_rows,
)
from weldsection.errors import UsageError
from weldsection.output.files import ResultsFolder
from weldsection.output.table import as_csv, as_json, as_table, shown
from weldsection.records import Options
from weldsection.scale.request import parse_reference

_FORMATS = {"table": as_table, "csv": as_csv, "json": as_json}
_OPTION_NAMES = (
    "references", "order", "first_bead", "face_height_mm", "camera_distance_mm",
    "camera_file", "card_length_mm",
)  # fmt: skip
# More workers than this wait for each other's memory, not for the processors.
_MOST_WORKERS = 4
_FEWEST_PHOTOS_FOR_WORKERS = 4


def run(**given: Any) -> None:
    """Check what was asked for, measure it, and write the table."""
    for text in given["references"]:
        parse_reference(text)
    camera: Path | None = given["camera_file"]
    if camera is not None and not camera.is_file():
        raise UsageError(f"There is no camera file {camera}; check its name.")
    tasks = _tasks(given)
    finish = _finish(given)
    batch = Batch(
        tasks=tasks,
        folder=ResultsFolder(given["out"]),
        workers=given["jobs"] or _workers_for(len(tasks)),
        overwrite=given["overwrite"],
    )
    progress = _Progress(len(tasks), quiet=given["quiet"])
    outcomes = measure_batch(batch, progress.report, finish)
    table_format = given["table_format"] or ("" if given["quiet"] else "table")
    rows = finish(outcomes)
    if table_format and rows:
        click.echo(_FORMATS[table_format](rows), nl=False)
    _end(outcomes, batch.folder, quiet=given["quiet"])


def _tasks(given: dict[str, Any]) -> tuple[Task, ...]:
    """Give each photo its options; ``--beads`` sets its first bead and order."""
    photos: Sequence[Path] = given["photos"]
    options = Options(**{name: given[name] for name in _OPTION_NAMES})
    ranges: Sequence[str] = given["bead_ranges"]
    if not ranges:
        return tuple(Task(photo, options) for photo in photos)
    if len(ranges) != len(photos):
        raise UsageError(
            f"--beads is given {len(ranges)} times for {len(photos)} photos; "
            "give it once for each photo, in the same order."
        )
    from weldsection.logged import numbered  # noqa: PLC0415 - see _finish

    return tuple(
        Task(photo, numbered(options, text))
        for photo, text in zip(photos, ranges, strict=True)
    )


def _finish(given: dict[str, Any]) -> Finish:
    """Give what makes the rows of the table from the outcomes of the photos."""
    ranges, log = given["bead_ranges"], given["log_sheet"]
    if not ranges and log is None:
        return plain_rows
    # the study of settings is loaded by those who gave any
    from weldsection.logged import finishing  # noqa: PLC0415

    return finishing(ranges, log)


def _workers_for(photos: int) -> int:
    if photos < _FEWEST_PHOTOS_FOR_WORKERS:
        return 1
    return min(_MOST_WORKERS, _processors())


def _processors() -> int:
    """Processors this process may use, where the system tells."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class _Progress:
    """A line on standard error for each photo as it is finished."""

    def __init__(self, count: int, *, quiet: bool) -> None:
        self._count, self._quiet, self._done = count, quiet, 0

    def report(self, outcome: PhotoOutcome) -> None:
        self._done += 1
        if outcome.error:
            click.echo(f"weldsection: {shown(outcome.error)}", err=True)
        elif not self._quiet:
            earlier = " (measured before)" if outcome.taken_over else ""
            name = shown(outcome.photo.name)
            click.echo(
                f"({self._done}/{self._count}) {name}: {outcome.summary}{earlier}",
                err=True,
            )
            for line in (f"picture: {outcome.picture}", *outcome.advice):
                click.echo(f"    {line}", err=True)


def _end(
    outcomes: Sequence[PhotoOutcome], folder: ResultsFolder, *, quiet: bool
) -> None:
    """Say where the results are, and fail if a photo could not be measured."""
    failed = [outcome for outcome in outcomes if outcome.error]
    measured = len(outcomes) - len(failed)
    if measured and not quiet:
        click.echo(f"Table, records and pictures are in {folder.root}.", err=True)
    if failed and len(outcomes) > 1:
        click.echo(
            f"weldsection: {len(failed)} of {len(outcomes)} photos could not be "
            "measured; put them right and run the same again to go on.",
            err=True,
        )
    if failed:
        raise click.exceptions.Exit(1)
