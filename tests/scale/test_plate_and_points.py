"""Scale from the plate's own thickness and from two points."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from staged import LENGTH_MM, THICK_MM, outline, scattered_outline, stage

from weldsection.errors import UsageError
from weldsection.flags import Flag
from weldsection.records import project
from weldsection.scale.edges import coupon_edges
from weldsection.scale.points import sized_by_points
from weldsection.scale.request import parse_reference
from weldsection.scale.thickness import thickness_u_mm
from weldsection.scale.tilt import (
    Camera,
    coupon_evidence,
    log_scale_field,
    plane_homographies,
    shapes_at,
    solve_pose,
    tilt_of,
)


@pytest.mark.parametrize("tilt_deg", [(0, 0), (8, 0), (0, -8), (-6, 7)])
def test_thickness_gives_the_scale_whatever_the_tilt(
    tilt_deg: tuple[float, float],
) -> None:
    """The plate's edges show the tilt well enough to keep within what is claimed."""
    shot = stage(tilt_deg=tilt_deg)

    found = shot.scale(f"thickness={THICK_MM}")

    assert abs(shot.error(found)) < 0.01
    assert abs(shot.error(found)) < 2 * found.relative_u_at(shot.face.centre_xy_px)


@pytest.mark.parametrize("tilt_deg", [(0, 0), (9, 4), (-5, -10)])
def test_points_give_the_scale_whatever_the_tilt(
    tilt_deg: tuple[float, float],
) -> None:
    """Two marks on the face and their distance carry the scale."""
    shot = stage(tilt_deg=tilt_deg)
    ends = project(shot.to_px, np.array([[5.0, 7.0], [74.0, 6.0]]))
    numbers = ",".join(f"{v:.2f}" for v in ends.ravel())

    found = shot.scale(f"points={numbers},{math.hypot(69.0, 1.0):.3f}")

    assert abs(shot.error(found)) < 0.006
    assert abs(shot.error(found)) < 2 * found.relative_u_at(shot.face.centre_xy_px)


@pytest.mark.parametrize("about_y_deg", [-15, 15])
def test_a_steep_view_is_not_taken_for_a_misread_edge(about_y_deg: float) -> None:
    """Edges that converge a lot are a steep view: 15° is believed, not drawn back."""
    shot = stage(tilt_deg=(0.0, about_y_deg))

    found = shot.scale(f"thickness={THICK_MM}")

    eye = Camera.of(shot.photo.shape, shot.photo.origin.focal_length_px)
    a, _ = tilt_of(found.homography, eye)
    assert abs(math.degrees(math.atan(a))) == pytest.approx(15, abs=1.5)


def test_an_end_sawn_askew_counts_less_than_square_ones() -> None:
    """One end slanted by 12° moves the scale by less than a per cent."""
    shot = stage()
    corners = shot.face.corners_xy_px.copy()
    corners[2, 0] += math.tan(math.radians(12)) * shot.face.thickness_px
    askew = replace(shot, face=replace(shot.face, corners_xy_px=corners))

    found = askew.scale(f"thickness={THICK_MM}")

    assert abs(askew.error(found)) < 0.01
    assert abs(askew.error(found)) < 2 * found.relative_u_at(shot.face.centre_xy_px)


def test_draws_of_the_tilt_scatter_as_brute_force_says() -> None:
    """Mean and spread of the scale are those of weighing a million tilts."""
    shot = stage(tilt_deg=(7.0, -5.0), exif=False)
    edges = coupon_edges(shot.face)
    eye = Camera.of(shot.photo.shape, None)
    at = shot.face.centre_xy_px
    evidence = coupon_evidence(edges)
    ends = project(shot.to_px, np.array([[5.0, 7.0], [74.0, 6.0]]))

    pose = solve_pose(
        eye, sized=lambda h: sized_by_points(h, ends, 69.0), evidence=(evidence,)
    )

    prior_sd = [math.tan(math.radians(6)), math.tan(math.radians(6)), 0.3]
    tilts = np.random.default_rng(3).normal(0, prior_sd, (400_000, 3))
    tilts = tilts[np.abs(tilts).max(axis=1) < 1.2]
    views = sized_by_points(plane_homographies(tilts, eye), ends, 69.0)
    weight = np.exp(-0.5 * (evidence(views) ** 2).sum(axis=1))
    logs = log_scale_field(views, at)[:, 0]
    mean = float(np.average(logs, weights=weight))
    spread = math.sqrt(float(np.average((logs - mean) ** 2, weights=weight)))
    drawn = log_scale_field(pose.draws, at)[:, 0]
    assert float(drawn.mean()) == pytest.approx(mean, abs=0.1 * spread)
    assert float(drawn.std()) == pytest.approx(spread, rel=0.1)


def test_points_do_without_the_plates_edges() -> None:
    """Where the back of the plate is not seen, any tilt a person holds is allowed."""
    shot = stage()
    blind = replace(shot, face=replace(shot.face, bottom_edge_xy_px=np.empty((0, 2))))
    ends = project(shot.to_px, np.array([[5.0, 7.0], [74.0, 6.0]]))
    numbers = ",".join(f"{v:.2f}" for v in ends.ravel())

    found = blind.scale(f"points={numbers},{math.hypot(69.0, 1.0):.3f}")

    at = shot.face.centre_xy_px
    assert found.relative_u_at(at) > shot.scale(
        f"points={numbers},{math.hypot(69.0, 1.0):.3f}"
    ).relative_u_at(at)
    assert abs(shot.error(found)) < 2 * found.relative_u_at(at)


def test_points_outside_the_picture_are_wrong_usage() -> None:
    """A point that the photo does not have cannot have been meant."""
    with pytest.raises(UsageError, match="outside the upright photo"):
        stage().scale("points=10,10,1700,10,50")


def test_a_nominal_thickness_is_flagged_and_widened() -> None:
    """A 10 mm plate may be 9.5 to 11.2 mm thick (EN 10029:1991 class A)."""
    shot = stage()

    nominal, measured = shot.scale("thickness=10"), shot.scale("thickness=10.00")

    assert Flag.NOMINAL_THICKNESS in nominal.flags
    assert Flag.NOMINAL_THICKNESS not in measured.flags
    at = shot.face.centre_xy_px
    assert nominal.relative_u_at(at) > 4 * measured.relative_u_at(at)


@pytest.mark.parametrize(
    ("typed", "low", "high"),
    [
        ("4", -0.4, 0.8),
        ("6", -0.4, 1.1),
        ("10.0", -0.5, 1.2),
        ("20", -0.6, 1.3),
        ("30", -0.8, 1.4),
    ],
)
def test_nominal_plate_uncertainty_is_the_standards_band(
    typed: str, low: float, high: float
) -> None:
    """Root mean square of EN 10029:1991 Table 1 class A, evenly spread."""
    drawn = np.random.default_rng(1).uniform(low, high, 200_000)

    claimed = thickness_u_mm(parse_reference(f"thickness={typed}"))

    assert claimed == pytest.approx(float(np.sqrt((drawn**2).mean())), rel=0.01)


@pytest.mark.parametrize("degrees", [1, 2, 5, 10, 15, 20, 30])
def test_a_tilted_plane_is_foreshortened_by_the_cosine(degrees: float) -> None:
    """1 - cos θ is 0.015 … 13.4 % (closed form, as in the table of H.3)."""
    eye = Camera(np.array([0.0, 0.0]), 1e6, 0.01)
    tilted = plane_homographies(
        np.array([[math.tan(math.radians(degrees)), 0, 0]]), eye
    )

    q, s = shapes_at(tilted, np.array([0.0, 0.0]))[0]

    assert (1 - abs(q)) / (1 + abs(q)) == pytest.approx(
        math.cos(math.radians(degrees)), rel=1e-4
    )
    assert s == pytest.approx(0, abs=1e-9)


def test_the_tilt_of_a_plane_is_read_back() -> None:
    """Normals go into a homography and come out of it again."""
    eye = Camera(np.array([800.0, 600.0]), 2000.0, 0.01)
    for a, b in [(0.0, 0.0), (0.1, -0.2), (-0.3, 0.05)]:
        view = plane_homographies(np.array([[a, b, 0.0]]), eye)[0]
        assert tilt_of(view, eye) == pytest.approx((a, b), abs=1e-9)


def test_a_bowed_plate_keeps_its_scale() -> None:
    """A bow of 0.5 mm over 80 mm is no tilt: top and bottom bow alike."""
    shot = stage(tilt_deg=(3, 5))
    x = np.linspace(0, LENGTH_MM, 160)
    bow = 0.5 * (1 - ((x - LENGTH_MM / 2) / (LENGTH_MM / 2)) ** 2)
    face = outline(shot.to_px, (1600, 1200))
    bowed = type(face)(
        face.mask,
        face.reduction,
        project(shot.to_px, np.column_stack([x, -bow])),
        project(shot.to_px, np.column_stack([x, THICK_MM - bow])),
        face.corners_xy_px,
        face.cut_by_picture,
    )

    found = type(shot)(shot.photo, bowed, shot.to_px).scale(f"thickness={THICK_MM}")

    assert abs(shot.error(found)) < 0.008


def test_claimed_uncertainty_covers_the_error_of_the_plate_as_scale() -> None:
    """Over 150 random views and caliper readings 2 u covers 93 to 100 %."""
    rng = np.random.default_rng(4)
    inside = []
    for seed in range(150):
        tilt = np.clip(rng.normal(0, 5, 2), -12, 12)
        view = scattered_outline(tuple(tilt), seed)
        typed = THICK_MM + rng.normal(0, 0.05)
        found = view.scale(f"thickness={typed:.2f}")
        u = found.relative_u_at(view.face.centre_xy_px)
        inside.append(abs(view.error(found)) < 2 * u)

    assert 0.93 <= np.mean(inside) <= 1.0
