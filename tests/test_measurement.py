"""Quantities of sections whose quantities are known on paper.

Closed forms and the table of values are reference-values A.2; the shapes are taken
once as exact lines and once drawn as zones, found, traced and measured.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from shapely import Polygon, box
from zone_maps import (
    Bead,
    Curve,
    Plate,
    coupon_of,
    half_ellipse,
    parabola,
    polyline,
    scale_of,
    segment,
)

from weldsection.beads import find_beads
from weldsection.boundary.evidence import gather_evidence
from weldsection.boundary.trace import trace_beads
from weldsection.flags import Flag
from weldsection.measurement import measure_bead
from weldsection.measurement.section import (
    Section,
    area_beyond_surface,
    dilution_pct,
    shape_of,
    toe_angle_deg,
)
from weldsection.records import BeadResult, BeadTrace, Coupon, FloatArray

# W, h, area of segment and parabola, contact angle of both (A.2)
SECTIONS = [
    (10, 2, 13.7507, 13.3333, 43.603, 38.660),
    (12, 3, 25.1604, 24.0000, 53.130, 45.000),
    (8, 1, 5.3994, 5.3333, 28.073, 26.565),
    (10, 5, 39.2699, 33.3333, 90.0, 63.435),
]
# a bead of W = 12, P = 4, R = 3 (A.2)
BEAD_12_4_3 = [
    (parabola, 32.0000, 24.0000, 57.143),
    (half_ellipse, 37.6991, 28.2743, 57.143),
    (segment, 34.6862, 25.1604, 57.959),
]


def section_of(curve: Curve, width: float, depth: float, height: float) -> Section:
    """Give a levelled section of one curve below and above."""
    bead = Bead.of(curve, 0.0, width, depth, height)
    return Section(bead.cap, bead.fusion, bead.cap[0], bead.cap[-1])


# --------------------------------------------------------------- exact geometry


@pytest.mark.parametrize(("width", "height", "arc", "bow", "_a", "_b"), SECTIONS)
def test_areas_are_those_of_the_closed_forms(
    width: float, height: float, arc: float, bow: float, _a: float, _b: float
) -> None:
    """Segment, parabola and half-ellipse, above and below the surface."""
    shapes = ((segment, arc), (parabola, bow), (half_ellipse, math.pi / 4))
    for curve, area in shapes:
        expected = area * width * height if curve is half_ellipse else area
        line = curve(width, height)
        found = area_beyond_surface(line, below=True)
        above = area_beyond_surface(line * [1, -1], below=False)
        assert found == pytest.approx(expected, rel=2e-4)
        assert above == pytest.approx(found)


@pytest.mark.parametrize(("curve", "a_p", "a_r", "dilution"), BEAD_12_4_3)
def test_the_bead_12_4_3_has_the_quantities_of_the_table(
    curve: Curve, a_p: float, a_r: float, dilution: float
) -> None:
    """W = 12, P = 4, R = 3 (reference-values A.2)."""
    shape = shape_of(section_of(curve, 12, 4, 3))

    assert shape.width_mm == pytest.approx(12)
    assert shape.penetration_mm == pytest.approx(4, abs=1e-4)
    assert shape.reinforcement_mm == pytest.approx(3, abs=1e-4)
    assert shape.penetration_area_mm2 == pytest.approx(a_p, rel=2e-4)
    assert shape.reinforcement_area_mm2 == pytest.approx(a_r, rel=2e-4)
    assert shape.dilution_pct == pytest.approx(dilution, abs=0.01)


def test_dilution_is_the_share_of_melted_plate() -> None:
    """1.5 and 0.6 give 71.4286 %; no filler gives 100 % (reference-values D.1)."""
    assert dilution_pct(1.5, 0.6) == pytest.approx(71.4286, abs=1e-4)
    assert dilution_pct(3.0, 0.0) == 100
    assert math.isnan(dilution_pct(0.0, 0.0))


@pytest.mark.parametrize("seed", range(4))
def test_areas_are_those_of_shapely(seed: int) -> None:
    """Shapely 2 cuts the region under the line at the surface; the areas are ours."""
    rng = np.random.default_rng(seed)
    x = np.arange(0, 10.05, 0.05)
    y = np.interp(x, np.linspace(0, 10, 12), [0, *rng.normal(0.3, 1.0, 10), 0])
    line = np.column_stack([x, y])
    under = Polygon([*line, (10, 20), (0, 20)])
    plate = box(0, 0, 10, 20)

    deep = plate.difference(under).area
    high = under.difference(plate).area
    assert area_beyond_surface(line, below=True) == pytest.approx(deep, abs=0.02)
    assert area_beyond_surface(line, below=False) == pytest.approx(high, abs=0.02)


def test_an_overhanging_outline_counts_once() -> None:
    """Metal rolled over the plate is counted as the outline encloses it."""
    rolled = polyline((0, 0), (-0.8, -0.4), (-0.5, -1.0), (3, -2), (6.5, -1), (6, 0))
    expected = Polygon(rolled).area  # shapely, the shoelace formula

    assert area_beyond_surface(rolled, below=False) == pytest.approx(expected)


def test_undercut_is_no_weld_metal() -> None:
    """What the weld face lacks below the surface is taken from the fused area."""
    cap = polyline((0, 0), (0.5, 0.4), (1, 0), (4, -2), (7, 0), (8, 0))
    fusion = polyline((0, 0), (4, 3), (8, 0))
    shape = shape_of(Section(cap, fusion, cap[0], cap[-1]))

    assert shape.penetration_area_mm2 == pytest.approx(12 - 0.2)
    assert shape.reinforcement_area_mm2 == pytest.approx(6)


# ------------------------------------------------------------------- toe angles


@pytest.mark.parametrize("right", [False, True])
@pytest.mark.parametrize("flank_deg", [5.0, 30.0, 45.0, 80.0, 90.0, 120.0])
def test_a_straight_flank_has_its_own_angle(flank_deg: float, right: bool) -> None:
    """Through the air, as ISO 5817 no. 505 counts it: flat is 180 degrees."""
    rise = math.radians(flank_deg)
    up = [1.0 * math.cos(rise), -1.0 * math.sin(rise)]
    face = polyline((0, 0), up, (9 - up[0], up[1]), (9, 0))

    assert toe_angle_deg(face, right=right) == pytest.approx(180 - flank_deg)


@pytest.mark.parametrize(("width", "height", "_a", "_b", "contact", "_c"), SECTIONS)
def test_a_round_face_has_the_angle_of_its_chord(
    width: float, height: float, _a: float, _b: float, contact: float, _c: float
) -> None:
    """Contact angle of the segment (A.2) less half the angle of a 0.5 mm arc.

    A chord leaves the tangent by half the angle of its arc (Euclid III.32).
    """
    radius = (width**2 / 4 + height**2) / (2 * height)
    chord = contact - math.degrees(0.5 / radius) / 2
    face = segment(width, height) * [1, -1]

    for right in (False, True):
        assert toe_angle_deg(face, right=right) == pytest.approx(180 - chord, abs=0.1)


def test_no_angle_is_given_for_a_face_shorter_than_its_chords() -> None:
    """A face under 1 mm long has no two separate toes."""
    assert math.isnan(toe_angle_deg(polyline((0, 0), (0.8, 0)), right=False))


# ------------------------------------------------------ drawn, found and measured


def traced(bead: Bead) -> tuple[Coupon, BeadTrace]:
    """Draw a bead as zones on a plate of its own, find it and trace it."""
    coupon = coupon_of(Plate((bead,)))
    (trace,) = trace_beads(coupon, gather_evidence(coupon), find_beads(coupon))
    return coupon, trace


def measured(plate: Plate, *, relative_u: float = 0.0) -> tuple[BeadResult, ...]:
    """Draw a plate as zones, find its beads, trace and measure them."""
    coupon = coupon_of(plate)
    evidence = gather_evidence(coupon)
    scale = scale_of(coupon.mm_to_px, relative_u=relative_u)
    traces = trace_beads(coupon, evidence, find_beads(coupon))
    return tuple(
        measure_bead(coupon, scale, trace, number)
        for number, trace in enumerate(traces, 1)
    )


@pytest.mark.parametrize(("curve", "a_p", "a_r", "dilution"), BEAD_12_4_3)
def test_the_bead_12_4_3_drawn_is_measured_as_on_paper(
    curve: Curve, a_p: float, a_r: float, dilution: float
) -> None:
    """Through the grid, the trace and the doubt: a tenth of a mm, 3 % of an area."""
    (bead,) = measured(Plate((Bead.of(curve, 15, 12, 4, 3),)))

    assert bead.penetration.value == pytest.approx(4, abs=0.1)
    assert bead.width.value == pytest.approx(12, abs=0.25)
    assert bead.reinforcement.value == pytest.approx(3, abs=0.03)
    assert bead.penetration_area.value == pytest.approx(a_p, rel=0.03)
    assert bead.reinforcement_area.value == pytest.approx(a_r, rel=0.03)
    assert bead.dilution.value == pytest.approx(dilution, abs=1)
    assert bead.haz_depth.value == pytest.approx(5.2, abs=0.3)
    assert bead.x.value == pytest.approx(15, abs=0.05)


@pytest.mark.parametrize(
    ("curve", "width", "depth", "height"),
    [
        (parabola, 8, 2, 1.5),
        (half_ellipse, 9, 1.2, 2),
        (segment, 14, 3.5, 1),
        (parabola, 5, 4.5, 1),
    ],
)
def test_fill_factors_of_traces_are_those_of_welds(
    curve: Curve, width: float, depth: float, height: float
) -> None:
    """A_P / (W P) lies between 0.5 and 1 (reference-values E.5), at its own value."""
    (bead,) = measured(Plate((Bead.of(curve, 15, width, depth, height),)))
    exact = area_beyond_surface(curve(width, depth), below=True) / (width * depth)
    fill = bead.penetration_area.value / (bead.width.value * bead.penetration.value)

    assert 0.5 < fill < 1.0
    assert fill == pytest.approx(exact, abs=0.04)


@pytest.mark.parametrize("slope", [0.05, -0.1])
def test_a_plate_lying_aslant_on_the_grid_changes_nothing(slope: float) -> None:
    """Depth and height are square to the surface, width along it."""

    def aslant(x_mm: FloatArray) -> FloatArray:
        return np.asarray(slope * (np.asarray(x_mm) - 15))

    (bead,) = measured(Plate((Bead.of(parabola, 15, 9, 3, 2),), surface=aslant))
    # drawn upright on the slope: lengths across it shrink by its cosine
    cosine = 1 / math.hypot(1, slope)

    assert bead.penetration.value == pytest.approx(3 * cosine, abs=0.1)
    assert bead.reinforcement.value == pytest.approx(2 * cosine, abs=0.05)
    assert bead.width.value == pytest.approx(9 / cosine, abs=0.25)


def test_the_truth_lies_within_the_stated_doubt() -> None:
    """Six beads of three shapes: no length is off by more than three of its u."""
    for curve in (parabola, half_ellipse, segment):
        beads = tuple(
            Bead.of(curve, x, 8, depth, 1.5) for x, depth in ((7, 1.0), (22, 3.0))
        )
        for bead, drawn in zip(measured(Plate(beads)), beads, strict=True):
            true = float(drawn.fusion[:, 1].max())
            assert abs(bead.penetration.value - true) < 3 * bead.penetration.u + 0.03


def test_a_cold_bead_is_not_given_its_haz() -> None:
    """0.3 mm of fusion over 1.5 mm of HAZ is 0.3 mm of penetration."""
    cold = replace(Bead.of(parabola, 15, 7, 0.3, 2.5), haz_mm=1.5)
    (bead,) = measured(Plate((cold,)))

    assert bead.penetration.value == pytest.approx(0.3, abs=0.1)
    assert bead.haz_depth.value == pytest.approx(1.8, abs=0.3)


def test_a_bead_without_fusion_is_flagged() -> None:
    """Metal that only sits on the plate has no penetration, and the row says so."""
    sits = Bead(15, parabola(7, 2.5) * [1, -1], polyline((-3.5, 0), (3.5, 0.001)))
    (bead,) = measured(Plate((sits,)))

    assert bead.penetration.value < 0.12
    assert Flag.NO_FUSION in bead.flags


@pytest.mark.parametrize(("rolled_mm", "flagged"), [(1.2, True), (0.0, False)])
@pytest.mark.parametrize("right", [False, True])
def test_metal_rolled_over_the_plate_is_flagged(
    rolled_mm: float, flagged: bool, right: bool
) -> None:
    """Overlap (ISO 5817 no. 506): metal on the plate beside the fused part."""
    coupon, trace = traced(Bead.of(parabola, 15, 9, 1.5, 2.5))
    fused = parabola(9 - rolled_mm, 1.5) + [15 + rolled_mm / 2, 0]
    fusion = np.vstack([[10.5, 0.0], fused])
    if right:
        fusion = ([30, 0] + fusion * [-1, 1])[::-1]
    closely = replace(
        trace,
        fusion_xy_mm=fusion,
        fusion_u_mm=np.full(len(fusion), 0.03),
        left_toe_u_mm=0.05,
        right_toe_u_mm=0.05,
        fusion_draws_mm=np.repeat(fusion[None], len(trace.cap_draws_mm), axis=0),
    )
    bead = measure_bead(coupon, scale_of(coupon.mm_to_px), closely, 1)

    assert (Flag.OVERLAP in bead.flags) == flagged
    dull = replace(closely, fusion_u_mm=np.full(len(fusion), 0.3))
    unsure = measure_bead(coupon, scale_of(coupon.mm_to_px), dull, 1)
    assert Flag.OVERLAP not in unsure.flags
    guessed = replace(closely, left_toe_u_mm=0.3, right_toe_u_mm=0.3)
    not_known = measure_bead(coupon, scale_of(coupon.mm_to_px), guessed, 1)
    assert Flag.OVERLAP not in not_known.flags


@pytest.mark.parametrize(("half_width_mm", "least_u_mm"), [(0.4, 0.06), (6.0, 0.0)])
def test_the_tip_of_a_pointed_root_is_in_doubt(
    half_width_mm: float, least_u_mm: float
) -> None:
    """Lines known exactly: what is left is the doubt about the point of a finger."""
    coupon, trace = traced(Bead.of(parabola, 15, 12, 2.0, 2.0))
    x = np.linspace(9, 21, 241)
    finger = 2.0 * np.maximum(1 - ((x - 15) / half_width_mm) ** 2, 0)
    fusion = np.column_stack([x, np.maximum(finger, 1 - ((x - 15) / 6) ** 2)])
    exact = replace(
        trace,
        fusion_xy_mm=fusion,
        fusion_draws_mm=np.repeat(fusion[None], 200, axis=0),
        cap_draws_mm=np.repeat(trace.cap_xy_mm[None], 200, axis=0),
    )
    bead = measure_bead(coupon, scale_of(coupon.mm_to_px), exact, 1)

    assert bead.penetration.value == pytest.approx(2, abs=0.02)
    assert least_u_mm < bead.penetration.u < least_u_mm + 0.03


@pytest.mark.parametrize("high_mm", [1.2, 4.0])
def test_a_bead_that_cannot_be_traced_is_not_passed_over(high_mm: float) -> None:
    """Where the grid cuts the crown of one bead, the other's number is in doubt."""
    plate = Plate(
        (Bead.of(parabola, 9, 7, 2, 1.2), Bead.of(parabola, 21, 7, 2, high_mm))
    )
    coupon = coupon_of(plate)
    row = int(coupon.row_of(-2.0))
    low = replace(
        coupon,
        zones=coupon.zones[:, row:],
        bgr=coupon.bgr[row:],
        top_mm=coupon.top_mm + row * coupon.grid_mm,
    )
    traces = trace_beads(low, gather_evidence(low), find_beads(low))

    assert len(traces) == (1 if high_mm > 2 else 2)
    assert (Flag.NUMBERING_UNSURE in traces[0].flags) == (high_mm > 2)


# ------------------------------------------------------------------------ scale


@pytest.mark.parametrize("scale_error", [0.01448, 0.03448, -0.03226])
def test_a_wrong_scale_changes_areas_by_its_square_and_leaves_dilution(
    scale_error: float,
) -> None:
    """(1 + e)² - 1 on areas, e on lengths, nothing on shares and angles (H.3)."""
    true = section_of(segment, 12, 4, 3)
    factor = 1 + scale_error
    wrong = Section(
        true.cap * factor,
        true.fusion * factor,
        true.left_toe * factor,
        true.right_toe * factor,
    )
    one, other = shape_of(true), shape_of(wrong)

    grown = other.penetration_area_mm2 / one.penetration_area_mm2 - 1
    assert grown == pytest.approx(factor**2 - 1)
    assert other.width_mm == pytest.approx(one.width_mm * factor)
    assert other.dilution_pct == pytest.approx(one.dilution_pct)


def test_the_doubt_about_the_scale_enters_once_in_lengths_twice_in_areas() -> None:
    """Relative doubt e adds e to a length, 2e to an area, none to dilution (GUM)."""
    plate = Plate((Bead.of(parabola, 15, 9, 3, 2),))
    (sure,) = measured(plate)
    (unsure,) = measured(plate, relative_u=0.02)

    def added(name: str) -> float:
        before, after = getattr(sure, name), getattr(unsure, name)
        return math.sqrt(max(after.u**2 - before.u**2, 0)) / after.value

    for name in ("penetration", "width", "reinforcement"):
        assert added(name) == pytest.approx(0.02, rel=0.02)
    for name in ("penetration_area", "reinforcement_area"):
        assert added(name) == pytest.approx(0.04, rel=0.02)
    assert unsure.dilution.u == sure.dilution.u


def test_a_scale_known_badly_is_flagged() -> None:
    """Over 3 % at two standard uncertainties the row says so."""
    plate = Plate((Bead.of(parabola, 15, 9, 3, 2),))

    assert Flag.SCALE_UNSURE in measured(plate, relative_u=0.016)[0].flags
    assert Flag.SCALE_UNSURE not in measured(plate, relative_u=0.014)[0].flags


def test_the_same_bead_is_measured_the_same_twice() -> None:
    """The draws are repeatable: not a digit changes."""
    plate = Plate((Bead.of(segment, 15, 9, 3, 2),))
    one, other = measured(plate)[0], measured(plate)[0]

    for name in ("penetration", "width", "reinforcement", "dilution"):
        assert getattr(one, name) == getattr(other, name)
