"""The weld face and its toes on drawn zones, where the toes are known."""

from __future__ import annotations

import numpy as np
import pytest
from zone_maps import (
    Bead,
    Curve,
    Plate,
    coupon_of,
    half_ellipse,
    parabola,
    polyline,
    segment,
)

from weldsection.beads import find_beads
from weldsection.boundary.contour import Contour, follow_contour
from weldsection.records import FloatArray


def contours(plate: Plate) -> list[Contour]:
    """Follow the weld face of every bead that is found."""
    coupon = coupon_of(plate)
    found = [follow_contour(coupon, site) for site in find_beads(coupon)]
    assert None not in found
    return [contour for contour in found if contour is not None]


# a half-ellipse is rounded at the toe, where the face is taken to be straight
@pytest.mark.parametrize(
    ("curve", "off_mm"), [(parabola, 0.075), (segment, 0.075), (half_ellipse, 0.2)]
)
@pytest.mark.parametrize(("width", "height"), [(6.0, 1.5), (12.0, 3.0), (9.0, 0.8)])
def test_toes_are_where_the_weld_metal_ends(
    curve: Curve, off_mm: float, width: float, height: float
) -> None:
    """Both toes within a grid step and a half, the crown within half a step."""
    (found,) = contours(Plate((Bead.of(curve, 15, width, 2.0, height),)))

    assert found.left_toe_xy_mm[0] == pytest.approx(15 - width / 2, abs=off_mm)
    assert found.right_toe_xy_mm[0] == pytest.approx(15 + width / 2, abs=off_mm)
    assert -found.cap_xy_mm[:, 1].min() == pytest.approx(height, abs=0.025)


@pytest.mark.parametrize("sag", [0.5, -0.5])
def test_toes_are_found_on_a_bowed_plate(sag: float) -> None:
    """The surface the bead stands on need not be straight."""

    def bowed(x_mm: FloatArray) -> FloatArray:
        return np.asarray(sag * (1 - ((np.asarray(x_mm) - 15) / 15) ** 2))

    (found,) = contours(Plate((Bead.of(parabola, 12, 8, 2, 1.5),), surface=bowed))

    assert found.left_toe_xy_mm[0] == pytest.approx(8, abs=0.075)
    assert found.right_toe_xy_mm[0] == pytest.approx(16, abs=0.075)


def test_rolled_over_metal_is_followed_to_its_own_toe() -> None:
    """Width is toe to toe: metal lying on the plate without fusion counts."""
    cap = parabola(10.0, 2.0) * [1, -1]
    fused = parabola(6.0, 1.0)
    fusion = np.vstack([[-5.0, 0.0], fused, [5.0, 0.0]])
    (found,) = contours(Plate((Bead(15, cap, fusion),)))

    assert found.left_toe_xy_mm[0] == pytest.approx(10, abs=0.1)
    assert found.right_toe_xy_mm[0] == pytest.approx(20, abs=0.1)


def test_beads_that_touch_meet_at_the_neck_between_them() -> None:
    """Two beads whose toes coincide: each ends where the other begins."""
    beads = tuple(Bead.of(parabola, x, 8.0, 2.5, 2.0) for x in (11.0, 19.0))
    left, right = contours(Plate(beads))

    assert left.right_toe_xy_mm[0] == pytest.approx(15, abs=0.25)
    assert right.left_toe_xy_mm[0] == pytest.approx(15, abs=0.25)
    assert left.left_toe_xy_mm[0] == pytest.approx(7, abs=0.075)
    assert right.right_toe_xy_mm[0] == pytest.approx(23, abs=0.075)


def test_beads_that_overlap_a_little_are_still_two() -> None:
    """The lowest place between two crowns parts them, with a wide doubt."""
    beads = tuple(Bead.of(parabola, x, 8.0, 2.5, 2.0) for x in (11.3, 18.7))
    left, right = contours(Plate(beads))

    assert left.right_toe_xy_mm[0] == pytest.approx(15, abs=0.3)
    assert right.left_toe_xy_mm[0] == pytest.approx(15, abs=0.3)
    assert left.right_u_mm > left.left_u_mm


@pytest.mark.parametrize("length_mm", [0.25, 1.0])
def test_a_stain_on_the_weld_face_is_no_toe(length_mm: float) -> None:
    """A stretch of the crown that looks like plate does not end the bead."""
    stain = (14.5, -3.0, 14.5 + length_mm, -1.4)
    bead = Bead.of(parabola, 15, 9, 2, 2)
    (found,) = contours(Plate((bead,), stains=(stain,)))

    assert found.left_toe_xy_mm[0] == pytest.approx(10.5, abs=0.075)
    assert found.right_toe_xy_mm[0] == pytest.approx(19.5, abs=0.075)


def test_undercut_is_followed_below_the_surface() -> None:
    """The face dips under the plate beside the toe, and the contour with it."""
    cap = polyline(
        (-4, 0), (-3.6, 0.35), (-3, -0.3), (0, -1.5), (3, -0.3), (3.6, 0.35), (4, 0)
    )
    (found,) = contours(Plate((Bead(15, cap, half_ellipse(8, 2.5)),)))

    left = found.cap_xy_mm[found.cap_xy_mm[:, 0] < 12.5]
    assert left[:, 1].max() == pytest.approx(0.35, abs=0.1)


def test_the_outline_goes_on_along_bare_plate() -> None:
    """On both sides of a bead some plate surface is followed, at its height."""
    (found,) = contours(Plate((Bead.of(parabola, 15, 8, 2, 1.5),)))
    plate = np.abs(found.xy_mm[:, 0] - 15) > 4.6

    assert found.xy_mm[0, 0] < 10
    assert found.xy_mm[-1, 0] > 20
    assert np.abs(found.xy_mm[plate, 1]).max() < 0.03


def test_spatter_is_no_bead() -> None:
    """A drop of other metal on the plate has no weld metal of its own."""
    bead = Bead.of(parabola, 15, 8, 2, 1.5)
    plate = Plate((bead,), blobs=((4.0, -0.3, 0.5), (25.0, -0.2, 0.4)))

    assert len(find_beads(coupon_of(plate))) == 1
