"""Many photos measured into one results folder.

Each photo stands for itself: one that fails does not stop the others, a photo
measured before with the same options is taken over, and the table does not
depend on how many workers shared the work.
"""

from __future__ import annotations

import math
import os
import signal
import threading
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2

from weldsection._version import __version__
from weldsection.errors import (
    DataError,
    OutputError,
    PhotoError,
    UsageError,
    WeldSectionError,
)
from weldsection.networks import load_ahead
from weldsection.output.files import (
    ResultsFolder,
    same_name_key,
    write_whole,
    write_whole_text,
)
from weldsection.output.overlay import overlay_jpeg
from weldsection.output.record import (
    load_record,
    options_record,
    record_text,
    result_of,
)
from weldsection.output.table import Row, as_csv
from weldsection.photo import read_photo, sha256_of
from weldsection.pipeline import measure_section
from weldsection.records import Options, Quality, SectionResult
from weldsection.scale.request import taken_level


@dataclass(frozen=True, slots=True)
class PhotoOutcome:
    """What became of one photo."""

    photo: Path
    rows: tuple[Row, ...] = ()
    summary: str = ""
    """Beads and scale in a few words."""
    picture: str = ""
    """Quality of the picture in a few words."""
    advice: tuple[str, ...] = ()
    """How a better photo would help, a sentence each."""
    error: str = ""
    """Why the photo could not be measured; empty when it was."""
    taken_over: bool = False
    """Whether an earlier run had measured it already."""


@dataclass(frozen=True, slots=True)
class Task:
    """One photo and what was asked for on it."""

    photo: Path
    options: Options


@dataclass(frozen=True, slots=True)
class Batch:
    """What to measure, how, and where the results go."""

    tasks: tuple[Task, ...]
    folder: ResultsFolder
    workers: int = 1
    overwrite: bool = False
    """Whether the results of an earlier run may be replaced."""


Report = Callable[[PhotoOutcome], None]
Finish = Callable[[Sequence[PhotoOutcome]], Sequence[Row]]


def measure_batch(batch: Batch, report: Report, finish: Finish) -> list[PhotoOutcome]:
    """Measure photos and write their records, pictures and the table of beads.

    Parameters
    ----------
    batch
        What to measure.
    report
        Called with each photo's outcome as soon as it is known.
    finish
        Makes the rows of the table from all outcomes, in the order asked for.

    Raises
    ------
    UsageError
        If two photos would have results of the same name.
    OutputError
        If the folder cannot be written to, or holds results of another run.
    """
    check_names(task.photo for task in batch.tasks)
    batch.folder.prepare()
    known = {} if batch.overwrite else _taken_over(batch)
    outcomes: dict[Path, PhotoOutcome] = {}
    try:
        for outcome in _outcomes(batch, known):
            outcomes[outcome.photo] = outcome
            report(outcome)
    finally:
        # also when stopped half-way: what was finished is kept
        ordered = [outcomes[t.photo] for t in batch.tasks if t.photo in outcomes]
        _write_table(batch.folder, plain_rows(ordered))
        batch.folder.remove_if_empty()
    if batch.overwrite and any(outcome.rows for outcome in ordered):
        _remove_others(batch.folder, ordered)
    _write_table(batch.folder, finish(ordered))
    return ordered


def plain_rows(outcomes: Sequence[PhotoOutcome]) -> list[Row]:
    """Give the rows of all photos as they were measured."""
    return [row for outcome in outcomes for row in outcome.rows]


def measure_into(folder: ResultsFolder, task: Task) -> PhotoOutcome:
    """Measure one photo and write its picture and record.

    The record is written last: where it is, everything of the photo is there.
    """
    photo = task.photo
    load_ahead()
    try:
        seen = read_photo(photo)
        result = measure_section(seen, task.options)
        write_whole(folder.overlay_of(photo), overlay_jpeg(seen, result))
        write_whole_text(folder.record_of(photo), record_text(result))
    except OutputError:
        raise
    except WeldSectionError as error:
        return PhotoOutcome(photo, error=_naming(photo, str(error)))
    except Exception as error:
        # a fault of ours on one photo must not cost the others; the only place
        # where errors of every kind are caught
        reason = f"{type(error).__name__}: {error}"
        return PhotoOutcome(
            photo,
            error=f"{photo.name} could not be measured ({reason}); this is a fault "
            "of the program, please report it with the photo.",
        )
    return _outcome(photo, result)


def check_names(photos: Iterable[Path]) -> None:
    """Refuse photos whose results would overwrite each other's."""
    seen: dict[str, Path] = {}
    for photo in photos:
        other = seen.setdefault(same_name_key(photo), photo)
        if other is photo:
            continue
        if other == photo:
            raise UsageError(f"{photo} is given twice; give each photo once.")
        raise UsageError(
            f"{other} and {photo} have the same name, so their results would too; "
            "rename one or measure them into two folders."
        )


# ------------------------------------------------------------- one after another


def _outcomes(batch: Batch, known: dict[Path, PhotoOutcome]) -> Iterator[PhotoOutcome]:
    """Give each photo's outcome as soon as it is known."""
    yield from known.values()
    left = [task for task in batch.tasks if task.photo not in known]
    if min(batch.workers, len(left)) > 1:
        yield from _by_workers(batch, left)
        return
    for task in left:
        yield measure_into(batch.folder, task)


def _by_workers(batch: Batch, tasks: Sequence[Task]) -> Iterator[PhotoOutcome]:
    import multiprocessing  # noqa: PLC0415 - one photo need not wait for these
    from concurrent.futures import (  # noqa: PLC0415
        ProcessPoolExecutor,
        as_completed,
    )
    from concurrent.futures.process import BrokenProcessPool  # noqa: PLC0415

    # started afresh rather than forked: OpenCV's threads do not survive a fork
    fresh = multiprocessing.get_context("spawn")
    workers = min(batch.workers, len(tasks))
    pool = ProcessPoolExecutor(workers, mp_context=fresh, initializer=_start_worker)
    try:
        at_work = [pool.submit(measure_into, batch.folder, task) for task in tasks]
        for done in as_completed(at_work):
            yield done.result()
    except BrokenProcessPool as error:
        raise OutputError(
            "A worker was stopped by the system, most likely for want of memory; "
            "run the same again with --jobs 1 to go on."
        ) from error
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _start_worker() -> None:
    """Leave Ctrl-C to the parent, so that the photo in hand is finished.

    One thread in each worker: more would wait for each other. The digits are the
    same with any number.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    warnings.simplefilter("ignore")
    cv2.setNumThreads(1)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """End when the parent was killed, rather than wait for work for ever."""
    import multiprocessing  # noqa: PLC0415 - as above

    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


# ------------------------------------------------------------------ earlier runs


def _taken_over(batch: Batch) -> dict[Path, PhotoOutcome]:
    """Give the photos an earlier run has measured with the same options."""
    folder = batch.folder
    known: dict[Path, PhotoOutcome] = {}
    for task in batch.tasks:
        outcome = _earlier(folder, task.photo, task.options)
        if outcome is not None:
            known[task.photo] = outcome
    records = folder.records()
    ours = {folder.record_of(photo) for photo in known}
    others = [record for record in records if record not in ours]
    if others or (folder.table.exists() and not records):
        other = others[0].stem if others else folder.table.name
        raise OutputError(
            f"{folder.root} holds results of other photos or options ({other}); "
            "replace them with --overwrite or give another folder with --out."
        )
    return known


def _earlier(
    folder: ResultsFolder, photo: Path, options: Options
) -> PhotoOutcome | None:
    """Give the earlier outcome of a photo if it would come out the same now."""
    path = folder.record_of(photo)
    if not path.exists() or not folder.overlay_of(photo).exists():
        return None
    try:
        record = load_record(path)
        same = (
            record["origin"]["sha256"] == sha256_of(photo)
            and record["photo"] == photo.name
            and record["options"] == options_record(options)
            and record["versions"]["weldsection"] == __version__
        )
        result = result_of(record, path) if same else None
    except (DataError, PhotoError, KeyError):
        return None
    return None if result is None else _outcome(photo, result, taken_over=True)


def _remove_others(folder: ResultsFolder, kept: Sequence[PhotoOutcome]) -> None:
    """Remove what an earlier run left and this one did not measure."""
    ours = {folder.record_of(outcome.photo) for outcome in kept if not outcome.error}
    for record in folder.records():
        if record not in ours:
            folder.overlay_of(record).unlink(missing_ok=True)
            record.unlink(missing_ok=True)


def _write_table(folder: ResultsFolder, rows: Sequence[Row]) -> None:
    if rows:
        write_whole_text(folder.table, as_csv(rows))


# --------------------------------------------------------------------- in words


def _outcome(
    photo: Path, result: SectionResult, *, taken_over: bool = False
) -> PhotoOutcome:
    advice = (result.quality.advice, result.scale.advice)
    return PhotoOutcome(
        photo,
        rows=tuple(result.rows()),
        summary=_summary(result),
        picture=_picture(result.quality),
        advice=tuple(sentence for sentence in advice if sentence),
        taken_over=taken_over,
    )


def _summary(result: SectionResult) -> str:
    count = len(result.beads)
    kinds = [reference.kind for reference in result.scale.references]
    level = taken_level(kinds, result.options.face_height_mm)
    told = ", taken to be level with the face" if level else ""
    u_pct = 100 * max((bead.scale_relative_u for bead in result.beads), default=0.0)
    beads = "bead" if count == 1 else "beads"
    return f"{count} {beads}, scale from {' and '.join(kinds)} ± {u_pct:.2g} %{told}"


def _picture(quality: Quality) -> str:
    """Say how good the picture is, as far as that is known."""
    measured = {
        f"{quality.px_per_mm:.0f} px/mm": quality.px_per_mm,
        f"edge blur {quality.blur_mm:.2f} mm": quality.blur_mm,
        f"burnt out {100 * quality.overexposed_share:.1f} %": quality.overexposed_share,
        f"seen {quality.tilt_deg:.0f}° askew": quality.tilt_deg,
        f"etch contrast {quality.etch_contrast:.1f}": quality.etch_contrast,
    }
    return ", ".join(text for text, value in measured.items() if math.isfinite(value))


def _naming(photo: Path, sentence: str) -> str:
    """Let an error sentence say which photo it speaks of."""
    return sentence if photo.name in sentence else f"{photo.name}: {sentence}"
