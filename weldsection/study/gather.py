"""Bring tables, log sheets and what was said on the command line together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from weldsection.errors import DataError, UsageError
from weldsection.study.compare import CompareOptions, Comparison, compare
from weldsection.study.heat import process
from weldsection.study.join import BeadRange, Repeats, attach_settings, renumbered
from weldsection.study.logsheet import read_log_sheet
from weldsection.study.tables import SectionRow, read_rows
from weldsection.study.terms import TERMS, Term, term, words_of
from weldsection.study.window import Wish


@dataclass(frozen=True, slots=True)
class Sources:
    """Which files are compared and how they belong together."""

    tables: tuple[Path, ...]
    logs: tuple[Path, ...] = ()
    """One for all coupons, or one for each file in the same order."""
    coupon: str = "file"
    """What one coupon is: all photos of a file, each photo, or all that is given."""
    ranges: tuple[tuple[str, BeadRange], ...] = ()
    """Photo and the beads it shows."""
    repeats: Repeats | None = None
    """What a bead is that is met again; None if that was not said."""


def compare_files(given: dict[str, Any]) -> Comparison:
    """Compare what the command line asks for."""
    sources = Sources(
        tuple(given["tables"]),
        tuple(given["logs"]),
        given["coupon"],
        tuple(bead_range(text) for text in given["ranges"]),
        Repeats(given["repeats"]) if given["repeats"] else None,
    )
    rows = gather(sources)
    options = CompareOptions(
        against=tuple(_setting(name, rows) for name in given["against"]),
        quantities=quantities(given["quantities"]),
        margins=tuple(margin(text) for text in given["margins"]),
        wishes=tuple(Wish.parse(text) for text in given["wishes"]),
        chance=given["chance"] / 100,
        process=process(given["process"]) if given["process"] else None,
        repeats=sources.repeats or Repeats.READING,
    )
    return compare(rows, options)


def gather(sources: Sources) -> tuple[SectionRow, ...]:
    """Read all tables, number their beads and give them their settings.

    Raises
    ------
    DataError
        If a table or sheet cannot be understood, or they do not belong together.
    """
    if len(sources.logs) > 1 and len(sources.logs) != len(sources.tables):
        raise UsageError(
            f"{len(sources.logs)} log sheets are given for {len(sources.tables)} "
            "tables; give one for all, or one for each table in the same order."
        )
    parts = [_with_coupon(read_rows(path), path, sources) for path in sources.tables]
    parts = _numbered(parts, sources)
    if len(sources.logs) > 1:
        logs = [read_log_sheet(path) for path in sources.logs]
        parts = [
            list(attach_settings(p, log)) for p, log in zip(parts, logs, strict=True)
        ]
    rows = tuple(row for part in parts for row in part)
    if len(sources.logs) == 1:
        rows = attach_settings(rows, read_log_sheet(sources.logs[0]))
    _refuse_unsaid_repeats(rows, sources)
    return rows


def _with_coupon(
    rows: Sequence[SectionRow], path: Path, sources: Sources
) -> list[SectionRow]:
    """Name the coupon of rows whose table does not."""
    if sources.coupon == "photo":
        return [row if row.coupon else replace(row, coupon=row.photo) for row in rows]
    if sources.coupon == "all" or len(sources.tables) == 1:
        return list(rows)
    stems = [each.stem for each in sources.tables]
    name = path.stem if stems.count(path.stem) == 1 else f"{path.parent.name}"
    if not name or sum(_short(each, stems) == name for each in sources.tables) > 1:
        name = str(path.with_suffix(""))
    return [row if row.coupon else replace(row, coupon=name) for row in rows]


def _short(path: Path, stems: Sequence[str]) -> str:
    return path.stem if stems.count(path.stem) == 1 else path.parent.name


def _numbered(
    parts: Sequence[Sequence[SectionRow]], sources: Sources
) -> list[list[SectionRow]]:
    """Give the photos named with their bead ranges the numbers they show."""
    ranges = dict(sources.ranges)
    if not ranges:
        return [list(part) for part in parts]
    photos = {row.photo for part in parts for row in part}
    for photo in ranges:
        if photo not in photos:
            shown = ", ".join(sorted(photos))
            raise UsageError(f"No table has a photo '{photo}'; there are {shown}.")
    numbered: list[list[SectionRow]] = []
    for part in parts:
        new: list[SectionRow] = []
        for photo in dict.fromkeys(row.photo for row in part):
            mine = [row for row in part if row.photo == photo]
            new += renumbered(mine, ranges[photo]) if photo in ranges else mine
        numbered.append(new)
    return numbered


def _refuse_unsaid_repeats(rows: Sequence[SectionRow], sources: Sources) -> None:
    """Do not guess what a bead is that is met twice."""
    if sources.repeats is not None:
        return
    seen: dict[tuple[str, int], SectionRow] = {}
    for row in rows:
        first = seen.setdefault((row.coupon, row.bead), row)
        if first is row or (row.cut or row.face):
            continue
        raise DataError(
            f"Bead {row.bead} is on {first.photo} ({first.place}) and on {row.photo} "
            f"({row.place}); say what that is: --repeats reading, face or cut for "
            "one coupon, --coupon photo if each photo shows its own, or --beads for "
            "the numbers they show."
        )


# -------------------------------------------------------- words and numbers


def bead_range(text: str) -> tuple[str, BeadRange]:
    """Read ``plate2.jpg=5-8``.

    Examples
    --------
    >>> bead_range("plate2.jpg=5-8")
    ('plate2.jpg', BeadRange(first=5, last=8))
    """
    photo, sign, beads = text.rpartition("=")
    if not sign or not photo:
        raise UsageError(f"'{text}' names no photo; write --beads plate2.jpg=5-8.")
    return photo, BeadRange.parse(beads)


def margin(text: str) -> tuple[Term, float]:
    """Read ``penetration=0.3``.

    Examples
    --------
    >>> margin("penetration=0.3")[1]
    0.3
    """
    name, _, value = text.partition("=")
    try:
        size = float(value)
    except ValueError:
        size = 0.0
    if not 0 < size < float("inf"):
        raise UsageError(
            f"'{text}' gives no margin; write it like penetration=0.3, above zero."
        )
    return term(name), size


def quantities(names: Sequence[str]) -> tuple[Term, ...]:
    """Give the quantities of those names; none named means all."""
    if "all" in names:
        return TERMS
    return tuple(dict.fromkeys(term(name) for name in names))


def _setting(name: str, rows: Sequence[SectionRow]) -> str:
    """Find the column of a setting by its name, with or without its unit."""
    columns = dict.fromkeys(c for row in rows for c in row.settings)
    columns |= dict.fromkeys(("arc_energy_kj_mm", "heat_input_kj_mm"))
    plain = name.strip().lower().replace("-", " ").replace("_", " ")
    for column in columns:
        if plain in (column.replace("_", " "), words_of(column)):
            return column
    return name
