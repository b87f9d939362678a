"""Read tables of measured beads: ``beads.csv`` and section records.

Rows are counted as a spreadsheet shows them: the header is row 1. A table
that cannot be understood is refused whole, with the row and the column.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from weldsection.errors import DataError
from weldsection.quantities import COLUMNS
from weldsection.study.terms import LENGTH_COLUMNS, unit_of

NUMBER_COLUMNS = tuple(c for c in COLUMNS if c not in ("photo", "bead", "flags"))
# columns that say where a row belongs and are no settings
PLACE_COLUMNS = ("coupon", "cut", "face")
TEXT_COLUMNS = ("photo", "flags", "remarks", *PLACE_COLUMNS)

# records read for drawing; more sections than these cannot be looked at together
MOST_RECORDS = 40

_DECIMAL_COMMA = re.compile(r"^[+-]?\d*,\d+$")
_WITH_UNIT = re.compile(r"^[+-]?\d+([.,]\d+)?\s*[a-zA-Zµ°%\"'/²]+\d?$")


@dataclass(frozen=True, slots=True)
class Place:
    """Where a cell stands: file name and row as a spreadsheet counts."""

    file: str
    row: int

    def __str__(self) -> str:
        return f"{self.file} row {self.row}"


@dataclass(frozen=True, slots=True)
class SectionRow:
    """One bead on one photo, as measured, with all that came along."""

    place: Place
    photo: str
    bead: int
    numbers: Mapping[str, float]
    """Measured columns; NaN where the cell is empty."""
    flags: tuple[str, ...] = ()
    coupon: str = ""
    cut: str = ""
    face: str = ""
    """Which face of the saw cut; the faces of one cut are mirror images."""
    remarks: str = ""
    settings: Mapping[str, float] = field(default_factory=dict)
    """Settings by column, what was really used."""
    extra: tuple[tuple[str, str], ...] = ()
    """Further columns, kept as they were written."""
    geometry: Mapping[str, Any] | None = field(default=None, compare=False)
    """The bead's lines from a section record, for drawing; None from a CSV."""

    def setting(self, name: str) -> float:
        """Give one setting; NaN where it is not known."""
        return self.settings.get(name, math.nan)


@dataclass(frozen=True, slots=True)
class Sheet:
    """Cells of a CSV by column, with the rows they stand in."""

    file: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Place, Mapping[str, str]], ...]


def read_rows(path: Path) -> tuple[SectionRow, ...]:
    """Read one ``beads.csv`` or one section record.

    The file's name without ending is the coupon, unless the table has a
    column ``coupon``.

    Raises
    ------
    DataError
        If a cell cannot be understood; names row and column.
    """
    sheet = _sheet_of_record(path) if path.suffix == ".json" else read_sheet(path)
    rows = rows_of_sheet(sheet)
    if path.suffix == ".json":
        return _with_geometry(rows, _load_json(path))
    return _with_records_beside(rows, path.parent / "sections")


def rows_of_sheet(sheet: Sheet) -> tuple[SectionRow, ...]:
    """Turn the cells of a table of beads into rows."""
    _check_columns(sheet)
    numeric = numeric_columns(sheet, TEXT_COLUMNS + ("bead", *NUMBER_COLUMNS))
    rows = tuple(_row(place, cells, numeric) for place, cells in sheet.rows)
    _refuse_doubled(rows)
    _refuse_mixed_units(rows)
    return rows


def read_sheet(path: Path) -> Sheet:
    """Read the cells of a CSV; UTF-8, commas between cells, points in numbers."""
    text = _read_text(path)
    if not text.strip():
        raise DataError(f"{path.name} is empty; measure or log some beads first.")
    header = text.splitlines()[0]
    if header.count(";") > header.count(","):
        raise DataError(
            f"{path.name} row 1: the columns are parted by semicolons; save the table "
            "with commas between columns and points in numbers."
        )
    lines = list(csv.reader(io.StringIO(text)))
    columns = tuple(name.strip() for name in lines[0])
    _refuse_doubled_columns(path.name, columns)
    rows = []
    for number, cells in enumerate(lines[1:], start=2):
        if not any(cell.strip() for cell in cells):
            continue
        place = Place(path.name, number)
        if len(cells) != len(columns):
            raise DataError(_wrong_length(place, columns, cells))
        rows.append((place, dict(zip(columns, map(str.strip, cells), strict=True))))
    if not rows:
        raise DataError(f"{path.name} has a header but no rows below it.")
    return Sheet(path.name, columns, tuple(rows))


def number(place: Place, column: str, text: str) -> float:
    """Read one cell as a number; an empty cell is NaN.

    Examples
    --------
    >>> number(Place("beads.csv", 2), "width_mm", "7.25")
    7.25
    """
    if text == "" or text.lower() == "nan":
        return math.nan
    try:
        value = float(text)
    except ValueError:
        raise DataError(_not_a_number(place, column, text)) from None
    if math.isinf(value):
        raise DataError(_not_a_number(place, column, text))
    return value


def whole_number(place: Place, column: str, text: str) -> int:
    """Read one cell as a count from 1 up."""
    if text == "":
        raise DataError(f"{place}, column {column}: the bead number is missing.")
    value = number(place, column, text)
    if not value >= 0 or value != int(value):
        raise DataError(
            f"{place}, column {column}: '{text}' is no bead number; "
            "beads are counted in whole numbers."
        )
    return int(value)


def numeric_columns(sheet: Sheet, known: Iterable[str]) -> tuple[str, ...]:
    """Find the further columns that hold numbers.

    A column whose name ends in a unit must hold numbers; any other counts
    when each of its filled cells is one.
    """
    found = []
    for column in sheet.columns:
        if column in set(known):
            continue
        filled = [(p, c[column]) for p, c in sheet.rows if c[column] != ""]
        if unit_of(column):
            for place, text in filled:
                number(place, column, text)
            found.append(column)
        elif filled and all(_reads_as_number(text) for _, text in filled):
            found.append(column)
    return tuple(found)


def _reads_as_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def _row(place: Place, cells: Mapping[str, str], numeric: Sequence[str]) -> SectionRow:
    known = {"bead", *NUMBER_COLUMNS, *TEXT_COLUMNS, *numeric}
    return SectionRow(
        place=place,
        photo=cells.get("photo", place.file),
        bead=whole_number(place, "bead", cells["bead"]),
        numbers={c: _measured(place, c, cells.get(c, "")) for c in NUMBER_COLUMNS},
        flags=tuple(word for word in cells.get("flags", "").split(";") if word),
        coupon=cells.get("coupon", ""),
        cut=cells.get("cut", ""),
        face=cells.get("face", ""),
        remarks=cells.get("remarks", ""),
        settings={c: number(place, c, cells[c]) for c in numeric},
        extra=tuple((c, text) for c, text in cells.items() if c not in known),
    )


def _measured(place: Place, column: str, text: str) -> float:
    value = number(place, column, text)
    if value < 0 and ("_u_" in column or column == "width_mm"):
        raise DataError(f"{place}, column {column}: {text} is negative.")
    return value


def _check_columns(sheet: Sheet) -> None:
    if "bead" not in sheet.columns:
        raise DataError(
            f"{sheet.file} row 1: there is no column 'bead'; "
            "take the beads.csv that `weldsection measure` writes."
        )
    stems = {c.rsplit("_", 1)[0]: c for c in NUMBER_COLUMNS}
    for column in sheet.columns:
        right = stems.get(column.rsplit("_", 1)[0])
        if right and column not in COLUMNS and not column.endswith("_u"):
            raise DataError(
                f"{sheet.file} row 1: column {column} is in another unit; "
                f"convert it and call it {right}."
            )
    if not any(column in NUMBER_COLUMNS for column in sheet.columns):
        raise DataError(
            f"{sheet.file} row 1: there is no measured column, "
            "such as penetration_mm or width_mm."
        )


def _refuse_doubled(rows: Sequence[SectionRow]) -> None:
    seen: dict[tuple[str, str, int, str, str], SectionRow] = {}
    for row in rows:
        key = (row.coupon, row.photo, row.bead, row.cut, row.face)
        if key in seen:
            raise DataError(
                f"{row.place}, column bead: bead {row.bead} of photo {row.photo} "
                f"stands in row {seen[key].place.row} already; number each bead once."
            )
        seen[key] = row


def _refuse_mixed_units(rows: Sequence[SectionRow]) -> None:
    """Refuse a table in which some lengths are in µm and others in mm."""
    for column in LENGTH_COLUMNS:
        values = sorted(
            v for r in rows if (v := r.numbers[column]) > 0 and math.isfinite(v)
        )
        if len(values) < 3:
            continue
        middle = values[len(values) // 2]
        if middle > 200:  # no bead is 200 mm deep or wide
            raise DataError(
                f"{rows[0].place}, column {column}: {rows[0].numbers[column]:g} mm is "
                "no size of a bead; write all lengths in mm."
            )
        for row in rows:
            # 250: no bead of one table is so much larger than the middle one,
            # and a length in µm is 1000 times one in mm
            if row.numbers[column] > 250 * middle:
                raise DataError(
                    f"{row.place}, column {column}: {row.numbers[column]:g} is some "
                    f"{row.numbers[column] / middle:.0f} times the others; the table "
                    "mixes units, write all lengths in mm."
                )


def _refuse_doubled_columns(file: str, columns: Sequence[str]) -> None:
    for column in columns:
        if columns.count(column) > 1:
            raise DataError(f"{file} row 1: column '{column}' is there twice.")


def _wrong_length(place: Place, columns: Sequence[str], cells: Sequence[str]) -> str:
    sentence = (
        f"{place} has {len(cells)} cells and the header {len(columns)}; "
        "put the missing or extra cell right"
    )
    if len(cells) > len(columns):
        sentence += ", and write numbers with a point, not with a comma"
    return sentence + "."


def _not_a_number(place: Place, column: str, text: str) -> str:
    if _DECIMAL_COMMA.match(text):
        right = text.replace(",", ".")
        return f"{place}, column {column}: '{text}' has a decimal comma; write {right}."
    if _WITH_UNIT.match(text):
        unit = unit_of(column) or "the column's unit"
        return (
            f"{place}, column {column}: '{text}' carries a unit of its own; "
            f"write the bare number in {unit}."
        )
    return (
        f"{place}, column {column}: '{text}' is no number; "
        "leave the cell empty if nothing was measured."
    )


def _read_text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise DataError(
            f"{path.name} is not UTF-8 text; save it as CSV UTF-8."
        ) from None
    except OSError as error:
        raise DataError(f"{path} cannot be read: {error.strerror}.") from None


# ------------------------------------------------------------ section records


def _load_json(path: Path) -> Mapping[str, Any]:
    try:
        record = json.loads(_read_text(path))
    except json.JSONDecodeError as error:
        raise DataError(
            f"{path.name} line {error.lineno} is no JSON; measure the photo again."
        ) from None
    if not isinstance(record, dict) or not isinstance(record.get("rows"), list):
        raise DataError(
            f"{path.name} holds no rows; it is not a record of a measured section."
        )
    return record


def _sheet_of_record(path: Path) -> Sheet:
    rows = _load_json(path)["rows"]
    if not rows:
        raise DataError(f"{path.name} holds no beads.")
    columns = tuple(dict.fromkeys(column for row in rows for column in row))
    return Sheet(
        path.name,
        columns,
        tuple(
            (Place(path.name, k), {c: _cell_text(row.get(c)) for c in columns})
            for k, row in enumerate(rows, start=2)
        ),
    )


def _cell_text(cell: object) -> str:
    return "" if cell is None else str(cell)


def _with_records_beside(
    rows: tuple[SectionRow, ...], folder: Path
) -> tuple[SectionRow, ...]:
    """Take the lines to draw from the records that lie beside a table.

    They are no more than a gift: a record that is gone or damaged is passed over.
    """
    photos = list(dict.fromkeys(row.photo for row in rows))
    if not folder.is_dir() or len(photos) > MOST_RECORDS:
        return rows
    drawn: dict[tuple[str, int], SectionRow] = {}
    for photo in photos:
        mine = [row for row in rows if row.photo == photo]
        try:
            record = _load_json(folder / f"{Path(photo).stem}.json")
        except DataError:
            continue
        if record.get("photo", photo) == photo:
            drawn |= {(r.photo, r.bead): r for r in _with_geometry(mine, record)}
    return tuple(drawn.get((row.photo, row.bead), row) for row in rows)


def _with_geometry(
    rows: Sequence[SectionRow], record: Mapping[str, Any]
) -> tuple[SectionRow, ...]:
    beads = {b.get("number"): b for b in record.get("beads", []) if isinstance(b, dict)}
    shared = {
        key: record.get(key) for key in ("origin", "scale", "surface", "mm_to_px")
    }
    return tuple(
        replace(row, geometry={**beads[row.bead], **shared})
        if row.bead in beads
        else row
        for row in rows
    )
