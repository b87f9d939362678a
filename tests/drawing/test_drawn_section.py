"""Quantities of drawn sections against closed forms."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from sample_images.drawing import plans
from sample_images.drawing.section import (
    BeadPlan,
    PlatePlan,
    bend,
    make_section,
    polygon_area,
)

PLATE = PlatePlan(thickness_mm=10.0, length_mm=80.0)


def drawn(plate: PlatePlan = PLATE, **plan: object):
    """Truth of one bead in the middle of a plate."""
    bead = BeadPlan(at_mm=40.0, width_mm=12.0, penetration_mm=4.0, reinforcement_mm=3.0)
    return make_section(plate, (replace(bead, **plan),)).beads[0].truth


# reference-values.md A.2: W = 12, P = 4, R = 3
@pytest.mark.parametrize(
    ("shape", "below_mm2", "above_mm2", "dilution_pct"),
    [
        ("parabola", 32.0, 24.0, 57.143),
        ("ellipse", 37.6991, 28.2743, 57.143),
        ("segment", 34.6862, 25.1604, 57.959),
    ],
)
@pytest.mark.parametrize("mirror", [False, True])
def test_closed_form_sections_have_their_areas(
    shape, below_mm2, above_mm2, dilution_pct, mirror
):
    """A drawn parabola, ellipse or segment has the area that paper gives it."""
    truth = drawn(root=shape, cap=shape, at_mm=25.0 if mirror else 55.0)

    assert truth.penetration_mm == pytest.approx(4.0, abs=1e-9)
    assert truth.reinforcement_mm == pytest.approx(3.0, abs=1e-9)
    assert truth.width_mm == pytest.approx(12.0, abs=1e-9)
    assert truth.penetration_area_mm2 == pytest.approx(below_mm2, rel=1e-4)
    assert truth.reinforcement_area_mm2 == pytest.approx(above_mm2, rel=1e-4)
    assert truth.dilution_pct == pytest.approx(dilution_pct, abs=0.01)


@pytest.mark.parametrize(
    ("width_mm", "rise_mm", "area_mm2"),
    [(10, 2, 13.7507), (12, 3, 25.1604), (8, 1, 5.3994), (10, 5, 39.2699)],
)
def test_segment_caps_of_the_table(width_mm, rise_mm, area_mm2):
    """Circular segments as listed in reference-values.md A.2."""
    truth = drawn(cap="segment", width_mm=width_mm, reinforcement_mm=rise_mm)

    assert truth.reinforcement_area_mm2 == pytest.approx(area_mm2, rel=1e-4)


def test_toe_angle_is_that_of_the_chord():
    """On a circular cap the 0.5 mm chord lies half its arc's turn above the tangent."""
    truth = drawn(cap="segment")
    # A.2: tangent 53.130° through the metal, radius 7.5 mm; the chord of a
    # 0.5 mm arc turns back by 0.5 / (2 × 7.5) rad.
    expected = 180 - (53.130 - np.degrees(0.5 / 15))

    assert truth.toe_angle_left_deg == pytest.approx(expected, abs=0.02)
    assert truth.toe_angle_right_deg == pytest.approx(expected, abs=0.02)


def test_a_bowed_plate_keeps_depth_and_height():
    """Depth and height are square to the surface, so a bow changes neither."""
    truth = drawn(replace(PLATE, bow_mm=1.0), root="segment")

    assert truth.penetration_mm == pytest.approx(4.0, abs=1e-9)
    assert truth.reinforcement_mm == pytest.approx(3.0, abs=1e-9)
    assert truth.penetration_area_mm2 == pytest.approx(34.6862, rel=0.005)


def test_bending_keeps_distances_along_and_square_to_the_surface():
    """A point on the plate stays as far along it and as deep in it."""
    plate = replace(PLATE, bow_mm=-0.8)
    s = np.linspace(5, 75, 4001)
    surface = bend(np.column_stack([s, np.zeros_like(s)]), plate)
    deep = bend(np.column_stack([s, np.full_like(s, 2.0)]), plate)

    along = np.hypot(*np.diff(surface, axis=0).T).sum()
    assert along == pytest.approx(70.0, abs=1e-3)
    assert np.hypot(*(deep - surface).T) == pytest.approx(2.0, abs=1e-6)


def test_overlap_rolls_metal_over_the_plate_without_fusion():
    """Rolled metal counts to the width, lies at depth 0 and hangs over the plate."""
    plan = BeadPlan(40, 8, 0.5, 4.4, kind="overlap", rolled_mm=(1.2, 0.0))
    bead = make_section(PLATE, (plan,)).beads[0]
    rolled = bead.fusion_xy_mm[:, 0] < 36 + 1.19

    assert bead.fusion_xy_mm[rolled, 1] == pytest.approx(0.0, abs=1e-9)
    assert bead.truth.width_mm == pytest.approx(8.0)
    assert bead.truth.toe_angle_left_deg < 90


def test_undercut_lies_below_the_surface_inside_the_fused_metal():
    """The face dips below the plate at the toe and fusion runs below the dip."""
    plan = BeadPlan(40, 10, 3, 2, kind="undercut", undercut_mm=(0.5, 0.0))
    bead = make_section(PLATE, (plan,)).beads[0]
    near = bead.cap_xy_mm[bead.cap_xy_mm[:, 0] < 36]

    assert near[:, 1].max() > 0.3
    assert bead.truth.toe_angle_left_deg > bead.truth.toe_angle_right_deg


def test_unfused_bead_has_no_penetration():
    """Weld metal that only sits on the plate has penetration 0 and dilution 0."""
    truth = drawn(kind="unfused", penetration_mm=0.05)

    assert truth.penetration_mm == 0
    assert truth.dilution_pct == pytest.approx(0.0, abs=1e-9)


def test_a_bead_over_the_end_is_cut_there():
    """What stands over the coupon's end is sawn off and has no toe angle."""
    truth = drawn(at_mm=3.0)

    assert truth.width_mm == pytest.approx(9.0, abs=1e-6)
    assert truth.toe_angle_left_deg is None
    assert truth.penetration_mm == pytest.approx(4.0, abs=1e-6)


def test_heat_through_a_thin_plate_stops_at_its_back():
    """The HAZ of a deep bead on a thin plate is as deep as the plate is thick."""
    truth = drawn(replace(PLATE, thickness_mm=5.0), haz_mm=2.5)

    assert truth.haz_reaches_back
    assert truth.haz_depth_mm == pytest.approx(5.0)


@pytest.mark.parametrize("seed", range(6))
def test_random_coupons_are_consistent(seed):
    """Beads of a random coupon do not overlap, and dilution follows from the areas."""
    section = plans.random_section(np.random.default_rng(seed))
    ends = [bead.span_mm for bead in section.beads]

    assert section.beads
    assert all(a[1] <= b[0] + 1e-9 for a, b in pairwise(ends))
    for bead in section.beads:
        truth = bead.truth
        weld = polygon_area(bead.weld_xy_mm())
        both = truth.penetration_area_mm2 + truth.reinforcement_area_mm2
        assert both == pytest.approx(weld, rel=0.01, abs=0.02)
        assert truth.penetration_mm <= truth.haz_depth_mm + 1e-9
