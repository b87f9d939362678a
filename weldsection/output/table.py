"""Rows of beads as CSV, as JSON, and as a table to read."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from weldsection.flags import Flag
from weldsection.quantities import COLUMNS, Cell

Row = Mapping[str, Cell]


@dataclass(frozen=True, slots=True)
class _ReadColumn:
    """A column of the table to read: heading, unit, what it shows and how."""

    heading: str
    unit: str
    column: str
    u_column: str | None
    decimals: int


_READ_COLUMNS = (
    _ReadColumn("x", "mm", "x_mm", None, 1),
    _ReadColumn("penetration", "mm", "penetration_mm", "penetration_u_mm", 2),
    _ReadColumn("width", "mm", "width_mm", "width_u_mm", 2),
    _ReadColumn("reinforcement", "mm", "reinforcement_mm", "reinforcement_u_mm", 2),
    _ReadColumn("dilution", "%", "dilution_pct", "dilution_u_pct", 1),
    _ReadColumn("toe left", "°", "toe_angle_left_deg", None, 0),
    _ReadColumn("toe right", "°", "toe_angle_right_deg", None, 0),
    _ReadColumn("HAZ", "mm", "haz_depth_mm", None, 2),
)


def columns_of(rows: Iterable[Row]) -> list[str]:
    """Give the columns of ``beads.csv``, then any more that the rows have."""
    columns = list(COLUMNS)
    for row in rows:
        columns += [name for name in row if name not in columns]
    return columns


def as_csv(rows: Sequence[Row]) -> str:
    """Write rows as ``beads.csv``: comma, decimal point, one header line."""
    text = io.StringIO()
    writer = csv.DictWriter(text, columns_of(rows), restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def as_json(rows: Sequence[Row]) -> str:
    """Write rows as a JSON list; what was not measured is null."""
    plain = [{k: None if v == "" else v for k, v in row.items()} for row in rows]
    return json.dumps(plain, ensure_ascii=False, indent=1) + "\n"


def as_table(rows: Sequence[Row]) -> str:
    """Write rows as an aligned table, and below it what its flags mean.

    Values stand with their standard uncertainty (k = 1), ``1.89 ± 0.05``.
    """
    several = len({row["photo"] for row in rows}) > 1
    head = [*(["photo"] if several else []), "bead"]
    lines = [
        [*head, *(c.heading for c in _READ_COLUMNS), "flags"],
        [*("" for _ in head), *(c.unit for c in _READ_COLUMNS), ""],
    ]
    for row in rows:
        names = [shown(str(row["photo"]))] if several else []
        values = [_value_text(row, column) for column in _READ_COLUMNS]
        lines.append([*names, str(row["bead"]), *values, str(row["flags"])])
    text = _aligned(lines, left=len(head) - 1)
    return text + _explained(rows)


def shown(name: str) -> str:
    """Give a file name as it may be sent to a terminal: no control characters."""
    return "".join(c if c.isprintable() else "?" for c in name)


def explained_flags(words: Iterable[str]) -> list[str]:
    """Give ``word: sentence`` once for each flag, in the order of declaration."""
    given = set(words)
    return [f"{flag.word}: {flag.sentence}" for flag in Flag if flag.word in given]


def _explained(rows: Sequence[Row]) -> str:
    words = {word for row in rows for word in str(row["flags"]).split(";")}
    sentences = explained_flags(words)
    note = "± is one standard uncertainty (k = 1), scale included.\n"
    return "\n" + note + "".join(f"{sentence}\n" for sentence in sentences)


def _value_text(row: Row, column: _ReadColumn) -> str:
    value = row[column.column]
    if value == "":
        return "–"
    text = f"{float(value):.{column.decimals}f}"
    u = row[column.u_column] if column.u_column else ""
    return text if u == "" else f"{text} ± {float(u):.{column.decimals}f}"


def _aligned(lines: Sequence[Sequence[str]], *, left: int) -> str:
    """Set cells into columns, numbers to the right, names and flags to the left."""
    widths = [max(map(len, cells)) for cells in zip(*lines, strict=True)]
    last = len(widths) - 1
    return "".join(
        "  ".join(
            cell.ljust(width) if i < left or i == last else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        + "\n"
        for line in lines
    )
