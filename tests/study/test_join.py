"""Several photos, cuts and faces become one record for each bead."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from study_helpers import bead_cells, rows_from, write_table

from weldsection.errors import DataError, UsageError
from weldsection.study.gather import Sources, gather
from weldsection.study.join import (
    BeadRange,
    Repeats,
    agreement,
    attach_settings,
    join,
    renumbered,
)
from weldsection.study.logsheet import log_of_sheet, read_log_sheet
from weldsection.study.tables import Place, SectionRow, Sheet
from weldsection.study.terms import term

PENETRATION = term("penetration")
# four overlapping pictures of 15 beads: first and last bead on each
PICTURES = ((1, 5), (4, 8), (8, 12), (11, 15))


def true_depth(bead: int) -> float:
    """Penetration of each bead of the invented coupon."""
    return 1.0 + 0.15 * bead


def pictures(seed: int = 1) -> list[SectionRow]:
    """Four photos of one coupon, each with its own scale error, numbered from 1.

    The beads count from right to left: in each picture the first bead measured
    lies on the right.
    """
    rng = np.random.default_rng(seed)
    cells = []
    for photo, (first, last) in enumerate(PICTURES):
        scale = 1 + 0.01 * rng.standard_normal()
        for k, bead in enumerate(range(first, last + 1)):
            depth = scale * (true_depth(bead) + 0.05 * rng.standard_normal())
            cells.append(
                bead_cells(
                    k + 1,
                    depth,
                    photo=f"IMG_{photo}.jpg",
                    x_mm=100 - 20 * k,
                    scale_u_pct=1.0,
                    penetration_u_mm=math.hypot(0.05, 0.01 * depth),
                )
            )
    return list(rows_from(cells))


def joined(seed: int = 1):
    """Those rows with their numbers on the whole coupon, joined."""
    rows = pictures(seed)
    numbered = [
        row
        for photo, (first, last) in enumerate(PICTURES)
        for row in renumbered(
            [r for r in rows if r.photo == f"IMG_{photo}.jpg"], BeadRange(first, last)
        )
    ]
    return join(numbered, Repeats.READING)


def test_fifteen_beads_in_four_overlapping_pictures_make_one_table() -> None:
    """One row for each bead, numbers right, values right within their uncertainty."""
    beads = joined()

    assert [bead.number for bead in beads] == list(range(1, 16))
    for bead in beads:
        value = bead.value("penetration")
        assert value is not None
        assert value.value == pytest.approx(true_depth(bead.number), abs=0.2)
    assert {b.number for b in beads if len(b.rows) == 2} == {4, 5, 8, 11, 12}


def test_beads_seen_twice_are_held_against_their_uncertainty() -> None:
    """Agreement is reported for each overlap, and honest: ratios scatter like 1."""
    ratios = [
        pair.ratio
        for seed in range(60)
        for pair in agreement(joined(seed), [PENETRATION])
    ]

    assert len(ratios) == 60 * 5
    assert np.sqrt(np.mean(np.square(ratios))) == pytest.approx(1.0, rel=0.15)


def test_two_readings_of_one_bead_are_surer_than_one() -> None:
    """Combined, the reading error shrinks, and the scale error of both is shared."""
    beads = joined()
    twice = beads[3].value("penetration")
    once = beads[0].value("penetration")

    assert twice is not None
    assert once is not None
    assert once.u_own == pytest.approx(0.05, rel=0.01)
    assert twice.u_own == pytest.approx(0.05 / math.sqrt(2), rel=0.05)
    assert len(twice.shares) == 2
    assert sum(u for _, u in twice.shares) == pytest.approx(0.01, rel=0.01)


def test_a_range_may_count_down() -> None:
    """A photo measured from the other end has its beads numbered downwards."""
    rows = pictures()[:5]

    assert [r.bead for r in renumbered(rows, BeadRange(5, 1))] == [5, 4, 3, 2, 1]


def test_a_photo_with_another_number_of_beads_is_an_error() -> None:
    """Both counts are named."""
    with pytest.raises(DataError, match="shows 5 beads and the range 5-8 has 4"):
        renumbered(pictures()[:5], BeadRange(5, 8))


@pytest.mark.parametrize("text", ["", "a-b", "5-", "-8x", "5..8"])
def test_what_is_no_range_is_refused(text: str) -> None:
    """A slip of the pen names what is wanted."""
    if text == "5-":
        assert BeadRange.parse(text) == BeadRange(5, 5)
        return
    with pytest.raises(UsageError, match="write 5-8 or 5"):
        BeadRange.parse(text)


def log_for(count: int, coupon: str = ""):
    """A log sheet for so many beads."""
    rows = tuple(
        (
            Place("log.csv", k + 1),
            {"bead": str(k), "current_a": str(110 + 10 * k), "coupon": coupon},
        )
        for k in range(1, count + 1)
    )
    return log_of_sheet(Sheet("log.csv", ("bead", "current_a", "coupon"), rows))


def test_every_bead_gets_its_own_settings() -> None:
    """Matched by number, whatever the order of rows."""
    rows = rows_from([bead_cells(3), bead_cells(1), bead_cells(2)])

    found = attach_settings(rows, log_for(3))

    assert [row.setting("current_a") for row in found] == [140, 120, 130]


@pytest.mark.parametrize(("beads", "listed"), [(3, 4), (4, 3)])
def test_another_number_of_beads_than_the_sheet_is_an_error(
    beads: int, listed: int
) -> None:
    """Both counts and the beads in question are named."""
    rows = rows_from([bead_cells(k) for k in range(1, beads + 1)])

    with pytest.raises(
        DataError, match=f"{beads} beads and log.csv lists {listed}; bead 4"
    ):
        attach_settings(rows, log_for(listed))


def test_one_photo_of_several_need_not_show_every_bead() -> None:
    """Part of the coupon is no error when that is what it is."""
    rows = rows_from([bead_cells(2)])

    assert attach_settings(rows, log_for(4), whole=False)[0].setting("current_a") == 130


def test_the_sheet_of_another_coupon_is_refused() -> None:
    """A sheet that names its coupon fits that one only."""
    rows = [replace(r, coupon="plate-2") for r in rows_from([bead_cells(1)])]

    with pytest.raises(DataError, match=r"sheet of coupon plate-1 .* coupon 'plate-2'"):
        attach_settings(rows, log_for(1, "plate-1"))


def test_a_sheet_of_one_coupon_fits_beads_that_name_none() -> None:
    """`measure` does not ask for the coupon's name."""
    rows = rows_from([bead_cells(1)])

    assert attach_settings(rows, log_for(1, "plate-1"))[0].setting("current_a") == 120


def test_both_faces_of_a_cut_are_mirror_images() -> None:
    """Left and right change places on the second face; then they average."""
    rows = rows_from(
        [
            bead_cells(
                1,
                2.0,
                photo="front.jpg",
                toe_angle_left_deg=110,
                toe_angle_right_deg=140,
            ),
            bead_cells(
                1,
                2.2,
                photo="back.jpg",
                toe_angle_left_deg=142,
                toe_angle_right_deg=112,
            ),
        ]
    )

    (bead,) = join(rows, Repeats.FACE)

    toe, depth = bead.value("toe_angle"), bead.value("penetration")
    assert toe is not None
    assert depth is not None
    assert toe.value == pytest.approx(111)
    assert depth.value == pytest.approx(2.1, abs=0.01)
    assert depth.cuts == 1
    assert bead.rows[1].numbers["toe_angle_right_deg"] == 142


def test_cuts_are_sections_of_one_bead() -> None:
    """Four cuts make one bead of four sections, each counting alike."""
    rows = rows_from(
        [bead_cells(1, 2 + 0.1 * k, photo=f"cut{k}.jpg") for k in range(4)]
    )

    (bead,) = join(rows, Repeats.CUT)
    value = bead.value("penetration")

    assert value is not None
    assert value.cuts == 4
    assert value.value == pytest.approx(2.15)
    assert not agreement([bead], [PENETRATION])


def files(folder: Path) -> list[Path]:
    """The four pictures as four tables."""
    return [
        write_table(
            folder / f"part{photo}.csv",
            [
                bead_cells(k + 1, true_depth(bead), photo=f"IMG_{photo}.jpg")
                for k, bead in enumerate(range(first, last + 1))
            ],
        )
        for photo, (first, last) in enumerate(PICTURES)
    ]


def test_tables_of_one_coupon_are_gathered_with_their_log(tmp_path: Path) -> None:
    """Four tables, four ranges, one log: 15 beads with their currents."""
    log = write_table(
        tmp_path / "log.csv",
        [{"bead": k, "current_a": 110 + 5 * k} for k in range(1, 16)],
    )
    ranges = tuple(
        (f"IMG_{k}.jpg", BeadRange(*picture)) for k, picture in enumerate(PICTURES)
    )

    rows = gather(
        Sources(tuple(files(tmp_path)), (log,), "all", ranges, Repeats.READING)
    )

    assert len(rows) == 20
    assert len({row.bead for row in rows}) == 15
    assert all(row.setting("current_a") == 110 + 5 * row.bead for row in rows)


def test_a_bead_met_again_is_not_joined_in_silence(tmp_path: Path) -> None:
    """Two photos in one table that both show a bead 1: say what that is."""
    path = write_table(
        tmp_path / "beads.csv",
        [bead_cells(1, photo="a.jpg"), bead_cells(1, photo="b.jpg")],
    )

    with pytest.raises(DataError, match=r"Bead 1 is on a.jpg .* and on b.jpg"):
        gather(Sources((path,)))

    assert len({r.coupon for r in gather(Sources((path,), coupon="photo"))}) == 2


def test_tables_with_the_same_name_are_coupons_of_their_folders(tmp_path: Path) -> None:
    """Two results folders, two coupons, no bead mixed up."""
    paths = []
    for name in ("monday", "tuesday"):
        (tmp_path / name).mkdir()
        paths.append(write_table(tmp_path / name / "beads.csv", [bead_cells(1)]))

    rows = gather(Sources(tuple(paths)))

    assert {row.coupon for row in rows} == {"monday", "tuesday"}


def test_as_many_logs_as_tables_or_one(tmp_path: Path) -> None:
    """Two logs for three tables belong to nobody."""
    with pytest.raises(UsageError, match="2 log sheets are given for 1 tables"):
        gather(Sources((tmp_path / "a.csv",), (tmp_path / "b.csv", tmp_path / "c.csv")))


def test_a_log_sheet_read_from_a_file_is_the_same(tmp_path: Path) -> None:
    """File and cells give one and the same sheet."""
    path = write_table(
        tmp_path / "log.csv",
        [{"bead": k, "current_a": 110 + 10 * k, "coupon": ""} for k in (1, 2, 3)],
    )

    assert read_log_sheet(path).rows == log_for(3).rows
