"""The plate on its grid: ends, thickness and surface, on painted plates.

The network is replaced by one that reads painted zones back, so that what is tested
is the geometry.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from zone_maps import (
    REDUCTION,
    Bead,
    Plate,
    parabola,
    photo_of,
    scale_of,
    segment,
    zones_of_colours,
)

from weldsection.coupon import lay_on_grid
from weldsection.errors import CouponError
from weldsection.flags import Flag
from weldsection.records import ByteArray, Coupon, FloatArray, project
from weldsection.surface import fit_surface

TWO_BEADS = (
    Bead.of(parabola, 10, 7, 2, 1.5),
    Bead.of(segment, 24, 9, 3, 2),
)


SURFACE_OF_36 = np.column_stack([np.linspace(1, 35, 100), np.zeros(100)])


@pytest.fixture(autouse=True)
def painted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read the zones from the colours."""
    monkeypatch.setattr("weldsection.grid.strip_zones", zones_of_colours)


def laid(plate: Plate, *, longer: float = 1.0) -> Coupon:
    """Lay a painted plate on the grid, with a scale off by a factor."""
    photo, face, mm_to_px = photo_of(plate)
    return lay_on_grid(photo, face, scale_of(mm_to_px, longer=longer))


def bowed(rise_mm: float, length_mm: float) -> Plate:
    """Give a plate whose middle stands above or below its ends."""

    def surface(x_mm: FloatArray) -> FloatArray:
        across = 2 * np.asarray(x_mm) / length_mm - 1
        return np.asarray(-rise_mm * (1 - across**2))

    middles = np.arange(15, length_mm - 10, 20)
    beads = tuple(Bead.of(parabola, float(x), 8, 2, 1.5) for x in middles)
    return Plate(beads, length_mm=length_mm, surface=surface)


def off_surface(coupon: Coupon, plate: Plate) -> FloatArray:
    """Give how far the plate surface is off along the whole plate, a line apart.

    The grid may lie aslant by what the outline found first was off.
    """
    x = np.linspace(1, plate.length_mm - 1, 400)
    off = coupon.surface.y_at(x) - plate.surface(x)
    return np.asarray(off - np.polyval(np.polyfit(x, off, 1), x))


def test_length_and_thickness_are_those_of_the_plate() -> None:
    """Both to a tenth of a millimetre, x counted from the left end."""
    coupon = laid(Plate(TWO_BEADS, length_mm=36, thickness_mm=8))

    assert coupon.length_mm == pytest.approx(36, abs=0.1)
    assert coupon.thickness_mm == pytest.approx(8, abs=0.1)
    assert coupon.surface.y_at(3.0) == pytest.approx(0, abs=0.03)


def test_an_outline_found_askew_is_put_right() -> None:
    """A first outline a millimetre off at both ends and the back is corrected."""
    plate = Plate(TWO_BEADS, length_mm=36)
    photo, face, mm_to_px = photo_of(plate)
    px = mm_to_px[0, 0]
    corners = face.corners_xy_px + px * np.array([[1, 0], [-1, 0], [-1, -1], [1, -1]])
    coupon = lay_on_grid(
        photo, replace(face, corners_xy_px=corners), scale_of(mm_to_px)
    )

    assert coupon.length_mm == pytest.approx(36, abs=0.1)
    assert coupon.thickness_mm == pytest.approx(10, abs=0.15)


@pytest.mark.parametrize("converge", [-0.004, 0.004])
def test_the_ends_are_where_they_are_whatever_tilt_was_believed(
    converge: float,
) -> None:
    """A scale tilted wrongly shows the ends askew; they are not put square in it.

    They are what a second look at the tilt goes by.
    """
    photo, face, mm_to_px = photo_of(Plate(TWO_BEADS, length_mm=36))
    wrong = mm_to_px @ np.array([[1, 0, 0], [0, 1, 0], [0, converge, 1.0]])
    coupon = lay_on_grid(photo, face, scale_of(wrong))

    off_mm = (coupon.face.corners_xy_px - face.corners_xy_px) / mm_to_px[0, 0]
    squared_mm = abs(converge) * 10 * 18
    assert squared_mm > 0.7
    assert np.abs(off_mm[:, 0]).max() < 0.2


@pytest.mark.parametrize("rise_mm", [1.0, -1.0])
def test_the_surface_follows_a_bow_of_1_mm_over_150_mm(rise_mm: float) -> None:
    """Under the beads, too, where it is not seen: to 0.04 mm everywhere."""
    plate = bowed(rise_mm, 150.0)
    off = off_surface(laid(plate), plate)

    assert np.abs(off).max() < 0.04


def test_spatter_and_burr_do_not_lift_the_surface() -> None:
    """Drops on the plate and a burr at its end are left out of the fit."""
    blobs = ((2.9, -0.2, 0.35), (17.0, -0.3, 0.5), (31.0, -0.1, 0.3), (35.9, -0.3, 0.5))
    plate = Plate(TWO_BEADS, length_mm=36, blobs=blobs)
    off = off_surface(laid(plate), plate)

    assert np.abs(off).max() < 0.04


def test_the_doubt_about_the_surface_grows_where_no_plate_is_seen() -> None:
    """In the middle of a wide bead it is less sure than beside it."""
    wide = Bead.of(segment, 20, 20, 3, 2)
    surface = laid(Plate((wide,), length_mm=40)).surface

    assert surface.u_at(20.0) > 1.5 * surface.u_at(6.0)
    assert 0.002 <= surface.u_at(20.0) < 0.1


@pytest.mark.parametrize("longer", [0.97, 1.03])
def test_a_wrong_scale_makes_all_lengths_wrong_alike(longer: float) -> None:
    """Length and thickness grow by the same factor (reference-values H.3)."""
    plate = Plate(TWO_BEADS, length_mm=36, thickness_mm=9)
    coupon = laid(plate, longer=longer)

    assert coupon.length_mm == pytest.approx(36 * longer, abs=0.12)
    assert coupon.thickness_mm == pytest.approx(9 * longer, abs=0.12)


@pytest.mark.parametrize(("longer", "looks"), [(1.01, 0), (1.15, 1)])
def test_a_scale_put_right_by_a_hair_needs_no_new_look_at_the_face(
    monkeypatch: pytest.MonkeyPatch, longer: float, looks: int
) -> None:
    """The zones are carried over, and give what naming them anew would give."""
    plate = Plate(TWO_BEADS, length_mm=36, thickness_mm=8)
    photo, face, mm_to_px = photo_of(plate)
    before = lay_on_grid(photo, face, scale_of(mm_to_px, longer=longer))
    right = scale_of(mm_to_px)
    anew = lay_on_grid(photo, before.face, right)
    looked = []

    def counted(bgr: ByteArray) -> FloatArray:
        looked.append(bgr.shape)
        return zones_of_colours(bgr)

    monkeypatch.setattr("weldsection.grid.strip_zones", counted)
    coupon = lay_on_grid(photo, before.face, right, before)

    assert len(looked) == looks
    assert coupon.length_mm == pytest.approx(anew.length_mm, abs=0.06)  # a grid step
    assert coupon.thickness_mm == pytest.approx(anew.thickness_mm, abs=0.06)
    x = np.linspace(1, 35, 200)
    assert coupon.surface.y_at(x) == pytest.approx(anew.surface.y_at(x), abs=0.005)
    certain = np.abs(np.exp(anew.zones) - 0.5) > 0.4
    np.testing.assert_array_equal(
        (coupon.zones > np.log(0.5))[certain], (anew.zones > np.log(0.5))[certain]
    )


@pytest.mark.parametrize(("seen_mm", "lowest_mm"), [(4.2, 6.7), (0.3, 11.5)])
def test_the_grid_ends_below_the_deepest_haz(seen_mm: float, lowest_mm: float) -> None:
    """2.5 mm below what the reduced photo showed, or all of it if that missed some."""
    plate = Plate(TWO_BEADS, length_mm=36, thickness_mm=10)
    photo, face, mm_to_px = photo_of(plate)
    row_mm = (np.arange(len(face.mask)) * REDUCTION - mm_to_px[1, 2]) / mm_to_px[1, 1]
    seen = face.mask & (row_mm < seen_mm)[:, None]
    whole = lay_on_grid(photo, face, scale_of(mm_to_px))
    coupon = lay_on_grid(
        photo, replace(face, altered=seen), scale_of(mm_to_px), whole=False
    )

    assert coupon.rows_y_mm[-1] == pytest.approx(lowest_mm, abs=0.25)
    assert coupon.length_mm == pytest.approx(whole.length_mm, abs=0.06)
    assert coupon.thickness_mm == pytest.approx(10, abs=0.1)
    x = np.linspace(1, 35, 200)
    assert coupon.surface.y_at(x) == pytest.approx(whole.surface.y_at(x), abs=0.005)


def test_a_crown_that_the_reduced_photo_did_not_show_is_not_cut_off() -> None:
    """Where weld metal goes on to the top of the grid, the grid is made higher."""
    plate = Plate((Bead.of(parabola, 18, 8, 2, 5.5),), length_mm=36)
    photo, face, mm_to_px = photo_of(plate)
    row_mm = (np.arange(len(face.mask)) * REDUCTION - mm_to_px[1, 2]) / mm_to_px[1, 1]
    low = face.mask & (row_mm > -1.0)[:, None]
    coupon = lay_on_grid(photo, replace(face, mask=low), scale_of(mm_to_px))

    assert coupon.top_mm < -5.9
    assert coupon.length_mm == pytest.approx(36, abs=0.1)


def test_plate_that_looks_like_the_bench_does_not_end_the_coupon() -> None:
    """Eight millimetres of plate are missing in the zones between two beads."""
    beads = (Bead.of(parabola, 10, 7, 2, 1.5), Bead.of(parabola, 50, 9, 3, 2))
    photo, face, mm_to_px = photo_of(Plate(beads, length_mm=60))
    columns = slice(*(round(mm_to_px[0] @ [x, 0, 1]) for x in (26, 34)))
    photo.bgr[:, columns] = photo.bgr[0, 0]
    coupon = lay_on_grid(photo, face, scale_of(mm_to_px))

    assert coupon.length_mm == pytest.approx(60, abs=0.1)


def test_bare_plate_far_from_the_straight_edge_is_found() -> None:
    """An outline a slope of 1.3 mm off: the surface is that of the plate all along."""
    plate = Plate(TWO_BEADS, length_mm=36)
    photo, face, mm_to_px = photo_of(plate)
    px = mm_to_px[0, 0]
    aslant = face.corners_xy_px + px * np.array(
        [[0, -1.3], [0, 1.3], [0, 1.3], [0, -1.3]]
    )
    top = np.linspace(aslant[0], aslant[1], 60)
    coupon = lay_on_grid(
        photo,
        replace(face, corners_xy_px=aslant, top_edge_xy_px=top),
        scale_of(mm_to_px),
    )
    truth = project(np.linalg.inv(coupon.mm_to_px) @ mm_to_px, SURFACE_OF_36)

    off = coupon.surface.y_at(truth[:, 0]) - truth[:, 1]
    assert np.abs(off).max() < 0.05


def test_a_surface_carried_far_from_all_plate_is_in_doubt() -> None:
    """Bare plate over 20 of 90 mm: sure there, unsure by half a millimetre beyond."""
    x = np.arange(5.0, 25.0, 0.05)
    noise = np.random.default_rng(4).normal(0, 0.01, len(x))

    surface = fit_surface((x, noise), (0.0, 90.0), "made-up.jpg")

    assert surface.u_at(15.0) < 0.02
    assert surface.u_at(85.0) > 0.3


@pytest.mark.parametrize(
    ("count", "scatter_mm", "from_mm", "enough"),
    [
        (25, 0.01, 5.0, True),
        (25, 0.3, 5.0, False),
        (25, 0.01, 60.0, False),
        (10, 0.01, 5.0, False),
        (60, 0.3, 5.0, True),
    ],
    ids=["few and agreed", "few and scattered", "at one end", "too few", "plenty"],
)
def test_a_little_bare_plate_is_enough_where_it_lies_on_one_line(
    count: int, scatter_mm: float, from_mm: float, enough: bool
) -> None:
    """Nine beads on a coupon leave a millimetre of it."""
    rng = np.random.default_rng(2)
    x = np.sort(rng.uniform(from_mm, 80.0, count))
    y = 0.002 * x + rng.normal(0, scatter_mm, count)
    if not enough:
        with pytest.raises(CouponError, match="too little bare plate"):
            fit_surface((x, y), (0.0, 85.0), "made-up.jpg")
        return

    surface = fit_surface((x, y), (0.0, 85.0), "made-up.jpg")

    assert float(surface.y_at(40.0)) == pytest.approx(0.08, abs=0.01 + scatter_mm)


@pytest.mark.parametrize("tilt_deg", [5.0, 10.0, 20.0])
def test_the_tilt_is_told_from_the_homography(tilt_deg: float) -> None:
    """Shrunk along the plate by cos θ, as a photo taken askew (H.3)."""
    photo, face, mm_to_px = photo_of(Plate(TWO_BEADS, length_mm=36))
    askew = np.diag([1 / math.cos(math.radians(tilt_deg)), 1.0, 1.0])
    scale = scale_of(mm_to_px @ np.linalg.inv(askew))
    coupon = lay_on_grid(photo, face, scale)

    assert coupon.quality.tilt_deg == pytest.approx(tilt_deg, abs=0.5)


def test_a_plate_that_leaves_the_picture_is_flagged() -> None:
    """Then x counts from the picture's edge."""
    plate = Plate(TWO_BEADS, length_mm=36)
    photo, face, mm_to_px = photo_of(plate)
    cut = 5.0  # mm of plate outside the picture, and the 3 mm beside it
    columns = round((cut + 3.0) * mm_to_px[0, 0])
    part = replace(photo, bgr=photo.bgr[:, columns:].copy())
    shift = np.array([[1, 0, -columns], [0, 1, 0], [0, 0, 1.0]])
    moved = replace(
        face,
        corners_xy_px=np.maximum(face.corners_xy_px - [columns, 0], [0, -np.inf]),
        mask=face.mask[:, columns // REDUCTION :],
        top_edge_xy_px=face.top_edge_xy_px - [columns, 0],
        bottom_edge_xy_px=face.bottom_edge_xy_px - [columns, 0],
        cut_by_picture=(True, False),
    )
    coupon = lay_on_grid(part, moved, scale_of(shift @ mm_to_px))

    assert Flag.COUPON_CUT_OFF in coupon.flags
    assert coupon.length_mm == pytest.approx(36 - cut, abs=0.4)


@pytest.mark.parametrize("longer", [0.05, 30.0])
def test_a_size_no_coupon_has_is_refused(longer: float) -> None:
    """A wrong reference is told by the size it gives the plate."""
    with pytest.raises(CouponError, match="which no test coupon is"):
        laid(Plate(TWO_BEADS, length_mm=36), longer=longer)


def test_a_plate_without_bare_surface_is_refused() -> None:
    """Covered with metal from end to end there is no plate surface."""
    cover = Bead.of(segment, 15, 29.9, 3, 2)
    with pytest.raises(CouponError, match="too little bare plate"):
        laid(Plate((cover,), length_mm=30))
