"""Which of several things in the picture is the etched face."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from weldsection import outline
from weldsection.errors import CouponError
from weldsection.records import Photo, PhotoOrigin
from weldsection.zones import Zone, ZoneArray

SHAPE = (240, 320)
PHOTO = Photo(np.zeros((*SHAPE, 3), np.uint8), PhotoOrigin(Path("p.jpg"), "", *SHAPE))


def zones_of(*boxes: tuple[Zone, tuple[int, int, int, int]]) -> ZoneArray:
    """Give zones whose boxes (row, column, height, width) are what they say."""
    labels = np.full(SHAPE, Zone.BACKGROUND)
    for zone, (row, column, height, width) in boxes:
        labels[row : row + height, column : column + width] = zone
    chance = np.full((4, *SHAPE), 0.01, np.float32)
    for zone in Zone:
        chance[zone][labels == zone] = 0.97
    return np.asarray(np.log(chance), dtype=np.float32)


COUPON = (
    (Zone.BASE, (150, 40, 30, 200)),
    (Zone.WELD, (142, 60, 14, 30)),
    (Zone.WELD, (142, 140, 14, 30)),
)


def test_a_bench_that_looks_like_plate_is_not_the_face() -> None:
    """Five times as large as the coupon, but without weld metal."""
    zones = zones_of((Zone.BASE, (5, 5, 110, 300)), *COUPON)

    face = outline._likeliest_face(zones, PHOTO)

    assert face[165, 100]
    assert not face[50, 100]


def test_the_relief_of_a_coin_is_not_the_face() -> None:
    """All weld metal, as it seems, and no plate."""
    zones = zones_of((Zone.WELD, (10, 20, 110, 110)), *COUPON)

    face = outline._likeliest_face(zones, PHOTO)

    assert face[165, 100]
    assert not face[60, 60]


def test_a_coin_part_plate_part_weld_metal_is_not_the_face() -> None:
    """More of both than the coupon has, but in no rectangle."""
    ragged = [(Zone.BASE, (10 + 12 * k, 20 + 9 * k, 12, 40)) for k in range(9)]
    zones = zones_of(*ragged, (Zone.WELD, (10, 60, 70, 70)), *COUPON)

    face = outline._likeliest_face(zones, PHOTO)

    assert face[165, 100]
    assert not face[30, 90]


def test_without_weld_metal_the_largest_is_the_face() -> None:
    """The stages after it say what is missing."""
    zones = zones_of((Zone.BASE, (20, 20, 30, 60)), (Zone.BASE, (150, 40, 30, 200)))

    assert outline._likeliest_face(zones, PHOTO)[165, 100]


def test_specks_are_no_face() -> None:
    """Less than a five-hundredth of the picture is no coupon."""
    with pytest.raises(CouponError, match="no etched face"):
        outline._likeliest_face(zones_of((Zone.WELD, (10, 20, 8, 8))), PHOTO)


def test_a_sawn_end_that_runs_along_the_plate_is_put_square() -> None:
    """Clutter beside a coupon must not swap its ends, and with them its beads."""
    x = np.linspace(0, 100, 40)
    top = np.column_stack([x, np.full_like(x, 10.0)])
    bottom = np.column_stack([x, np.full_like(x, 30.0)])
    along = np.column_stack([np.linspace(-8, 12, 9), np.linspace(19, 21, 9)])
    sawn = np.column_stack([np.full(9, 100.0), np.linspace(12, 28, 9)])

    corners = outline._corners(top, bottom, [along, sawn])

    np.testing.assert_allclose(corners[:, 0], [2, 100, 100, 2], atol=0.01)
    np.testing.assert_allclose(corners[:, 1], [10, 10, 30, 30], atol=0.01)
