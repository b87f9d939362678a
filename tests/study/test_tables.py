"""Bad tables: one sentence with row and column, nothing half understood."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from study_helpers import Cells, bead_cells, mag_ladder, rows_from, write_table

from weldsection.errors import DataError
from weldsection.output.record import record_text
from weldsection.study.logsheet import read_log_sheet
from weldsection.study.tables import read_rows


def three(**change: object) -> list[Cells]:
    """Three good beads, with something changed in the second."""
    rows = [bead_cells(k, 2 + 0.1 * k) for k in (1, 2, 3)]
    rows[1] |= change
    return rows


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"bead": ""}, "row 3, column bead: the bead number is missing"),
        ({"bead": 1}, "row 3, column bead: bead 1 .* stands in row 2 already"),
        ({"bead": "2a"}, "row 3, column bead: '2a'"),
        ({"bead": "2.5"}, "row 3, column bead: '2.5' is no bead number"),
        ({"width_mm": "wide"}, "row 3, column width_mm: 'wide' is no number"),
        ({"width_mm": "8,1"}, r"row 3, column width_mm: '8,1' .*comma; write 8\.1"),
        (
            {"width_mm": "8.1 mm"},
            "row 3, column width_mm: .* write the bare number in mm",
        ),
        ({"width_mm": 8100}, "row 3, column width_mm: .* mixes units"),
        ({"width_mm": -8}, "row 3, column width_mm: -8 is negative"),
        ({"current_a": "high"}, "row 3, column current_a: 'high' is no number"),
        ({"width_mm": "inf"}, "row 3, column width_mm: 'inf' is no number"),
    ],
)
def test_a_bad_cell_is_named(change: Cells, sentence: str, tmp_path: Path) -> None:
    """Row as a spreadsheet counts, column by name, and what to do."""
    path = write_table(tmp_path / "beads.csv", three(**change))

    with pytest.raises(DataError, match=f"beads.csv {sentence}") as raised:
        read_rows(path)

    assert str(raised.value).count("\n") == 0
    assert str(raised.value).endswith(".")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "is empty"),
        ("photo,bead,width_mm\n", "header but no rows"),
        ("photo;bead;width_mm\na;1;8,2\n", "parted by semicolons"),
        ("photo,bead,width_mm\na,1,8,2\n", "row 2 has 4 cells and the header 3"),
        ("photo,bead,bead\na,1,1\n", "column 'bead' is there twice"),
        ("photo,width_mm\na,1\n", "no column 'bead'"),
        ("photo,bead,penetration_um\na,1,2400\n", "in another unit; convert it"),
        ("photo,bead,penetration_area_um\na,1,2400\n", "call it penetration_area_mm2"),
        ("photo,bead,width_mm\na,1,8000\na,2,8100\na,3,8200\n", "no size of a bead"),
        ("photo,bead,colour\na,1,red\n", "no measured column"),
    ],
)
def test_a_bad_table_is_refused_whole(text: str, sentence: str, tmp_path: Path) -> None:
    """What cannot be understood is not guessed at."""
    path = tmp_path / "beads.csv"
    path.write_text(text, encoding="utf-8")

    with pytest.raises(DataError, match=sentence):
        read_rows(path)


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    """A photo given for a table is named as no text."""
    path = tmp_path / "beads.csv"
    path.write_bytes(b"\xff\xd8\xff\xe0")

    with pytest.raises(DataError, match="not UTF-8"):
        read_rows(path)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    """A path that leads nowhere is said so."""
    with pytest.raises(DataError, match=r"none\.csv cannot be read"):
        read_rows(tmp_path / "none.csv")


def test_empty_cells_are_not_measured_and_further_columns_are_kept() -> None:
    """An empty cell is no zero, and nothing that came along is lost."""
    (row,) = rows_from([bead_cells(4, haz_depth_mm="", gas="M21", current_a=180)])

    assert row.numbers["haz_depth_mm"] != row.numbers["haz_depth_mm"]
    assert row.extra == (("gas", "M21"),)
    assert row.setting("current_a") == 180


def test_a_byte_order_mark_and_blank_lines_do_no_harm(tmp_path: Path) -> None:
    """Spreadsheets write both."""
    path = write_table(tmp_path / "beads.csv", mag_ladder())
    path.write_text("\ufeff" + path.read_text("utf-8") + "\n\n", encoding="utf-8")

    assert len(read_rows(path)) == 11


def test_a_record_gives_the_same_rows_as_its_table(
    tmp_path: Path, made_up: Callable[..., object]
) -> None:
    """JSON record in, the same beads out, with the lines to draw them."""
    path = tmp_path / "plate.json"
    path.write_text(record_text(made_up()), encoding="utf-8")  # type: ignore[arg-type]

    rows = read_rows(path)

    assert [row.bead for row in rows] == [1, 2, 3]
    assert rows[0].numbers["penetration_mm"] == pytest.approx(2.5)
    assert rows[0].geometry is not None
    assert rows[0].geometry["fusion_xy_mm"]


def test_records_beside_a_table_bring_the_lines_to_draw(
    tmp_path: Path, made_up: Callable[..., object]
) -> None:
    """`measure` leaves records in sections/; a damaged one does no harm."""
    (tmp_path / "sections").mkdir()
    record = tmp_path / "sections" / "plate.json"
    record.write_text(record_text(made_up()), encoding="utf-8")  # type: ignore[arg-type]
    path = write_table(tmp_path / "beads.csv", [bead_cells(k) for k in (1, 2, 9)])

    drawn = [row.geometry is not None for row in read_rows(path)]
    record.write_text("{", encoding="utf-8")

    assert drawn == [True, True, False]
    assert all(row.geometry is None for row in read_rows(path))


@pytest.mark.parametrize("text", ["{", "[]", '{"rows": 3}', '{"rows": []}'])
def test_a_damaged_record_is_refused(text: str, tmp_path: Path) -> None:
    """No traceback for a file that is no record."""
    path = tmp_path / "plate.json"
    path.write_text(text, encoding="utf-8")

    with pytest.raises(DataError, match=r"plate\.json"):
        read_rows(path)


@pytest.mark.parametrize("missing", ["beads", "origin", "scale"])
def test_a_record_without_lines_still_gives_rows(missing: str, tmp_path: Path) -> None:
    """Geometry is a gift, not a condition."""
    record = {"rows": [bead_cells(1), bead_cells(2)], "beads": [{"number": 1}]}
    record.pop(missing, None)
    path = tmp_path / "plate.json"
    path.write_text(json.dumps(record), encoding="utf-8")

    assert len(read_rows(path)) == 2


# ----------------------------------------------------------------- log sheets


def test_a_log_sheet_of_ones_own_needs_only_beads_and_settings(tmp_path: Path) -> None:
    """Unknown columns are kept: numbers as settings, words as they are."""
    path = write_table(
        tmp_path / "log.csv",
        [
            {"bead": 1, "current_a": 120, "gas": "M21", "remarks": ""},
            {"bead": 2, "current_a": 140, "gas": "M21", "remarks": "restart"},
        ],
    )

    log = read_log_sheet(path)

    assert log.beads == (1, 2)
    assert dict(log.rows[1].settings) == {"current_a": 140.0}
    assert log.rows[1].remarks == "restart"
    assert log.rows[0].extra == (("gas", "M21"),)


def test_what_was_planned_stands_in_where_nothing_was_logged(tmp_path: Path) -> None:
    """The planned current is used, and marked as not logged."""
    path = write_table(
        tmp_path / "log.csv",
        [
            {"bead": 1, "planned_current_a": 120, "current_a": 123},
            {"bead": 2, "planned_current_a": 140, "current_a": ""},
        ],
    )

    log = read_log_sheet(path)

    assert [dict(row.settings)["current_a"] for row in log.rows] == [123, 140]
    assert [row.assumed for row in log.rows] == [(), ("current_a",)]


@pytest.mark.parametrize(
    ("cells", "sentence"),
    [
        ({"bead": ""}, "row 3, column bead: the bead number is missing"),
        ({"bead": 1}, "row 3, column bead: bead 1 stands in row 2 already"),
        ({"current_a": "120,5"}, "decimal comma; write 120.5"),
        (
            {"current_a": "about 120"},
            "row 3, column current_a: 'about 120' is no number",
        ),
    ],
)
def test_a_bad_log_sheet_is_named(cells: Cells, sentence: str, tmp_path: Path) -> None:
    """As for tables: row, column and remedy."""
    rows: list[Cells] = [{"bead": 1, "current_a": 100}, {"bead": 2, "current_a": 120}]
    rows[1] |= cells
    path = write_table(tmp_path / "log.csv", rows)

    with pytest.raises(DataError, match=f"log.csv .*{sentence}"):
        read_log_sheet(path)
